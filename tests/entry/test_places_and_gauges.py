"""Several places on each part, or several gauges: planned, asked for, sealed and analysed."""

import itertools
import random
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest

import grr
from grr.entry import sessions
from grr.entry.corrections import one_part_out, undo
from grr.entry.job import place_of, run_order
from grr.entry.messages import MessageHandler
from grr.entry.table_grid import TableRoles, asked_of, file_table, look_at_table
from grr.entry.taking import take
from grr.entry.upload import take_file
from grr.entry.view import readings_list, view
from grr.files.folder import change_settings, open_study
from grr.files.journal import COLUMNS
from grr.files.merging import merge
from grr.files.study_file import read_settings, write_settings
from grr.files.verify import verify_folder
from grr.model.errors import StudyError
from grr.model.rules import Plan
from grr.model.settings import Settings
from grr.model.tolerance import Tolerance
from tests.entry.conftest import ANSWERS, Clock, a_collection

TOP = Path(__file__).parents[2]
PEOPLE = ("Ann", "Ben", "Cem")


def a_plan(**more):
    given = {"parts": tuple("123456"), "operators": PEOPLE, "trials": 2, "seed": 9}
    return Plan(**(given | more))


PLACES = a_plan(places=("top", "middle"))
GAUGES = a_plan(gauges=("M1", "M2"))
BOTH = a_plan(places=("rim", "middle", "foot"), gauges=("M1", "M2"))


def planned(folder, plan, **more):
    settings = Settings(
        title="Sleeve", unit="mm", resolution=0.001, tolerance=Tolerance(9.9, 10.1),
        operators_are="fixed", plan=plan, **more,
    )  # fmt: skip
    write_settings(folder, settings)
    clock = Clock()
    return a_collection(
        folder, clock, plan=plan, resolution=0.001, places=run_order(plan),
        operators_are="fixed", tolerance=Tolerance(9.9, 10.1), id=settings.id,
    ), clock  # fmt: skip


def size_at(place, plan):
    """What a part measures there: a taper, and a gauge that reads large."""
    part, spots, gauges = plan.parts.index(place.part), plan.places, plan.gauges
    taper = 0.02 * spots.index(place.place) if spots else 0.0
    off = 0.006 * gauges.index(place.gauge) if gauges else 0.0
    wobble = random.Random(str(place)).gauss(0.0, 0.001)
    return f"{9.98 + 0.003 * part + taper + off + wobble:.3f}"


def collect(work, clock, plan, *, most=None):
    """Measure as the form asks, up to so many readings."""
    taken = 0
    while (stage := work.stage(work.record)) != "finished" and taken != most:
        record = work.record
        if stage == "operator":
            left = next(p for p in work.places(record) if p not in record.at)
            sessions.begin(work, left.operator)
        elif stage == "checklist":
            asked = [item.key for item in sessions.questions(work, record)]
            sessions.answer(work, {key: ANSWERS.get(key, "") for key in asked} | {"zero": "0"})
        elif stage == "zero":
            sessions.end(work, "0")
        else:
            clock.wait(20)
            outcome = take(work, size_at(work.due(record), plan))
            assert outcome.kind == "recorded", outcome.words
            taken += 1


@pytest.mark.parametrize("plan", [PLACES, GAUGES, BOTH])
def test_everyone_measures_each_place_with_each_gauge(plan):
    order = run_order(plan)
    assert len(order) == len(set(order)) == plan.readings
    counts = {}
    for one in order:
        here = (one.operator, one.part, one.place, one.gauge)
        counts[here] = counts.get(here, 0) + 1
    assert set(counts.values()) == {plan.trials}
    assert len(counts) == plan.readings / plan.trials
    assert order == run_order(plan)
    assert order != run_order(replace(plan, seed=10))


@pytest.mark.parametrize("plan", [PLACES, BOTH])
def test_a_round_takes_every_part_once_at_places_that_vary(plan):
    order = run_order(plan)
    rounds = {}
    for one in order:
        rounds.setdefault((one.operator, one.trial), []).append(one)
    assert all({p.part for p in one} == set(plan.parts) for one in rounds.values())
    for one in rounds.values():
        often = [sum(p.place == spot for p in one) for spot in plan.places]
        assert max(often) - min(often) <= 1
    for one, after in itertools.pairwise(order):
        assert (one.operator, one.part) != (after.operator, after.part)
    for one in range(1, plan.times, len(plan.places)):  # each place once, before any twice
        seen = [p for p in order if one <= p.trial < one + len(plan.places)]
        assert len({(p.operator, p.part, p.place) for p in seen}) == len(seen)


def test_gauges_are_changed_as_seldom_as_can_be():
    own = [one for one in run_order(BOTH) if one.operator == "Ann"]
    changes = sum(a.gauge != b.gauge for a, b in itertools.pairwise(own))
    assert changes == BOTH.trials * (len(BOTH.gauges) - 1)
    first = {one.operator: one.gauge for one in reversed(run_order(BOTH))}
    assert set(first.values()) == set(BOTH.gauges)  # not all begin with the same one


def test_the_trials_of_one_place_stay_in_one_session():
    plan = a_plan(places=("top", "middle"), sessions=2)
    assert [plan.session_of(trial) for trial in range(1, 5)] == [1, 1, 2, 2]
    for session in (1, 2):
        own = [p for p in run_order(plan) if plan.session_of(p.trial) == session]
        assert len({(p.operator, p.part, p.place) for p in own}) == len(own)


def test_a_plan_without_them_is_what_it_was(tmp_path):
    plan = a_plan()
    write_settings(tmp_path, Settings(plan=plan, id="a"))
    assert "places" not in (tmp_path / "study.toml").read_text(encoding="utf-8")
    assert plan.times == plan.trials
    assert run_order(plan)[0].as_list == ["Ann", "", 1, run_order(plan)[0].part]


@pytest.mark.parametrize(
    "given", [{"places": ("top",)}, {"gauges": ("M1", "m1")},
              {"places": ("top", "foot"), "methods": ("stand", "hand")}],
)  # fmt: skip
def test_plans_that_cannot_be(given):
    with pytest.raises(StudyError):
        a_plan(**given)


@pytest.mark.parametrize(
    ("plan", "source", "named"), [(PLACES, "WPV", "place"), (GAUGES, "GAU", "gauge")]
)
def test_the_sealed_record_holds_them_and_the_study_knows_them(tmp_path, plan, source, named):
    work, clock = planned(tmp_path, plan)
    collect(work, clock, plan)
    head, *lines = (tmp_path / "readings.csv").read_text(encoding="utf-8-sig").splitlines()
    assert head.split(",") == [*COLUMNS[:-1], "place", "gauge", "hash"]
    assert len(lines) == plan.readings
    assert verify_folder(tmp_path).unaltered
    study = open_study(tmp_path)
    assert named in study.readings
    where = {(p.part, p.operator, p.trial): getattr(p, named) for p in run_order(plan)}
    for row in study.readings.to_dict("records"):
        assert row[named] == where[row["part"], row["operator"], row["trial"]]
    result = grr.anova(study)
    assert source in str(result)
    assert result.value("EV", "sd") < 0.002  # neither taper nor gauge is in it
    assert not grr.check(study).about("incomplete")
    text = (tmp_path / "readings.csv").read_bytes()
    other = {"place": (b"top", b"middle"), "gauge": (b",M1,", b",M2,")}[named]
    (tmp_path / "readings.csv").write_bytes(text.replace(*other, 1))
    assert not verify_folder(tmp_path).unaltered  # they are sealed with the rest


def test_a_record_without_them_is_as_before(tmp_path):
    plan = a_plan()
    work, clock = planned(tmp_path, plan)
    collect(work, clock, plan, most=3)
    head = (tmp_path / "readings.csv").read_text(encoding="utf-8-sig").split("\n")[0]
    assert head.split(",") == list(COLUMNS)
    with pytest.raises(StudyError, match="without places"):
        work.journal.append(replace(work.journal.rows[0], id="x", place="top"))


def test_after_a_kill_the_form_goes_on_where_it_was(tmp_path):
    code = f"""
import os
import sys
from pathlib import Path
sys.path.insert(0, {str(TOP)!r})
from tests.entry.test_places_and_gauges import BOTH, collect, planned
work, clock = planned(Path({str(tmp_path)!r}), BOTH)
collect(work, clock, BOTH, most=20)
os._exit(9)
"""
    subprocess.run([sys.executable, "-c", code], check=False)
    before = (tmp_path / "readings.csv").read_bytes()
    (tmp_path / "readings.csv").write_bytes(before[:-30])  # the last row was torn off
    work, clock = planned_again(tmp_path)
    assert len(work.record.at) == 19
    assert all(place_of(r[0]).place == p.place for p, r in work.record.at.items())
    assert work.due(work.record) == run_order(BOTH)[19]
    collect(work, clock, BOTH)
    assert verify_folder(tmp_path).unaltered
    assert open_study(tmp_path).taken == BOTH.readings


def planned_again(folder):
    settings = read_settings(folder)
    clock = Clock()
    clock.wait(60)
    plan = settings.plan
    return a_collection(
        folder, clock, plan=plan, resolution=0.001, places=run_order(plan),
        operators_are="fixed", tolerance=Tolerance(9.9, 10.1), id=settings.id,
    ), clock  # fmt: skip


def test_a_head_torn_off_while_it_was_written_is_completed(tmp_path):
    work, clock = planned(tmp_path, PLACES)
    whole = ("\ufeff" + ",".join([*COLUMNS[:-1], "place", "gauge", "hash"]) + "\n").encode()
    for length in (5, len(whole) - 12, len(whole) - 1):
        (tmp_path / "readings.csv").write_bytes(whole[:length])
        assert work.journal.rows == []
    collect(work, clock, PLACES, most=1)
    assert (tmp_path / "readings.csv").read_bytes().startswith(whole)
    assert work.journal.rows[0].place in PLACES.places


def test_the_form_says_where_and_with_what_and_asks_zero_for_each_gauge(tmp_path):
    work, clock = planned(tmp_path, BOTH)
    handler = MessageHandler(work)
    collect(work, clock, BOTH, most=1)
    shown = view(work)
    due = work.due(work.record)
    assert shown["place"]["key"] == [due.operator, "", due.trial, due.part, due.place, due.gauge]
    assert shown["place"]["method"] == f"gauge {due.gauge}"
    assert {key[5] for key in shown["ahead"]} == {due.gauge}
    clock.wait(20)
    key = [due.operator, "", due.trial, due.part]  # as an older page sends it
    handler.answer({"kind": "reading", "id": "k", "text": size_at(due, BOTH), "place": key})
    last = work.journal.rows[-1]
    assert (last.place, last.gauge) == (due.place, due.gauge)
    named = readings_list(work)["rows"][0]
    assert named["method"] == f"{due.place}, gauge {due.gauge}"
    collect(work, clock, BOTH, most=len(BOTH.parts) * len(BOTH.places) - 2)
    assert work.stage(work.record) == "checklist"
    asked = {item.key for item in sessions.questions(work, work.record)}
    assert "zero" in asked
    assert "holding" not in asked
    assert view(work)["cool_minutes"] == 0


def test_the_same_number_is_asked_about_at_the_same_place_only(tmp_path):
    plan = a_plan(places=("top", "middle"), parts=tuple("12345678"), operators=("Ann",))
    work, clock = planned(tmp_path, plan)
    collect(work, clock, plan, most=0)
    sessions.begin(work, "Ann")
    sessions.answer(work, ANSWERS | {"zero": "0"})
    at = {"top": 0, "middle": 0}
    for _ in range(8):
        spot = work.due(work.record).place
        clock.wait(20)
        outcome = take(work, "10.001" if spot == "top" else f"10.0{at[spot] + 2}1")
        at[spot] += 1
        if outcome.kind == "asked":
            break
    assert "exactly the same" in outcome.words
    assert spot == "top"


def test_corrections_keep_to_the_planned_places(tmp_path):
    work, clock = planned(tmp_path, PLACES)
    collect(work, clock, PLACES, most=3)
    undo(work)
    first = work.journal.rows[0]
    one_part_out(work, first.id, 1)
    where = {(p.operator, p.trial, p.part): p.place for p in run_order(PLACES)}
    for place, rows in work.record.at.items():
        assert rows[0].place == where[place.operator, place.trial, place.part]


def test_a_new_person_and_a_new_part_measure_at_every_place(tmp_path):
    work, _ = planned(tmp_path, BOTH)
    handler = MessageHandler(work)
    handler.answer({"kind": "add", "id": "a", "what": "part", "name": "7"})
    handler.answer({"kind": "add", "id": "b", "what": "operator", "name": "Dee"})
    places = work.places(work.record)
    for operator in (*PEOPLE, "Dee"):
        own = [(p.place, p.gauge) for p in places if (p.operator, p.part) == (operator, "7")]
        assert sorted(own) == sorted(
            (spot, gauge) for spot in BOTH.places for gauge in BOTH.gauges for _ in range(2)
        )


def test_places_cannot_be_changed_once_there_are_readings(tmp_path):
    work, clock = planned(tmp_path, PLACES)
    collect(work, clock, PLACES, most=2)
    settings = read_settings(tmp_path)
    for plan in (
        replace(PLACES, places=("top", "foot")), replace(PLACES, operators=("Ben", "Ann")),
        a_plan(),
    ):  # fmt: skip
        with pytest.raises(StudyError, match="cannot be changed"):
            change_settings(tmp_path, replace(settings, plan=plan), who="Ann", why="a try")
    change_settings(tmp_path, replace(settings, title="Other"), who="Ann", why="a name")


def a_table(folder, plan):
    """The readings of a study as a table, its trials numbered at each place by themselves."""
    work, clock = planned(folder, plan)
    collect(work, clock, plan)
    columns = ["part", "operator", "trial", *(c for c in ("place", "gauge"))]
    table = open_study(folder).readings
    table = table[[c for c in columns if c in table] + ["reading"]]
    keys = [c for c in table if c not in ("trial", "reading")]
    alone = table.groupby(keys)["trial"].rank().astype(int)
    return table, table.assign(trial=alone).sample(frac=1.0, random_state=1)


@pytest.mark.parametrize("plan", [PLACES, GAUGES, BOTH])
@pytest.mark.parametrize("by_form", [True, False])
def test_a_table_goes_into_such_a_study(tmp_path, plan, by_form):
    for name in ("whole", "as_planned", "by_itself"):
        (tmp_path / name).mkdir()
    tables = a_table(tmp_path / "whole", plan)
    for name, table in zip(("as_planned", "by_itself"), tables, strict=True):
        work, _ = planned(tmp_path / name, plan)
        content = table.to_csv(index=False).encode()
        if by_form:
            look = look_at_table(work, "old.csv", content, asked_of({}))
            assert (look["missing"], look["marks"]) == ([], [])
            file_table(work, "old.csv", content, TableRoles(tuple(look["roles"]), look["heads"]))
        else:
            take_file(work, "old.csv", content)
        keys = ["part", "operator", "trial"]
        read = open_study(tmp_path / name).readings.sort_values(keys, ignore_index=True)
        same = open_study(tmp_path / "whole").readings.sort_values(keys, ignore_index=True)
        for column in table:
            assert (read[column] == same[column]).all(), column
        assert verify_folder(tmp_path / name).unaltered


def test_a_table_that_does_not_fit_is_not_taken_in_part(tmp_path):
    (tmp_path / "whole").mkdir()
    _, table = a_table(tmp_path / "whole", PLACES)
    (tmp_path / "new").mkdir()
    work, _ = planned(tmp_path / "new", PLACES)
    wrong = [
        table[table["place"] == "top"].drop(columns="place"),
        table.assign(place=table["place"].replace("top", "rim")),
        table.assign(gauge=["M1", "M2"] * (len(table) // 2)),
        pd.concat([table, table.iloc[:1].assign(trial=9)]),
    ]
    for one in wrong:
        with pytest.raises(StudyError):
            take_file(work, "old.csv", one.to_csv(index=False).encode())
    assert work.journal.rows == []
    (tmp_path / "plain").mkdir()
    work, _ = planned(tmp_path / "plain", a_plan())
    with pytest.raises(StudyError, match="several places"):
        take_file(work, "old.csv", table.to_csv(index=False).encode())


def test_two_halves_become_one(tmp_path):
    for name, who in (("one", "Ann"), ("two", "Ben")):
        (tmp_path / name).mkdir()
        plan = replace(PLACES, operators=("Ann", "Ben"))
        work, clock = planned(tmp_path / name, plan)
        if name == "two":
            text = (tmp_path / "one" / "study.toml").read_bytes()
            (tmp_path / name / "study.toml").write_bytes(text)
            work, clock = planned_again(tmp_path / name)
        sessions.begin(work, who)
        sessions.answer(work, ANSWERS | {"zero": "0"})
        while work.stage(work.record) == "measure":
            clock.wait(20)
            take(work, size_at(work.due(work.record), plan))
        sessions.end(work, "0")
    merge(tmp_path / "one", tmp_path / "two", tmp_path / "both")
    study = open_study(tmp_path / "both")
    assert study.taken == plan.readings
    assert study.readings.groupby(["part", "operator", "place"]).size().eq(2).all()


def test_the_study_form_plans_them(tmp_path):
    form = grr.study_form(tmp_path / "bush")
    form.change(
        title="Bush", lower="9.9", upper="10.1", resolution="0.001", operators="Ann, Ben, Cem",
        operators_are="yes, only they", parts="5", trials="2", places="top", gauges="M1, M2",
    )  # fmt: skip
    assert {one.key for one in form.contradictions()} == {"places", "gauges_are"}
    form.change(places="top, middle", gauges_are="no, others like these too")
    (asked,) = form.contradictions()
    assert asked.asks
    form.change(gauges_are="yes, only these")
    told = form.chance()  # two trials at two places with two gauges
    assert "8 times" in told["counted"]
    assert (told["trials"], told["readings"]) == (2, 5 * 3 * 8)
    form.save()
    saved = read_settings(tmp_path / "bush")
    assert saved.gauges_are == "fixed"
    assert (saved.plan.places, saved.plan.gauges) == (("top", "middle"), ("M1", "M2"))
    write_settings(tmp_path / "bush", replace(saved, gauges_are=7))
    again = grr.study_form(tmp_path / "bush")
    again.change(title="Bush, lot 2", gauges_are="no, others like these too")
    again.confirmed = {asked.words}
    again.save()
    assert read_settings(tmp_path / "bush").gauges_are == 7  # how many was stated before


def test_a_plan_is_drawn_with_them():
    sheet = grr.plan_study(
        4, ["Ann", "Ben"], 2, operators_are="fixed", places=["top", "foot"], gauges=2, seed=1
    )
    table = sheet.to_frame()
    assert table.groupby(["operator", "part", "place", "gauge"]).size().eq(2).all()
    page, key = sheet.page(), sheet.key_page()
    assert "gauge 2" in page
    assert "<th>place</th>" in page
    assert "top and foot" in key
    assert "<th>place</th>" not in grr.plan_study(4, 3, 2, seed=1).page()
    assert list(grr.plan_study(4, 3, 2, seed=1).to_frame())[-1] == "method"
