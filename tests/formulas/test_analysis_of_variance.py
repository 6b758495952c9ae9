"""Analysis of variance: sums of squares, mean squares and the components that follow."""

from __future__ import annotations

import math
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import f as f_distribution
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from grr.formulas.analysis_of_variance import (
    EFFECTS,
    among_people,
    components_by_rule,
    crossed_anova,
    effect_tests,
    f_test,
    interaction_kept,
    interaction_pooled,
    interaction_test,
    interaction_too_small,
    method_components,
    nested_anova,
    nested_components,
    three_factor_anova,
)
from grr.formulas.method_comparison import method_difference
from grr.formulas.reml import nested_cube, nested_reml
from grr.model.errors import StudyError

# Sums of squares against certified values, exact arithmetic and statsmodels.
# ---------------------------------------------------------------------------

# NIST Statistical Reference Datasets, one-way analysis of variance. The files, with their
# certified values, ship inside scipy. A one-way layout with equal replicates is our two-way
# layout with one operator: groups are parts, replicates are trials.
NIST = Path(scipy.__file__).parent / "stats" / "tests" / "data" / "nist_anova"
BALANCED = ["SiRstv", "AtmWtAg", *(f"SmLs0{i}" for i in range(1, 10))]


def read_nist(name: str) -> tuple[np.ndarray, float]:
    lines = (NIST / f"{name}.dat").read_text().splitlines()
    certified = next(line for line in lines if line.strip().startswith("Between"))
    values = [line.split() for line in lines[60:] if line.strip()]
    table = pd.DataFrame(values, columns=["group", "y"]).astype({"group": int, "y": float})
    groups = [group["y"].to_numpy() for _, group in table.groupby("group")]
    return np.array(groups)[:, None, :], float(certified.split()[-1])


def one_way_f(cube: np.ndarray) -> float:
    table = crossed_anova(cube)
    return float(table.ms_part / table.ms_error)


def exact_f(cube: np.ndarray) -> float:
    groups = [[Fraction(float(y)) for y in group] for group in cube[:, 0, :]]
    k, n = len(groups), len(groups[0])
    means = [sum(group) / n for group in groups]
    grand = sum(means) / k
    between = n * sum((mean - grand) ** 2 for mean in means) / (k - 1)
    within = sum((y - m) ** 2 for g, m in zip(groups, means, strict=True) for y in g)
    return float(between / (within / (k * (n - 1))))


@pytest.mark.parametrize("name", BALANCED)
def test_certified_f(name: str) -> None:
    cube, certified = read_nist(name)
    # SmLs07-09 put a 13-digit constant before the variation: rounding the data to doubles
    # alone costs the certified F all but 4 digits, so there exact arithmetic on the doubles
    # is the specification.
    digits = {"SmLs07": 3.8, "SmLs08": 3.8, "SmLs09": 3.8, "SmLs04": 9, "SmLs05": 8, "SmLs06": 8}
    agreed = -math.log10(max(abs(one_way_f(cube) / certified - 1.0), 1e-16))
    assert agreed >= digits.get(name, 9)
    assert one_way_f(cube) == pytest.approx(exact_f(cube), rel=1e-9)


@settings(deadline=None, max_examples=40)
@given(
    seed=st.integers(0, 2**32 - 1),
    shape=st.tuples(st.integers(2, 7), st.integers(2, 4), st.integers(2, 4)),
    offset=st.sampled_from([0.0, 10.0, -250.0]),
)
def test_equal_to_statsmodels(seed: int, shape: tuple[int, int, int], offset: float) -> None:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    p, o, _ = shape
    rng = np.random.default_rng(seed)
    cube = (
        offset
        + rng.normal(size=(p, 1, 1))
        + rng.normal(size=(1, o, 1))
        + rng.normal(size=(p, o, 1))
        + rng.normal(size=shape)
    )
    part, operator, _ = np.indices(shape)
    data = pd.DataFrame({"y": cube.ravel(), "p": part.ravel(), "o": operator.ravel()})
    theirs = anova_lm(ols("y ~ C(p) * C(o)", data).fit())
    ours = crossed_anova(cube)
    for row, ss, df in (
        ("C(p)", ours.ss_part, ours.df_part),
        ("C(o)", ours.ss_operator, ours.df_operator),
        ("C(p):C(o)", ours.ss_interaction, ours.df_interaction),
        ("Residual", ours.ss_error, ours.df_error),
    ):
        assert float(ss) == pytest.approx(theirs.loc[row, "sum_sq"], rel=1e-7)
        assert df == theirs.loc[row, "df"]
    f, p_value = interaction_test(ours)
    assert float(f) == pytest.approx(theirs.loc["C(p):C(o)", "F"], rel=1e-7)
    assert float(p_value) == pytest.approx(theirs.loc["C(p):C(o)", "PR(>F)"], rel=1e-6, abs=1e-12)


def test_a_stack_gives_what_each_study_gives() -> None:
    stack = np.random.default_rng(5).normal(10.0, 0.001, size=(3, 2, 6, 3, 2))
    together = crossed_anova(stack)
    for place in np.ndindex(3, 2):
        alone = crossed_anova(stack[place])
        for name in ("mean", "ss_part", "ss_operator", "ss_interaction", "ss_error"):
            assert getattr(together, name)[place] == pytest.approx(
                float(getattr(alone, name)), rel=1e-12
            )


def test_sums_of_squares_add_up() -> None:
    cube = np.random.default_rng(6).normal(size=(5, 4, 3))
    table = crossed_anova(cube)
    total = table.ss_part + table.ss_operator + table.ss_interaction + table.ss_error
    assert float(total) == pytest.approx(float(np.sum((cube - cube.mean()) ** 2)), rel=1e-12)


def test_refusals() -> None:
    with pytest.raises(StudyError, match="one part"):
        crossed_anova(np.zeros((1, 3, 3)))
    gap = np.zeros((3, 3, 3))
    gap[1, 1, 1] = np.nan
    with pytest.raises(StudyError, match="missing"):
        crossed_anova(gap)


def test_what_a_design_does_not_repeat_has_no_mean_square() -> None:
    one_operator = crossed_anova(np.random.default_rng(7).normal(size=(4, 5, 1, 2)))
    assert one_operator.ms_operator.shape == one_operator.ms_interaction.shape == (4,)
    assert np.isnan(one_operator.ms_operator).all() and np.isnan(one_operator.ms_interaction).all()
    one_trial = crossed_anova(np.random.default_rng(7).normal(size=(4, 5, 3, 1)))
    assert one_trial.ms_error.shape == (4,) and np.isnan(one_trial.ms_error).all()
    assert np.isfinite(one_trial.ms_interaction).all()


# Variance components: exact relations, and what they recover in simulation.
# --------------------------------------------------------------------------


def simulated(shape: tuple[int, int, int], sds: tuple[float, ...], studies: int) -> np.ndarray:
    p, o, r = shape
    part, operator, both, error = sds
    rng = np.random.default_rng(11)
    return (
        10.0
        + part * rng.normal(size=(studies, p, 1, 1))
        + operator * rng.normal(size=(studies, 1, o, 1))
        + both * rng.normal(size=(studies, p, o, 1))
        + error * rng.normal(size=(studies, p, o, r))
    )


def test_grr_is_the_sum_of_the_parts_as_they_are_shown() -> None:
    found = interaction_kept(crossed_anova(simulated((6, 3, 2), (1, 0.1, 0.0, 0.5), 50)))
    shown = [np.maximum(part, 0.0) for part in (found.operator, found.interaction)]
    assert np.allclose(found.grr, found.repeatability + sum(shown))
    assert (found.interaction < 0).any()
    assert (found.operator < 0).any()
    assert (found.grr >= found.repeatability).all()


def test_kept_components_are_unbiased() -> None:
    truth = (2.0, 0.7, 0.4, 0.5)
    found = interaction_kept(crossed_anova(simulated((8, 4, 3), truth, 40_000)))
    for estimate, sd in zip(
        (found.part, found.operator, found.interaction, found.repeatability), truth, strict=True
    ):
        margin = 5 * estimate.std() / np.sqrt(len(estimate))
        assert estimate.mean() == pytest.approx(sd**2, abs=margin)


def test_auto_pools_by_the_p_value_study_by_study() -> None:
    table = crossed_anova(simulated((6, 3, 3), (1, 0.2, 0.15, 0.3), 200))
    found, pooled = components_by_rule(table, interaction="auto", pool_above=0.25)
    assert (pooled == (interaction_test(table)[1] > 0.25)).all()
    assert 0 < pooled.sum() < 200
    kept, pooled_all = interaction_kept(table), interaction_pooled(table)
    assert np.array_equal(found.grr, np.where(pooled, pooled_all.grr, kept.grr))


def test_fixed_operators_replace_the_sample_variance_by_the_mean_square() -> None:
    kept = interaction_kept(crossed_anova(simulated((6, 4, 2), (1, 1, 0.1, 0.1), 5)))
    fixed = among_people(kept, 4)
    assert np.allclose(fixed.operator, kept.operator * 0.75)
    assert np.allclose(kept.grr - fixed.grr, kept.operator * 0.25)


def test_what_cannot_be_estimated_is_refused_or_nan() -> None:
    one_operator = crossed_anova(np.random.default_rng(1).normal(size=(5, 1, 3)))
    found = interaction_pooled(one_operator)
    assert np.isnan(found.operator)
    assert found.grr == found.repeatability
    with pytest.raises(StudyError, match="two trials"):
        interaction_kept(one_operator)
    with pytest.raises(StudyError, match="measured twice"):
        interaction_pooled(crossed_anova(np.random.default_rng(1).normal(size=(5, 1, 1))))


def test_repeats_that_never_differ_are_pooled_without_a_warning() -> None:
    cube = np.round(10.0 + 0.001 * np.random.default_rng(2).normal(size=(5, 1, 1)), 4)
    cube = np.round(cube + np.array([0.0, 0.0001, 0.0003])[None, :, None], 4).repeat(2, axis=2)
    found, pooled = components_by_rule(crossed_anova(cube))
    assert pooled
    assert found.repeatability == 0.0
    assert np.sqrt(found.grr) == pytest.approx(0.00015275, rel=1e-4)  # sd of 0, 1 and 3 in 0.1 µm


def test_fixed_operators_do_not_raise_grr_where_av_is_pooled_below_zero() -> None:
    table = crossed_anova(simulated((6, 3, 2), (1, 0.0, 0.0, 0.5), 200))
    pooled = interaction_pooled(table)
    below = pooled.operator < 0
    assert below.any()
    fixed = among_people(pooled, 3)
    assert np.allclose(fixed.grr[below], pooled.repeatability[below], rtol=1e-12)
    assert np.allclose(fixed.grr, fixed.repeatability + np.maximum(fixed.operator, 0.0))


def test_pooled_components_of_two_operators_by_hand() -> None:
    # Part means 1, 3, 8 and operators 0.5 to either side; every cell reads ±0.1 about its sum.
    cube = np.array([1.0, 3, 8])[:, None, None] + np.array([[-0.5], [0.5]]) + [-0.1, 0.1]
    found = interaction_pooled(crossed_anova(cube))
    # 6 cells of 2·0.01 on 6 + 2 df: 0.015. MS_P 4·26/2 = 52, MS_O 6·0.5/1 = 3.
    assert float(found.repeatability) == pytest.approx(0.015)
    assert float(found.part) == pytest.approx((52 - 0.015) / 4)
    assert float(found.operator) == pytest.approx((3 - 0.015) / 6)
    assert float(found.grr) == pytest.approx(0.015 + (3 - 0.015) / 6)
    assert found.interaction == 0.0


def test_one_operator_by_hand_and_one_trial() -> None:
    # One operator: MS_P 2·26/2 = 26 on part means 1, 3, 8; repeatability 3·0.02/3.
    one = interaction_pooled(
        crossed_anova(np.array([1.0, 3, 8])[:, None, None] + np.array([-0.1, 0.1]))
    )
    assert float(one.part) == pytest.approx((26 - 0.02) / 2)
    assert np.isnan(one.operator) and np.isnan(one.interaction)
    # One trial: the interaction is in the repeatability and has no number of its own.
    single = interaction_pooled(crossed_anova(np.random.default_rng(1).normal(size=(5, 3, 1))))
    assert np.isnan(single.interaction) and np.isfinite(single.operator)


# The F test against scipy, and where there is nothing to divide by.
# ------------------------------------------------------------------


def test_f_and_p_are_scipys_whatever_the_unit() -> None:
    above, below = np.array([1e-9, 2.5, 0.0]), np.array([4e-10, 5.0, 0.3])
    ratio, p = f_test(above, 18, below, 60)
    assert_allclose(ratio, above / below)
    assert_allclose(p, f_distribution.sf(above / below, 18, 60), rtol=1e-10)


def test_over_a_zero_f_is_infinite_and_p_zero() -> None:
    ratio, p = f_test(np.array([1e-12, 3.0]), 4, np.array([0.0, 0.0]), 9)
    assert_array_equal(ratio, [np.inf, np.inf])
    assert_array_equal(p, [0.0, 0.0])


def test_where_nothing_varies_there_is_no_f() -> None:
    ratio, p = f_test(np.array([0.0]), 4, np.array([0.0]), 9)
    assert np.isnan(ratio).all()
    assert np.isnan(p).all()


def test_the_rule_is_auto_unless_another_is_asked_for() -> None:
    stack = np.random.default_rng(1).normal(size=(50, 5, 3, 2))
    anova = crossed_anova(stack)
    for ours, theirs in zip(
        vars(components_by_rule(anova)[0]).values(),
        vars(components_by_rule(anova, interaction="auto")[0]).values(),
        strict=True,
    ):
        assert_array_equal(ours, theirs)
    assert 0 < components_by_rule(anova)[1].sum() < 50
    assert not components_by_rule(anova, interaction="keep")[1].any()
    assert components_by_rule(anova, interaction="pool")[1].all()


def test_two_operators_and_two_trials_are_enough_to_keep_it() -> None:
    # Operators reverse the order of the parts: nothing but interaction.
    cube = np.array([[0.0, 2.0], [1.0, 1.0], [2.0, 0.0]])[:, :, None] + [0.0, 0.01]
    anova = crossed_anova(np.stack([cube, cube]))
    components, pooled = components_by_rule(anova)
    assert pooled.tolist() == [False, False]
    # Four cells 1 off: MS_PO = 2·4/2, MS_E = 0.00005: (4 − 0.00005)/2
    assert_allclose(components.interaction, 1.999975)


def test_what_is_pooled_is_said_study_by_study() -> None:
    anova = crossed_anova(np.random.default_rng(2).normal(size=(4, 2, 5, 3, 2)))
    assert components_by_rule(anova, interaction="pool")[1].shape == (4, 2)
    assert components_by_rule(anova, interaction="keep")[1].shape == (4, 2)


def test_a_p_value_at_the_level_is_not_above_it() -> None:
    anova = crossed_anova(np.random.default_rng(3).normal(size=(5, 3, 2)))
    p = float(interaction_test(anova)[1])
    assert not components_by_rule(anova, pool_above=p)[1]
    assert components_by_rule(anova, pool_above=np.nextafter(p, 0.0))[1]


def test_with_one_operator_or_one_trial_there_is_nothing_to_keep() -> None:
    rng = np.random.default_rng(4)
    for shape in ((5, 1, 3), (5, 3, 1)):
        for interaction in ("auto", "keep", "pool"):
            anova = crossed_anova(rng.normal(size=shape))
            components, pooled = components_by_rule(anova, interaction=interaction)
            assert pooled
            assert np.isfinite(components.repeatability)


# The lower tail of the interaction's F: its value, and how often chance reaches it.
# ----------------------------------------------------------------------------------


def stack(studies: int, scatters=(1.0, 1.0, 1.0), shape=(10, 3, 3)) -> np.ndarray:
    rng = np.random.default_rng(4)
    sizes = rng.normal(0, 20, (studies, shape[0], 1, 1))
    return sizes + rng.normal(0, 1, (studies, *shape)) * np.array(scatters)[:, None]


def test_f_is_that_of_the_analysis_of_variance() -> None:
    readings = stack(5)
    f, p = interaction_too_small(readings)
    table = crossed_anova(readings)
    assert f == pytest.approx(table.ms_interaction / table.ms_error)
    assert p.shape == (5,)


@pytest.mark.parametrize("scatters", [(1.0, 1.0, 1.0), (1.0, 2.0, 0.5)])
def test_chance_reaches_it_as_often_as_it_says(scatters: tuple[float, ...]) -> None:
    _, p = interaction_too_small(stack(20_000, scatters))
    assert (p < 0.001).mean() < 0.0018
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.015)


def test_a_shift_between_trials_makes_it_tiny() -> None:
    readings = stack(200)
    readings[..., 1:] += 4.0
    assert (interaction_too_small(readings)[1] < 0.001).mean() > 0.9


def nested_cubes(studies, *, sds, shape=(3, 5, 2), seed=1):
    """Readings, shape (studies, operators, parts, trials); sds of AV, PV and EV."""
    rng = np.random.default_rng(seed)
    o, p, r = shape
    return (
        rng.normal(0, sds[0], (studies, o, 1, 1))
        + rng.normal(0, sds[1], (studies, o, p, 1))
        + rng.normal(0, sds[2], (studies, o, p, r))
    )


def as_lists(cube):
    operator, part, _ = np.indices(cube.shape[-3:]).reshape(3, -1)
    return cube.reshape(*cube.shape[:-3], -1), part, operator


def test_sums_of_squares_are_those_of_statsmodels():
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    cube = nested_cubes(1, sds=(1, 2, 0.7))[0]
    readings, part, operator = as_lists(cube)
    table = pd.DataFrame({"reading": readings, "part": part, "operator": operator})
    expected = anova_lm(smf.ols("reading ~ C(operator) + C(operator):C(part)", table).fit())
    found = nested_anova(cube)
    assert found.ss_operator == pytest.approx(expected.sum_sq.iloc[0], rel=1e-9)
    assert found.ss_part == pytest.approx(expected.sum_sq.iloc[1], rel=1e-9)
    assert found.ss_error == pytest.approx(expected.sum_sq.iloc[2], rel=1e-9)
    assert (found.df_operator, found.df_part, found.df_error) == tuple(expected.df)
    assert found.mean == pytest.approx(readings.mean(), rel=1e-12)


def test_a_large_offset_costs_no_digits():
    steps = np.round(64 * nested_cubes(1, sds=(1, 2, 0.7))[0]) / 64
    plain, moved = nested_anova(steps), nested_anova(steps + 2.0**30)
    for name in ("ss_operator", "ss_part", "ss_error"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), rel=1e-12)


def test_components_are_unbiased():
    # Expected mean squares: Montgomery, Design and Analysis of Experiments, section 14.1.
    cube = nested_cubes(20_000, sds=(0.8, 1.2, 0.5))
    found = nested_components(nested_anova(cube))
    for name, variance in (("operator", 0.64), ("part", 1.44), ("repeatability", 0.25)):
        values = getattr(found, name)
        assert values.mean() == pytest.approx(variance, abs=4 * values.std() / np.sqrt(20_000))


def test_fixed_operators_differences_are_estimated_without_bias():
    effects = np.array([-1.0, 0.2, 0.8])
    cube = nested_cubes(20_000, sds=(0, 1.2, 0.5)) + effects[:, None, None]
    found = nested_components(nested_anova(cube), people=cube.shape[-3]).operator
    expected = np.mean(effects**2)
    assert found.mean() == pytest.approx(expected, abs=4 * found.std() / np.sqrt(20_000))


def test_grr_is_never_below_the_repeatability():
    found = nested_components(nested_anova(nested_cubes(500, sds=(0.1, 5, 0.5))))
    assert (found.operator < 0).mean() > 0.3
    assert (found.grr >= found.repeatability).all()
    positive = found.operator > 0
    expected = found.repeatability + found.operator
    assert found.grr[positive] == pytest.approx(expected[positive])
    assert np.isnan(found.interaction).all()


def test_one_operator_has_no_reproducibility():
    found = nested_components(nested_anova(nested_cubes(3, sds=(0, 2, 1), shape=(1, 6, 2))))
    assert np.isnan(found.operator).all()
    assert (found.grr == found.repeatability).all()


@pytest.mark.parametrize(("shape", "words"), [((3, 5, 1), "once"), ((3, 1, 2), "one part")])
def test_what_a_design_cannot_show(shape, words):
    cube = nested_cubes(1, sds=(1, 1, 1), shape=shape)[0]
    with pytest.raises(StudyError, match=words):
        nested_anova(cube)
    with pytest.raises(StudyError, match=words):
        nested_reml(*as_lists(cube))


def test_destructive_measuring_gets_its_remedy():
    with pytest.raises(StudyError, match="alike"):
        nested_anova(np.ones((2, 3, 1)))


def test_a_missing_reading_is_refused():
    cube = nested_cubes(1, sds=(1, 1, 1))[0]
    cube[0, 0, 0] = np.nan
    with pytest.raises(StudyError, match="missing"):
        nested_anova(cube)


# ---- unbalanced, by restricted likelihood (against lme4: test_reml_lme4.py)


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_balanced_likelihood_estimates_are_those_of_the_anova_where_positive(operators):
    cube = nested_cubes(100, sds=(2, 1.5, 0.5))
    expected = nested_components(
        nested_anova(cube), people=cube.shape[-3] if operators == "fixed" else math.inf
    )
    positive = (expected.operator > 0) & (expected.part > 0)
    assert positive.sum() > 60
    fit = nested_reml(*as_lists(cube), operators=operators)
    for name in ("part", "operator", "repeatability", "grr"):
        found = getattr(fit.components, name)[positive]
        assert found == pytest.approx(getattr(expected, name)[positive], rel=1e-7), name
    assert fit.mean == pytest.approx(cube.mean(axis=(1, 2, 3)), abs=1e-9)
    assert fit.parts == 15


def test_an_operator_component_below_zero_is_exactly_zero_and_repeatability_stays():
    cube = nested_cubes(200, sds=(0, 3, 0.5))
    anova = nested_anova(cube)
    below = nested_components(anova).operator < 0
    fit = nested_reml(*as_lists(cube))
    assert below.sum() > 60
    assert (fit.components.operator[below] == 0.0).all() and fit.operator_at_zero[below].all()
    assert fit.components.repeatability[below] == pytest.approx(anova.ms_error[below], rel=1e-7)
    assert fit.components.grr[below] == pytest.approx(anova.ms_error[below], rel=1e-7)


def test_parts_of_two_operators_are_two_parts_even_with_one_name():
    cube = nested_cubes(1, sds=(1, 2, 0.5))[0]
    readings, part, operator = as_lists(cube)
    kept = np.random.default_rng(2).permutation(30)[:24]
    alike = nested_reml(readings[kept], part[kept], operator[kept])
    apart = nested_reml(readings[kept], (100 * operator + part)[kept], operator[kept])
    for name in ("part", "operator", "repeatability"):
        assert getattr(alike.components, name) == getattr(apart.components, name)
    assert alike.parts == len(set(zip(part[kept], operator[kept], strict=True)))


def test_one_operator_unbalanced_is_a_one_way_analysis():
    readings, part, operator = as_lists(nested_cubes(1, sds=(0, 2, 1), shape=(1, 6, 3))[0])
    fit = nested_reml(readings[:-2], part[:-2], operator[:-2])
    assert np.isnan(fit.components.operator)
    assert fit.components.grr == fit.components.repeatability


def test_repeats_all_alike():
    readings, part, operator = as_lists(nested_cubes(1, sds=(1, 2, 0), shape=(3, 4, 2))[0])
    fit = nested_reml(readings[:-1], part[:-1], operator[:-1])
    near = nested_reml(
        readings[:-1] + np.random.default_rng(3).normal(0, 1e-5, 23), part[:-1], operator[:-1]
    )
    assert fit.components.repeatability == 0.0 and bool(fit.converged)
    assert fit.components.part == pytest.approx(near.components.part, rel=1e-3)
    assert fit.components.operator == pytest.approx(near.components.operator, rel=1e-3, abs=1e-6)


def test_cube_of_a_nested_study():
    cube = nested_cubes(1, sds=(1, 2, 1), shape=(2, 3, 2))[0]
    readings, part, operator = as_lists(cube)
    names = np.array([f"{o}{p}" for o, p in zip(operator, part, strict=True)])
    assert (nested_cube(readings, names, operator) == cube).all()
    short = nested_cube(readings[:-3], names[:-3], operator[:-3])
    assert short.shape == (2, 3, 2)
    assert np.isnan(short).sum() == 3


def test_two_operators_by_hand():
    # Operators' means 2 and 5, their parts 1 to either side, readings 0.1 to either side.
    cube = np.array([2.0, 5.0])[:, None, None] + np.array([[-1.0], [1.0]]) + [-0.1, 0.1]
    found = nested_anova(cube)
    assert (found.ms_operator, found.ms_part, found.ms_error) == pytest.approx((18.0, 4.0, 0.02))
    components = nested_components(found)
    assert float(components.operator) == pytest.approx((18 - 4) / 4)
    assert float(components.part) == pytest.approx((4 - 0.02) / 2)
    assert float(components.grr) == pytest.approx(0.02 + 3.5)


def test_degrees_of_freedom_of_three_readings_each():
    found = nested_anova(nested_cubes(1, sds=(1, 2, 0.5), shape=(2, 4, 3))[0])
    assert (found.df_operator, found.df_part, found.df_error) == (1, 6, 16)


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_two_operators_by_likelihood_are_those_of_the_anova(operators):
    cube = nested_cubes(1, sds=(3, 1, 0.3), shape=(2, 5, 2), seed=2)[0]
    expected = nested_components(
        nested_anova(cube), people=cube.shape[-3] if operators == "fixed" else math.inf
    )
    assert expected.operator > 0 and expected.part > 0
    found = nested_reml(*as_lists(cube), operators=operators).components
    for name in ("part", "operator", "repeatability", "grr"):
        assert float(getattr(found, name)) == pytest.approx(
            float(getattr(expected, name)), rel=1e-6
        ), name


def test_operators_are_fixed_or_random():
    cube = nested_cubes(1, sds=(1, 1, 1))[0]
    with pytest.raises(StudyError, match="operators is not"):
        nested_reml(*as_lists(cube), operators="some")


def test_parts_measured_once_are_refused_where_operators_had_unequal_numbers():
    operator = np.array(["A", "A", "A", "B", "B"])
    with pytest.raises(StudyError, match="measured once"):
        nested_reml(np.arange(5.0), np.array([1, 2, 3, 1, 2]), operator)
    with pytest.raises(StudyError, match="one part"):
        nested_reml(np.arange(5.0), np.array([1, 1, 1, 1, 1]), operator)


# Three-way analysis of variance against R (aov, lme4) and statsmodels.
# ---------------------------------------------------------------------

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


def test_operators_of_both_methods_are_fixed_or_random():
    with pytest.raises(StudyError, match="operators is not"):
        effect_tests(three_factor_anova(readings("typical")), operators="some")


def test_one_trial_leaves_the_error_of_each_study_open():
    stack = np.random.default_rng(1).normal(size=(4, 5, 3, 2, 1))
    found = three_factor_anova(stack).mean_sq["error"]
    assert found.shape == (4,) and np.isnan(found).all()
