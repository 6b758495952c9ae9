import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import nested_anova, nested_components
from grr.formulas.pivots import at_least, nested_pivots
from grr.formulas.unweighted_means import unweighted_nested
from grr.model.errors import StudyError


def study(operators=3, parts=8, trials=2, *, av=0.4, pv=2.0, ev=0.5, seed=3):
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, av, (operators, 1, 1))
        + rng.normal(0, pv, (operators, parts, 1))
        + rng.normal(0, ev, (operators, parts, trials))
    )


def test_repeatability_is_the_exact_chi_square_interval():
    anova = nested_anova(study())
    draws = nested_pivots(anova).repeatability
    exact = anova.ss_error / stats.chi2.ppf([0.975, 0.025], 24)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.975]), exact, rtol=1e-2)


def test_draws_centre_on_the_estimates_where_degrees_of_freedom_are_many():
    anova = nested_anova(study(operators=400, parts=40, av=1.0))
    found, estimate = nested_pivots(anova, draws=3_000), nested_components(anova)
    for name in ("part", "operator", "repeatability", "grr"):
        assert np.median(getattr(found, name)) == pytest.approx(
            float(getattr(estimate, name)), rel=0.02
        ), name
    assert np.isnan(found.interaction).all()


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_grr_is_never_limited_below_the_repeatability(operators):
    found = nested_pivots(nested_anova(study(av=0.0)), draws=3_000, operators=operators)
    assert (found.operator < 0.0).mean() > 0.2
    for share in (0.01, 0.025, 0.5, 0.975):
        assert np.quantile(found.grr, share) >= np.quantile(found.repeatability, share)


def test_lifting_keeps_the_order_of_draws():
    draws = np.array([[5.0, -3.0, 1.0, 0.0]])
    np.testing.assert_array_equal(
        at_least(draws, np.array([[2.0, 1.0, 4.0, 3.0]])), [[5.0, 1.0, 3.0, 2.0]]
    )


def test_a_study_without_gaps_is_the_analysis_of_variance():
    readings = study()
    whole = nested_pivots(nested_anova(readings), draws=500)
    by_means = nested_pivots(unweighted_nested(readings), draws=500)
    for name in ("part", "operator", "repeatability", "grr", "total", "mean"):
        np.testing.assert_allclose(getattr(by_means, name), getattr(whole, name), rtol=1e-9)


def test_unequal_parts_and_trials_use_harmonic_means():
    readings = study()
    readings[0, 6:] = np.nan
    readings[1, 0, 1] = np.nan
    found = unweighted_nested(readings)
    assert found.parts == pytest.approx(3 / (1 / 6 + 1 / 8 + 1 / 8))
    assert found.trials == pytest.approx(22 / (21 / 2 + 1))
    assert (found.df_part, found.df_error) == (22 - 3, 43 - 22)
    cells = [np.nanmean(readings[k, : (6, 8, 8)[k]], axis=-1) for k in range(3)]
    means = np.array([cell.mean() for cell in cells])
    assert found.mean == pytest.approx(means.mean())
    assert found.ss_operator / found.trials / found.parts == pytest.approx(2 * means.var(ddof=1))
    within = sum(np.square(cell - cell.mean()).sum() for cell in cells)
    assert found.ss_part / found.trials == pytest.approx(within)


def test_one_operator_leaves_the_operator_open():
    found = nested_pivots(nested_anova(study(operators=1)), draws=300)
    assert np.isnan(found.operator).all()
    np.testing.assert_array_equal(found.grr, found.repeatability)


def test_what_cannot_be_told_apart_is_said():
    readings = study()
    readings[2] = np.nan
    with pytest.raises(StudyError, match="An operator has no reading at all"):
        unweighted_nested(readings)
    with pytest.raises(StudyError, match="Too little was repeated"):
        unweighted_nested(study(trials=1))
    with pytest.raises(StudyError, match="Too little was repeated"):
        unweighted_nested(study(parts=1))


def test_lost_readings_in_a_stack_are_those_of_each_study_alone():
    stack = np.stack([study(seed=seed) for seed in (1, 2, 3)])
    stack[0, 0, 6:] = np.nan
    stack[1, 1, 0, 1] = np.nan
    stack[2, 2, 3:] = np.nan
    together = unweighted_nested(stack)
    for place in range(3):
        alone = unweighted_nested(stack[place])
        for name, value in vars(alone).items():
            np.testing.assert_allclose(
                np.broadcast_to(getattr(together, name), (3,))[place], value, rtol=1e-12
            )


def test_fixed_operators_centre_on_their_own_mean_square():
    anova = nested_anova(study(operators=5, parts=2_000, av=1.0, pv=0.5))
    found = nested_pivots(anova, draws=3_000, operators="fixed")
    estimate = nested_components(anova, operators_fixed=True)
    assert np.median(found.operator) == pytest.approx(float(estimate.operator), rel=0.02)
    np.testing.assert_allclose(found.total, found.operator + found.part + found.repeatability)
    with pytest.raises(StudyError, match="operators is not a word known here"):
        nested_pivots(anova, operators="some")


@pytest.mark.parametrize("operators", [1, 30])
def test_the_mean_scatters_as_its_estimate_does(operators):
    anova = nested_anova(study(operators=operators, parts=300, trials=3, av=2.0, pv=1.0))
    found = nested_pivots(anova, draws=20_000)
    # The mean of o operators' means, each of p parts: Montgomery, section 14.1.
    mean_square = anova.ms_part if operators == 1 else anova.ms_operator
    expected = float(mean_square) / (operators * 300 * 3)
    # χ² draws of 29 degrees of freedom widen it by 29/27.
    widened = 1.0 if operators == 1 else 29 / 27
    assert np.var(found.mean) == pytest.approx(expected * widened, rel=0.06)
    parts = found.part + found.repeatability
    whole = parts if operators == 1 else parts + found.operator
    np.testing.assert_allclose(found.total, whole, rtol=1e-9)


def test_draws_of_fixed_operators_scatter_as_a_noncentral_chi_square_lets_them():
    anova = nested_anova(study(operators=5, parts=200, av=1.0, pv=0.5))
    found = nested_pivots(anova, draws=5_000, operators="fixed").operator
    # Far from 0, √λ is normal with sd 1 about the root of SS over the mean square it is
    # judged by: λ scatters by 2√λ.
    noncentrality = float(anova.ss_operator / anova.ms_part)
    assert np.std(found) / np.median(found) == pytest.approx(2 / noncentrality**0.5, rel=0.1)
