"""Acceptance limits: what they promise, cost, and when there are none."""

from __future__ import annotations

import math

import pytest

import grr

PIN = grr.Tolerance(10.006, 10.012)
PROCESS = {"process_mean": 10.0088, "process_sd": 0.0014}


def test_conformance_for_a_large_tolerance() -> None:
    # ISO 14253-1: 1.65·u at 95 %.
    band = grr.guard_band(u=0.0002, tolerance=PIN)
    assert band.width == pytest.approx(1.6449 * 0.0002, rel=1e-4)
    assert band.acceptance == grr.Tolerance(10.006 + band.width, 10.012 - band.width)
    assert band.risks is None and math.isnan(band.extra_rejected)
    assert "not known" in str(band)


def test_older_rule_of_one_expanded_uncertainty() -> None:
    assert grr.guard_band(u=0.0002, tolerance=PIN, rule="expanded").width == pytest.approx(0.0004)
    assert grr.guard_band(u=0.0002, tolerance=PIN, rule="expanded", k=3).width == pytest.approx(
        0.0006
    )


@pytest.mark.parametrize("hold", ["bad_accepted", "accepted_if_bad", "bad_if_accepted"])
def test_limits_by_risk_hold_it(hold: str) -> None:
    band = grr.guard_band(u=0.0004, tolerance=PIN, rule="risk", risk=1e-4, hold=hold, **PROCESS)
    assert band.acceptance is not None
    checked = grr.misclassification(
        tolerance=PIN, grr_sd=0.0004, acceptance=band.acceptance, **PROCESS
    )
    assert checked.value(hold) == pytest.approx(1e-4, rel=1e-8)


def test_a_known_bias_moves_the_limits_on_the_gauge_only() -> None:
    plain = grr.guard_band(u=0.0004, tolerance=PIN, **PROCESS)
    biased = grr.guard_band(u=0.0004, tolerance=PIN, bias=0.0005, **PROCESS)
    assert plain.acceptance == biased.acceptance
    assert biased.on_the_gauge is not None and plain.acceptance is not None
    assert biased.on_the_gauge.lower == pytest.approx(plain.acceptance.lower + 0.0005)
    # Judged as shown, with the bias in the readings: the same risks.
    as_shown = grr.misclassification(
        tolerance=PIN, grr_sd=0.0004, acceptance=biased.on_the_gauge, bias=0.0005, **PROCESS
    )
    assert plain.risks is not None
    assert as_shown.value("bad_accepted") == pytest.approx(float(plain.risks.bad_accepted))


def test_the_cost_in_good_parts() -> None:
    band = grr.guard_band(u=0.0004, tolerance=PIN, **PROCESS)
    open_limits = grr.misclassification(tolerance=PIN, grr_sd=0.0004, **PROCESS)
    guarded = grr.misclassification(
        tolerance=PIN, grr_sd=0.0004, acceptance=band.acceptance, **PROCESS
    )
    cost = guarded.value("good_rejected") - open_limits.value("good_rejected")
    assert band.extra_rejected == pytest.approx(cost, rel=1e-9)
    assert cost > 0.0


@pytest.mark.parametrize(
    "asked",
    [
        {"u": 0.002},
        {"u": 0.002, "rule": "expanded"},
        {
            "u": 0.02,
            "rule": "risk",
            "hold": "bad_if_accepted",
            "process_mean": 10.02,
            "process_sd": 0.01,
        },
    ],
)
def test_no_limits_is_a_plain_statement(asked: dict[str, object]) -> None:
    band = grr.guard_band(tolerance=PIN, **asked)  # type: ignore[arg-type]
    assert not band.possible
    assert band.acceptance is None and band.on_the_gauge is None and band.cautious is None
    assert math.isnan(band.width)
    assert "No acceptance limits" in str(band)
    assert "No acceptance limits" in band._repr_html_()
    assert not band.to_frame()["possible"].iloc[0]


def test_the_smallest_tolerance_that_can_be_proved() -> None:
    # Φ(1.96) − Φ(−1.96) = 95 %: at 3.92·u only the middle conforms.
    assert grr.guard_band(u=1.0, tolerance=grr.Tolerance(0.0, 3.93)).possible
    assert not grr.guard_band(u=1.0, tolerance=grr.Tolerance(0.0, 3.91)).possible


def test_one_limit() -> None:
    band = grr.guard_band(u=0.1, tolerance=grr.Tolerance(upper=5.0), bias=-0.2)
    assert band.acceptance == grr.Tolerance(upper=5.0 - band.width)
    assert band.on_the_gauge is not None
    assert band.on_the_gauge.upper == pytest.approx(4.8 - band.width)


def test_from_a_study(manual_study: grr.Study) -> None:
    result = grr.anova(manual_study)
    band = grr.guard_band(result, rule="conformance")
    assert band.width == pytest.approx(1.645 * result.value("GRR", "sd"), rel=1e-3)
    assert band.lower < band.width < band.upper
    by_risk = grr.guard_band(result, rule="risk", risk=1e-4)
    assert by_risk.lower <= by_risk.width <= by_risk.upper
    for found in (band, by_risk):
        assert max(len(line) for line in str(found).splitlines()) <= 80
        assert "<table" in found._repr_html_() and "class=" not in found._repr_html_()
    assert list(band.to_frame().index) == [0]


def test_shown_limits_are_rounded_inwards() -> None:
    # 5.0 less 0.16449 is 4.83551: a limit shown as 4.84 would let bad parts in.
    text = str(grr.guard_band(u=0.1, tolerance=grr.Tolerance(lower=1.0, upper=5.0)))
    assert "1.17 to 4.83" in text


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"rule": "mine"}, "rule"),
        ({"rule": "risk"}, "needs the process"),
        ({"rule": "risk", "risk": 0.0, **PROCESS}, "risk"),
        ({"rule": "risk", "hold": "all", **PROCESS}, "hold"),
        ({"confidence": 1.0}, "confidence"),
        ({"confidence": 0.4}, "confidence"),
        ({"k": 0}, "k"),
        ({"u": 0.0}, "measuring system is 0"),
        ({"u": None}, "measuring system is missing"),
        ({"bias": "much"}, "bias"),
        ({"level": 2}, "level"),
        ({"process_mean": 1.0, "process_sd": 0.0}, "process sd is 0"),
    ],
)
def test_what_cannot_be_used_is_refused(change: dict[str, object], word: str) -> None:
    with pytest.raises(grr.StudyError, match=word):
        grr.guard_band(**{"u": 0.0002, "tolerance": PIN, **change})  # type: ignore[arg-type]
