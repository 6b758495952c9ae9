"""Risks of wrong decisions, from numbers and from a study."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

import grr
from grr.formulas.conformity import Zone, global_risks, specific_risk

PIN = grr.Tolerance(10.006, 10.012)
NUMBERS = {"tolerance": PIN, "process_mean": 10.009, "process_sd": 0.0011, "grr_sd": 0.0003}


@pytest.fixture
def pins() -> grr.Study:
    """Ten pins, four operators, three trials; invented."""
    rng = np.random.default_rng(1)
    part, operator = rng.normal(10.0088, 0.0011, 10), rng.normal(0, 0.0001, 4)
    rows = [
        (f"P{i + 1}", "ABCD"[j], k + 1, round(part[i] + operator[j] + rng.normal(0, 0.0002), 4))
        for i in range(10)
        for j in range(4)
        for k in range(3)
    ]
    readings = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    return grr.Study(
        readings, tolerance=PIN, unit="mm", resolution=0.0001, title="Pins", example=True
    )


def test_from_numbers() -> None:
    found = grr.misclassification(**NUMBERS, bias=0.0001, reading=10.0119)
    zone = Zone(10.006, 10.012)
    process = {"process_mean": 10.009, "process_sd": 0.0011, "grr_sd": 0.0003, "bias": 0.0001}
    risks = global_risks(zone, **process)
    for name in ("bad_accepted", "good_rejected", "bad_if_accepted", "accepted_if_bad"):
        assert found.value(name) == float(getattr(risks, name))
    assert found.value("reading_bad") == float(specific_risk(10.0119, zone, **process))
    assert found.value("reading_bad_without_process") > found.value("reading_bad")
    assert found.to_frame()["lower"].isna().all()


def test_from_a_study(pins: grr.Study) -> None:
    result = grr.anova(pins)
    found = grr.misclassification(result)
    same = grr.misclassification(
        tolerance=PIN,
        process_mean=result.mean,
        process_sd=result.value("PV", "sd"),
        grr_sd=result.value("GRR", "sd"),
    )
    for name in found.table.index:
        assert found.value(name) == pytest.approx(same.value(name), rel=1e-12)
    table = found.to_frame()
    assert (table["lower"] < table["estimate"]).all()
    assert (table["estimate"] < table["upper"]).all()
    again = grr.misclassification(result).to_frame()
    pd.testing.assert_frame_equal(table, again)


def test_what_is_given_has_no_interval_of_its_own(pins: grr.Study) -> None:
    result = grr.anova(pins)
    wide = grr.misclassification(result).to_frame().loc["bad"]
    known = grr.misclassification(result, process_mean=10.009, process_sd=0.001)
    assert known.table.loc["bad", "lower"] == pytest.approx(known.value("bad"), rel=1e-12)
    assert wide["upper"] > known.table.loc["bad", "upper"]
    assert known.table.loc["bad_accepted", "upper"] > known.value("bad_accepted")


def test_observed_sd_contains_the_measuring_system() -> None:
    true = grr.misclassification(**NUMBERS)
    observed = math.hypot(0.0011, 0.0003)
    rest = {key: value for key, value in NUMBERS.items() if key != "process_sd"}
    seen = grr.misclassification(**rest, observed_sd=observed)
    assert seen.value("bad_accepted") == pytest.approx(true.value("bad_accepted"), rel=1e-9)


def test_process_sd_of_records_is_the_observed_one(pins: grr.Study) -> None:
    from dataclasses import replace

    result = grr.anova(replace(pins, process_sd=0.0013, process_mean=10.009))
    found = grr.misclassification(result)
    assert found.process.sd == pytest.approx(math.sqrt(0.0013**2 - result.value("GRR", "variance")))


def test_tighter_acceptance_limits_trade_one_risk_for_the_other() -> None:
    loose = grr.misclassification(**NUMBERS)
    tight = grr.misclassification(**NUMBERS, acceptance=grr.Tolerance(10.0064, 10.0116))
    assert tight.value("bad_accepted") < loose.value("bad_accepted")
    assert tight.value("good_rejected") > loose.value("good_rejected")


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"process_sd": 0.0}, "process sd is 0"),
        ({"process_sd": -0.1}, "process sd"),
        ({"process_sd": "wide"}, "process_sd"),
        ({"process_sd": None}, "no sd of the process"),
        ({"process_mean": None}, "no mean of the process"),
        ({"grr_sd": None}, "measuring system is missing"),
        ({"grr_sd": 0.0}, "measuring system is 0"),
        ({"observed_sd": 0.001}, "Both the true and the observed"),
        ({"process_sd": None, "observed_sd": 0.0002}, "not above that of the measuring system"),
        ({"tolerance": None}, "no tolerance"),
        ({"tolerance": (10.0, 10.1)}, "no tolerance"),
        ({"acceptance": 3.0}, "acceptance limits are not"),
        ({"bias": math.nan}, "bias"),
        ({"reading": "10,01"}, "reading"),
        ({"level": 1.0}, "level"),
        ({"level": 0.0}, "level"),
        ({"result": "study"}, "not a result"),
    ],
)
def test_what_cannot_be_used_is_refused(change: dict[str, object], word: str) -> None:
    with pytest.raises(grr.StudyError, match=word):
        grr.misclassification(**{**NUMBERS, **change})  # type: ignore[arg-type]


def test_chosen_parts_do_not_stand_for_the_process(pins: grr.Study) -> None:
    from dataclasses import replace

    result = grr.anova(replace(pins, parts_from="chosen"))
    with pytest.raises(grr.StudyError, match="chosen"):
        grr.misclassification(result)
    found = grr.misclassification(result, process_mean=10.009, process_sd=0.001)
    assert 0.0 < found.value("bad_accepted") < 0.01


def test_an_unknown_risk_is_named(pins: grr.Study) -> None:
    with pytest.raises(grr.StudyError, match="no risk"):
        grr.misclassification(**NUMBERS).value("luck")


def test_printing(pins: grr.Study) -> None:
    found = grr.misclassification(grr.anova(pins), reading=10.0119)
    text = str(found)
    assert max(len(line) for line in text.splitlines()) <= 80
    assert "EXAMPLE" in text
    html = found._repr_html_()
    assert "<table" in html and "<style" not in html and "class=" not in html


def test_a_bias_known_only_so_well_widens_the_interval() -> None:
    given = {
        "tolerance": grr.Tolerance(-3.0, 3.0),
        "process_mean": 0.0,
        "process_sd": 1.0,
        "grr_sd": 0.2,
    }
    exact = grr.misclassification(**given, bias=0.3)
    known = grr.misclassification(**given, bias=0.3, bias_uncertainty=0.1)
    name = "bad_accepted"
    assert known.value(name) == exact.value(name)  # the doubt is in the interval
    low, high = (
        grr.misclassification(**given, bias=0.3 + end * 1.96 * 0.1).value("good_rejected")
        for end in (-1, 1)
    )
    # The share grows with the bias, so its limits are those at the limits of the bias.
    found = known.estimate("good_rejected")
    assert found.lower == pytest.approx(low, rel=0.03)
    assert found.upper == pytest.approx(high, rel=0.03)
