"""Three-way analysis of variance against R (aov, lme4) and statsmodels."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from grr.formulas.analysis_of_variance import (
    EFFECTS,
    effect_tests,
    method_components,
    three_factor_anova,
)
from grr.formulas.method_comparison import method_difference
from grr.model.errors import StudyError

FIXTURES = Path(__file__).parents[1] / "fixtures" / "three_factor"
STUDIES = ("typical", "three_methods", "one_trial")
EXPECTED = (
    pd.read_csv(FIXTURES / "expected.csv", encoding="utf-8")
    .set_index(["study", "quantity", "effect"])["value"]
    .sort_index()
)


def readings(name: str) -> np.ndarray:
    table = pd.read_csv(FIXTURES / f"{name}.csv")
    table = table.sort_values(["part", "operator", "method", "trial"])
    shape = tuple(table[key].nunique() for key in ("part", "operator", "method", "trial"))
    return table["reading"].to_numpy().reshape(shape)


@pytest.mark.parametrize("name", STUDIES)
def test_sums_of_squares_are_rs(name):
    found = three_factor_anova(readings(name))
    for effect, df in EXPECTED[name, "df"].items():
        assert found.df[effect] == df
        expected = EXPECTED[name, "sum_sq", effect]
        assert float(found.sum_sq[effect]) == pytest.approx(expected, rel=1e-10)


@pytest.mark.parametrize("name", STUDIES)
def test_components_are_lme4s(name):
    # All components of these studies are positive, where REML and the method of moments
    # agree. Largest relative difference 8e-7, from the search of lme4.
    found = method_components(three_factor_anova(readings(name)))
    for effect, expected in EXPECTED[name, "variance"].items():
        assert float(found[effect]) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("name", ["typical", "one_trial"])
def test_the_mean_difference_and_its_error_are_lme4s(name):
    cells = readings(name).mean(axis=-1)
    for operators in ("random", "fixed"):
        found = method_difference(cells[..., 1] - cells[..., 0], operators=operators)
        expected = EXPECTED[name, "difference", "method 2 - 1"]
        assert float(found.mean) == pytest.approx(expected, rel=1e-9)
        expected = EXPECTED[name, f"difference_error_{operators}", "method 2 - 1"]
        assert float(found.error) == pytest.approx(expected, rel=1e-6)


def test_with_three_methods_the_error_pooled_over_all_of_them_is_lme4s():
    found = three_factor_anova(readings("three_methods"))
    ms, (p, o, _), r = found.mean_sq, found.sizes, float(found.trials)
    combined = ms["part × method"] + ms["operator × method"] - ms["part × operator × method"]
    expected = EXPECTED["three_methods", "difference_error_random", "method 2 - 1"]
    assert float(np.sqrt(2 * combined / (p * o * r))) == pytest.approx(expected, rel=1e-6)


def test_f_tests_name_their_denominator():
    found = three_factor_anova(readings("typical"))
    tests = effect_tests(found, operators="fixed")
    assert set(tests) == set(EFFECTS) - {"part"}
    assert {name: test.against for name, test in tests.items()} == {
        "operator": "part × operator",
        "method": "part × method",
        "part × operator": "part × operator × method",
        "part × method": "part × operator × method",
        "operator × method": "part × operator × method",
        "part × operator × method": "error",
    }
    ms = found.mean_sq
    assert tests["method"].f == pytest.approx(ms["method"] / ms["part × method"], rel=1e-12)
    assert {"part", "operator", "method"}.isdisjoint(effect_tests(found, operators="random"))
    assert "part × operator × method" not in effect_tests(three_factor_anova(readings("one_trial")))


def test_the_triple_interactions_f_is_statsmodels():
    table = pd.read_csv(FIXTURES / "typical.csv")
    model = ols("reading ~ C(part) * C(operator) * C(method)", table).fit()
    expected = anova_lm(model).loc["C(part):C(operator):C(method)"]
    found = effect_tests(three_factor_anova(readings("typical")))["part × operator × method"]
    assert float(found.f) == pytest.approx(expected["F"], rel=1e-8)
    assert float(found.p) == pytest.approx(expected["PR(>F)"], rel=1e-8)


def test_a_stack_and_a_large_offset():
    one = readings("typical")
    found = three_factor_anova(np.stack([one, 2.0 * one, one + 1e5]))
    alone = three_factor_anova(one)
    for effect, value in alone.sum_sq.items():
        assert found.sum_sq[effect] == pytest.approx(value * np.array([1, 4, 1]), rel=1e-7)


def test_lost_readings_leave_the_estimates_unbiased():
    rng = np.random.default_rng(3)
    cube = (
        rng.normal(0, 0.5, (3000, 6, 3, 1, 1))
        + rng.normal(0, 0.7, (3000, 6, 1, 2, 1))
        + rng.normal(0, 1.0, (3000, 6, 3, 2, 3))
    )
    cube[:, 0, 1, 1, 2] = np.nan
    cube[:, 4, 2, 0, :2] = np.nan
    found = method_components(three_factor_anova(cube))
    assert found["part × operator"].mean() == pytest.approx(0.25, abs=0.02)
    assert found["part × method"].mean() == pytest.approx(0.49, abs=0.03)
    assert found["error"].mean() == pytest.approx(1.0, abs=0.01)
    assert found["part × operator × method"].mean() == pytest.approx(0.0, abs=0.02)


@pytest.mark.parametrize("shape", [(1, 3, 2, 3), (5, 1, 2, 3), (5, 3, 1, 3)])
def test_one_level_of_a_factor_is_refused(shape):
    with pytest.raises(StudyError, match="Only one"):
        three_factor_anova(np.zeros(shape))


def test_a_stack_of_unequal_sizes_is_refused():
    cube = np.zeros((2, 4, 2, 2, 2))
    cube[1, 0, 0, 0, 0] = np.nan
    with pytest.raises(StudyError, match="same number"):
        three_factor_anova(cube)


def test_operators_are_fixed_or_random():
    with pytest.raises(StudyError, match="operators is not a word known here"):
        effect_tests(three_factor_anova(readings("typical")), operators="some")


def test_one_trial_leaves_the_error_of_each_study_open():
    stack = np.random.default_rng(1).normal(size=(4, 5, 3, 2, 1))
    found = three_factor_anova(stack).mean_sq["error"]
    assert found.shape == (4,) and np.isnan(found).all()
