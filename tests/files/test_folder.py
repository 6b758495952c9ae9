import shutil
from dataclasses import replace

import numpy as np
import openpyxl
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import grr
from grr.files import folder
from grr.files.events import read_events
from grr.files.folder import change_settings, new_study_folder, open_study, save_study, study_in
from grr.files.journal import Journal, JournalRow
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.model.facts import DEVIATION
from grr.model.rules import Plan, Rules
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.shipped import shipped_folder

READINGS = pd.DataFrame(
    {
        "part": ["1", "1", "2", "2"],
        "operator": ["Anna", "Boris", "Anna", "Boris"],
        "trial": [1, 1, 1, 1],
        "reading": [10.0081, np.nan, 10.0092, 10.0095],
        "order": [2, 1, np.nan, 3.5],
        "time": ["2026-03-14T09:26:53.5Z", "2026-03-14T09:26:10Z", None, "2026-03-14T09:30:00Z"],
        "note": ["", "dropped, burr", "=cmd()", "-"],
    }
)


def full_study(**changes):
    given = {
        "tolerance": Tolerance(10.006, 10.012),
        "unit": "mm",
        "resolution": 0.0001,
        "purpose": "control",
        "operators": "fixed",
        "parts_from": "chosen",
        "process_sd": 0.001,
        "process_mean": 10.009,
        "title": "Pins",
        "rules": Rules(spread=5.15),
        "plan": Plan(("1", "2"), ("Anna", "Boris"), 1, (), 4),
        "facts": {"characteristic": "diameter", "lot": "7"},
        "example": True,
    }
    return Study(READINGS, **(given | changes))


def same(first, second):
    pd.testing.assert_frame_equal(first.readings, second.readings)
    for name in (
        *("tolerance", "unit", "resolution", "purpose", "operators", "parts_from"),
        *("process_sd", "process_mean", "title", "design", "rules", "plan", "facts", "example"),
    ):
        assert getattr(first, name) == getattr(second, name), name


def test_study_comes_back_as_it_was_saved(tmp_path):
    study = full_study()
    save_study(study, tmp_path / "a" / "pins")
    found = grr.open_study(tmp_path / "a" / "pins")
    same(found, study)
    assert found.folder == tmp_path / "a" / "pins"


def test_deviations_from_a_setting_master_come_back_as_they_were(tmp_path):
    table = READINGS.assign(reading=READINGS["reading"] - 10)
    study = Study(
        table.round(4),
        tolerance=Tolerance(0.006, 0.012),
        process_mean=0.009,
        resolution=0.0001,
        unit="mm",
        facts={"readings_are": DEVIATION, "setting_master_size": 10.0},
    )
    save_study(study, tmp_path / "pins")
    assert read_settings(tmp_path / "pins").tolerance == Tolerance(10.006, 10.012)
    same(open_study(tmp_path / "pins"), study)


def test_nothing_is_overwritten(tmp_path):
    save_study(full_study(), tmp_path)
    before = {path: path.read_bytes() for path in tmp_path.iterdir()}
    with pytest.raises(StudyError, match="holds a study already"):
        save_study(full_study(title="Other"), tmp_path)
    with pytest.raises(StudyError, match="holds a study already"):
        new_study_folder(tmp_path)
    assert {path: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_no_cell_runs_in_a_spreadsheet(tmp_path):
    table = READINGS.assign(operator=["=cmd()", "@x", "=cmd()", "@x"])
    save_study(Study(table), tmp_path)
    text = (tmp_path / "readings.csv").read_text(encoding="utf-8")
    cells = [cell for line in text.splitlines() for cell in line.split(",")]
    assert not [cell for cell in cells if cell[:1] in tuple("=@+-")]
    assert open_study(tmp_path).operator_names == Study(table).operator_names


labels = st.lists(
    st.text("abcXYZ019 -_.#äß:Mean=+'", min_size=1, max_size=6).map(str.strip).filter(bool),
    min_size=2,
    max_size=4,
    unique_by=lambda label: " ".join(label.casefold().split()),
)


@settings(deadline=None, max_examples=25)
@given(parts=labels, operators=labels, data=st.data())
def test_any_study_comes_back(tmp_path_factory, parts, operators, data):
    places = [(p, o, t) for p in parts for o in operators for t in (1, 2)]
    table = pd.DataFrame(places, columns=["part", "operator", "trial"])
    readings = st.floats(-1e6, 1e6) | st.just(np.nan)
    table["reading"] = [1.0, *(data.draw(readings) for _ in places[1:])]
    folder = tmp_path_factory.mktemp("study")
    save_study(Study(table), folder)
    pd.testing.assert_frame_equal(open_study(folder).readings, Study(table).readings)


def test_started_folder_has_no_readings_yet(tmp_path):
    plan = Plan(("1", "2"), ("Anna",), 2)
    made = new_study_folder(tmp_path / "pins", title="Pins", unit="mm", plan=plan)
    assert read_settings(tmp_path / "pins") == made
    with pytest.raises(StudyError, match="no readings yet"):
        open_study(tmp_path / "pins")


def test_collected_readings_are_read_from_the_journal(tmp_path):
    new_study_folder(tmp_path / "pins", unit="mm", resolution=0.001)
    journal = Journal(tmp_path / "pins" / "readings.csv")
    with pytest.raises(StudyError, match="no readings yet"):
        open_study(tmp_path / "pins")
    first = journal.append(
        JournalRow(part="1", operator="A", trial="1", reading="10.001", source="gauge")
    )
    journal.append(JournalRow(part="2", operator="A", trial="1", reading="10.002", source="gauge"))
    row = JournalRow(part="1", operator="A", trial="1", reading="10.003", voids=first.id)
    journal.append(row)
    study = open_study(tmp_path / "pins")
    found = study.readings.set_index("part")["reading"]
    assert found.to_dict() == {"1": 10.003, "2": 10.002}
    assert study.readings["time"].notna().all()


def test_form_in_the_folder_is_read(tmp_path):
    new_study_folder(tmp_path / "pins", unit="mm")
    file = tmp_path / "pins" / "readings.csv"
    file.write_text("Part;A1;A2\n1;10,1;10,2\n2;10,3;10,45\n", encoding="utf-8")
    assert open_study(tmp_path / "pins").taken == 4


def test_workbook_in_the_folder_is_read(tmp_path):
    new_study_folder(tmp_path / "pins", unit="mm")
    book = openpyxl.Workbook()
    for row in (["Part", "A1", "A2"], [1, 10.1, 10.2], [2, 10.3, 10.45]):
        book.active.append(row)
    book.save(tmp_path / "pins" / "readings.xlsx")
    assert open_study(tmp_path / "pins").taken == 4


def test_unit_of_the_file_must_be_that_of_the_study(tmp_path):
    new_study_folder(tmp_path / "pins", unit="mm")
    file = tmp_path / "pins" / "readings.csv"
    file.write_text("part,reading (in)\n1,0.1\n2,0.2\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"study\.toml says mm") as refusal:
        open_study(tmp_path / "pins")
    assert refusal.value.column == "unit"


def test_two_files_of_readings_are_refused(tmp_path):
    save_study(full_study(), tmp_path)
    (tmp_path / "readings.xlsx").write_bytes(b"")
    with pytest.raises(StudyError, match="two files"):
        open_study(tmp_path)


def test_refusal_of_the_study_names_the_reading(tmp_path):
    new_study_folder(tmp_path / "pins", unit="mm", resolution=0.001)
    file = tmp_path / "pins" / "readings.csv"
    file.write_text("Part,A1,A2\n1,10.001,10.002\n2,10.0031,10.004\n", encoding="utf-8")
    with pytest.raises(StudyError, match="part 2, operator A, trial 1") as refusal:
        open_study(tmp_path / "pins")
    assert refusal.value.file == str(file)


def test_change_after_the_first_reading_is_logged(tmp_path):
    save_study(full_study(), tmp_path)
    old = read_settings(tmp_path)
    new = replace(old, resolution=0.0002, facts={**old.facts, "customer": "N.N."})
    with pytest.raises(StudyError, match="reason") as refusal:
        change_settings(tmp_path, new)
    assert refusal.value.column == "resolution, facts.customer"
    assert read_settings(tmp_path) == old
    change_settings(tmp_path, new, who="Dora", why="read wrongly")
    assert read_settings(tmp_path) == new
    events = read_events(tmp_path / "events.csv")
    logged = events[["kind", "name", "old", "value", "reason", "entered_by"]].to_numpy().tolist()
    assert logged == [
        ["study", "resolution", "0.0001", "0.0002", "read wrongly", "Dora"],
        ["study", "facts.customer", "", "N.N.", "read wrongly", "Dora"],
    ]


def test_change_that_cannot_be_written_is_refused_and_not_logged(tmp_path, monkeypatch):
    def full(*_):
        raise StudyError("The disk is full", "Free some space")

    save_study(full_study(), tmp_path)
    old = read_settings(tmp_path)
    monkeypatch.setattr(folder, "write_settings", full)
    with pytest.raises(StudyError, match="disk"):
        change_settings(tmp_path, replace(old, resolution=0.0002), who="Dora", why="read wrongly")
    assert read_settings(tmp_path) == old
    assert read_events(tmp_path / "events.csv").empty


def test_change_before_the_first_reading_needs_no_reason(tmp_path):
    made = new_study_folder(tmp_path / "pins", unit="mm")
    change_settings(tmp_path / "pins", replace(made, title="Pins"))
    assert read_settings(tmp_path / "pins").title == "Pins"
    assert not (tmp_path / "pins" / "events.csv").exists()


def test_file_where_a_folder_is_wanted(tmp_path):
    (tmp_path / "pins").write_text("", encoding="utf-8")
    with pytest.raises(StudyError):
        open_study(tmp_path / "pins")
    with pytest.raises(StudyError):
        save_study(full_study(), tmp_path / "pins")


def test_a_study_is_a_snapshot_of_its_folder(tmp_path):
    folder = tmp_path / "pins"
    shutil.copytree(shipped_folder("demo_data") / "pins_two_ways", folder)
    study = grr.open_study(folder).for_method("stand")
    before = str(grr.check(study)), str(grr.verdict(study))
    shutil.rmtree(folder)
    fresh = replace(study, title=study.title)  # with a memo of its own
    assert (str(grr.check(fresh)), str(grr.verdict(fresh))) == before


def test_what_is_opened_read_and_written_is_logged_for_who_listens(tmp_path, caplog, capsys):
    study = grr.open_study(shipped_folder("demo_data") / "dowel_pin")
    assert capsys.readouterr().err == ""
    with caplog.at_level("INFO", logger="grr"):
        grr.save_study(study, tmp_path / "copy")
        grr.open_study(tmp_path / "copy")
        grr.read_readings(shipped_folder("demo_data") / "old_form.xlsx")
    said = [record.getMessage() for record in caplog.records]
    assert any(text.startswith("written: ") and "study.toml" in text for text in said)
    assert any(text.startswith("opened ") and "90 readings" in text for text in said)
    assert said[-1].endswith(": 89 readings")


def test_a_study_is_opened_once_until_a_file_of_it_changes(tmp_path):
    pins = shutil.copytree(shipped_folder("demo_data") / "dowel_pin", tmp_path / "pins")
    found = study_in(pins)
    assert study_in(pins) is found
    wider = replace(read_settings(pins), tolerance=Tolerance(10.0, 10.02))
    change_settings(pins, wider, who="Ada", why="drawing 2")
    changed = study_in(pins)
    assert changed.tolerance == Tolerance(10.0, 10.02)
    (pins / "readings.csv").unlink()
    with pytest.raises(StudyError, match="no readings yet"):
        study_in(pins)
