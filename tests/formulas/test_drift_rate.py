"""How fast readings, the zero or the scatter drift, and how long until it matters."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.formula.api import ols
from statsmodels.stats.oneway import anova_generic

from grr.formulas.drift_rate import (
    Slope,
    blocks,
    drift_slope,
    mean_slope,
    scatter_trend,
    slopes_differ,
    time_to_drift,
    time_to_settle,
    time_until_steady,
    zero_drift,
)
from grr.model.errors import StudyError

PARTS, TRIALS = 10, 3


def run_sheet(seed=1, parts=PARTS, trials=TRIALS):
    """Every part once in random order, then again; one reading about every 20 seconds."""
    rng = np.random.default_rng(seed)
    groups = np.concatenate([rng.permutation(parts) for _ in range(trials)])
    times = np.cumsum(rng.uniform(0.2, 0.5, parts * trials))
    return times, groups


def test_it_is_statsmodels_analysis_of_covariance():
    times, groups = run_sheet()
    readings = np.random.default_rng(2).normal(size=30) + groups + 0.05 * times
    table = pd.DataFrame({"y": readings, "t": times, "part": groups})
    expected = ols("y ~ C(part) + t", table).fit()
    found = drift_slope(times, readings, groups)
    assert found.df == expected.df_resid
    assert float(found.slope) == pytest.approx(expected.params["t"], rel=1e-10)
    assert float(found.error) == pytest.approx(expected.bse["t"], rel=1e-10)
    assert float(found.p()) == pytest.approx(expected.pvalues["t"], rel=1e-8)
    low, high = found.limits(0.95)
    assert (low, high) == pytest.approx(tuple(expected.conf_int().loc["t"]), rel=1e-8)


def test_the_interval_holds_the_truth():
    times, groups = run_sheet()
    rng = np.random.default_rng(3)
    readings = rng.normal(0, 3, (10_000, PARTS))[:, groups] - 0.05 * times
    found = drift_slope(times, readings + rng.normal(0, 0.3, readings.shape), groups)
    low, high = found.limits()
    assert ((low <= -0.05) & (high >= -0.05)).mean() == pytest.approx(0.95, abs=0.01)


def test_the_mean_of_slopes_holds_the_truth_though_one_operator_scatters():
    rng = np.random.default_rng(4)
    slopes = []
    for operator, sd in enumerate((0.2, 0.2, 0.8)):
        times, groups = run_sheet(seed=operator)
        readings = rng.normal(0, sd, (5000, len(times))) + 0.05 * times
        slopes.append(drift_slope(times, readings, groups))
    low, high = mean_slope(slopes).limits()
    assert ((low <= 0.05) & (high >= 0.05)).mean() == pytest.approx(0.95, abs=0.015)


def test_sittings_with_means_of_their_own_do_not_hide_the_drift():
    # Three sittings, each zeroed anew; time counts from the start of each.
    rng = np.random.default_rng(8)
    groups = np.concatenate([rng.permutation(PARTS) for _ in range(TRIALS)])
    sitting = np.repeat(np.arange(TRIALS), PARTS)
    times = np.tile(np.arange(1.0, PARTS + 1) * 0.3, TRIALS)
    zero = rng.normal(0, 1.0, (5000, TRIALS))[:, sitting]
    readings = groups + zero + rng.normal(0, 0.2, (5000, 30)) - 0.2 * times
    found = drift_slope(times, readings, blocks(groups, sitting))
    assert found.df == 30 - 10 - 2 - 1
    low, high = found.limits()
    assert ((low <= -0.2) & (high >= -0.2)).mean() == pytest.approx(0.95, abs=0.011)
    table = pd.DataFrame({"y": readings[0], "t": times, "part": groups, "sitting": sitting})
    expected = ols("y ~ C(part) + C(sitting) + t", table).fit()
    assert found.slope[0] == pytest.approx(expected.params["t"], rel=1e-9)
    assert found.error[0] == pytest.approx(expected.bse["t"], rel=1e-9)


def test_one_slope_is_its_own_mean():
    times, groups = run_sheet()
    one = drift_slope(times, np.random.default_rng(5).normal(size=30), groups)
    same = mean_slope([one])
    assert float(same.slope) == pytest.approx(float(one.slope))
    assert float(same.error) == pytest.approx(float(one.error))
    assert float(same.df) == pytest.approx(float(one.df))


def test_slopes_that_differ_are_told_apart_and_others_seldom():
    rng = np.random.default_rng(9)
    for extra, expected in ((0.0, 0.05), (0.15, 1.0)):
        slopes = []
        for operator, sd in enumerate((0.2, 0.2, 0.8)):
            times, groups = run_sheet(seed=operator)
            drift = 0.05 + (extra if operator == 1 else 0.0)
            noise = rng.normal(0, sd, (4000, len(times)))
            slopes.append(drift_slope(times, noise + drift * times, groups))
        assert (slopes_differ(slopes) < 0.05).mean() == pytest.approx(expected, abs=0.013)
    assert np.isnan(slopes_differ(slopes[:1])).all()


def test_group_means_are_taken_off_without_losing_digits():
    groups = np.array([0, 1, 0, 1, 2])
    values = np.array([1.0, 5.0, 3.0, 9.0, 7.0])
    assert blocks(groups).taken_off(values) == pytest.approx([-1, -2, 1, 2, 0])
    far = blocks(groups).taken_off(values * 1e-6 + 1e4)
    assert far == pytest.approx(np.array([-1, -2, 1, 2, 0]) * 1e-6, abs=1e-11)


def test_parts_measured_once_are_refused():
    with pytest.raises(StudyError, match="different times"):
        drift_slope(np.arange(5.0), np.arange(5.0), np.arange(5))
    with pytest.raises(StudyError, match="different times"):
        drift_slope(np.zeros(6), np.arange(6.0), np.array([0, 0, 1, 1, 2, 2]))


def test_degrees_of_freedom_of_a_mean_by_hand():
    # Errors 3 and 4 with df 5 and 10: variances of the half slopes 2.25 and 4;
    # (2.25 + 4)²/(2.25²/5 + 4²/10) = 39.0625/2.6125 = 14.952.
    pair = [Slope(np.array(1.0), np.array(3.0), 5.0), Slope(np.array(2.0), np.array(4.0), 10.0)]
    found = mean_slope(pair)
    assert float(found.slope) == 1.5
    assert float(found.error) == pytest.approx(2.5)
    assert float(found.df) == pytest.approx(14.952, abs=1e-3)
    # Without scatter there is nothing to weigh, and the fewest count.
    exact = [Slope(np.array(1.0), np.array(0.0), 5.0), Slope(np.array(2.0), np.array(0.0), 10.0)]
    assert float(mean_slope(exact).df) == 5.0


def test_a_drift_without_scatter_is_certain_and_no_drift_without_scatter_is_nothing():
    found = Slope(np.array([0.1, 0.0]), np.zeros(2), 5.0).p()
    assert found[0] == 0.0 and np.isnan(found[1])


def test_slopes_are_compared_as_welchs_means_are():
    b, error, df = [0.10, 0.30, -0.20, 0.05], [0.1, 0.2, 0.15, 0.3], [4.0, 7.0, 19.0, 5.0]
    for k in (2, 3, 4):
        slopes = [Slope(np.array(b[i]), np.array(error[i]), df[i]) for i in range(k)]
        nobs = np.array(df[:k]) + 1.0
        welch = anova_generic(np.array(b[:k]), np.square(error[:k]) * nobs, nobs, use_var="unequal")
        assert float(slopes_differ(slopes)) == pytest.approx(welch.pvalue, rel=1e-9)


def test_what_cannot_be_compared_is_not_a_number_of_the_stacks_shape():
    stack = Slope(np.zeros((2, 3)), np.ones((2, 3)), 5.0)
    assert slopes_differ([stack]).shape == (2, 3)
    exact = Slope(np.array(0.1), np.array(0.0), 5.0)
    assert np.isnan(slopes_differ([exact, Slope(np.array(0.2), np.array(0.1), 5.0)]))


def test_two_parts_read_twice_leave_one_degree_of_freedom():
    # Changes of 1 and 3 in a minute: slope 2; residuals of ±0.5, their squares add to 1.
    found = drift_slope(
        np.array([0.0, 1.0, 0.0, 1.0]), np.array([0.0, 1.0, 5.0, 8.0]), np.array([0, 0, 1, 1])
    )
    assert (float(found.slope), float(found.error), found.df) == pytest.approx((2.0, 1.0, 1.0))


def test_a_series_of_tiny_readings_keeps_them_beside_one_of_large():
    groups = np.array([0, 1, 0, 1, 2])
    values = np.array([1.0, 5.0, 3.0, 9.0, 7.0])
    found = blocks(groups).taken_off(np.stack([values * 1e13, values]))
    assert found[1] == pytest.approx([-1, -2, 1, 2, 0])


def test_degrees_of_freedom_of_a_mean_do_not_depend_on_the_unit():
    pair = [Slope(np.array(1.0), np.array(3e-4), 5.0), Slope(np.array(2.0), np.array(4e-4), 10.0)]
    assert float(mean_slope(pair).df) == pytest.approx(14.952, abs=1e-3)


def test_what_rounding_leaves_counts_as_nothing_in_each_series_by_itself():
    groups = np.array([0, 1, 2, 0, 1, 2, 0, 1, 2])
    alike = np.array([0.1, 0.2, 0.7])[groups] + 0.3
    moved = alike + np.arange(9.0)
    found = blocks(groups).taken_off(np.stack([alike, moved]))
    assert (found[0] == 0.0).all()
    assert found[1] == pytest.approx([-3, -3, -3, 0, 0, 0, 3, 3, 3])


def test_six_minutes():
    # 5 % of a tolerance of 6 µm is 0.3 µm; at 0.05 µm a minute that takes 6 minutes.
    assert time_to_drift(0.05 * 6.0, -0.05) == pytest.approx(6.0)
    assert np.isinf(time_to_drift(0.3, 0.0))


def test_a_settling_curve_reaches_the_allowance_or_never():
    # 0.6·(1 − exp(−t/4)) = 0.3 at t = 4·ln 2.
    assert time_to_settle(0.3, -0.6, 4.0) == pytest.approx(4 * np.log(2))
    assert np.isinf(time_to_settle(0.3, 0.2, 4.0))


def test_until_no_more_than_the_allowance_is_to_come():
    # 0.6·exp(−t/4) = 0.3 at t = 4·ln 2; nothing to wait for where 0.2 is all there is.
    assert time_until_steady(0.3, -0.6, 4.0) == pytest.approx(4 * np.log(2))
    assert time_until_steady(0.3, 0.2, 4.0) == 0.0


def test_zero_drift_by_hand():
    # Changes −0.2, −0.4, −0.3: mean −0.3, sd 0.1, t(2) 4.303: ± 0.2484.
    found = zero_drift(np.array([-0.2, -0.4, -0.3]), np.array([10.0, 10.0, 10.0]))
    assert found.mean == pytest.approx(-0.3)
    assert (found.lower, found.upper) == pytest.approx((-0.5484, -0.0516), abs=1e-4)
    assert found.per_minute == pytest.approx(-0.03)
    assert found.largest == -0.4


def test_readings_that_repeat_to_the_last_digit_are_not_exact():
    found = zero_drift(np.zeros(4), np.full(4, 10.0), least_sd=0.1)
    # t(3) = 3.182; 3.182·0.1/2
    assert (found.lower, found.upper) == pytest.approx((-0.1591, 0.1591), abs=1e-4)


def test_one_session_has_no_interval_and_none_is_refused():
    one = zero_drift(np.array([0.1]), np.array([5.0]))
    assert one.mean == 0.1 and np.isnan(one.lower)
    with pytest.raises(StudyError, match="before and after"):
        zero_drift(np.array([]), np.array([]))


def test_two_sessions_have_an_interval_and_short_ones_a_rate():
    # Changes 0.1 and 0.3: mean 0.2, sd 0.14142, t(1) 12.706: ± 12.706·0.1. A minute apart
    # twice a quarter: 0.4/0.5.
    found = zero_drift(np.array([0.1, 0.3]), np.array([0.25, 0.25]))
    assert (found.lower, found.upper) == pytest.approx((-1.0706, 1.4706), abs=1e-4)
    assert found.per_minute == pytest.approx(0.8)
    assert np.isnan(zero_drift(np.array([0.1]), np.array([0.0])).per_minute)


def test_an_allowance_that_is_just_the_whole_settling_is_never_passed():
    assert time_to_settle(0.3, 0.3, 4.0) == np.inf


@pytest.mark.parametrize("trials", [3, 5])
def test_steady_scatter_alarms_at_the_level(trials):
    rng = np.random.default_rng(3)
    readings = rng.normal(0, 5, (4000, 10, 1)) + rng.normal(size=(4000, 10, trials))
    _, p = scatter_trend(readings)
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.011)


def test_growing_and_shrinking_scatter_are_found():
    rng = np.random.default_rng(4)
    noise = rng.normal(size=(500, 15, 3)) * np.array([0.3, 0.6, 2.4])
    ratio, p = scatter_trend(rng.normal(0, 5, (500, 15, 1)) + noise)
    assert (p < 0.05).mean() > 0.9
    # √(0.6² + 2.4²)/√(0.3² + 0.6²) = 3.7
    assert np.median(ratio) == pytest.approx(3.7, abs=0.4)
    back, same_p = scatter_trend(noise[..., ::-1])
    assert np.median(back) < 1 and (same_p < 0.05).mean() > 0.9


def test_nothing_scatters_or_too_little_was_measured():
    assert np.isnan(scatter_trend(np.ones((10, 3)))).all()
    assert np.isnan(scatter_trend(np.random.default_rng(1).normal(size=(10, 2)))).all()
    assert np.isnan(scatter_trend(np.random.default_rng(1).normal(size=(3, 3)))).all()


def test_p_is_that_of_pitmans_correlation_and_four_parts_are_enough():
    stack = np.random.default_rng(5).normal(size=(2, 3, 4, 3)) + np.arange(4.0)[:, None]
    ratio, p = scatter_trend(stack)
    assert ratio.shape == p.shape == (2, 3)
    for place in np.ndindex(2, 3):
        first, last = np.diff(stack[place], axis=-1).T
        assert p[place] == pytest.approx(stats.pearsonr(last + first, last - first).pvalue)
        assert ratio[place] == pytest.approx(last.std() / first.std())


@pytest.mark.parametrize("factor", [0.5, 2.0, 3.0])
def test_scatter_that_changes_by_one_factor_throughout_is_certain(factor):
    first = np.random.default_rng(6).normal(size=(300, 6))
    readings = np.cumsum(np.stack([0.0 * first, first, factor * first], axis=-1), axis=-1)
    ratio, p = scatter_trend(readings)
    assert ratio == pytest.approx(factor)
    assert p == pytest.approx(0.0, abs=1e-20)
