"""Generalised pivots: which variances the mean squares of a study are compatible with."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from numpy.testing import assert_allclose, assert_array_equal
from scipy import stats

from by_hand import degrees_of_freedom
from grr.formulas.analysis_of_variance import (
    crossed_anova,
    interaction_kept,
    nested_anova,
    nested_components,
)
from grr.formulas.pivots import (
    Pivots,
    at_least,
    chi_square_pivot,
    crossed_pivots,
    effective_df,
    fixed_effects_pivot,
    floored_pivots,
    nested_pivots,
    noncentrality_draws,
    usual_dfs,
)
from grr.formulas.unweighted_means import unweighted_means, unweighted_nested
from grr.model.errors import StudyError


@pytest.mark.parametrize("df", [1, 2, 5])
@pytest.mark.parametrize("observed", [0.0, 0.02, 1.5, 6.0, 40.0, 900.0])
def test_share_of_draws_is_the_noncentral_distribution(df, observed):
    draws = noncentrality_draws(np.array(observed), df, 40_000, np.random.default_rng(df))
    for noncentrality in (0.0, 0.5, 5.0, 30.0, 850.0, 950.0):
        share = (draws <= noncentrality).mean()
        exact = (
            stats.ncx2.sf(observed, df, noncentrality)
            if noncentrality
            else stats.chi2.sf(observed, df)
        )
        assert share == pytest.approx(exact, abs=4 * 0.5 / np.sqrt(40_000))


def test_every_draw_solves_its_equation():
    rng = np.random.default_rng(3)
    observed = rng.uniform(0.0, 12.0, 2_000)
    draws = noncentrality_draws(observed, 1, 2_000, np.random.default_rng(8))
    uniform = np.random.default_rng(8).uniform(size=2_000)
    positive = draws > 0.0
    s, delta = np.sqrt(observed), np.sqrt(np.maximum(draws, 0.0))
    again = stats.norm.cdf(s - delta) - stats.norm.cdf(-s - delta)
    np.testing.assert_allclose(again[positive], uniform[positive], atol=1e-9)
    assert (uniform[~positive] >= stats.chi2.cdf(observed[~positive], 1) - 1e-12).all()


def test_where_nothing_fits_the_draw_is_what_is_left_after_chance():
    observed = np.full(40_000, 0.1)
    draws = noncentrality_draws(observed, 3, 40_000, np.random.default_rng(5))
    below = np.sort(draws[draws <= 0.0])
    for quantile in (0.1, 0.5, 0.9):
        value = np.quantile(below, quantile)
        expected = stats.chi2.sf(0.1 - value, 3) / stats.chi2.sf(0.1, 3)
        assert quantile == pytest.approx(expected, abs=0.01)


def test_a_stack_gives_what_each_row_gives():
    observed = np.array([[0.3], [20.0]])
    stacked = noncentrality_draws(observed, 2, 500, np.random.default_rng(1))
    assert stacked.shape == (2, 500)
    for row, value in zip(stacked, observed, strict=True):
        alone = noncentrality_draws(value, 2, 500, np.random.default_rng(1))
        np.testing.assert_allclose(row, alone, atol=1e-7)


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
    with pytest.raises(StudyError, match="measured twice"):
        pivots(study(operators=1, trials=1))
    with pytest.raises(StudyError, match="100"):
        pivots(study(), draws=0)
    with pytest.raises(StudyError, match="100"):
        pivots(study(), draws="many")
    with pytest.raises(StudyError, match="operators is not"):
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
        with pytest.raises(StudyError, match="seed"):
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


def nested_readings(operators=3, parts=8, trials=2, *, av=0.4, pv=2.0, ev=0.5, seed=3):
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, av, (operators, 1, 1))
        + rng.normal(0, pv, (operators, parts, 1))
        + rng.normal(0, ev, (operators, parts, trials))
    )


def test_nested_repeatability_is_the_exact_chi_square_interval():
    anova = nested_anova(nested_readings())
    draws = nested_pivots(anova).repeatability
    exact = anova.ss_error / stats.chi2.ppf([0.975, 0.025], 24)
    np.testing.assert_allclose(np.quantile(draws, [0.025, 0.975]), exact, rtol=1e-2)


def test_nested_draws_centre_on_the_estimates_where_degrees_of_freedom_are_many():
    anova = nested_anova(nested_readings(operators=400, parts=40, av=1.0))
    found, estimate = nested_pivots(anova, draws=3_000), nested_components(anova)
    for name in ("part", "operator", "repeatability", "grr"):
        assert np.median(getattr(found, name)) == pytest.approx(
            float(getattr(estimate, name)), rel=0.02
        ), name
    assert np.isnan(found.interaction).all()


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_grr_is_never_limited_below_the_repeatability(operators):
    found = nested_pivots(nested_anova(nested_readings(av=0.0)), draws=3_000, operators=operators)
    assert (found.operator < 0.0).mean() > 0.2
    for share in (0.01, 0.025, 0.5, 0.975):
        assert np.quantile(found.grr, share) >= np.quantile(found.repeatability, share)


def test_lifting_keeps_the_order_of_draws():
    draws = np.array([[5.0, -3.0, 1.0, 0.0]])
    np.testing.assert_array_equal(
        at_least(draws, np.array([[2.0, 1.0, 4.0, 3.0]])), [[5.0, 1.0, 3.0, 2.0]]
    )


def test_a_study_without_gaps_is_the_analysis_of_variance():
    readings = nested_readings()
    whole = nested_pivots(nested_anova(readings), draws=500)
    by_means = nested_pivots(unweighted_nested(readings), draws=500)
    for name in ("part", "operator", "repeatability", "grr", "total", "mean"):
        np.testing.assert_allclose(getattr(by_means, name), getattr(whole, name), rtol=1e-9)


def test_unequal_parts_and_trials_use_harmonic_means():
    readings = nested_readings()
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
    found = nested_pivots(nested_anova(nested_readings(operators=1)), draws=300)
    assert np.isnan(found.operator).all()
    np.testing.assert_array_equal(found.grr, found.repeatability)


def test_what_cannot_be_told_apart_is_said():
    readings = nested_readings()
    readings[2] = np.nan
    with pytest.raises(StudyError, match="no reading at all"):
        unweighted_nested(readings)
    with pytest.raises(StudyError, match="repeated"):
        unweighted_nested(nested_readings(trials=1))
    with pytest.raises(StudyError, match="repeated"):
        unweighted_nested(nested_readings(parts=1))


def test_lost_readings_in_a_stack_are_those_of_each_study_alone():
    stack = np.stack([nested_readings(seed=seed) for seed in (1, 2, 3)])
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
    anova = nested_anova(nested_readings(operators=5, parts=2_000, av=1.0, pv=0.5))
    found = nested_pivots(anova, draws=3_000, operators="fixed")
    estimate = nested_components(anova, people=5)
    assert np.median(found.operator) == pytest.approx(float(estimate.operator), rel=0.02)
    np.testing.assert_allclose(found.total, found.operator + found.part + found.repeatability)
    with pytest.raises(StudyError, match="operators is not"):
        nested_pivots(anova, operators="some")


@pytest.mark.parametrize("operators", [1, 30])
def test_nested_the_mean_scatters_as_its_estimate_does(operators):
    anova = nested_anova(nested_readings(operators=operators, parts=300, trials=3, av=2.0, pv=1.0))
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
    anova = nested_anova(nested_readings(operators=5, parts=200, av=1.0, pv=0.5))
    found = nested_pivots(anova, draws=5_000, operators="fixed").operator
    # Far from 0, √λ is normal with sd 1 about the root of SS over the mean square it is
    # judged by: λ scatters by 2√λ.
    noncentrality = float(anova.ss_operator / anova.ms_part)
    assert np.std(found) / np.median(found) == pytest.approx(2 / noncentrality**0.5, rel=0.1)


# Repeatability under the rounding error is raised to it, and GRR with it.
# ------------------------------------------------------------------------

# A step of 0.6 has a rounding variance of 0.36/12 = 0.03 and hides an sd under 0.18,
# a variance under 0.0324.


def test_draws_are_raised_one_by_one_and_grr_and_total_with_them():
    ev = np.array([0.01, 0.25])
    draws = Pivots(
        part=np.array([4.0, 5.0]),
        operator=np.array([0.5, 0.5]),
        interaction=np.array([0.1, 0.1]),
        repeatability=ev,
        grr=ev + 0.6,
        total=ev + 4.6,
        mean=np.array([10.0, 10.1]),
    )
    raised = floored_pivots(draws, 0.6)
    assert_allclose(raised.repeatability, [0.03, 0.25])
    assert_allclose(raised.grr, [0.63, 0.85])
    assert_allclose(raised.total, [4.63, 4.85])
    assert_array_equal(raised.part, draws.part)
    assert_array_equal(raised.mean, draws.mean)


def test_degrees_of_freedom_by_hand_one_study_and_a_stack():
    rng = np.random.default_rng(4)
    scatter = np.array([1.0, 1.0, 3.0])[:, None] * rng.uniform(0.5, 1.5, (7, 1, 1))
    stack = 1e6 + 50 * rng.normal(size=(20, 7, 1, 1)) + scatter * rng.normal(size=(20, 7, 3, 2))
    found = effective_df(stack)
    part, operator, trial = np.indices(stack.shape[1:]).reshape(3, -1)
    for study, df in zip(stack, found.used, strict=True):
        table = pd.DataFrame(
            {"part": part, "operator": operator, "trial": trial, "reading": study.ravel()}
        )
        assert df == pytest.approx(degrees_of_freedom(table), rel=1e-6)
        assert effective_df(study).used == pytest.approx(df)
    assert (found.counted == 21.0).all()


def test_degrees_of_freedom_where_readings_are_missing_or_do_not_differ():
    rng = np.random.default_rng(5)
    study = rng.normal(size=(6, 2, 3))
    study[0, 0, 1] = study[3, 1] = np.nan
    found = effective_df(study)
    assert found.counted == 2 * 11 - 1
    # The order of the trials does not matter, nor where in the cell one is missing.
    assert effective_df(study[..., ::-1]).used == pytest.approx(float(found.used))
    assert effective_df(np.zeros((5, 3, 3))).used == 30.0
    assert effective_df(rng.normal(size=(5, 3, 1))).used == 0.0
    alone = np.zeros((10, 3, 3))
    alone[4, 1, 2] = 1.0
    assert effective_df(alone).used == 2.0


def test_even_scatter_keeps_its_degrees_of_freedom():
    # Every cell scatters exactly alike.
    study = np.arange(12.0)[:, None].reshape(4, 3, 1) + np.array([-1.0, 0.0, 1.0])
    assert effective_df(study).used == 24.0
    assert np.median(usual_dfs(10, 3, 3)) == pytest.approx(54.0, abs=1.0)
    for shape in ((5, 2, 2), (10, 2, 3), (30, 6, 3)):
        most = shape[0] * shape[1] * (shape[2] - 1)
        assert 0.5 * most < np.median(usual_dfs(*shape)) < most
        assert np.all(np.diff(usual_dfs(*shape)) >= 0.0) and usual_dfs(*shape)[-1] <= most


def test_fewer_degrees_of_freedom_leave_the_mean_squares_and_widen_the_limits():
    rng = np.random.default_rng(6)
    anova = crossed_anova(rng.normal(size=(3, 10, 3, 3)))
    many = crossed_pivots(anova, draws=20_000)
    few = crossed_pivots(anova, draws=20_000, df_error=np.array([60.0, 30.0, 12.0]))
    for place, df in enumerate((60.0, 30.0, 12.0)):
        limit = float(anova.ms_error[place]) * df / stats.chi2.ppf(0.05, df)
        assert np.quantile(few.repeatability[place], 0.95) == pytest.approx(limit, rel=0.02)
    same = (np.quantile(one.grr[0], 0.95) for one in (many, few))
    assert next(same) == pytest.approx(next(same), rel=0.05)
