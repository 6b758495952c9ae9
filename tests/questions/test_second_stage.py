"""Studies that go on with more people: plan, bounds at either look, and what it brings."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest

import grr
from grr.entry.job import open_job
from grr.files.study_file import read_settings
from grr.formulas.second_look import look_of, rules_at_look, second_confidence
from grr.model.choices import Decision
from grr.questions.causes import causes_of
from grr.questions.scatter import scatter_of
from grr.questions.second_stage import parts_across, second_stage_of
from grr.questions.verdict import decision_of

NAMES = ("Ada", "Ben", "Cy", "Dana", "Eli", "Fay")
PARTS = tuple(str(number) for number in range(1, 11))
OPEN = (0.25, 0.70, 0.05)


def cube(seed: int, true: float, split: tuple[float, float, float]) -> np.ndarray:
    """Return sizes read by six people of ten parts; GRR takes ``true`` of a tolerance of 1."""
    rng = np.random.default_rng(seed)
    ev, av, inter = (true / 6 * np.sqrt(share) for share in split)
    found = 10 + 0.12 * rng.standard_normal((10, 1, 1))
    found = found + av * rng.standard_normal((1, 6, 1)) + inter * rng.standard_normal((10, 6, 1))
    return np.asarray((found + ev * rng.standard_normal((10, 6, 3))).round(3))


def table(sizes: np.ndarray, further: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return all readings of the first three, and those of the others on ``further`` parts."""
    rows = [
        (PARTS[i], NAMES[j], k + 1, sizes[i, j, k])
        for i, j, k in np.ndindex(10, 6, 3)
        if j < 3 or PARTS[i] in further
    ]
    return pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])


def study(sizes: np.ndarray, further: tuple[str, ...] = (), **change: Any) -> grr.Study:
    plan = grr.Plan(
        parts=PARTS,
        operators=NAMES[:3],
        trials=3,
        looks=change.pop("looks", 2),
        further_operators=NAMES[3:] if further else (),
        further_parts=further,
    )
    given: dict[str, Any] = {
        "tolerance": grr.Tolerance(9.5, 10.5),
        "unit": "mm",
        "resolution": 0.001,
        "process_sd": 0.21,
        "plan": plan,
    }
    return grr.Study(table(sizes, further), **{**given, **change})


SIZES = cube(5, 0.2, OPEN)


def test_the_bounds_of_two_planned_looks() -> None:
    first = study(SIZES)
    second = study(SIZES, parts_across(first))
    assert look_of(first)[:3] == (1, 2, 0.975)
    assert look_of(second).confidence == pytest.approx(second_confidence(0.975, 3, 6), abs=1e-3)
    assert look_of(second).confidence >= second_confidence(0.975, 3, 6)
    for one in (first, second):
        found = grr.verdict(one).criterion
        draws = grr.anova(one).intervals(level=2 * look_of(one).confidence - 1)
        assert found is not None
        assert found.upper == pytest.approx(draws.loc[("GRR", "percent_tolerance"), "upper"])
        assert rules_at_look(one).confidence == look_of(one).confidence
        assert f"{100 * look_of(one).confidence:g} % confidence" in grr.verdict(one).by_confidence
    assert "first of two" in grr.verdict(first).by_confidence
    assert "second of two" in grr.verdict(second).by_confidence


def test_one_look_is_judged_as_before() -> None:
    alone = study(SIZES, looks=1)
    assert look_of(alone)[:3] == (1, 1, 0.95)
    assert rules_at_look(alone) is alone.rules
    assert "looks" not in grr.verdict(alone).by_confidence


def test_a_study_that_went_on_unplanned_names_what_both_looks_err() -> None:
    further = parts_across(study(SIZES))
    found = look_of(study(SIZES, further, looks=1))
    assert (found.number, found.confidence, found.planned) == (2, 0.99, False)
    assert 0.05 < found.error < 0.058
    said = grr.verdict(study(SIZES, further, looks=1)).by_confidence
    assert "not planned" in said and "5.6 of 100" in said
    fixed = look_of(study(SIZES, further, operators="fixed"))
    assert fixed.confidence == 0.975 and fixed.error == pytest.approx(0.05)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"looks": 3}, "looks"),
        ({"looks": True}, "looks"),
        ({"further_operators": ("Ada",), "further_parts": ("1",)}, "named twice"),
        ({"further_operators": ("Dana",), "further_parts": ("11",)}, "nobody measured before"),
        ({"further_operators": ("Dana",)}, "both people and parts"),
    ],
)
def test_stages_that_do_not_fit(change: dict[str, Any], word: str) -> None:
    with pytest.raises(grr.StudyError, match=word):
        grr.Plan(**{"parts": PARTS, "operators": NAMES[:3], "trials": 3, **change})


def test_a_study_in_a_folder_goes_on(tmp_path: Path) -> None:
    folder = tmp_path / "pins"
    grr.save_study(study(SIZES), folder)
    before = (folder / "readings.csv").read_bytes()
    with pytest.raises(grr.StudyError, match="reason"):
        grr.continue_study(folder)
    sheet = grr.continue_study(folder, NAMES[3:], who="Ada")
    assert len(sheet.table) == 45 and set(sheet.table["operator"]) == set(NAMES[3:])
    assert sheet.plan.further_parts == parts_across(study(SIZES))
    assert (folder / "readings.csv").read_bytes() == before
    logged = (folder / "events.csv").read_text(encoding="utf-8")
    assert "plan.further_operators" in logged and "Dana" in logged and "Ada" in logged
    # The form and the terminal ask for the new readings, after those that are there.
    places = open_job(folder).places
    assert len(places) == 135 and {place.operator for place in places[90:]} == set(NAMES[3:])
    assert len(grr.run_sheet(folder).table) == 45
    plan = read_settings(folder).plan
    assert plan == sheet.plan and plan is not None and plan.readings == 135
    # Planned and not begun: nothing is missing yet, and it may be planned otherwise.
    assert not grr.check(grr.open_study(folder)).must_mend
    joined = grr.continue_study(folder, ["Gil"], PARTS, who="Ada", why="Gil joins the team")
    assert len(joined.table) == 30


def test_readings_that_the_second_stage_leaves_out_are_not_missed() -> None:
    further = parts_across(study(SIZES))
    assert not grr.check(study(SIZES, further)).must_mend
    part_done = study(SIZES, further)
    readings = part_done.readings.query("operator != 'Fay'")
    unfinished = grr.Study(readings, tolerance=part_done.tolerance, plan=part_done.plan, unit="mm")
    assert grr.check(unfinished).must_mend


def test_an_unfinished_study_does_not_go_on(tmp_path: Path) -> None:
    short = study(SIZES)
    readings = short.readings.iloc[:-1]
    grr.save_study(grr.Study(readings, unit="mm", plan=short.plan), tmp_path / "short")
    with pytest.raises(grr.StudyError, match="not finished"):
        grr.continue_study(tmp_path / "short", who="Ada")


def test_a_second_stage_that_has_begun_is_not_planned_anew(tmp_path: Path) -> None:
    grr.save_study(study(SIZES, parts_across(study(SIZES))), tmp_path / "begun")
    with pytest.raises(grr.StudyError, match="judged twice"):
        grr.continue_study(tmp_path / "begun", ["Gil"], who="Ada")


def test_what_a_second_stage_brings_is_told_where_it_is_open() -> None:
    found = second_stage_of(grr.anova(study(SIZES)))
    assert found is not None and found.readings == 45 and 0.2 < found.chance < 0.95
    told = [step.sentence for step in grr.verdict(study(SIZES)).steps]
    assert any("45 readings" in one for one in told)
    unplanned = second_stage_of(grr.anova(study(SIZES, looks=1)))
    assert unplanned is not None and unplanned.chance < found.chance
    assert second_stage_of(grr.anova(study(SIZES, operators="fixed"))) is None
    further = parts_across(study(SIZES))
    assert second_stage_of(grr.anova(study(SIZES, further))) is None


def test_the_chance_told_is_the_share_that_then_decides() -> None:
    """Over undecided studies of a gauge of 20 %: told on average, and how often it comes true."""
    told, came = [], []
    for seed in range(400, 440):
        sizes = cube(seed, 0.2, (0.6, 0.3, 0.1))
        first = study(sizes)
        if decision_of(first) != Decision.NOT_DECIDED:
            continue
        found = second_stage_of(grr.anova(first))
        assert found is not None
        told.append(found.chance)
        second = study(sizes, found.parts)
        came.append(decision_of(second) != Decision.NOT_DECIDED)
    assert len(told) >= 10
    error = np.sqrt(0.25 / len(told))
    assert np.mean(told) == pytest.approx(np.mean(came), abs=3 * error)


def _in_two_stages(sizes: np.ndarray) -> grr.Study:
    return study(sizes, ("2", "3", "5", "8", "10"))


def test_causes_are_named_over_both_stages() -> None:
    sizes = cube(5, 0.08, (0.6, 0.3, 0.1))
    sizes[:, 4] += 0.1  # a person of the second stage
    sizes[1] += (0.05 * np.random.default_rng(8).standard_normal((6, 3))).round(3)
    both = _in_two_stages(sizes)
    assessed = grr.assess(both)
    offset = next(cause for cause in assessed.causes if cause.kind == "operator_offset")
    assert offset.operator == "Eli"
    assert offset.size.lower < 0.1 < offset.size.upper
    assert ("part", "2") in [(cause.kind, cause.part) for cause in assessed.causes]
    now = grr.anova(both).value("GRR", "percent_tolerance")
    assert offset.without.value < 0.8 * now
    assert any("5 of 10 parts" in note for note in assessed.notes)
    assert assessed.operators is not None
    assert assessed.operators.numbers.table.loc["Eli", "from_others"] > 0.08
    assert "missing" not in str(grr.anova(both))


def test_scatter_of_either_stage_forbids_use() -> None:
    clean = cube(5, 0.04, (0.6, 0.3, 0.1))
    assert not scatter_of(_in_two_stages(clean)).found
    for part, operator in ((0, 0), (2, 5)):  # a part of the first stage only, and a new person
        sizes = clean.copy()
        sizes[part, operator, 1] += 0.05
        found = scatter_of(_in_two_stages(sizes))
        assert found.forbids_use
        assert found.outliers == ((PARTS[part], NAMES[operator], 2),)
        assert found.readings == 135


def test_clean_studies_in_two_stages_name_few_causes() -> None:
    named = scattered = 0
    for seed in range(40):
        both = _in_two_stages(cube(900 + seed, 0.2, (1.0, 0.0, 0.0)))
        named += any(cause.kind != "digit" for cause in causes_of(both).named)
        scattered += bool(scatter_of(both).found)
    # 5 % each: more than 6 of 40 come less than once in 100.
    assert max(named, scattered) <= 6
