import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import crossed_anova, interaction_kept
from grr.formulas.pivots import chi_square_pivot, crossed_pivots, fixed_effects_pivot
from grr.formulas.unweighted_means import unweighted_means
from grr.model.errors import StudyError


def study(seed=0, parts=10, operators=3, trials=3, *, av=0.3, interaction=0.2, ev=0.4, size=()):
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, 2.0, (*size, parts, 1, 1))
        + rng.normal(0, av, (*size, 1, operators, 1))
        + rng.normal(0, interaction, (*size, parts, operators, 1))
        + rng.normal(0, ev, (*size, parts, operators, trials))
    )


def pivots(readings, **options):
    return crossed_pivots(crossed_anova(readings), **options)


def test_repeatability_is_the_exact_chi_square_interval():
    anova = crossed_anova(study())
    draws = crossed_pivots(anova).repeatability
    exact = anova.ss_error / stats.chi2.ppf([0.975, 0.5, 0.025], 60)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.5, 0.975]), exact, rtol=5e-3)


def test_grr_is_one_combination_of_mean_squares():
    found = pivots(study(), draws=1_000)
    np.testing.assert_allclose(
        found.grr, found.operator + found.interaction + found.repeatability, rtol=1e-12
    )
    np.testing.assert_allclose(found.total, found.part + found.grr, rtol=1e-12)
    assert (found.interaction < 0.0).any()
    assert (found.grr > 0.0).all()


def test_draws_centre_on_the_estimates_where_degrees_of_freedom_are_many():
    anova = crossed_anova(study(parts=400, operators=300, trials=2))
    found, estimate = crossed_pivots(anova, draws=2_000), interaction_kept(anova)
    for name in ("part", "operator", "interaction", "repeatability", "grr"):
        centre = np.median(getattr(found, name))
        assert centre == pytest.approx(float(getattr(estimate, name)), rel=0.02), name


def test_the_same_seed_gives_the_same_draws_and_another_one_others():
    readings = study()
    for operators in ("random", "fixed"):
        first = pivots(readings, draws=500, operators=operators)
        again = pivots(readings, draws=500, operators=operators)
        other = pivots(readings, draws=500, operators=operators, seed=1)
        np.testing.assert_array_equal(first.grr, again.grr)
        np.testing.assert_array_equal(first.mean, again.mean)
        assert not np.array_equal(first.grr, other.grr)


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_a_stack_gives_what_each_study_gives_alone(operators):
    readings = study(size=(2, 3))
    stacked = pivots(readings, draws=300, operators=operators)
    alone = pivots(readings[1, 2], draws=300, operators=operators)
    for name in ("part", "operator", "interaction", "repeatability", "grr", "total", "mean"):
        assert getattr(stacked, name).shape == (2, 3, 300)
        np.testing.assert_allclose(
            getattr(stacked, name)[1, 2], getattr(alone, name), rtol=1e-6, atol=1e-12
        )


def test_limits_follow_the_unit():
    small, large = pivots(study(), draws=300), pivots(1_000.0 * study() + 7.0, draws=300)
    np.testing.assert_allclose(large.grr, 1e6 * small.grr, rtol=1e-9)
    np.testing.assert_allclose(large.mean, 1_000.0 * small.mean + 7.0, rtol=1e-9)


def test_one_operator_leaves_operator_and_interaction_open():
    found = pivots(study(operators=1), draws=300)
    assert np.isnan(found.operator).all()
    assert np.isnan(found.interaction).all()
    np.testing.assert_array_equal(found.grr, found.repeatability)
    np.testing.assert_allclose(found.total, found.part + found.repeatability)


def test_one_trial_takes_the_residual_for_the_repeatability():
    anova = crossed_anova(study(trials=1))
    found = crossed_pivots(anova)
    assert np.isnan(found.interaction).all()
    exact = anova.ss_interaction / stats.chi2.ppf([0.975, 0.025], 18)
    np.testing.assert_allclose(np.quantile(found.repeatability, [0.025, 0.975]), exact, rtol=1e-2)
    np.testing.assert_allclose(found.grr, found.operator + found.repeatability)


def test_fixed_operators_have_a_far_shorter_interval():
    readings = study(av=0.6)
    width = {
        who: float(np.ptp(np.quantile(pivots(readings, operators=who).grr, [0.025, 0.975])))
        for who in ("random", "fixed")
    }
    assert width["fixed"] < width["random"] / 3.0


def test_fixed_operators_without_any_scatter_are_known():
    offsets = np.array([-1.0, 0.0, 1.0])
    readings = np.arange(5.0)[:, None, None] + offsets[None, :, None] + np.zeros((5, 3, 2))
    found = pivots(readings, draws=200, operators="fixed")
    np.testing.assert_allclose(found.operator, 2.0 / 3.0, rtol=1e-9)
    np.testing.assert_allclose(found.repeatability, 0.0, atol=1e-20)


def test_the_mean_scatters_as_its_estimate_does():
    centre = study(size=(4_000,), parts=4, av=1.0).mean(axis=(-3, -2, -1))
    expected = 2.0**2 / 4 + 1.0 / 3 + 0.2**2 / 12 + 0.4**2 / 36
    assert centre.var() == pytest.approx(expected, rel=0.08)
    big = crossed_anova(study(parts=60, operators=40, av=1.0))
    found = crossed_pivots(big, draws=20_000)
    spread = float(np.var(found.mean))
    estimate = interaction_kept(big)
    assert spread == pytest.approx(estimate.part / 60 + estimate.operator / 40, rel=0.1)


def test_cell_means_of_a_full_study_give_the_same_draws():
    readings = study()
    plain = pivots(readings, draws=500)
    by_cells = crossed_pivots(unweighted_means(readings), draws=500)
    np.testing.assert_allclose(by_cells.grr, plain.grr, rtol=1e-9)
    np.testing.assert_allclose(by_cells.mean, plain.mean, rtol=1e-9)


def test_what_cannot_be_drawn_is_said():
    with pytest.raises(StudyError, match="Nothing was measured twice"):
        pivots(study(operators=1, trials=1))
    with pytest.raises(StudyError, match="at least 100 draws"):
        pivots(study(), draws=0)
    with pytest.raises(StudyError, match="at least 100 draws"):
        pivots(study(), draws="many")
    with pytest.raises(StudyError, match="operators is not a word known here"):
        pivots(study(), operators="some")


def test_one_operators_parts_have_the_exact_chi_square_interval():
    # Without repeatability to speak of, PV is SS_P/r over χ² with p − 1 degrees of freedom.
    anova = crossed_anova(study(operators=1, ev=1e-6))
    draws = crossed_pivots(anova).part
    exact = anova.ss_part / 3 / stats.chi2.ppf([0.975, 0.5, 0.025], 9)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.5, 0.975]), exact, rtol=2e-2)
    # With much of it, what the repeats add to the part means is taken off.
    noisy = crossed_anova(study(operators=1, parts=2_000, trials=4, ev=6.0))
    centre = np.median(crossed_pivots(noisy, draws=2_000).part)
    assert centre == pytest.approx(float(noisy.ms_part - noisy.ms_error) / 4, rel=0.02)


def test_the_mean_of_one_operator_scatters_as_its_parts_do():
    anova = crossed_anova(study(operators=1, parts=300, trials=3, ev=3.0) + 50.0)
    found = crossed_pivots(anova, draws=20_000)
    assert np.var(found.mean) == pytest.approx(float(anova.ms_part) / 900, rel=0.05)
    assert np.mean(found.mean) == pytest.approx(float(anova.mean), abs=0.01)


def test_studies_of_unequal_degrees_of_freedom_each_have_their_own_chi_square():
    ss, df = np.array([2.0, 5.0, 7.0]), np.array([3, 30, 3])
    rng = np.random.default_rng(6)
    draws = chi_square_pivot(ss, df, 40_000, rng)
    assert draws.shape == (3, 40_000)
    for row, squares, each in zip(draws, ss, df, strict=True):
        exact = squares / stats.chi2.ppf([0.9, 0.5, 0.1], each)
        np.testing.assert_allclose(np.quantile(row, [0.1, 0.5, 0.9]), exact, rtol=0.03)
    alike = chi_square_pivot(ss, np.array([4, 4, 4]), 100, np.random.default_rng(6))
    np.testing.assert_allclose(alike[1] / alike[0], 2.5)


def test_the_mean_scatters_with_the_parts_only_where_operators_are_fixed():
    anova = crossed_anova(study(parts=60, operators=4, av=3.0, interaction=2.0))
    found = crossed_pivots(anova, draws=20_000, operators="fixed")
    estimate = interaction_kept(anova)
    # MS_P/(por) is σ_P²/p + σ_PO²/(po) + σ_E²/(por); operators add nothing of their own.
    assert np.var(found.mean) == pytest.approx(float(anova.ms_part) / 720, rel=0.08)
    assert estimate.operator > 100 * np.var(found.mean)


def test_a_hundred_draws_are_enough_and_a_seed_is_a_whole_number():
    assert pivots(study(), draws=100).grr.shape == (100,)
    for seed in (-1, 1.5, "one", True):
        with pytest.raises(StudyError, match="seed is not a whole number"):
            pivots(study(), draws=100, seed=seed)
    assert pivots(study(), draws=100, seed=0).grr.shape == (100,)


def test_empty_cells_leave_fewer_readings_behind_a_part():
    readings = study(interaction=0.0, ev=1e-4, av=1e-4)
    readings[::2, 0] = readings[1:4:2, 1] = np.nan
    means = unweighted_means(readings)
    behind = float(means.operators_per_part)
    assert 2.0 < behind < 2.4  # operators, on average, where three would be all
    draws = crossed_pivots(means).part
    exact = means.ss_part / (behind * 3) / stats.chi2.ppf([0.975, 0.5, 0.025], 9)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.5, 0.975]), exact, rtol=2e-2)


def test_draws_of_fixed_effects_are_the_noncentral_distribution():
    # Sum of squares 6 with 3 degrees of freedom against a variance of 1; four levels of five
    # readings. The share of draws up to a value is the chance to see more than 6 there.
    draws = fixed_effects_pivot(
        np.array(6.0), np.ones(40_000), 4, 5, draws=40_000, rng=np.random.default_rng(2)
    )
    for noncentrality in (0.5, 5.0, 15.0):
        share = (20.0 * draws <= noncentrality).mean()
        assert share == pytest.approx(stats.ncx2.sf(6.0, 3, noncentrality), abs=0.01)
