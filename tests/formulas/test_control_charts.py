"""Control charts of check readings: limits, run rules, and how often they alarm falsely."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from grr.formulas.control_charts import (
    NELSON,
    RULES,
    WESTERN_ELECTRIC,
    between_checks,
    chance_of_false_alarm,
    checks_to_notice,
    false_alarms,
    first_signal,
    individuals_limits,
    mean_range_limits,
    moving_ranges,
    running_mean,
    running_mean_chart,
    signals,
    simulated_run_lengths,
    standardised,
    wild_points,
)
from grr.model.errors import StudyError

#: sd of a running mean of weight 0.2 over that of a point (Lucas & Saccucci, 1990).
RUNNING_MEAN_SD = math.sqrt(0.2 / (2.0 - 0.2))


def test_individuals_worked_by_hand():
    # moving ranges 2, 4, 2: mean 8/3; σ = (8/3)/1.128379 (d2 = 2/√π); E2 = 2.6587, D4 = 3.267
    found = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    assert moving_ranges(np.array([10.0, 12.0, 8.0])).tolist() == [2.0, 4.0]
    assert found.centre == pytest.approx(10.0)
    assert found.sigma == pytest.approx(8 / 3 * np.sqrt(np.pi) / 2)
    assert found.upper - 10.0 == pytest.approx(2.660 * 8 / 3, rel=1e-3)
    assert found.range_upper == pytest.approx(3.267 * 8 / 3, rel=1e-3)
    assert found.range_lower == 0.0


def test_means_and_ranges_have_the_tables_constants():
    # A2, D3, D4 for 5 and 10 a check: ASTM E2587 and the manual's appendix C
    for size, a2, d3, d4 in ((5, 0.577, 0.0, 2.114), (10, 0.308, 0.223, 1.777)):
        readings = np.random.default_rng(size).normal(0, 1, (20, size))
        found = mean_range_limits(readings)
        mean_range = np.ptp(readings, axis=1).mean()
        assert found.centre == pytest.approx(readings.mean())
        assert found.upper - found.centre == pytest.approx(a2 * mean_range, rel=2e-3)
        assert found.range_lower == pytest.approx(d3 * mean_range, abs=1e-3)
        assert found.range_upper == pytest.approx(d4 * mean_range, rel=1e-3)


def test_sigma_is_right_on_average():
    z = np.random.default_rng(3).normal(5.0, 2.0, (4000, 30))
    assert individuals_limits(z).sigma.mean() == pytest.approx(2.0, rel=0.01)
    y = z.reshape(4000, 10, 3)
    assert mean_range_limits(y).sigma.mean() == pytest.approx(2.0 / np.sqrt(3), rel=0.01)


def test_points_in_sigmas():
    limits = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    z = standardised(np.array([limits.upper, limits.centre]), limits)
    assert z == pytest.approx([3.0, 0.0])
    still = individuals_limits(np.array([5.0, 5.0, 5.0]))
    assert standardised(np.array([5.0, 6.0]), still).tolist() == [0.0, np.inf]


def test_short_baselines_are_refused():
    with pytest.raises(StudyError, match="two checks"):
        individuals_limits(np.array([1.0]))
    with pytest.raises(StudyError, match="no range"):
        mean_range_limits(np.ones((5, 1)))


def test_a_stack_of_checks_of_two_readings():
    stack = np.random.default_rng(7).normal(5.0, 1.0, (3, 10, 2))
    together = mean_range_limits(stack)
    assert (together.baseline, together.per_check) == (10, 2)
    for place in range(3):
        # A2 for two readings a check: ASTM E2587 and the manual's appendix C print 1.880.
        reach = 1.880 * np.abs(np.diff(stack[place], axis=-1)).mean()
        assert together.centre[place] == pytest.approx(stack[place].mean())
        assert together.upper[place] - together.centre[place] == pytest.approx(reach, rel=1e-3)


def test_readings_that_repeat_to_the_last_digit_take_the_least_sigma():
    found = mean_range_limits(np.ones((5, 4)), least_sigma=0.5)
    assert found.sigma == pytest.approx(0.25)  # of a mean of four
    assert individuals_limits(np.ones(5), least_sigma=0.5).sigma == pytest.approx(0.5)


def test_every_limit_of_a_chart():
    # E2 2.660 and D4 3.267 on a mean moving range of 8/3: ASTM E2587 and the manual.
    found = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    assert 10.0 - found.lower == pytest.approx(2.660 * 8 / 3, rel=1e-3)
    assert found.mean_range == pytest.approx(8 / 3)
    assert (found.per_check, found.baseline) == (1, 4)


def test_two_checks_are_just_enough():
    assert individuals_limits(np.array([1.0, 3.0])).centre == 2.0
    assert mean_range_limits(np.array([[1.0, 3.0], [2.0, 4.0]])).centre == 2.5


def at(z, name):
    """The points, from 1, at which a rule is met."""
    return (np.flatnonzero(signals(np.array(z, dtype=float), RULES[name])) + 1).tolist()


@pytest.mark.parametrize(
    ("z", "name", "expected"),
    [
        ([0, 3.1, -3.1, 2.9], "WE 1", [2, 3]),
        ([2.1, 0, 2.1], "WE 2", [3]),
        ([2.1, 0, 0, 2.1], "WE 2", []),
        ([2.1, -2.1, 1.9], "WE 2", []),
        ([-2.1, -2.1, 0], "WE 2", [2]),
        ([1.1, 1.1, 0, 1.1, 1.1], "WE 3", [5]),
        ([1.1, 1.1, 0, 0, 1.1, 1.1], "WE 3", []),
        ([0.1] * 9, "WE 4", [8, 9]),
        ([0.1] * 7 + [-0.1] + [0.1] * 7, "WE 4", []),
        ([0.1] * 9, "Nelson 2", [9]),
        ([1, 2, 3, 4, 5, 6, 7], "Nelson 3", [6, 7]),
        ([6, 5, 4, 3, 2, 1], "Nelson 3", [6]),
        ([1, 2, 3, 3, 4, 5, 6], "Nelson 3", []),
        ([0, 1] * 7, "Nelson 4", [14]),
        ([0, 1] * 6 + [0, 0], "Nelson 4", []),
        ([0.9, -0.9] * 7 + [0.1], "Nelson 7", [15]),
        ([1.1, -1.1] * 4, "Nelson 8", [8]),
        ([1.1, -1.1, 0.9] * 4, "Nelson 8", []),
        ([0.5], "Nelson 3", []),
    ],
)
def test_written_out(z, name, expected):
    assert at(z, name) == expected


def test_names_are_unique_and_tell_their_origin():
    assert len(RULES) == 12
    assert all(rule.name.startswith("WE ") for rule in WESTERN_ELECTRIC)
    assert all(rule.name.startswith("Nelson ") for rule in NELSON)


def test_a_stack_is_its_charts_one_by_one():
    z = np.random.default_rng(1).normal(0.0, 1.3, (6, 40))
    for rule in RULES.values():
        stack = signals(z, rule)
        for row, one in zip(z, stack, strict=True):
            assert signals(row, rule).tolist() == one.tolist()
    first = first_signal(z, NELSON)
    assert first.shape == (6,)
    assert np.isinf(first_signal(np.zeros((2, 5)), NELSON)).all()
    assert first_signal(np.array([0.0, 3.5, 3.5]), NELSON) == 2


#: Mean run lengths with nothing wrong: Champ & Woodall, Technometrics 29 (1987), 393-399,
#: table 1 (from memory; rule 1 alone is 1/(2Φ(−3))).
PUBLISHED = {
    (1,): 370.40,
    (1, 2): 225.44,
    (1, 3): 166.05,
    (1, 4): 152.73,
    (1, 2, 3): 132.89,
    (1, 2, 4): 122.05,
    (1, 3, 4): 105.78,
    (1, 2, 3, 4): 91.75,
}


@pytest.mark.parametrize(("numbers", "published"), PUBLISHED.items())
def test_western_electric_sets_are_the_published_ones(numbers, published):
    rules = tuple(WESTERN_ELECTRIC[i - 1] for i in numbers)
    assert false_alarms(rules).run_length == pytest.approx(published, abs=0.006)


@pytest.mark.parametrize("numbers", [(1,), (1, 2, 3, 4)])
def test_simulation_agrees_within_five_percent(numbers):
    rules = tuple(WESTERN_ELECTRIC[i - 1] for i in numbers)
    lengths = simulated_run_lengths(rules, studies=4000, seed=2)
    assert lengths.mean() == pytest.approx(PUBLISHED[numbers], rel=0.05)


@pytest.mark.parametrize(
    ("name", "chance"),
    [
        ("Nelson 7", math.erf(1 / math.sqrt(2))),
        ("Nelson 8", math.erfc(1 / math.sqrt(2))),
    ],
)
def test_runs_are_the_coin_tossers(name, chance):
    # a run of n of probability p each comes after (p⁻ⁿ − 1)/(1 − p) tosses on average
    rule = RULES[name]
    expected = (chance**-rule.window - 1) / (1 - chance)
    assert false_alarms((rule,)).run_length == pytest.approx(expected)
    # nine alike, heads or tails: 2⁹ − 1
    assert false_alarms((RULES["Nelson 2"],)).run_length == pytest.approx(511.0)


@pytest.mark.parametrize(
    ("name", "chance"),
    [
        # any six points in one order or the other: 2/6!
        ("Nelson 3", 2 / math.factorial(6)),
        # any fourteen points zigzag: 2·E(14)/14!, the Euler zigzag number E(14) = 199360981
        ("Nelson 4", 2 * 199360981 / math.factorial(14)),
    ],
)
def test_the_chance_of_one_pattern(name, chance):
    rule = RULES[name]
    z = np.random.default_rng(8).standard_normal((1_000_000, rule.window))
    assert signals(z, rule)[:, -1].mean() == pytest.approx(chance, rel=0.05)


def test_all_of_nelsons_rules_alarm_more_often_than_a_part_of_them():
    whole = false_alarms(NELSON)
    part = false_alarms(tuple(rule for rule in NELSON if rule.kind == "beyond"))
    assert whole.standard_error > 0.0 and part.standard_error == 0.0
    assert whole.run_length + 5 * whole.standard_error < part.run_length


def test_a_short_baseline_raises_the_chance():
    rule = WESTERN_ELECTRIC[:1]
    known = 1 - (1 - 1 / 370.4) ** 12
    long = chance_of_false_alarm(rule, baseline=400, points=12)
    short = chance_of_false_alarm(rule, baseline=8, points=12)
    assert long == pytest.approx(known, abs=0.01)
    assert short > 3 * known


def test_no_rule_is_refused():
    with pytest.raises(StudyError, match="No run rule"):
        false_alarms(())


def test_simulated_charts_go_on_where_the_last_points_left_off():
    # Nine on one side come after 2⁹ − 1 points on average; 8,000 charts: standard error 1.1 %.
    # Counting nine points twice in each 200 would add 7 %.
    lengths = simulated_run_lengths((RULES["Nelson 2"],), studies=8000, seed=3)
    assert lengths.mean() == pytest.approx(511.0, rel=0.035)
    # The very first point alarms in 2Φ(−3) = 0.27 % of charts.
    first = simulated_run_lengths((WESTERN_ELECTRIC[0],), studies=20_000, seed=3) == 1
    assert first.mean() == pytest.approx(0.0027, abs=0.0011)


def test_the_same_seed_gives_the_same_numbers():
    rules = (RULES["Nelson 3"],)
    assert false_alarms(rules, studies=50) == false_alarms(rules, studies=50)
    assert false_alarms(rules, studies=50) != false_alarms(rules, studies=50, seed=2)
    settings = {"baseline": 10, "points": 9, "studies": 200}
    again = chance_of_false_alarm.__wrapped__
    assert again(rules, **settings) == again(rules, **settings)


def test_p_is_that_of_scipys_one_way_analysis():
    readings = np.random.default_rng(1).normal(0, 1, (8, 3)) + np.arange(8)[:, None] * 0.2
    assert between_checks(readings) == pytest.approx(stats.f_oneway(*readings).pvalue)


def test_a_stack_and_checks_without_scatter():
    readings = np.random.default_rng(2).normal(0, 1, (3, 6, 4))
    stack = between_checks(readings)
    assert stack[1] == pytest.approx(between_checks(readings[1]))
    assert between_checks(np.ones((4, 2))) == 1.0
    assert between_checks(np.array([[1.0, 1.0], [2.0, 2.0]])) == 0.0


def test_a_large_offset_costs_no_digits():
    readings = np.random.default_rng(3).integers(0, 9, (5, 3)).astype(float)
    expected = stats.f_oneway(*readings).pvalue
    assert between_checks(readings + 1e12) == pytest.approx(expected, rel=1e-9)


def test_a_running_mean_worked_by_hand():
    # 0.3·52 + 0.7·50 = 50.6; 0.3·47 + 0.7·50.6 = 49.52 (data and weight of the NIST/SEMATECH
    # e-Handbook, 6.3.2.4, which prints 50.00, 50.60, 49.52, 50.56, 50.18)
    found = running_mean(np.array([52.0, 47.0, 53.0, 49.3]), centre=50.0, weight=0.3)
    assert np.round(found, 2).tolist() == [50.60, 49.52, 50.56, 50.18]
    held = running_mean(np.array([90.0, 50.0, 50.0]), centre=50.0, weight=0.5, farthest=10.0)
    assert held.tolist() == [60.0, 55.0, 52.5]


@pytest.mark.parametrize(
    ("shift", "published", "most"),
    [(0.0, 500.0, 6000), (0.25, 150.0, 3000), (0.5, 41.8, 1000), (1.0, 10.5, 500), (2.0, 3.7, 100)],
)
def test_run_lengths_of_the_running_mean_are_the_published_ones(shift, published, most):
    # Lucas & Saccucci, Technometrics 32 (1990), table 3: weight 0.2, limits 2.962 (from memory)
    width = 2.962 * RUNNING_MEAN_SD
    lengths = checks_to_notice(shift, width, most=most, studies=3000)
    assert np.isfinite(lengths).all()
    error = lengths.std(ddof=1) / np.sqrt(len(lengths))
    assert lengths.mean() == pytest.approx(published, abs=4.0 * error + 0.025 * published)


def exact_run_length(limit: float, shift: float, weight: float) -> float:
    """Solve the integral equation of Crowder, Technometrics 29 (1987), by Gauss-Legendre.

    L(u) = 1 + (1/weight)·∫ L(y)·φ((y − (1 − weight)·u)/weight − shift) dy from −h to h.
    """
    nodes, weights = np.polynomial.legendre.leggauss(80)
    h = limit * math.sqrt(weight / (2.0 - weight))
    y, w = h * nodes, h * weights
    kernel = stats.norm.pdf((y - (1.0 - weight) * y[:, None]) / weight - shift) * w / weight
    lengths = np.linalg.solve(np.eye(len(y)) - kernel, np.ones(len(y)))
    at_zero = stats.norm.pdf(y / weight - shift) * w / weight
    return float(1.0 + at_zero @ lengths)


@pytest.mark.parametrize("shift", [0.0, 0.5, 1.0, 2.0])
def test_run_lengths_of_the_running_mean_solve_the_integral_equation(shift):
    exact = exact_run_length(2.962, shift, 0.2)
    most = 6000 if shift == 0.0 else 1000
    lengths = checks_to_notice(shift, 2.962 * RUNNING_MEAN_SD, most=most, studies=3000, seed=5)
    error = lengths.std(ddof=1) / np.sqrt(len(lengths))
    assert lengths.mean() == pytest.approx(exact, abs=4.0 * error)


@pytest.mark.parametrize(
    ("weight", "limit", "published"),
    [(0.4, 3.054, 500.0), (0.25, 2.998, 500.0), (0.2, 2.962, 500.0), (0.1, 2.814, 500.0)],
)
def test_the_integral_equation_gives_the_published_designs(weight, limit, published):
    # Lucas & Saccucci, Technometrics 32 (1990), table 3 (from memory)
    assert exact_run_length(limit, 0.0, weight) == pytest.approx(published, rel=0.01)


@pytest.mark.parametrize(("baseline", "per_check"), [(6, 1), (12, 1), (20, 1), (20, 3), (60, 1)])
def test_false_alarms_stay_rare_with_a_short_baseline(baseline, per_check):
    chart = running_mean_chart(baseline, per_check)
    rng = np.random.default_rng(99)  # other charts than those the limits come from
    readings = rng.normal(10.0, 0.3, (4000, baseline + 40, per_check))
    if per_check == 1:
        limits = individuals_limits(readings[:, :baseline, 0])
    else:
        limits = mean_range_limits(readings[:, :baseline])
    z = standardised(readings[:, baseline:].mean(axis=-1), limits)
    alarm = (np.abs(running_mean(z)) > chart.width).any(axis=1)
    ranges = np.ptp(readings[:, baseline:], axis=-1)
    alarm |= (ranges > chart.range_ratio * limits.mean_range[:, None]).any(axis=1)
    assert chart.chance == pytest.approx(1 - math.exp(-0.04))
    assert alarm.mean() == pytest.approx(chart.chance, abs=0.012)


def test_limits_close_in_on_those_of_known_parameters():
    widths = [running_mean_chart(n).width for n in (6, 10, 20, 60)]
    assert widths == sorted(widths, reverse=True)
    known = checks_to_notice(0.0, running_mean_chart(600).width, most=40, studies=20_000)
    assert np.isfinite(known).mean() == pytest.approx(running_mean_chart(600).chance, abs=0.006)


def test_a_short_baseline_notices_later():
    late = {
        n: np.median(checks_to_notice(2.0, running_mean_chart(n).width, baseline=n))
        for n in (8, 40)
    }
    assert late[40] < late[8]
    pairs = checks_to_notice(1.0, 1.4, baseline=20, per_check=4)
    assert len(pairs) == 4000 and pairs.min() >= 1.0


def test_wild_points_have_the_p_of_grubbs():
    rng = np.random.default_rng(4)
    # critical value for 10 points, 5 % on two sides: 2.290 (Grubbs; ISO 5725-2, from memory)
    points = np.array([-1.0, 1.0] * 4 + [0.0])
    low, high = 0.0, 50.0
    for _ in range(60):  # the tenth point at which G is 2.290
        middle = 0.5 * (low + high)
        ten = np.append(points, middle)
        high, low = (
            (middle, low) if (middle - ten.mean()) / ten.std(ddof=1) > 2.290 else (high, middle)
        )
    assert wild_points(np.append(points, low), level=0.06)[0][1] == pytest.approx(0.05, rel=0.02)
    false = [bool(wild_points(rng.normal(5.0, 0.1, 20), level=0.05)) for _ in range(2000)]
    assert 0.03 < np.mean(false) < 0.07
    two = rng.normal(0.0, 1.0, 20)
    two[[3, 12]] += 20.0
    assert sorted(place for place, _ in wild_points(two, level=0.01)) == [3, 12]
    assert wild_points(np.full(8, 3.0), level=0.01) == []
    assert wild_points(np.array([10.0] * 11 + [10.0001]), level=0.01) == []
