"""Each finding is made where it should be, and only there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grr
from grr.formulas import data_checks
from grr.model.blocks import Callout
from grr.model.record import AlteredRow, FileCheck, Record, SettingChange
from grr.model.rules import Plan
from published import manual_readings

STEP = 1e-4


def table(cube: np.ndarray, order: np.ndarray | None = None) -> pd.DataFrame:
    part, operator, trial = np.indices(cube.shape)
    frame = pd.DataFrame(
        {
            "part": part.ravel() + 1,
            "operator": np.array(["Ilse", "Jan", "Mo"])[operator.ravel()],
            "trial": trial.ravel() + 1,
            "reading": cube.ravel(),
        }
    )
    return frame if order is None else frame.assign(order=order.ravel())


def good_cube(seed: int = 7) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    parts = np.linspace(10.0062, 10.0118, 10)[rng.permutation(10), None, None]
    cube = parts + 0.00002 * rng.normal(size=(1, 3, 1)) + 0.00015 * rng.normal(size=(10, 3, 3))
    order = np.empty((10, 3, 3))
    for operator in range(3):
        for trial in range(3):
            start = 10 * (3 * trial + operator)
            order[:, operator, trial] = start + rng.permutation(10) + 1
    return np.round(cube, 4), order


def good_study(cube: np.ndarray | None = None, **options: object) -> grr.Study:
    clean, order = good_cube()
    settings = {
        "tolerance": grr.Tolerance(10.006, 10.012),
        "unit": "mm",
        "resolution": STEP,
        "facts": {
            "gauge_number": "M-7",
            "certificate": "C-1",
            "holding": "stand",
            "measuring_place": "middle",
        },
        **options,
    }
    return grr.Study(table(clean if cube is None else cube, order), **settings)


def test_a_clean_study_raises_nothing() -> None:
    findings = grr.check(good_study())
    assert len(findings) == 0, str(findings)
    assert not findings.must_mend


def only(findings: grr.Findings, topic: str) -> grr.Finding:
    (found,) = findings.about(topic)
    return found


def test_missing_reading_is_placed() -> None:
    cube, _ = good_cube()
    cube[4, 1, 2] = np.nan
    found = only(grr.check(good_study(cube)), "incomplete")
    assert "part 5, operator Jan, trial 3" in found.what
    cube[4, 1] = np.nan
    assert "at all: part 5, operator Jan" in only(grr.check(good_study(cube)), "incomplete").what


def test_range_beyond_limit_names_part_and_operator() -> None:
    found = only(grr.check(grr.Study(manual_readings())), "range beyond limit")
    # AIAG MSA, 4th ed., range chart of the example: one point out, part 4 of operator B.
    assert found.place == "part 4, operator B"


def test_mistakes_are_found_together() -> None:
    cube, _ = good_cube()
    cube[2, 0, 1] *= 10
    cube[5, 1, 0] /= 25.4
    means = np.median(cube, axis=(1, 2))
    low, high = int(means.argmin()), int(means.argmax())
    cube[[low, high], 2] = cube[[high, low], 2]
    cube[:, 1, 2] = cube[:, 1, 1]
    findings = grr.check(good_study(np.round(cube, 4)))
    assert {f.place for f in findings.about("factor")} == {
        "part 3, operator Ilse, trial 2",
        "part 6, operator Jan, trial 1",
    }
    assert "operator Mo, every trial" in only(findings, "exchanged parts").place
    assert "operator Jan, trials 2 and 3" in only(findings, "copied trial").place
    assert findings.must_mend
    # A reading ten times too large would hide every other fault behind its own size.
    assert findings.about("parts alike") == ()
    assert findings.about("range beyond limit") == ()
    assert [f.severity for f in findings] == sorted(
        (f.severity for f in findings), key=["mend", "look", "know"].index
    )


@pytest.mark.parametrize(
    ("off", "options"),
    [
        (0.9, {}),
        (-0.9, {"unit": "", "resolution": None}),
        (0.09, {"tolerance": None, "purpose": "control"}),
        (0.09, {"tolerance": grr.Tolerance(upper=10.012)}),
    ],
)
def test_a_reading_far_off_decides_nothing(off: float, options: dict[str, object]) -> None:
    cube, _ = good_cube()
    cube[4, 1, 2] += off
    study = good_study(np.round(cube, 4), **options)
    verdict = grr.verdict(study)
    found = only(verdict.findings, "far off")
    assert (found.severity, found.place) == ("mend", "part 5, operator Jan, trial 3")
    assert verdict.findings.ruined
    assert verdict.decision == grr.Decision.NOT_DECIDED
    assert verdict.banner == "FIX THE DATA FIRST"
    assert verdict.steps[0].kind == "fix"
    # Beside it nothing is hidden, and nothing else is accused of it.
    assert {finding.topic for finding in verdict.findings if finding.severity != "know"} == {
        "far off"
    }
    shown = [str(block) for block in grr.assess(study).blocks()]
    assert not any("→" in text for text in shown)


def test_a_reading_past_the_limits_but_near_them_is_for_the_verdict() -> None:
    cube, _ = good_cube()
    cube[4, 1, 2] += 0.005
    found = grr.check(good_study(np.round(cube, 4)))
    assert not found.about("far off")
    assert not found.must_mend


def test_one_part_out() -> None:
    cube, order = good_cube()
    sequence = np.argsort(order[:, 0, 1])
    taken = cube[sequence, 0, 1].copy()
    cube[sequence[3:9], 0, 1] = taken[4:10]
    findings = grr.check(good_study(cube))
    found = only(findings, "one part out")
    assert found.place == "operator Ilse, trial 2"
    assert "reading 4" in found.what


@pytest.mark.parametrize(
    ("tolerance", "process_sd", "count"),
    [((10.006, 10.012), None, 0), ((10.0085, 10.0090), None, 1), ((10.0085, 10.009), 1e-5, 2)],
)
def test_resolution_against_tolerance_and_process(
    tolerance: tuple[float, float], process_sd: float | None, count: int
) -> None:
    study = good_study(tolerance=grr.Tolerance(*tolerance), process_sd=process_sd)
    assert len(grr.check(study).about("resolution")) == count


def test_a_tenth_exactly_is_fine() -> None:
    study = good_study(tolerance=grr.Tolerance(10.0080, 10.0090))
    assert grr.check(study).about("resolution") == ()


def test_too_few_digits() -> None:
    cube, _ = good_cube()
    assert only(grr.check(good_study(np.round(cube, 3), resolution=0.001)), "too few digits")


def test_parts_alike_and_tolerance_not_covered() -> None:
    rng = np.random.default_rng(1)
    cube = np.round(10.009 + 0.0004 * rng.normal(size=(10, 3, 3)), 4)
    findings = grr.check(good_study(cube))
    assert only(findings, "parts alike")
    assert only(findings, "tolerance not covered")
    control = grr.check(good_study(cube, purpose="control"))
    assert control.about("tolerance not covered") == ()


def test_order_of_measurement() -> None:
    cube, _ = good_cube()
    unknown = grr.Study(table(cube))
    assert "not recorded" in only(grr.check(unknown), "order").what
    by_number = table(cube, np.arange(90, dtype=float).reshape(3, 3, 10).transpose(2, 0, 1))
    assert "numbers" in only(grr.check(grr.Study(by_number)), "order").what


def test_order_numbers_that_occur_more_than_once() -> None:
    cube, order = good_cube()
    order[4, 1, 2] = order[7, 0, 0] = 5
    order[0, 0, 0] = np.nan
    twice = np.count_nonzero(order == 5)
    found = only(grr.check(grr.Study(table(cube, order))), "order")
    assert found.severity == "look"
    assert f"{twice} of 89" in found.what and "order 5" in found.what
    every = only(grr.check(grr.Study(table(cube, np.ones(cube.shape)))), "order")
    assert "90 of 90" in every.what


def test_people_and_parts_of_the_plan_who_were_never_measured_are_named() -> None:
    parts = tuple(str(i + 1) for i in range(10))
    for names, found in ((("Ilse", "Jan", "Mo", "Ann"), ["operator Ann"]), (("Mo", "Jan"), [])):
        study = good_study(plan=Plan(parts, names, 3, seed=1))
        absent = [f.what for f in grr.check(study).about("incomplete")]
        assert all(who in what for what, who in zip(absent, found, strict=True))


def test_parts_that_the_plan_names_otherwise_are_named_both_ways() -> None:
    plan = Plan(tuple(f"P{i + 1}" for i in range(10)), ("Ilse", "Jan", "Mo"), 3, seed=1)
    found = only(grr.check(good_study(plan=plan)), "incomplete")
    assert found.severity == "mend"
    assert "P1, P2, P3" in found.what
    assert ": 1, 2, 3" in found.what


@pytest.mark.parametrize(("number", "more"), [(3, None), (4, 1), (5, 2)])
def test_of_many_places_never_measured_three_are_named(number: int, more: int | None) -> None:
    cube, _ = good_cube()
    cube[:number, 0] = np.nan
    what = only(grr.check(good_study(cube)), "incomplete").what
    named = what.partition("Never measured at all: ")[2]
    assert named.count("operator Ilse") == 3
    assert named.endswith("." if more is None else f" and {more} more.")
    assert (" more." in named) == (more is not None)


def test_parts_measured_by_two_of_three_people_are_not_nested() -> None:
    cube, _ = good_cube()
    for part in range(10):
        cube[part, part % 3] = np.nan
    assert grr.check(good_study(cube)).about("nested") == ()


def test_findings_are_shown_under_their_severity() -> None:
    cube, _ = good_cube()
    cube[3, 1, 2] *= 10.0
    findings = grr.check(good_study(cube, facts={}))
    shown = {
        block.title.split(":")[0]: len(block.entries)
        for block in findings.blocks()
        if isinstance(block, Callout)
    }
    severities = [finding.severity for finding in findings]
    titles = {"mend": "✖ Fix first", "look": "▲ Look at", "know": "● For your information"}
    assert shown == {titles[one]: severities.count(one) for one in dict.fromkeys(severities)}
    assert {"mend", "know"} <= set(severities)


@pytest.mark.parametrize(("share", "found"), [(0.45, True), (0.55, False)])
def test_a_limit_at_zero_is_asked_about_where_readings_lie_near_it(
    share: float, found: bool
) -> None:
    cube = good_cube()[0] - 10.0
    tolerance = grr.Tolerance(0.0, float(np.median(cube)) / share)
    findings = grr.check(good_study(cube, tolerance=tolerance))
    assert bool(findings.about("limit at zero")) == found


def recorded(**found: object) -> grr.Study:
    events = pd.DataFrame(columns=["kind", "name", "value"])
    return good_study(record=Record(Path("study"), events, None, **found))


def test_changed_settings_that_decide_are_to_mend_and_others_to_look_at() -> None:
    decides = SettingChange("tolerance.upper", "10.012", "10.02")
    describes = SettingChange("title", "Pin", "Pins")
    stated = SettingChange("facts.holding", "", "stand")
    mend, look = grr.check(recorded(changes=(decides, describes, stated))).about("settings")
    assert (mend.severity, look.severity) == ("mend", "look")
    assert str(decides) in mend.what
    assert str(describes) in look.what
    assert "grr record FOLDER" in mend.todo
    # What decides and was not stated before was settled after the readings.
    new = SettingChange("tolerance.lower", "", "10.006")
    assert only(grr.check(recorded(changes=(new,))), "settings").severity == "mend"
    assert grr.check(recorded(changes=(stated,))).about("settings") == ()
    assert len(grr.check(recorded())) == 0


@pytest.mark.parametrize(("number", "more"), [(6, ""), (7, "; and 1 more"), (9, "; and 3 more")])
def test_of_many_changed_settings_six_are_named(number: int, more: str) -> None:
    changes = tuple(SettingChange(f"plan.{i}", "1", "2") for i in range(number))
    what = only(grr.check(recorded(changes=changes)), "settings").what
    assert what.endswith(f"plan.5, from 1 to 2{more}.")
    assert "plan.6" not in what


def test_a_record_that_was_altered_is_to_mend() -> None:
    whole = FileCheck("events.csv", 3, (), "", None)
    altered = FileCheck("readings.csv", 9, (), "", AlteredRow(4, "a cell was changed"))
    found = only(grr.check(recorded(files=(whole, altered))), "record")
    assert (found.severity, found.place) == ("mend", "readings.csv")
    assert "Row 4 " in found.what
    found = only(grr.check(recorded(missing_sessions=("3", "5"))), "record")
    assert (found.severity, found.place) == ("mend", "events.csv")
    assert "3 and 5" in found.what
    problem = grr.StudyError("No head", "Restore it")
    found = only(grr.check(recorded(problem=problem)), "record")
    assert (found.severity, found.todo) == ("mend", "Restore it.")


def test_overdue_calibration() -> None:
    readings = good_study().readings.assign(time="2026-10-05T08:00:00Z")
    settings = {"tolerance": grr.Tolerance(10.006, 10.012), "unit": "mm", "resolution": STEP}
    overdue = grr.Study(readings, facts={"calibration_due": "2026-09-30"}, **settings)
    assert only(grr.check(overdue), "calibration").severity == "mend"
    assert grr.verdict(grr.anova(overdue)).decision == "NOT DECIDED YET"
    for fine in ("2026-10-05", ""):
        study = grr.Study(readings, facts={"calibration_due": fine}, **settings)
        assert grr.check(study).about("calibration") == ()
    with pytest.raises(grr.StudyError, match="like 2027-03-31"):
        grr.Study(readings, facts={"calibration_due": "soon"}, **settings)


def test_what_a_report_needs_and_nobody_stated_is_listed() -> None:
    nothing_stated = good_study(facts={})
    found = only(grr.check(nothing_stated), "facts")
    assert found.severity == "know"
    for words in ("number", "certificate", "held", "where"):
        assert words in found.what
    most = {"gauge_number": "M-7", "certificate": "C-1", "holding": "stand"}
    assert "Not stated: where" in only(grr.check(good_study(facts=most)), "facts").what
    stated = most | {"measuring_place": "middle"}
    assert grr.check(good_study(facts=stated)).about("facts") == ()
    del stated["holding"]  # where ways of holding are compared, the readings name them
    by_method = good_study().readings.assign(method="stand")
    assert grr.check(grr.Study(by_method, unit="mm", facts=stated)).about("facts") == ()


def test_limit_at_zero_is_questioned() -> None:
    rng = np.random.default_rng(3)
    cube = np.round(
        0.0008 + 0.0003 * rng.random(size=(10, 1, 1)) + 0.0001 * rng.random((10, 3, 3)), 5
    )
    study = grr.Study(table(np.round(cube, 5)), tolerance=grr.Tolerance(0.0, 0.005), unit="mm")
    assert only(grr.check(study), "limit at zero").severity == "look"


def test_thin_designs() -> None:
    readings = manual_readings()
    thin = grr.Study(readings.query("part <= 4 and operator == 'A' and trial == 1"))
    assert len(grr.check(thin).about("thin design")) == 3


def test_methods_are_checked_one_by_one() -> None:
    cube, order = good_cube()
    spoilt = cube.copy()
    spoilt[2, 0, 1] *= 10
    both = pd.concat(
        [
            table(cube, order).assign(method="stand"),
            table(spoilt, order).assign(method="handheld"),
        ]
    )
    findings = grr.check(grr.Study(both, unit="mm", resolution=STEP))
    assert only(findings, "factor").place.startswith("handheld: part 3")


def test_readings_far_from_the_tolerance_question_the_unit() -> None:
    inches = grr.Tolerance(10.006 / 25.4, 10.012 / 25.4)
    found = only(grr.check(good_study(tolerance=inches)), "unit")
    assert found.severity == "mend"
    assert "divided by 25.4" in found.what
    odd = only(grr.check(good_study(tolerance=grr.Tolerance(3.0, 3.006))), "unit")
    assert "divided" not in odd.what


def test_an_undeclared_nested_study_is_named() -> None:
    cube, _ = good_cube()
    readings = table(cube)
    apart = readings.assign(part=readings["operator"] + readings["part"].astype(str))
    findings = grr.check(grr.Study(apart, unit="mm"))
    assert only(findings, "nested").severity == "mend"
    assert findings.about("incomplete") == ()


def test_many_ranges_beyond_the_limit_are_one_finding() -> None:
    cube, _ = good_cube()
    cube[:7, 2, 0] += 0.004
    found = only(grr.check(good_study(np.round(cube, 4))), "range beyond limit")
    assert found.place == "7 places"


def test_a_range_of_one_digit_is_no_dirt() -> None:
    # a gauge of 10 µm: most repeats agree, some flip by one digit
    rng = np.random.default_rng(5)
    cube = np.round(
        10.0 + np.arange(10)[:, None, None] * 0.0333 + rng.normal(0, 1e-3, (10, 3, 3)), 2
    )
    ranges = np.ptp(cube, axis=2)
    assert 0.009 < ranges.max() < 0.011 and (ranges == 0.0).any()
    source = grr.Study(table(cube), unit="mm", resolution=0.01)
    assert grr.check(source).about("range beyond limit") == ()
    assert grr.check(source).about("too few digits")
    assert "is beyond" in grr.show.trial_ranges(source).layout.meta["answer"]
    cube[3, 1, 0] += 0.02
    twice = grr.Study(table(np.round(cube, 2)), unit="mm", resolution=0.01)
    assert only(grr.check(twice), "range beyond limit").place == "part 4, operator Jan"


def test_a_range_that_chance_explains_is_no_finding() -> None:
    from grr.formulas.operator_comparison import trial_ranges

    cube, _ = good_cube()
    limit = trial_ranges(cube).limit
    for extra, told in ((1.1 * limit, 0), (4.0 * limit, 1)):
        tried = cube.copy()
        tried[2, 0] = cube[2, 0].mean() + extra * np.array([-0.5, 0.0, 0.5])
        assert trial_ranges(tried).beyond[2, 0]
        source = grr.Study(table(tried), unit="mm")
        assert len(grr.check(source).about("range beyond limit")) == told
        assert "is beyond" in grr.show.trial_ranges(source).layout.meta["answer"]


def test_the_wide_ranges_of_one_person_are_one_finding_and_name_the_cause() -> None:
    cube, _ = good_cube()
    rng = np.random.default_rng(8)
    cube[:, 1] += rng.normal(0.0, 0.003, cube[:, 1].shape)
    found = only(grr.check(good_study(np.round(cube, 4))), "range beyond limit")
    assert found.cause == "operator_scatter"
    assert "Jan's" in found.what


@pytest.mark.parametrize(("size", "cells"), [(3, 30), (2, 30)])
def test_how_often_chance_gives_a_range_beyond_its_limit(size: int, cells: int) -> None:
    from grr.formulas.average_range import chance_beyond_limit, upper_range_limit

    rng = np.random.default_rng(8)
    ranges = np.ptp(rng.normal(size=(20_000, cells, size)), axis=2)
    limit = upper_range_limit(size) * ranges.mean(axis=1, keepdims=True)
    share = (ranges > limit).any(axis=1).mean()
    assert chance_beyond_limit(size, cells) == pytest.approx(share, abs=0.02)


def numbered(parts: list[str], seed: int = 5) -> grr.Study:
    """Three people measured each of these parts three times; the last digit is coarse."""
    rng = np.random.default_rng(seed)
    rows = [
        (part, who, trial, round(10.0 + 0.003 * place + rng.normal(0.0, 0.0006), 3))
        for trial in (1, 2, 3)
        for who in "ABC"
        for place, part in enumerate(parts)
    ]
    frame = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    return grr.Study(
        frame,
        tolerance=grr.Tolerance(9.98, 10.05),
        unit="mm",
        resolution=0.001,
        parts_from="chosen",
    )


@pytest.mark.parametrize(
    ("parts", "missing"),
    [
        (["1", "2", "3", "4", "6"], "5"),
        (["1", "2", "3", "4", "5"], ""),
        (["7", "12", "31", "40", "55"], ""),  # numbers of parts of a box, drawn from it
        (["P1", "P2", "P3", "P4", "P6"], ""),
    ],
)
def test_a_number_left_out_of_the_parts_is_named(parts: list[str], missing: str) -> None:
    found = grr.check(numbered(parts)).about("number left out")
    assert len(found) == (missing != "")
    assert all(f.severity == "look" and f.what.endswith(f"no {missing}.") for f in found)


def test_a_trial_copied_at_a_coarse_digit_is_asked_about() -> None:
    study = numbered([str(part) for part in range(1, 11)])
    frame = study.readings
    assert grr.check(study).about("copied trial") == ()
    second = (frame["operator"] == "A") & (frame["trial"] == 2)
    first = (frame["operator"] == "A") & (frame["trial"] == 1)
    frame.loc[second, "reading"] = frame.loc[first, "reading"].to_numpy()
    copied = grr.Study(frame, tolerance=study.tolerance, unit="mm", resolution=0.001)
    found = only(grr.check(copied), "copied trial")
    assert (found.severity, found.place) == ("look", "operator A, trials 1 and 2")


def test_copies_are_rarely_seen_where_there_are_none() -> None:
    rng = np.random.default_rng(3)
    seen = sum(
        bool(data_checks.copied_trials(np.round(rng.normal(0.0, 0.6, (10, 3, 3)))))
        for _ in range(1000)
    )
    assert seen <= 20  # once in a hundred studies: 10 expected, 20 is over three sigma more
