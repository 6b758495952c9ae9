"""Changes in a series of readings: a step, a warm-up that settles, a shift between trials."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from numpy.testing import assert_allclose
from scipy import stats
from scipy.optimize import curve_fit

from grr.formulas.change_points import (
    LEVEL,
    best_shape,
    can_show_a_step,
    fit_settling,
    settling_shape,
    settling_test,
    step_change,
    trial_shifts,
)
from grr.formulas.drift_rate import blocks, recheck_after, time_to_drift
from grr.model.errors import StudyError

# The best of many shapes beside a line: F and place against statsmodels, p against counting.
# -------------------------------------------------------------------------------------------

TIMES = np.arange(12.0)
GROUPS = np.tile(np.arange(3), 4)


def least_squares_f(readings, shape, weights):
    columns = np.column_stack([np.eye(3)[GROUPS], TIMES, shape])
    return sm.WLS(readings, columns, weights=weights**2).fit().tvalues[-1] ** 2


@pytest.mark.parametrize("heavy", [1.0, 3.0])
def test_f_is_the_largest_of_the_regressions(heavy):
    rng = np.random.default_rng(2)
    family, stack = rng.normal(size=(5, 12)), rng.normal(size=(2, 3, 12))
    weights = np.where(GROUPS == 0, heavy, 1.0)
    found = best_shape(TIMES, stack, blocks(GROUPS), family, weights=weights, simulations=200)
    for place in np.ndindex(2, 3):
        each = [least_squares_f(stack[place], shape, weights) for shape in family]
        assert found.index[place] == np.argmax(each)
        assert found.f[place] == pytest.approx(max(each), rel=1e-9)


def test_p_is_the_share_of_series_by_chance_with_the_study_itself_counted():
    family = (np.arange(12) >= np.array([[4], [6], [8]])).astype(float)
    means = blocks(GROUPS)
    sure = best_shape(TIMES, 1e6 * family[1] + np.sin(TIMES), means, family, simulations=199)
    assert sure.p == 1 / 200
    still = best_shape(TIMES, np.zeros(12), means, family, simulations=199)
    assert (still.f, still.p) == (0.0, 1.0)
    # Of other series without any shape, p falls below any share about that often.
    p = best_shape(TIMES, np.random.default_rng(7).normal(size=(2000, 12)), means, family).p
    assert (p < 0.2).mean() == pytest.approx(0.2, abs=0.04)


def test_the_same_seed_gives_the_same_p():
    family = np.random.default_rng(1).normal(size=(4, 12))
    readings = np.random.default_rng(3).normal(size=12)
    first, again = (best_shape(TIMES, readings, blocks(GROUPS), family) for _ in range(2))
    assert first.p == again.p


def test_shapes_that_the_line_and_the_means_hold_already_are_never_chosen():
    wave = np.sin(TIMES)
    family = np.stack([np.ones(12), 2.0 * TIMES + 1.0, np.eye(3)[GROUPS][:, 1], 1e-3 * wave])
    found = best_shape(TIMES, wave + 0.1 * np.cos(3 * TIMES), blocks(GROUPS), family)
    assert found.index == 3
    assert found.f == pytest.approx(
        least_squares_f(wave + 0.1 * np.cos(3 * TIMES), wave, np.ones(12)), rel=1e-6
    )


def test_where_nothing_is_left_to_judge_by_there_is_no_shape():
    # Twelve readings in nine groups: one degree of freedom once line and shape are taken off.
    nine = np.r_[np.arange(9), np.arange(3)]
    family = np.random.default_rng(4).normal(size=(3, 12))
    stack = np.random.default_rng(5).normal(size=(2, 4, 12))
    assert (best_shape(TIMES, stack, blocks(nine), family).f > 0.0).all()
    ten = np.r_[np.arange(10), np.arange(2)]
    for means, shapes in ((blocks(ten), family), (blocks(GROUPS), np.zeros((3, 12)))):
        found = best_shape(TIMES, stack, means, shapes)
        assert found.index.shape == found.f.shape == found.p.shape == (2, 4)
        assert (found.index == 0).all() and (found.f == 0.0).all() and (found.p == 1.0).all()
        assert found.index.dtype.kind == "i"


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
    found = [step_change(times, row, blocks(groups), least_side=3) for row in readings]
    assert sum(bump.p < 0.01 for bump in found) >= 10
    assert sum(abs(bump.first_after - 14) <= 2 for bump in found) >= 11
    assert np.mean([bump.size for bump in found]) == pytest.approx(0.9, abs=0.2)


def test_without_a_bump_few_alarms():
    times, readings, groups = one_session(2000)
    steps = (np.arange(30) >= np.arange(3, 28)[:, None]).astype(float)
    alarms = (best_shape(times, readings, blocks(groups), steps).p < 0.05).mean()
    assert alarms == pytest.approx(0.05, abs=0.02)


def test_too_short_a_series_has_no_bump():
    short = blocks(np.array([0, 1, 0, 1, 0]))
    assert not can_show_a_step(short, least_side=3)
    with pytest.raises(StudyError, match="beside a drift"):
        step_change(np.arange(5.0), np.zeros(5), short, least_side=3)


@pytest.mark.parametrize("place", [3, 9, 15])
def test_a_bump_is_found_as_near_the_ends_as_three_readings(place):
    groups = np.tile(np.arange(3), 6)
    noise = 0.01 * np.random.default_rng(4).normal(size=18)
    found = step_change(
        np.arange(18.0),
        groups + 2.0 * (np.arange(18) >= place) + noise,
        blocks(groups),
        least_side=3,
    )
    assert found.first_after == place
    assert found.size == pytest.approx(2.0, abs=0.05)
    assert found.p < 0.01


@pytest.mark.parametrize("place", [2, 16])
def test_two_readings_at_an_end_are_no_bump_of_their_own(place):
    groups = np.tile(np.arange(3), 6)
    noise = 0.01 * np.random.default_rng(4).normal(size=18)
    found = step_change(
        np.arange(18.0),
        groups + 2.0 * (np.arange(18) >= place) + noise,
        blocks(groups),
        least_side=3,
    )
    assert 3 <= found.first_after <= 15


def test_a_bump_needs_five_readings_beyond_the_means():
    one = np.zeros(6, dtype=np.int64)
    found = step_change(
        np.arange(6.0), np.array([0.0, 0.1, 0, 5, 5.1, 5]), blocks(one), least_side=3
    )
    assert found.first_after == 3
    three = np.array([0, 1, 2, 0, 1, 2, 0])
    assert not can_show_a_step(blocks(three), least_side=3)
    with pytest.raises(StudyError, match="beside a drift"):
        step_change(np.arange(7.0), np.arange(7.0) % 2, blocks(three), least_side=3)


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


# The test of trial means: against statsmodels, and by how often it alarms for nothing.
# -------------------------------------------------------------------------------------


def clean(seed: int, shape=(10, 3, 3), missing: float = 0.0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    readings = 10.0 + rng.normal(0, 20, (shape[0], 1, 1)) + rng.normal(0, 1, shape)
    readings[rng.random(shape) < missing] = np.nan
    return readings


@pytest.mark.parametrize("missing", [0.0, 0.1])
@pytest.mark.parametrize("trials", [2, 3])
def test_f_is_that_of_statsmodels(missing: float, trials: int) -> None:
    import statsmodels.formula.api as smf
    from statsmodels.stats.anova import anova_lm

    readings = clean(3, (8, 2, trials), missing)
    readings[:, 1, 1:] += 5.0
    part, operator, trial = np.nonzero(np.isfinite(readings))
    table = pd.DataFrame(
        {"y": readings[part, operator, trial], "part": part, "j": operator, "t": trial}
    )
    (found,) = trial_shifts(readings)
    assert (found.operator, found.trials) == (1, tuple(range(1, trials)))
    own = table[table["j"] == 1]
    fit = [smf.ols(f"y ~ C(part){more}", own).fit() for more in ("", " + C(t)")]
    expected = anova_lm(*fit).iloc[1]
    assert_allclose([found.f, found.p], [expected["F"], expected["Pr(>F)"]], rtol=1e-8)
    assert found.scatter == pytest.approx(float(np.sqrt(fit[1].scale)))
    step = smf.ols("y ~ C(part) + (t > 0)", own).fit().params["t > 0[T.True]"]
    assert found.size == pytest.approx(step)


def test_all_together_is_statsmodels_beside_the_interaction_with_operators() -> None:
    import statsmodels.formula.api as smf

    readings = clean(11)
    readings[:, :, 1] += 0.75  # too little to be seen in one operator's readings
    (found,) = trial_shifts(readings)
    assert found.operator is None
    part, operator, trial = np.indices(readings.shape).reshape(3, -1)
    table = pd.DataFrame({"y": readings.ravel(), "c": part * 3 + operator, "t": trial})
    cells, common = (smf.ols(f"y ~ {m}", table).fit() for m in ("C(c)", "C(c) + C(t)"))
    # trials by operator taken out of what is left: each operator's own fit
    own = [smf.ols("y ~ C(c) + C(t)", table[operator == j]).fit() for j in range(3)]
    left = sum(fit.ssr for fit in own) / sum(fit.df_resid for fit in own)
    f = (cells.ssr - common.ssr) / 2.0 / left
    assert found.f == pytest.approx(f, rel=1e-8)
    assert found.trials == (1,) and found.size == pytest.approx(0.75, abs=0.7)


@pytest.mark.parametrize(
    ("shape", "missing"), [((10, 3, 3), 0.0), ((5, 2, 2), 0.0), ((10, 3, 2), 0.05)]
)
def test_few_studies_in_which_nothing_moves_alarm(shape: tuple[int, ...], missing: float) -> None:
    # 3,000 studies of each shape: 0.6 to 1.2 %; here with room for four standard errors
    studies = 250
    alarms = sum(bool(trial_shifts(clean(seed, shape, missing))) for seed in range(studies))
    assert alarms <= studies * LEVEL + 4.0 * np.sqrt(studies * LEVEL)


def test_a_shift_of_a_few_sd_is_found_in_nearly_every_study() -> None:
    found = 0
    for seed in range(40):
        readings = clean(seed)
        readings[:, 2, 2] += 2.5
        found += [s.operator for s in trial_shifts(readings)] == [2]
    assert found >= 38


def test_nothing_repeated_or_nothing_scattering_says_nothing() -> None:
    assert trial_shifts(clean(1, (10, 3, 1))) == []
    flat = np.broadcast_to(np.arange(5.0)[:, None, None], (5, 2, 3)).copy()
    assert trial_shifts(flat) == []
    flat[:, 0, 2] += 1.0
    (found,) = trial_shifts(flat)
    assert (found.operator, found.trials, found.scatter, found.p) == (0, (2,), 0.0, 0.0)
    assert found.size == pytest.approx(1.0)


def test_parts_that_nobody_measured_do_not_matter() -> None:
    readings = clean(2)
    readings[:, 0, 0] -= 6.0
    expected = trial_shifts(readings[1:])
    readings[0] = np.nan
    assert trial_shifts(readings) == expected


MONTHS = np.arange(24.0)


def test_a_step_beside_a_drift_is_found_with_its_size():
    y = 0.1 * MONTHS + 5.0 * (MONTHS >= 15)
    found = step_change(MONTHS, y + 1e-6 * np.sin(7.0 * MONTHS))
    assert found.first_after == 15
    assert found.size == pytest.approx(5.0, abs=1e-5)
    assert found.slope == pytest.approx(0.1, abs=1e-5)
    assert found.p < 0.001


def test_slope_and_its_error_are_the_regressions():
    rng = np.random.default_rng(5)
    y = rng.normal(0, 1, 24) + 3.0 * (MONTHS >= 9)
    found = step_change(MONTHS, y)
    step = (int(found.first_after) <= MONTHS).astype(float)
    model = sm.OLS(y, np.column_stack([np.ones(24), MONTHS, step])).fit()
    assert (found.slope, found.size) == pytest.approx(tuple(model.params[1:]))
    assert found.slope_error == pytest.approx(model.bse[1])
    assert found.f == pytest.approx(model.tvalues[2] ** 2)


def test_without_a_step_one_series_in_twenty_shows_one():
    y = np.random.default_rng(6).normal(0, 1, (3000, 24)) + 0.3 * MONTHS
    assert np.mean(step_change(MONTHS, y).p <= 0.05) == pytest.approx(0.05, abs=0.013)


def test_a_straight_line_without_noise_has_no_step():
    assert step_change(MONTHS, 0.5 * MONTHS).p > 0.05
    assert step_change(MONTHS, np.full(24, 3.0)).p == 1.0


def test_too_few_readings_are_refused():
    with pytest.raises(StudyError, match="Fewer than six"):
        step_change(MONTHS[:5], MONTHS[:5])


def test_time_until_the_allowance_is_gone():
    assert time_to_drift(2.0, -0.5) == 4.0
    assert time_to_drift(2.0, 0.0) == np.inf
    assert recheck_after(-0.1, 0.5, 2.0, used=24, longest=12) == 4.0
    assert recheck_after(-0.1, 0.1, 2.0, used=24, longest=12) == 12.0
    assert recheck_after(-0.1, 0.1, 2.0, used=6, longest=12) == 6.0
    assert recheck_after(0.0, 0.0, 2.0, used=6, longest=12) == 6.0


def test_the_shortest_series_and_steps_near_its_ends():
    for place in (2, 4):
        y = 1.0 * (np.arange(6) >= place) + np.array([0, 1, -1, 1, -1, 0]) * 1e-3
        assert step_change(np.arange(6.0), y).first_after == place
    # One reading at an end is no step: it is looked for with two on either side.
    for place in (1, 23):
        y = 5.0 * (np.arange(24) >= place) + 0.01 * np.sin(7.0 * MONTHS)
        assert 2 <= step_change(MONTHS, y).first_after <= 22


def test_a_stack_at_a_large_offset_is_each_series_alone():
    rng = np.random.default_rng(8)
    stack = rng.integers(-9, 9, (3, 24)) + 30.0 * (np.arange(24) >= np.array([[9], [12], [15]]))
    together = step_change(MONTHS, stack + 1e9)
    for place in range(3):
        alone = step_change(MONTHS, stack[place])
        for name in ("first_after", "size", "slope", "slope_error", "f", "p"):
            assert getattr(together, name)[place] == pytest.approx(
                float(getattr(alone, name)), rel=1e-6
            ), name


def test_a_step_leaves_three_degrees_of_freedom_less_than_readings():
    assert step_change(MONTHS, np.sin(MONTHS)).df == 21.0
