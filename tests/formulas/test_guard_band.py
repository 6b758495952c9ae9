"""Guard bands: what they promise is checked by the risks themselves."""

import numpy as np
import pytest
from scipy import optimize, stats

from grr.formulas.conformity import (
    Zone,
    conformance_factor,
    global_risks,
    guard_for_risk,
    specific_risk,
)
from grr.model.errors import StudyError

PIN = Zone(10.006, 10.012)
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
    with pytest.raises(StudyError, match="confidence must be"):
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
