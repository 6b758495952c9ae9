"""Risks of wrong decisions, against integration, simulation and closed forms."""

import numpy as np
import pytest
from direct_integration import by_adaptive_quadrature
from scipy import stats

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.conformity import Zone, consumers_risk, global_risks, specific_risk
from grr.formulas.pivots import crossed_pivots
from grr.model.errors import StudyError

INF = np.inf
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
    with pytest.raises(StudyError, match="both its mean and its sd"):
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
    with pytest.raises(StudyError, match="The bias is not a finite number"):
        specific_risk(1.0, Zone(-2, 2), grr_sd=0.2, bias=np.nan, **process)


def test_a_reading_that_is_no_number_is_not_called_a_process():
    with pytest.raises(StudyError, match="The reading is not a finite number"):
        specific_risk(np.nan, Zone(-2, 2), grr_sd=0.2)


def test_either_half_of_a_process_is_refused():
    with pytest.raises(StudyError, match="both its mean and its sd"):
        specific_risk(1.0, Zone(-2, 2), grr_sd=0.2, process_mean=1.0)


@pytest.mark.parametrize("bias", [-0.3, 0.2])
def test_the_short_form_counts_the_bias_alike(bias):
    process = {"process_mean": 0.2, "process_sd": 1.0, "grr_sd": 0.3, "bias": bias}
    whole = global_risks(Zone(-2, 2), Zone(-1.9, 1.8), **process).bad_accepted
    assert float(consumers_risk(Zone(-2, 2), Zone(-1.9, 1.8), **process)) == pytest.approx(
        float(whole), rel=1e-12
    )
