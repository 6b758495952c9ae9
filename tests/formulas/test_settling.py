import numpy as np
import pytest
from scipy import stats
from scipy.optimize import curve_fit

from grr.formulas.change_points import (
    best_shape,
    find_bump,
    fit_settling,
    settling_shape,
    settling_test,
)
from grr.formulas.drift_rate import blocks

PARTS, TRIALS = 10, 3


def series(seed, operators=3):
    """Three operators' sessions under one method, each from its own start."""
    rng = np.random.default_rng(seed)
    times, groups = [], []
    for operator in range(operators):
        order = np.concatenate([rng.permutation(PARTS) for _ in range(TRIALS)])
        times.append(np.cumsum(rng.uniform(0.25, 0.55, PARTS * TRIALS)))
        groups.append(order + PARTS * operator)
    return np.concatenate(times), np.concatenate(groups), rng


def test_a_warm_up_is_found_and_its_intervals_hold_the_truth():
    times, groups, rng = series(1)
    truth = groups - 0.6 * settling_shape(times, 3.0)
    readings = truth + rng.normal(0, 0.1, (300, len(times)))
    assert (settling_test(times, readings, blocks(groups)).p < 0.01).mean() > 0.95
    fits = [fit_settling(times, row, blocks(groups)) for row in readings]
    amount = [low <= -0.6 <= high for low, high in (fit.amount_limits for fit in fits)]
    time = [low <= 3.0 <= high for low, high in (fit.time_constant_limits for fit in fits)]
    # 300 series: standard error 1.3 %.
    assert 0.91 < np.mean(amount) < 0.98
    assert 0.91 < np.mean(time) < 0.98


@pytest.mark.parametrize("drift", [0.0, -0.05])
def test_a_straight_drift_is_seldom_taken_for_a_curve(drift):
    times, groups, rng = series(2)
    readings = groups + rng.normal(0, 0.2, (2000, len(times))) + drift * times
    alarms = (settling_test(times, readings, blocks(groups)).p < 0.05).mean()
    assert alarms == pytest.approx(0.05, abs=0.02)


def test_weights_keep_one_who_scatters_from_hiding_the_curve():
    times, groups, rng = series(5)
    noise = np.repeat([0.1, 0.1, 1.0], PARTS * TRIALS)
    readings = groups + rng.normal(size=(200, len(times))) * noise
    readings = readings - 0.6 * settling_shape(times, 3.0)
    plain = settling_test(times, readings, blocks(groups)).p < 0.01
    weighted = settling_test(times, readings, blocks(groups), weights=1 / noise).p < 0.01
    assert plain.mean() < 0.3 < 0.8 < weighted.mean()
    fits = [fit_settling(times, row, blocks(groups), weights=1 / noise) for row in readings]
    held = [low <= -0.6 <= high for low, high in (fit.amount_limits for fit in fits)]
    assert 0.9 < np.mean(held) < 0.99
    assert all(fit.residual_sum < fit.line_residual_sum for fit in fits)


def test_the_curve_starts_at_nothing_and_ends_at_the_amount():
    times, groups, rng = series(1)
    readings = rng.normal(0, 0.05, len(times)) + 0.8 * settling_shape(times, 2.0)
    fit = fit_settling(times, readings, blocks(groups))
    assert fit.at(np.array([0.0])) == pytest.approx([0.0])
    assert fit.at(np.array([1e9])) == pytest.approx([fit.amount])


def one_session(count, bump=0.0, at=14):
    rng = np.random.default_rng(6)
    groups = np.concatenate([rng.permutation(PARTS) for _ in range(TRIALS)])
    times = np.cumsum(rng.uniform(0.25, 0.55, PARTS * TRIALS))
    readings = groups + rng.normal(0, 0.2, (count, 30)) + bump * (np.arange(30) >= at)
    return times, readings, groups


def test_a_bump_is_found_where_it_happened():
    times, readings, groups = one_session(12, bump=0.9)
    found = [find_bump(times, row, blocks(groups)) for row in readings]
    assert sum(bump.p < 0.01 for bump in found) >= 10
    assert sum(abs(bump.first_after - 14) <= 2 for bump in found) >= 11
    assert np.mean([bump.size for bump in found]) == pytest.approx(0.9, abs=0.2)


def test_without_a_bump_few_alarms():
    times, readings, groups = one_session(2000)
    steps = (np.arange(30) >= np.arange(3, 28)[:, None]).astype(float)
    alarms = (best_shape(times, readings, blocks(groups), steps).p < 0.05).mean()
    assert alarms == pytest.approx(0.05, abs=0.02)


def test_too_short_a_series_has_no_bump():
    assert find_bump(np.arange(5.0), np.zeros(5), blocks(np.array([0, 1, 0, 1, 0]))) is None


@pytest.mark.parametrize("place", [3, 9, 15])
def test_a_bump_is_found_as_near_the_ends_as_three_readings(place):
    groups = np.tile(np.arange(3), 6)
    noise = 0.01 * np.random.default_rng(4).normal(size=18)
    found = find_bump(
        np.arange(18.0), groups + 2.0 * (np.arange(18) >= place) + noise, blocks(groups)
    )
    assert found.first_after == place
    assert found.size == pytest.approx(2.0, abs=0.05)
    assert found.p < 0.01


@pytest.mark.parametrize("place", [2, 16])
def test_two_readings_at_an_end_are_no_bump_of_their_own(place):
    groups = np.tile(np.arange(3), 6)
    noise = 0.01 * np.random.default_rng(4).normal(size=18)
    found = find_bump(
        np.arange(18.0), groups + 2.0 * (np.arange(18) >= place) + noise, blocks(groups)
    )
    assert 3 <= found.first_after <= 15


def test_a_bump_needs_five_readings_beyond_the_means():
    one = np.zeros(6, dtype=np.int64)
    assert find_bump(np.arange(6.0), np.array([0.0, 0.1, 0, 5, 5.1, 5]), blocks(one)) is not None
    three = np.array([0, 1, 2, 0, 1, 2, 0])
    assert find_bump(np.arange(7.0), np.arange(7.0) % 2, blocks(three)) is None


@pytest.mark.parametrize("weight", [1.0, 4.0])
def test_amount_and_its_interval_are_scipys_least_squares(weight):
    # Noise at right angles to the curve and its slope in τ, so that the least squares lie on
    # a point of the grid.
    times = np.linspace(0.1, 12.0, 14)
    groups, tau = np.repeat([0, 1], 7), np.geomspace(12.0 / 50, 36.0, 160)[80]
    weights = np.where(groups == 0, 1.0, weight)
    curve = settling_shape(times, tau)
    columns = np.column_stack([np.eye(2)[groups], curve, times * np.exp(-times / tau)])
    columns = columns * weights[:, None]
    noise = 0.05 * np.random.default_rng(3).normal(size=14)
    noise = noise - columns @ np.linalg.lstsq(columns, noise, rcond=None)[0]
    readings = np.array([5.0, 9.0])[groups] + 0.8 * curve + noise / weights
    found = fit_settling(times, readings, blocks(groups), weights=weights, level=0.9)

    def model(t, first, second, amount, time_constant):
        return np.where(groups == 0, first, second) + amount * settling_shape(t, time_constant)

    best, covariance = curve_fit(model, times, readings, (5, 9, 1, tau), sigma=1 / weights)
    assert found.time_constant == pytest.approx(best[3], rel=1e-4)
    assert found.amount == pytest.approx(best[2], rel=1e-4)
    reach = stats.t.ppf(0.95, 14 - 4) * np.sqrt(covariance[2, 2])
    assert found.amount_limits == pytest.approx((0.8 - reach, 0.8 + reach), rel=1e-3)
    assert found.residual_sum == pytest.approx(float(noise @ noise), rel=1e-6)
    straight = np.column_stack([np.eye(2)[groups], times]) * weights[:, None]
    _, squares, *_ = np.linalg.lstsq(straight, readings * weights, rcond=None)
    assert found.line_residual_sum == pytest.approx(float(squares[0]), rel=1e-9)

    def squares_left(time_constant):
        shape = np.column_stack([np.eye(2)[groups], settling_shape(times, time_constant)])
        return np.linalg.lstsq(shape * weights[:, None], readings * weights, rcond=None)[1][0]

    allowed = found.residual_sum * (1 + stats.f.ppf(0.9, 1, 10) / 10)
    low, high = found.time_constant_limits
    step = 150.0 ** (1 / 159)
    assert squares_left(low) <= allowed < squares_left(low / step)
    assert squares_left(high) <= allowed < squares_left(high * step)


def test_a_time_constant_that_the_data_do_not_bound():
    times, groups = np.linspace(0.1, 12.0, 14), np.zeros(14, dtype=np.int64)
    noise = np.random.default_rng(5).normal(size=14)
    anything = fit_settling(times, noise, blocks(groups), level=0.999)
    assert anything.time_constant_limits == (0.0, np.inf)
    slow = fit_settling(times, times + 0.05 * noise, blocks(groups))
    assert slow.time_constant_limits[0] > 5.0 and slow.time_constant_limits[1] == np.inf
