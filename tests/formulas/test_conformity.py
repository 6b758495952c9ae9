"""Decisions of conformity: their risks, and acceptance limits that keep the risks small."""

from __future__ import annotations

import numpy as np
import pytest
from direct_integration import by_adaptive_quadrature
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.conformity import (
    CONFORMS,
    DOES_NOT,
    OPEN,
    Zone,
    conformance_factor,
    conformity,
    consumers_risk,
    global_risks,
    guard_for_risk,
    interval_probability,
    permissible_error_used,
    rectangle_probability,
    specific_risk,
    worst,
)
from grr.formulas.pivots import crossed_pivots
from grr.model.errors import StudyError

# Chances of true value and reading, against independent integrators.
# -------------------------------------------------------------------

INF = np.inf


CASES = [
    # true limits, reading limits, k
    ((2.0, INF), (-2.0, 2.0), 0.1),
    ((2.0, INF), (-1.7, 1.7), 0.1),
    ((2.0, INF), (-INF, 2.0), 0.3),
    ((-INF, -4.0), (-3.6, 3.6), 0.1),  # about 1e-9
    ((5.5, INF), (-5.0, 5.0), 0.1),  # under 1e-12
    ((-3.0, 3.0), (4.5, INF), 0.5),
    ((-1.0, 1.0), (-0.2, 0.3), 3.0),
    ((-0.001, 0.002), (-0.3, 0.3), 0.002),
    ((1.0, INF), (-INF, 0.99), 0.001),
    ((6.0, INF), (-6.0, 6.0), 5.0),
]


@pytest.mark.parametrize(("true", "reading", "k"), CASES)
def test_equals_adaptive_quadrature(true, reading, k):
    ours = float(rectangle_probability(true, reading, mean=0.0, sd=1.0, error_sd=k))
    assert ours == pytest.approx(by_adaptive_quadrature(true, reading, k), rel=1e-9)


def test_small_risks_are_really_small():
    chances = [float(rectangle_probability(t, r, mean=0, sd=1, error_sd=k)) for t, r, k in CASES]
    assert min(chances) < 1e-10


def test_a_value_computed_with_40_digits():
    # mpmath 1.4 with 40 digits, Gauss-Legendre in 160 pieces: 1.36404325334012e-51.
    ours = rectangle_probability(
        (15.020285997228731, INF),
        (-INF, 15.117747031183471),
        mean=0.0,
        sd=1.0,
        error_sd=2.782813642291478,
    )
    assert float(ours) == pytest.approx(1.36404325334012e-51, rel=1e-11)


def test_owens_t_gives_what_the_integral_gives(monkeypatch):
    # Two formulas for one chance: the corners by Owen's T, and the integral over true values.
    rng = np.random.default_rng(1)
    true, reading = (np.sort(rng.normal(0, 3, (4_000, 2))).T for _ in range(2))
    true[1, ::4], true[0, 1::4], reading[0, 2::4], reading[1, 3::4] = INF, -INF, -INF, INF
    true[0, 2::8] = np.minimum(true[1, 2::8] - 0.1, 0.0)
    given = {"mean": 0.0, "sd": 1.0, "error_sd": 10.0 ** rng.uniform(-2.5, 1.0, 4_000)}
    found = rectangle_probability(tuple(true), tuple(reading), **given)
    monkeypatch.setattr("grr.formulas.conformity._CANCELLED", INF)
    integrated = rectangle_probability(tuple(true), tuple(reading), **given)
    assert (found != integrated).mean() > 0.5
    np.testing.assert_allclose(found, integrated, rtol=1e-10, atol=1e-300)
    np.testing.assert_allclose(found, integrated, rtol=0.0, atol=1e-15)


@pytest.mark.parametrize("corner", [(0.0, 0.0), (0.0, 0.7), (0.7, 0.0), (0.0, -0.7)])
def test_a_corner_on_an_axis_is_no_special_case(corner):
    upper, read = corner
    ours = rectangle_probability((-INF, upper), (-INF, read), mean=0.0, sd=1.0, error_sd=0.3)
    expected = by_adaptive_quadrature((-INF, upper), (-INF, read), 0.3)
    assert float(ours) == pytest.approx(expected, rel=1e-9)


def test_equals_the_bivariate_normal_distribution_function():
    k = 0.4
    covariance = [[1.0, 1.0], [1.0, 1.0 + k * k]]
    pair = stats.multivariate_normal(mean=[0.0, 0.0], cov=covariance)
    for upper, read in ((0.5, 0.2), (-1.0, 1.3), (2.0, -0.4)):
        ours = rectangle_probability((-INF, upper), (-INF, read), mean=0.0, sd=1.0, error_sd=k)
        assert float(ours) == pytest.approx(float(pair.cdf([upper, read])), abs=1e-7)


# No tolerance is 5e-324 wide: what divides by such a number is not meant.
@given(
    limits=st.lists(st.floats(-4, 4, allow_subnormal=False), min_size=4, max_size=4),
    log_k=st.floats(-2.5, 1.5),
)
@settings(deadline=None, max_examples=60)
def test_nine_rectangles_make_the_whole(limits, log_k):
    k = 10.0**log_k
    true, reading = sorted(limits[:2]), sorted(limits[2:])
    edges = ([-INF, *true, INF], [-INF, *reading, INF])
    total = sum(
        float(
            rectangle_probability(
                (edges[0][i], edges[0][i + 1]),
                (edges[1][j], edges[1][j + 1]),
                mean=0.0,
                sd=1.0,
                error_sd=k,
            )
        )
        for i in range(3)
        for j in range(3)
    )
    assert total == pytest.approx(1.0, rel=1e-11)


def test_a_stack_gives_what_each_problem_gives():
    k = np.array([0.02, 0.3, 4.0])[:, None]
    upper = np.array([0.5, 2.0, 6.0, 9.0])
    stack = rectangle_probability((upper, INF), (-INF, upper), mean=0.1, sd=1.3, error_sd=k)
    assert stack.shape == (3, 4)
    for i in range(3):
        for j in range(4):
            alone = rectangle_probability(
                (upper[j], INF), (-INF, upper[j]), mean=0.1, sd=1.3, error_sd=k[i, 0]
            )
            assert float(alone) == pytest.approx(stack[i, j], rel=1e-11)


def test_reversed_limits_have_no_probability():
    assert float(rectangle_probability((1, 0), (-1, 1), mean=0, sd=1, error_sd=1)) == 0.0
    assert float(rectangle_probability((0, 1), (1, -1), mean=0, sd=1, error_sd=1)) == 0.0
    assert float(interval_probability(1.0, 0.0)) == 0.0


def test_interval_probability_in_the_far_tail():
    assert float(interval_probability(9.0, 10.0)) == pytest.approx(
        stats.norm.sf(9.0) - stats.norm.sf(10.0), rel=1e-12
    )


# Risks of wrong decisions, against integration, simulation and closed forms.
# ---------------------------------------------------------------------------

PIN = Zone(10.006, 10.012)


def test_every_risk_equals_direct_integration():
    mean, sd, grr, bias = 10.0085, 0.0011, 0.00025, 0.0001
    accept = Zone(10.0063, 10.0118)
    got = global_risks(PIN, accept, process_mean=mean, process_sd=sd, grr_sd=grr, bias=bias)

    def chance(true, reading):
        return by_adaptive_quadrature(
            [(t - mean) / sd for t in true], [(x - bias - mean) / sd for x in reading], grr / sd
        )

    accepting, good = (accept.lower, accept.upper), (PIN.lower, PIN.upper)
    bad_accepted = chance((-INF, PIN.lower), accepting) + chance((PIN.upper, INF), accepting)
    good_rejected = chance(good, (-INF, accept.lower)) + chance(good, (accept.upper, INF))
    bad = stats.norm.cdf(PIN.lower, mean, sd) + stats.norm.sf(PIN.upper, mean, sd)
    accepted = np.diff(stats.norm.cdf(accepting, mean + bias, np.hypot(sd, grr)))[0]
    wanted = {
        "bad": bad,
        "accepted": accepted,
        "bad_accepted": bad_accepted,
        "good_rejected": good_rejected,
        "accepted_if_bad": bad_accepted / bad,
        "bad_if_accepted": bad_accepted / accepted,
        "rejected_if_good": good_rejected / (1 - bad),
        "good_if_rejected": good_rejected / (1 - accepted),
    }
    for name, value in wanted.items():
        assert float(getattr(got, name)) == pytest.approx(value, rel=1e-8), name


@pytest.mark.parametrize("k", [0.05, 0.2, 0.5])
def test_risks_down_to_a_thousand_millionth(k):
    # A guard band of 5 error sds brings the risk to 1e-9 and below.
    for guard in (0.0, 2.0 * k, 4.0 * k, 5.5 * k):
        accept = Zone(-3.0 + guard, 3.0 - guard)
        got = global_risks(Zone(-3.0, 3.0), accept, process_mean=0.3, process_sd=1.0, grr_sd=k)
        wanted = sum(
            by_adaptive_quadrature(side, (accept.lower - 0.3, accept.upper - 0.3), k)
            for side in ((-INF, -3.3), (2.7, INF))
        )
        assert float(got.bad_accepted) == pytest.approx(wanted, rel=1e-7)
    assert wanted < 2e-9


def test_risks_within_the_error_of_a_simulation():
    rng = np.random.default_rng(20)
    n = 2_000_000
    true = rng.normal(10.0088, 0.0014, n)
    read = true + rng.normal(0.0002, 0.0004, n)
    bad = (true < PIN.lower) | (true > PIN.upper)
    accept = Zone(10.0062, 10.0119)
    taken = (read >= accept.lower) & (read <= accept.upper)
    got = global_risks(
        PIN, accept, process_mean=10.0088, process_sd=0.0014, grr_sd=0.0004, bias=0.0002
    )
    for name, event in (
        ("bad", bad),
        ("accepted", taken),
        ("bad_accepted", bad & taken),
        ("good_rejected", ~bad & ~taken),
    ):
        expected = float(getattr(got, name))
        assert abs(event.mean() - expected) < 4.0 * np.sqrt(expected * (1 - expected) / n), name


def test_one_sided_tolerance_has_one_way_to_be_bad():
    got = global_risks(Zone(upper=2.0), process_mean=0.0, process_sd=1.0, grr_sd=0.3)
    pair = stats.multivariate_normal(mean=[0, 0], cov=[[1, 1], [1, 1.09]])
    expected = pair.cdf([np.inf, 2.0]) - pair.cdf([2.0, 2.0])
    assert float(got.bad_accepted) == pytest.approx(expected, abs=1e-7)
    mirrored = global_risks(Zone(lower=-2.0), process_mean=0.0, process_sd=1.0, grr_sd=0.3)
    assert float(mirrored.bad_accepted) == pytest.approx(float(got.bad_accepted), rel=1e-12)


def test_a_bias_is_the_same_as_moving_the_acceptance_limits():
    a = global_risks(PIN, process_mean=10.009, process_sd=0.001, grr_sd=0.0003, bias=0.0002)
    b = global_risks(PIN, PIN.moved(-0.0002), process_mean=10.009, process_sd=0.001, grr_sd=0.0003)
    assert float(a.bad_accepted) == pytest.approx(float(b.bad_accepted), rel=1e-10)
    assert float(a.good_rejected) == pytest.approx(float(b.good_rejected), rel=1e-10)


def test_a_stack_of_processes_and_the_short_form_agree():
    sd = np.array([[0.5], [1.0]])
    grr = np.array([0.1, 0.2, 0.4])
    stack = global_risks(Zone(-2, 2), process_mean=0.2, process_sd=sd, grr_sd=grr)
    assert stack.bad_accepted.shape == (2, 3)
    short = consumers_risk(Zone(-2, 2), Zone(-2, 2), process_mean=0.2, process_sd=sd, grr_sd=grr)
    assert short == pytest.approx(stack.bad_accepted, rel=1e-12)


def test_specific_risk_with_a_known_process():
    # Posterior by a grid, independent of the closed form.
    mean, sd, grr, reading = 10.009, 0.0012, 0.0004, 10.0117
    y = np.linspace(mean - 10 * sd, mean + 10 * sd, 400_001)
    weight = stats.norm.pdf(y, mean, sd) * stats.norm.pdf(reading, y + 0.0001, grr)
    bad = weight[(y < PIN.lower) | (y > PIN.upper)].sum() / weight.sum()
    got = specific_risk(reading, PIN, grr_sd=grr, bias=0.0001, process_mean=mean, process_sd=sd)
    assert float(got) == pytest.approx(bad, rel=1e-3)


def test_specific_risk_without_a_process_is_half_at_the_limit():
    got = specific_risk(np.array([10.012, 10.0124]), PIN, grr_sd=0.0002, bias=0.0)
    assert got[0] == pytest.approx(0.5, abs=1e-12)
    assert got[1] == pytest.approx(stats.norm.cdf(2.0), rel=1e-9)


def test_a_process_that_hardly_varies_leaves_the_specific_risk_to_the_process():
    got = specific_risk(10.013, PIN, grr_sd=0.001, process_mean=10.009, process_sd=1e-6)
    assert float(got) < 1e-12


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"process_sd": 0.0}, "process sd is 0"),
        ({"process_sd": -1.0}, "process sd"),
        ({"process_sd": np.nan}, "process sd"),
        ({"grr_sd": 0.0}, "measuring system is 0"),
        ({"grr_sd": np.inf}, "GRR sd"),
        ({"process_mean": np.nan}, "process mean"),
        ({"bias": np.inf}, "bias"),
    ],
)
def test_values_without_a_risk_are_refused(change, word):
    values = {"process_mean": 0.0, "process_sd": 1.0, "grr_sd": 0.2, "bias": 0.0, **change}
    with pytest.raises(StudyError, match=word):
        global_risks(Zone(-2, 2), **values)


def test_half_a_process_is_refused():
    with pytest.raises(StudyError, match="mean and its sd"):
        specific_risk(1.0, Zone(-2, 2), grr_sd=0.2, process_sd=1.0)


def test_intervals_of_a_risk_hold_the_truth():
    # Studies of 12 parts, 6 operators, 2 trials, whose true risk is known; nominal 95 %.
    rng = np.random.default_rng(6)
    studies, p, o, r = 150, 12, 6, 2
    readings = (
        rng.normal(10.009, 0.0013, (studies, p, 1, 1))
        + rng.normal(0.0, 0.0002, (studies, 1, o, 1))
        + rng.normal(0.0, np.sqrt(0.0004**2 - 0.0002**2), (studies, p, o, r))
    )
    pivots = crossed_pivots(crossed_anova(readings), draws=300)
    drawn = consumers_risk(
        PIN,
        PIN,
        process_mean=pivots.mean,
        process_sd=np.sqrt(np.maximum(pivots.part, 1e-9)),
        grr_sd=np.sqrt(pivots.grr),
    )
    truth = consumers_risk(PIN, PIN, process_mean=10.009, process_sd=0.0013, grr_sd=0.0004)
    limits = two_sided_limits(drawn, 0.95)
    held = np.mean((limits.lower <= truth) & (limits.upper >= truth))
    assert held > 0.90


def test_every_risk_of_a_stack_is_that_of_each_process_alone():
    sds = np.array([0.5, 0.8, 1.0])
    stack = global_risks(Zone(-2, 2), Zone(-1.9, 1.8), process_mean=0.2, process_sd=sds, grr_sd=0.3)
    for place, sd in enumerate(sds):
        alone = global_risks(
            Zone(-2, 2), Zone(-1.9, 1.8), process_mean=0.2, process_sd=sd, grr_sd=0.3
        )
        for name, value in vars(alone).items():
            assert getattr(stack, name)[place] == pytest.approx(float(value), rel=1e-9), name


def test_a_share_of_nothing_is_not_a_number():
    # No part lies forty sd out, so there is no share of bad ones to speak of.
    got = global_risks(Zone(-40, 40), process_mean=0.0, process_sd=1.0, grr_sd=0.1)
    assert got.bad == 0.0 and np.isnan(got.accepted_if_bad)
    assert got.bad_if_accepted == 0.0


@pytest.mark.parametrize("process", [{}, {"process_mean": 0.0, "process_sd": 1.0}])
def test_a_bias_that_is_no_number_has_no_specific_risk(process):
    with pytest.raises(StudyError, match="bias is not"):
        specific_risk(1.0, Zone(-2, 2), grr_sd=0.2, bias=np.nan, **process)


def test_a_reading_that_is_no_number_is_not_called_a_process():
    with pytest.raises(StudyError, match="reading is not"):
        specific_risk(np.nan, Zone(-2, 2), grr_sd=0.2)


def test_either_half_of_a_process_is_refused():
    with pytest.raises(StudyError, match="mean and its sd"):
        specific_risk(1.0, Zone(-2, 2), grr_sd=0.2, process_mean=1.0)


@pytest.mark.parametrize("bias", [-0.3, 0.2])
def test_the_short_form_counts_the_bias_alike(bias):
    process = {"process_mean": 0.2, "process_sd": 1.0, "grr_sd": 0.3, "bias": bias}
    whole = global_risks(Zone(-2, 2), Zone(-1.9, 1.8), **process).bad_accepted
    assert float(consumers_risk(Zone(-2, 2), Zone(-1.9, 1.8), **process)) == pytest.approx(
        float(whole), rel=1e-12
    )


# Guard bands: what they promise is checked by the risks themselves.
# ------------------------------------------------------------------

PROCESS = {"process_mean": 10.0088, "process_sd": 0.0014, "grr_sd": 0.0004}


def test_the_factor_for_a_large_tolerance():
    # ISO 14253-1: 1.65 for 95 % where the uncertainty is small against the tolerance.
    assert float(conformance_factor(np.inf)) == pytest.approx(stats.norm.ppf(0.95), rel=1e-12)
    assert round(float(conformance_factor(20.0)), 2) in (1.64, 1.65)


@pytest.mark.parametrize("width", [3.95, 4.2, 5.0, 6.0, 8.0])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_the_factor_gives_the_confidence_at_the_acceptance_limit(width, confidence):
    factor = float(conformance_factor(width, confidence))
    if width < 2 * stats.norm.ppf(0.5 + confidence / 2):
        assert np.isnan(factor)
        return
    conforming = stats.norm.cdf(factor) - stats.norm.cdf(factor - width)
    assert conforming == pytest.approx(confidence, abs=1e-12)
    wanted = optimize.brentq(
        lambda g: stats.norm.cdf(g) - stats.norm.cdf(g - width) - confidence, 0.0, width / 2
    )
    assert factor == pytest.approx(wanted, rel=1e-9)


def test_no_factor_where_no_reading_proves_conformance():
    assert np.isnan(float(conformance_factor(3.9)))
    assert float(conformance_factor(2 * stats.norm.ppf(0.975))) == pytest.approx(1.96, abs=1e-3)


@pytest.mark.parametrize("hold", ["bad_accepted", "accepted_if_bad", "bad_if_accepted"])
@pytest.mark.parametrize("tolerance", [PIN, Zone(upper=10.0105), Zone(lower=10.007)])
@pytest.mark.parametrize("target", [1e-3, 1e-6])
def test_the_band_holds_the_risk_exactly(hold, tolerance, target):
    guard = float(guard_for_risk(tolerance, target, hold=hold, **PROCESS))
    assert guard > 0.0
    held = global_risks(tolerance, tolerance.narrowed(guard), **PROCESS)
    assert float(getattr(held, hold)) == pytest.approx(target, rel=1e-9)


def test_no_band_where_the_tolerance_itself_holds_the_risk():
    assert float(guard_for_risk(PIN, 0.5, **PROCESS)) == 0.0


def test_infeasible_where_every_accepted_part_is_too_likely_bad():
    # The error is as wide as the tolerance and the process lies outside it.
    guard = guard_for_risk(
        Zone(-1.0, 1.0),
        0.001,
        process_mean=3.0,
        process_sd=1.0,
        grr_sd=2.0,
        hold="bad_if_accepted",
    )
    assert np.isnan(float(guard))


def test_a_stack_gives_each_band():
    grr = np.array([0.0002, 0.0004, 0.0008])
    stack = guard_for_risk(PIN, 1e-3, process_mean=10.0088, process_sd=0.0014, grr_sd=grr)
    alone = [
        float(guard_for_risk(PIN, 1e-3, process_mean=10.0088, process_sd=0.0014, grr_sd=g))
        for g in grr
    ]
    assert stack == pytest.approx(alone, rel=1e-9)
    assert (np.diff(stack) > 0.0).all()


@pytest.mark.parametrize("target", [0.0, 1.0, -0.1, np.nan])
def test_a_target_that_is_no_probability_is_refused(target):
    with pytest.raises(StudyError):
        guard_for_risk(PIN, target, **PROCESS)


def test_an_unknown_risk_is_refused():
    with pytest.raises(StudyError, match="hold"):
        guard_for_risk(PIN, 0.01, hold="anything", **PROCESS)


@pytest.mark.parametrize("confidence", [0.4, 0.5, 1.0, 1.5])
def test_a_confidence_that_cannot_be_is_refused(confidence):
    with pytest.raises(StudyError, match="confidence must"):
        conformance_factor(5.0, confidence)


def test_the_band_follows_the_unit():
    for tolerance in (PIN, Zone(upper=10.0105), Zone(lower=10.007)):
        for hold in ("bad_accepted", "accepted_if_bad", "bad_if_accepted"):
            small = guard_for_risk(tolerance, 1e-3, hold=hold, **PROCESS)
            large = guard_for_risk(
                Zone(1e4 * tolerance.lower, 1e4 * tolerance.upper),
                1e-3,
                hold=hold,
                **{name: 1e4 * value for name, value in PROCESS.items()},
            )
            assert large == pytest.approx(1e4 * small, rel=1e-7)


@pytest.mark.parametrize("mean", [0.0, 0.4])
def test_a_risk_of_accepted_parts_can_be_held_down_to_that_at_the_middle(mean):
    # A zone of next to no width accepts readings at the middle of the tolerance only; no
    # zone has a smaller share of bad parts than those have.
    process = {"process_mean": mean, "process_sd": 1.0, "grr_sd": 0.5}
    tolerance = Zone(-1.0, 1.0)
    least = float(specific_risk(0.0, tolerance, **process))
    hold = {"hold": "bad_if_accepted", **process}
    assert np.isnan(guard_for_risk(tolerance, 0.98 * least, **hold))
    guard = float(guard_for_risk(tolerance, 1.002 * least, **hold))
    assert 0.9 < guard < 1.0
    held = global_risks(tolerance, tolerance.narrowed(guard), **process)
    assert float(held.bad_if_accepted) == pytest.approx(1.002 * least, rel=1e-8)


@pytest.mark.parametrize("hold", ["bad_accepted", "accepted_if_bad", "bad_if_accepted"])
def test_a_stack_whose_bands_are_nothing_little_and_much(hold):
    grr = np.array([0.00002, 0.0001, 0.0004, 0.001, 0.002])
    process = {"process_mean": 10.0088, "process_sd": 0.0014}
    stack = guard_for_risk(PIN, 2e-3, grr_sd=grr, hold=hold, **process)
    alone = [float(guard_for_risk(PIN, 2e-3, grr_sd=g, hold=hold, **process)) for g in grr]
    np.testing.assert_allclose(stack, alone, rtol=1e-9)


def test_the_guard_band_lies_inside_and_outside_the_limit():
    # u = 0.1, 1.645·u = 0.1645 on both sides of 2
    errors = np.array([0.0, -1.83, 1.84, 2.0, -2.16, 2.17])
    assert conformity(errors, 2.0, 0.1) == [CONFORMS, CONFORMS, OPEN, OPEN, OPEN, DOES_NOT]


def test_each_block_has_its_own_uncertainty():
    assert conformity(np.array([1.9, 1.9]), 2.0, np.array([0.01, 1.0])) == [CONFORMS, OPEN]


def test_without_uncertainty_the_limit_itself_decides():
    assert conformity(np.array([2.0, 2.0001]), 2.0, 0.0) == [CONFORMS, DOES_NOT]


def test_an_uncertainty_as_large_as_the_limit_proves_nothing():
    assert conformity(0.0, 1.0, 1.0) == [OPEN]
    assert conformity(0.0, 1.0, 0.5) == [CONFORMS]  # 2·MPE = 4·u, just over 3.92·u


def test_an_error_conforms_until_the_permissible_error_is_used_up():
    errors = np.linspace(0.0, 2.5, 251)
    for u in (0.0, 0.1, 0.5, 0.9, 1.5):
        used = permissible_error_used(errors, 2.0, u)
        states = conformity(errors, 2.0, u)
        inside = np.array([state == CONFORMS for state in states])
        clear = np.abs(used - 1.0) > 1e-9
        assert (inside[clear] == (used <= 1.0)[clear]).all()
    assert permissible_error_used(1.0, 2.0, 0.0) == [0.5]
    assert np.isinf(permissible_error_used(0.0, 1.0, 1.0))


@pytest.mark.parametrize(
    ("states", "expected"),
    [([CONFORMS, OPEN], OPEN), ([OPEN, DOES_NOT, CONFORMS], DOES_NOT), ([CONFORMS], CONFORMS)],
)
def test_the_worst_decides(states, expected):
    assert worst(states) == expected


def test_the_factor_grows_where_the_uncertainty_is_not_small():
    # Limits ±2, u 1. From an error e the truth lies within with Φ(2 − e) − Φ(−2 − e):
    # 0.9447 at 0.3, 0.9510 at 0.18, and 0.9075 at 0.65.
    errors = np.array([0.18, 0.3, 0.65])
    assert conformity(errors, 2.0, 1.0) == [CONFORMS, OPEN, OPEN]
    assert conformity(errors, 2.0, 1.0, confidence=0.9) == [CONFORMS, CONFORMS, CONFORMS]
    # Past the limit by 1.2816·u at 90 %, by 1.645·u at 95 %.
    assert conformity(3.3, 2.0, 1.0, confidence=0.9) == [DOES_NOT]
    assert conformity(3.3, 2.0, 1.0) == [OPEN]
