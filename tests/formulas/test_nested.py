import numpy as np
import pandas as pd
import pytest

from grr.formulas.analysis_of_variance import nested_anova, nested_components
from grr.formulas.reml import nested_cube, nested_reml
from grr.model.errors import StudyError


def simulated(studies, *, sds, shape=(3, 5, 2), seed=1):
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

    cube = simulated(1, sds=(1, 2, 0.7))[0]
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
    steps = np.round(64 * simulated(1, sds=(1, 2, 0.7))[0]) / 64
    plain, moved = nested_anova(steps), nested_anova(steps + 2.0**30)
    for name in ("ss_operator", "ss_part", "ss_error"):
        assert getattr(moved, name) == pytest.approx(getattr(plain, name), rel=1e-12)


def test_components_are_unbiased():
    # Expected mean squares: Montgomery, Design and Analysis of Experiments, section 14.1.
    cube = simulated(20_000, sds=(0.8, 1.2, 0.5))
    found = nested_components(nested_anova(cube))
    for name, variance in (("operator", 0.64), ("part", 1.44), ("repeatability", 0.25)):
        values = getattr(found, name)
        assert values.mean() == pytest.approx(variance, abs=4 * values.std() / np.sqrt(20_000))


def test_fixed_operators_differences_are_estimated_without_bias():
    effects = np.array([-1.0, 0.2, 0.8])
    cube = simulated(20_000, sds=(0, 1.2, 0.5)) + effects[:, None, None]
    found = nested_components(nested_anova(cube), operators_fixed=True).operator
    expected = np.mean(effects**2)
    assert found.mean() == pytest.approx(expected, abs=4 * found.std() / np.sqrt(20_000))


def test_grr_is_never_below_the_repeatability():
    found = nested_components(nested_anova(simulated(500, sds=(0.1, 5, 0.5))))
    assert (found.operator < 0).mean() > 0.3
    assert (found.grr >= found.repeatability).all()
    positive = found.operator > 0
    expected = found.repeatability + found.operator
    assert found.grr[positive] == pytest.approx(expected[positive])
    assert np.isnan(found.interaction).all()


def test_one_operator_has_no_reproducibility():
    found = nested_components(nested_anova(simulated(3, sds=(0, 2, 1), shape=(1, 6, 2))))
    assert np.isnan(found.operator).all()
    assert (found.grr == found.repeatability).all()


@pytest.mark.parametrize(("shape", "words"), [((3, 5, 1), "once"), ((3, 1, 2), "one part")])
def test_what_a_design_cannot_show(shape, words):
    cube = simulated(1, sds=(1, 1, 1), shape=shape)[0]
    with pytest.raises(StudyError, match=words):
        nested_anova(cube)
    with pytest.raises(StudyError, match=words):
        nested_reml(*as_lists(cube))


def test_destructive_measuring_gets_its_remedy():
    with pytest.raises(StudyError, match="pieces so alike"):
        nested_anova(np.ones((2, 3, 1)))


def test_a_missing_reading_is_refused():
    cube = simulated(1, sds=(1, 1, 1))[0]
    cube[0, 0, 0] = np.nan
    with pytest.raises(StudyError, match="missing"):
        nested_anova(cube)


# ---- unbalanced, by restricted likelihood (against lme4: test_reml_lme4.py)


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_balanced_likelihood_estimates_are_those_of_the_anova_where_positive(operators):
    cube = simulated(100, sds=(2, 1.5, 0.5))
    expected = nested_components(nested_anova(cube), operators_fixed=operators == "fixed")
    positive = (expected.operator > 0) & (expected.part > 0)
    assert positive.sum() > 60
    fit = nested_reml(*as_lists(cube), operators=operators)
    for name in ("part", "operator", "repeatability", "grr"):
        found = getattr(fit.components, name)[positive]
        assert found == pytest.approx(getattr(expected, name)[positive], rel=1e-7), name
    assert fit.mean == pytest.approx(cube.mean(axis=(1, 2, 3)), abs=1e-9)
    assert fit.parts == 15


def test_an_operator_component_below_zero_is_exactly_zero_and_repeatability_stays():
    cube = simulated(200, sds=(0, 3, 0.5))
    anova = nested_anova(cube)
    below = nested_components(anova).operator < 0
    fit = nested_reml(*as_lists(cube))
    assert below.sum() > 60
    assert (fit.components.operator[below] == 0.0).all() and fit.operator_at_zero[below].all()
    assert fit.components.repeatability[below] == pytest.approx(anova.ms_error[below], rel=1e-7)
    assert fit.components.grr[below] == pytest.approx(anova.ms_error[below], rel=1e-7)


def test_parts_of_two_operators_are_two_parts_even_with_one_name():
    cube = simulated(1, sds=(1, 2, 0.5))[0]
    readings, part, operator = as_lists(cube)
    kept = np.random.default_rng(2).permutation(30)[:24]
    alike = nested_reml(readings[kept], part[kept], operator[kept])
    apart = nested_reml(readings[kept], (100 * operator + part)[kept], operator[kept])
    for name in ("part", "operator", "repeatability"):
        assert getattr(alike.components, name) == getattr(apart.components, name)
    assert alike.parts == len(set(zip(part[kept], operator[kept], strict=True)))


def test_one_operator_unbalanced_is_a_one_way_analysis():
    readings, part, operator = as_lists(simulated(1, sds=(0, 2, 1), shape=(1, 6, 3))[0])
    fit = nested_reml(readings[:-2], part[:-2], operator[:-2])
    assert np.isnan(fit.components.operator)
    assert fit.components.grr == fit.components.repeatability


def test_repeats_all_alike():
    readings, part, operator = as_lists(simulated(1, sds=(1, 2, 0), shape=(3, 4, 2))[0])
    fit = nested_reml(readings[:-1], part[:-1], operator[:-1])
    near = nested_reml(
        readings[:-1] + np.random.default_rng(3).normal(0, 1e-5, 23), part[:-1], operator[:-1]
    )
    assert fit.components.repeatability == 0.0 and bool(fit.converged)
    assert fit.components.part == pytest.approx(near.components.part, rel=1e-3)
    assert fit.components.operator == pytest.approx(near.components.operator, rel=1e-3, abs=1e-6)


def test_cube_of_a_nested_study():
    cube = simulated(1, sds=(1, 2, 1), shape=(2, 3, 2))[0]
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
    found = nested_anova(simulated(1, sds=(1, 2, 0.5), shape=(2, 4, 3))[0])
    assert (found.df_operator, found.df_part, found.df_error) == (1, 6, 16)


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_two_operators_by_likelihood_are_those_of_the_anova(operators):
    cube = simulated(1, sds=(3, 1, 0.3), shape=(2, 5, 2), seed=2)[0]
    expected = nested_components(nested_anova(cube), operators_fixed=operators == "fixed")
    assert expected.operator > 0 and expected.part > 0
    found = nested_reml(*as_lists(cube), operators=operators).components
    for name in ("part", "operator", "repeatability", "grr"):
        assert float(getattr(found, name)) == pytest.approx(
            float(getattr(expected, name)), rel=1e-6
        ), name


def test_operators_are_fixed_or_random():
    cube = simulated(1, sds=(1, 1, 1))[0]
    with pytest.raises(StudyError, match="operators is not a word known here"):
        nested_reml(*as_lists(cube), operators="some")


def test_parts_measured_once_are_refused_where_operators_had_unequal_numbers():
    operator = np.array(["A", "A", "A", "B", "B"])
    with pytest.raises(StudyError, match="measured once"):
        nested_reml(np.arange(5.0), np.array([1, 2, 3, 1, 2]), operator)
    with pytest.raises(StudyError, match="one part only"):
        nested_reml(np.arange(5.0), np.array([1, 1, 1, 1, 1]), operator)
