"""What the report says about how the study was carried out, and by whom."""

from __future__ import annotations

import re
import shutil
from dataclasses import replace

import pandas as pd
import pytest
from html_page import DAY, Page
from studies import invented

import grr
from grr.files.events import Event, Events
from grr.files.journal import Journal, JournalRow
from grr.model.rounding import JOIN, percent
from grr.page.conduct import deviations
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
PLAN = grr.Plan(tuple("123456"), ("Op 0", "Op 1", "Op 2"), 3)


def test_as_planned_has_no_deviations():
    assert deviations(replace(invented(6, 3, 3), plan=PLAN)) == []
    assert "No plan" in deviations(invented(6, 3, 3))[0]


def test_deviations_are_worked_out_from_plan_and_readings():
    table = invented(6, 3, 3).readings
    table = table[~((table["part"] == "6") | (table["operator"] == "Op 2"))]
    one, two = (table["part"] == "1") & (table["trial"] == 1), table["operator"] == "Op 0"
    table.loc[one & two, "reading"] = float("nan")
    extra = table[one & ~two].assign(trial=4)
    text = " ".join(
        deviations(grr.Study(pd.concat([table, extra]), unit="mm", resolution=1e-4, plan=PLAN))
    )
    for fact in ("part 6", "operator Op 2", "fewer than 3", "more than 3", "30 readings", "54"):
        assert fact in text, fact


def test_what_was_not_planned_is_named():
    plan = replace(PLAN, parts=tuple("12345"), operators=("Op 0", "Op 1"))
    text = " ".join(deviations(replace(invented(6, 3, 3), plan=plan)))
    assert "not planned: part 6" in text
    assert "not planned: operator Op 2" in text


@pytest.fixture
def told(tmp_path):
    """A copy of the demo study with corrections, notes and events that name people."""
    folder = tmp_path / "pins"
    shutil.copytree(DEMO / "dowel_pin", folder)
    journal = Journal(folder / "readings.csv")
    first = journal.rows[0]
    journal.append(
        JournalRow(
            part=first.part, operator=first.operator, trial=first.trial, reading="10.0097",
            order=first.order, note="Ilka says Jonas dropped it", voids=first.id,
            reason="slip, seen by MIRO", entered_by="Jonas", source="typed", raw="10.0097",
            session=first.session,
        )
    )  # fmt: skip
    Events(folder / "events.csv").append(
        Event(kind="checklist", name="handing_out", value="nobody: Ilka alone", entered_by="Ilka"),
        Event(kind="opened", value="Jonas wanted to see", entered_by="Jonas"),
        Event(
            kind="study", name="tolerance", old="10.006", value="10.005", reason="Miro asked",
            entered_by="Ilka",
        ),
    )  # fmt: skip
    return grr.open_study(folder)


def test_record_corrections_and_blindness_are_told(told, tmp_path):
    path = grr.report(told, tmp_path / "r.html", date=DAY, deviations="The room was warm.")
    text = Page(path.read_text(encoding="utf-8")).shown
    for words in (
        "The room was warm.",
        "from 10.006 to 10.005",
        "Not blind: Ilka",
        "slip, seen by MIRO",
        "+10.0098",
        "the hashes fit",
        "Last hash of events.csv",
    ):
        assert words in text, words


def test_coded_operators_are_named_nowhere(told, tmp_path):
    path = grr.report(told, tmp_path / "r.html", date=DAY, code_operators=True)
    text = path.read_text(encoding="utf-8")
    for name in ("ilka", "jonas", "miro"):
        assert name not in text.lower()
    for number in (1, 2, 3):
        assert f"Operator {number}" in text


def test_coding_finds_single_words_of_a_name_and_leaves_the_rest(tmp_path):
    table = invented(3, ["Ann Berg", "Bo", "J"], 2).readings
    table["note"] = ""
    table.loc[0, "note"] = "Ann and bo said: J was late, Berger not; the job is done"
    study = grr.Study(table, unit="mm", title="Pins of Ann Berg")
    text = grr.report(study, tmp_path / "r.html", code_operators=True).read_text(encoding="utf-8")
    assert not re.search(r"\b(Ann|Berg)\b", text)
    assert "Bo<" not in text
    assert "Berger not; the job is done" in text


def test_altered_record_is_shouted(tmp_path):
    folder = tmp_path / "pins"
    shutil.copytree(DEMO / "dowel_pin", folder)
    file = folder / "readings.csv"
    content = file.read_text(encoding="utf-8-sig").replace("10.0098", "10.0097", 1)
    file.write_text(content, encoding="utf-8", newline="")
    path = grr.report(grr.open_study(folder), tmp_path / "r.html", date=DAY)
    shown = Page(path.read_text(encoding="utf-8")).shown
    assert "ALTERED: row 2" in shown
    assert "FIX THE DATA FIRST" in shown[:900]
    assert "1 finding " in shown.split("In this report")[0]
    assert "readings.csv" in shown.split("In this report")[0]


def test_settings_changed_past_the_record_are_shouted_and_name_nobody(tmp_path):
    folder = tmp_path / "pins"
    shutil.copytree(DEMO / "dowel_pin", folder)
    text = (folder / "study.toml").read_text(encoding="utf-8")
    Events(folder / "events.csv").append(Event(kind="settings", value=text))
    changed = text.replace("10.012", "10.015").replace(
        '"Jonas",\n    "Miro"', '"Miro",\n    "Jonas"'
    )
    assert changed.count("10.015") == 1
    (folder / "study.toml").write_text(changed, encoding="utf-8")
    study = grr.open_study(folder)
    for coded in (False, True):
        path = grr.report(study, tmp_path / "r.html", date=DAY, code_operators=coded)
        page = path.read_text(encoding="utf-8")
        shown = Page(page).shown
        first = shown.split("In this report")[0]
        assert "FIX THE DATA FIRST" in shown[:900]
        assert "1 finding " in first
        assert "study.toml" in first
        assert "tolerance.upper, from 10.012 to 10.015" in shown
        assert ("Miro" in page) is not coded


def test_what_was_measured_again_is_shown_both_ways(tmp_path):
    folder = tmp_path / "pins"
    shutil.copytree(DEMO / "dowel_pin", folder)
    before = grr.open_study(folder)
    journal = Journal(folder / "readings.csv")
    first = journal.rows[0]
    journal.append(
        JournalRow(
            part=first.part, operator=first.operator, trial=first.trial, reading="10.0107",
            order=first.order, entered_by=first.operator, source="typed", raw="10.0107",
            session=first.session,
        )
    )  # fmt: skip
    table = before.readings
    place = (table["part"] == first.part) & (table["operator"] == first.operator)
    table.loc[place & (table["trial"] == int(first.trial)), "reading"] = 10.0107
    again = replace(before, readings=table)
    shares = [
        percent(grr.anova(study).value("GRR", "percent_tolerance")).replace(JOIN, " ")
        for study in (before, again)
    ]
    assert shares[0] != shares[1]
    path = grr.report(grr.open_study(folder), tmp_path / "r.html", date=DAY)
    text = Page(path.read_text(encoding="utf-8")).shown
    assert re.search(rf"1 reading .*GRR {shares[0]} [^.]*{re.escape(shares[1])}", text)


def test_operators_whose_names_are_words_change_no_prose_and_no_style(tmp_path):
    names = {"Mark": "A", "May": "B", "Will": "C", "Max": "D"}
    table = invented(4, list(names), 2).readings
    plain = table.assign(operator=table["operator"].map(lambda name: f"{names[name]}x9"))
    made = [
        grr.report(
            grr.Study(readings, unit="mm", tolerance=grr.Tolerance(10.0, 10.02), title="Pins"),
            tmp_path / f"{number}.html",
            date=DAY,
            code_operators=True,
        ).read_text(encoding="utf-8")
        for number, readings in enumerate((table, plain))
    ]
    style = [page[page.index("<style>") : page.index("@page")] for page in made]
    assert style[0] == style[1]
    words = [re.sub(r"Operator \d|[\d.,%−+]+", "", Page(page).shown) for page in made]
    assert re.search(r"\bmay\b", words[0])
    changed = set(words[0].split()) ^ set(words[1].split())
    assert all(re.fullmatch("[a-f]*", word) for word in changed)  # the fingerprint
