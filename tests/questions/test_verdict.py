"""Decisions follow the value and the confidence, never one alone."""

from __future__ import annotations

import dataclasses
import math
import re

import numpy as np
import pandas as pd
import pytest
from snapshot import assert_snapshot

import grr
from grr.model.choices import Decision
from grr.model.estimate import Estimate
from grr.questions.acceptance import NO_PRICE
from grr.questions.deciding import Criterion, decide
from grr.questions.verdict import UNSTATED, criterion
from grr.shipped import shipped_folder
from published import manual_readings


def judged(width: float, **options: object) -> grr.Verdict:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-width / 2, width / 2), **options)
    return grr.verdict(grr.anova(study))


@pytest.mark.parametrize(
    ("width", "decision"),
    [
        (200.0, "USE"),
        (40.0, "USE LIKE THIS"),
        (8.0, "USE WITH LIMITS"),
        (6.0, "NOT DECIDED YET"),
        (2.0, "DO NOT USE FOR THIS TOLERANCE"),
    ],
)
def test_decision_by_width_of_the_tolerance(width: float, decision: str) -> None:
    verdict = judged(width)
    assert verdict.decision == decision
    assert str(verdict).splitlines()[0].endswith(decision)
    assert verdict.next_steps


def test_the_decision_rests_on_the_bounds() -> None:
    seen = set()
    for width in np.geomspace(1.0, 300.0, 25):
        verdict = judged(float(width))
        found = verdict.criterion
        assert found is not None
        assert found.lower < found.value < found.upper
        expected = (
            "DO NOT USE FOR THIS TOLERANCE"
            if found.lower > 30
            else "USE"
            if found.upper <= 10
            else "USE LIKE THIS"
            if found.upper <= 30 and found.value < 10
            else "USE WITH LIMITS"
            if verdict.price.upper <= 2
            else "DO NOT USE FOR THIS TOLERANCE"
            if verdict.price.lower > 2
            else "NOT DECIDED YET"
        )
        assert verdict.decision == expected
        seen.add(expected)
    assert len(seen) == 5


CHEAP, OPEN, DEAR = (Estimate(low, low, high, "%") for low, high in ((0, 2), (1, 2.1), (2.1, 9)))


@pytest.mark.parametrize(
    ("value", "lower", "upper", "price", "decision"),
    [
        (9.99, 5.0, 10.0, DEAR, Decision.USE),
        (9.99, 5.0, 10.01, DEAR, Decision.LIKE_THIS),
        (9.99, 5.0, 30.0, DEAR, Decision.LIKE_THIS),
        (10.0, 5.0, 30.0, CHEAP, Decision.WITH_LIMITS),
        (10.0, 5.0, 30.0, OPEN, Decision.NOT_DECIDED),
        (10.0, 5.0, 30.0, DEAR, Decision.DO_NOT_USE),
        (9.99, 5.0, 30.01, CHEAP, Decision.WITH_LIMITS),
        (9.99, 5.0, 30.01, NO_PRICE, Decision.NOT_DECIDED),
        (30.01, 30.0, 60.0, CHEAP, Decision.WITH_LIMITS),
        (40.0, 30.01, 50.0, CHEAP, Decision.DO_NOT_USE),
    ],
)
def test_the_first_line_that_applies_decides(
    value: float, lower: float, upper: float, price: Estimate, decision: Decision
) -> None:
    found = Criterion("of the tolerance", value, 10.0, 30.0, lower, upper, 0.5, 0.5)
    asked = {"most_refused": 2.0, "purpose": "accept", "one_operator": False, "must_mend": False}
    assert decide(found, price, **asked) == decision
    assert decide(found, price, **{**asked, "must_mend": True}) == Decision.NOT_DECIDED
    one = Decision.LIKE_THIS if decision == Decision.USE else decision
    assert decide(found, price, **{**asked, "one_operator": True}) == one


@pytest.mark.parametrize(
    ("value", "lower", "upper", "decision"),
    [
        (9.99, 5.0, 10.0, Decision.USE),
        (20.0, 15.0, 30.0, Decision.LIKE_THIS),
        (20.0, 15.0, 30.01, Decision.NOT_DECIDED),
        (40.0, 30.01, 50.0, Decision.DO_NOT_USE),
    ],
)
def test_to_control_a_process_one_ratio_decides_whatever_ndc(
    value: float, lower: float, upper: float, decision: Decision
) -> None:
    found = Criterion("of the total variation", value, 10.0, 30.0, lower, upper, 0.5, 0.5)
    asked = {"most_refused": 2.0, "purpose": "control", "one_operator": False, "must_mend": False}
    for categories in ((4.9, 5.0), (3.0, 4.9)):
        with_ndc = dataclasses.replace(found, categories=categories)
        assert decide(with_ndc, NO_PRICE, **asked) == decision


def test_the_exit_statuses_tell_the_five_answers_apart() -> None:
    assert {one: one.exit_status for one in Decision} == {
        "USE": 0,
        "USE LIKE THIS": 3,
        "USE WITH LIMITS": 6,
        "DO NOT USE FOR THIS TOLERANCE": 4,
        "NOT DECIDED YET": 5,
    }


def test_undecided_studies_are_told_what_would_decide() -> None:
    assert "more than 12" in " ".join(judged(6.0).next_steps)


def test_fixed_operators_decide_more_and_say_so() -> None:
    sampled, fixed = judged(6.5), judged(6.5, operators="fixed")
    assert sampled.decision == "NOT DECIDED YET"
    assert fixed.decision == "USE WITH LIMITS"
    assert any("A, B and C" in condition for condition in fixed.conditions)


def test_purpose_control_uses_total_variation_and_ndc() -> None:
    verdict = grr.verdict(grr.anova(grr.Study(manual_readings(), purpose="control")))
    assert verdict.criterion.name == "of the total variation"
    assert verdict.result.ndc == 4 < verdict.result.study.rules.least_ndc
    assert verdict.decision == "NOT DECIDED YET"


def test_too_few_categories_decide_against_it() -> None:
    readings = manual_readings()
    noise = np.random.default_rng(1).normal(size=len(readings))
    study = grr.Study(readings.assign(reading=noise), purpose="control")
    assert grr.verdict(grr.anova(study)).decision == "DO NOT USE FOR THIS TOLERANCE"


def test_the_bound_that_decides_against_it_is_printed() -> None:
    readings = manual_readings()
    noise = np.random.default_rng(1).normal(size=len(readings))
    study = grr.Study(readings.assign(reading=noise), purpose="control")
    verdict = grr.verdict(grr.anova(study))
    bound = re.search(r"confidence GRR takes at least ([\d.]+)", verdict.by_confidence)
    assert bound is not None
    assert float(bound.group(1)) > 30.0


def test_a_study_is_judged_by_its_method_of_record() -> None:
    rules = grr.Rules(method_of_record="average_range")
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), rules=rules)
    verdict = grr.verdict(study)
    assert verdict.result.method == "average_range"
    assert not any("method of record" in reason for reason in verdict.reasons)
    by_anova = grr.verdict(grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4)))
    assert by_anova.result.method == "anova"


def test_readings_to_mend_are_given_no_class_and_no_confidence() -> None:
    verdict = grr.verdict(grr.open_study(shipped_folder("demo_data") / "dowel_pin_mistakes"))
    assert verdict.findings.must_mend
    assert not re.search(r"\d", verdict.by_manual + verdict.by_confidence)
    assert not any("million" in reason for reason in verdict.reasons)


def test_a_condition_is_always_named() -> None:
    verdict = judged(40.0, purpose="control", process_sd=6.0)
    assert verdict.decision == "USE LIKE THIS"
    assert verdict.conditions == (UNSTATED,)


def test_without_a_tolerance_nothing_is_decided_for_acceptance() -> None:
    verdict = grr.verdict(grr.anova(grr.Study(manual_readings())))
    assert verdict.decision == "NOT DECIDED YET"
    assert verdict.criterion is None
    assert "drawing" in verdict.next_steps[0]


def test_one_operator_is_never_use_without_condition() -> None:
    readings = manual_readings().query("operator == 'A'")
    verdict = grr.verdict(grr.anova(grr.Study(readings, tolerance=grr.Tolerance(-100, 100))))
    assert verdict.decision == "USE LIKE THIS"
    assert any("Only operator A" in condition for condition in verdict.conditions)


def test_example_and_method_of_record_are_stated() -> None:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), example=True)
    assert "EXAMPLE" in str(grr.verdict(grr.anova(study)))
    by_ranges = grr.verdict(grr.average_range(study))
    assert any("method of record" in reason for reason in by_ranges.reasons)


def test_conditions_come_from_the_facts() -> None:
    facts = {"holding": "stand", "soak_minutes": 60, "measuring_place": "middle of the pin"}
    conditions = " ".join(judged(40.0, facts=facts).conditions)
    for word in ("stand", "60 minutes", "middle of the pin"):
        assert word in conditions


def test_advice_follows_the_biggest_cause_and_only_then_the_dominant_source() -> None:
    verdict = judged(2.0)
    first = verdict.steps[0]
    assert (first.kind, first.cause) == ("cause", verdict.cause)
    assert (verdict.cause.kind, verdict.cause.operator) == ("operator_offset", "C")
    assert first.percent == verdict.cause.without
    readings = manual_readings()
    scatter = np.random.default_rng(3).normal(0.0, 0.3, len(readings))
    sizes = readings.groupby("part")["reading"].transform("mean").round(1)
    clean = grr.Study(readings.assign(reading=sizes + scatter), tolerance=grr.Tolerance(-0.3, 0.3))
    verdict = grr.verdict(clean)
    assert verdict.cause is None
    assert verdict.steps[0].kind == "bench"


DONE = {
    "holding": "stand",
    "place_marked": True,
    "measuring_place": "middle",
    "soak_minutes": 90,
    "zero_orientation": "upright",
    "zeroed_how_often": "at the start of each session",
    "ratchet_turns": 3,
}


def test_nothing_is_advised_that_the_facts_say_is_done() -> None:
    for shape in ({}, {"operators": "fixed"}):
        for width in (0.6, 2.0, 8.0):
            study = grr.Study(
                manual_readings(), tolerance=grr.Tolerance(-width / 2, width / 2), **shape
            )
            open_points, settled = (
                " ".join(grr.verdict(dataclasses.replace(study, facts=facts)).next_steps)
                for facts in ({}, DONE)
            )
            words = ("how it is held", "turns of the ratchet", "where on the part", "equally warm")
            assert any(word in open_points for word in words)
            assert not any(word in settled for word in (*words, "stand", "mark the place"))


def test_the_mean_that_rescues_the_gauge_comes_first() -> None:
    readings = manual_readings()
    scatter = np.random.default_rng(3).normal(0.0, 0.3, len(readings))
    sizes = readings.groupby("part")["reading"].transform("mean").round(1)
    study = grr.Study(
        readings.assign(reading=sizes + scatter),
        tolerance=grr.Tolerance(-2.0, 2.0),
        operators="fixed",
    )
    verdict = grr.verdict(study)
    assert 30 < verdict.criterion.value < 60
    first = verdict.steps[0]
    assert first.kind == "mean"
    assert first.percent.value < 30
    # EV makes all of it: the standard deviation of a mean goes with the root of n.
    ev, grr_sd = (verdict.result.value(name, "sd") for name in ("EV", "GRR"))
    if ev == pytest.approx(grr_sd, rel=1e-6):
        expected = verdict.criterion.value / math.sqrt(first.readings)
        assert first.percent.value == pytest.approx(expected)


def test_confidence_is_that_of_the_rules() -> None:
    strict = dataclasses.replace(grr.Rules(), confidence=0.99)
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-20, 20))
    usual = criterion(grr.anova(study))
    other = criterion(grr.anova(dataclasses.replace(study, rules=strict)))
    assert other.upper > usual.upper
    assert other.lower < usual.lower


def test_a_stuck_gauge_decides_nothing() -> None:
    study = grr.Study(
        manual_readings().assign(reading=5.0), tolerance=grr.Tolerance(4, 6), resolution=0.1
    )
    verdict = grr.verdict(grr.anova(study))
    assert verdict.decision == "NOT DECIDED YET"
    assert verdict.findings.about("stuck gauge")


def test_without_any_spread_nothing_fails() -> None:
    study = grr.Study(manual_readings().assign(reading=5.0), tolerance=grr.Tolerance(4, 6))
    assert grr.verdict(grr.anova(study)).decision == "NOT DECIDED YET"


def test_nested_studies_are_not_promised_a_number_of_operators() -> None:
    readings = manual_readings()
    apart = readings.assign(part=readings["operator"] + readings["part"].astype(str))
    study = grr.Study(apart, design="nested", tolerance=grr.Tolerance(-2, 2))
    steps = " ".join(grr.verdict(grr.anova(study)).next_steps)
    assert "instead of" not in steps


def test_a_process_sd_that_contradicts_the_readings_decides_nothing() -> None:
    study = grr.Study(manual_readings(), purpose="control", process_sd=0.02)
    verdict = grr.verdict(grr.anova(study))
    assert verdict.decision == "NOT DECIDED YET"
    assert verdict.criterion is None


def test_as_many_categories_as_are_asked_for_are_enough() -> None:
    ndc = grr.anova(grr.Study(manual_readings(), purpose="control")).ndc
    assert ndc is not None
    for least, words in [(ndc, "enough"), (ndc + 1, "few")]:
        rules = grr.Rules(least_ndc=least)
        study = grr.Study(manual_readings(), purpose="control", rules=rules)
        assert re.search(rf"at least {least} .*{words}\.", grr.verdict(study).by_manual)


def test_the_reasons_say_where_the_last_digit_hides_the_scatter() -> None:
    words = "The last digit hides the scatter"
    assert words not in str(judged(8.0))
    coarse = manual_readings()
    alike = coarse.groupby(["part", "operator"])["reading"].transform("mean")
    coarse["reading"] = alike.round(1)
    study = grr.Study(coarse, tolerance=grr.Tolerance(-4.0, 4.0), resolution=0.1)
    assert grr.anova(study).floored
    assert words in " ".join(str(grr.verdict(grr.anova(study))).split())


def test_the_reasons_name_what_must_be_mended_and_nothing_else() -> None:
    study = grr.open_study(shipped_folder("demo_data") / "dowel_pin_mistakes")
    verdict = grr.verdict(study)
    mend = [finding for finding in grr.check(study) if finding.severity == "mend"]
    look = [finding for finding in grr.check(study) if finding.severity == "look"]
    assert len(mend) != len(look)
    assert verdict.reasons[0].startswith(f"{len(mend)} ")
    first = f"{mend[0].place}: {mend[0].todo}"
    assert verdict.next_steps[0].casefold() == first.casefold()
    assert {step.kind for step in verdict.steps} == {"fix"}
    assert len(verdict.steps) == min(len(mend), 6)


def test_a_study_of_one_day_says_that_it_has_not_seen_another() -> None:
    def said(sessions: int) -> bool:
        sheet = grr.plan_study(5, 3, 2, operators_are="fixed", sessions=sessions, seed=2)
        table = sheet.to_frame()
        minutes = pd.to_timedelta(table.groupby("session").cumcount(), unit="min")
        days = pd.to_timedelta(table["session"] - 1, unit="D")
        table = table.assign(time=pd.Timestamp("2026-03-02T22:50Z") + days + minutes)
        sizes = table["part"].astype(float) + 1e-5 * (table["order"] % 3)
        readings = table.drop(columns="method").assign(reading=sizes)
        study = grr.Study(readings, tolerance=grr.Tolerance(0.99, 5.02), operators="fixed")
        found = grr.verdict(study)
        assert found.decision == "USE"
        return any("day to day" in condition for condition in found.conditions)

    assert said(1)  # also where midnight lies between
    assert not said(2)


def test_the_words() -> None:
    mistakes = grr.open_study(shipped_folder("demo_data") / "dowel_pin_mistakes")
    tolerance = grr.Tolerance(-4, 4)
    said = {str(width): str(judged(width)) for width in (200.0, 40.0, 8.0, 6.0, 2.0)}
    said["to control"] = str(judged(8.0, purpose="control"))
    said["to mend"] = str(grr.verdict(mistakes))
    others = {
        "own limits": judged(8.0, rules=grr.Rules(good_percent=10, limit_percent=50)),
        "no tolerance": grr.verdict(grr.Study(manual_readings())),
        "to control, parts chosen": judged(8.0, purpose="control", parts_from="chosen"),
        "a reading missing": grr.verdict(grr.Study(manual_readings()[1:], tolerance=tolerance)),
        "by average and range": grr.verdict(
            grr.Study(
                manual_readings(),
                tolerance=tolerance,
                rules=grr.Rules(method_of_record="average_range"),
            )
        ),
    }
    for name, one in others.items():
        said[name] = "\n".join([one.by_manual, one.by_confidence, one.next_steps[0]])
    assert_snapshot("\n\n".join(f"== {name}\n{text}" for name, text in said.items()), "verdict")
