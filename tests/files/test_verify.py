"""What study.toml says is compared with what was logged while collecting."""

from __future__ import annotations

from dataclasses import replace

import pytest

from grr.files.events import Event, Events
from grr.files.folder import change_settings, new_study_folder
from grr.files.journal import Journal, JournalRow
from grr.files.study_file import read_settings, settings_text, write_settings
from grr.files.verify import FOUND, record_changes, unrecorded_changes, verify_folder
from grr.model.errors import StudyError
from grr.model.rules import Plan, Rules
from grr.model.tolerance import Tolerance

SETTINGS = {
    "title": "Pin",
    "unit": "mm",
    "resolution": 0.001,
    "tolerance": Tolerance(12.0, 12.02),
    "plan": Plan(("1", "2"), ("Ann", "Ben"), 2, seed=5),
    "facts": {"gauge_number": "M-7"},
}


def log(folder, minute, **cells):
    Events(folder / "events.csv").append(Event(time=f"2026-03-14T08:{minute}:00.000Z", **cells))


def log_whole(folder, minute):
    text = settings_text(read_settings(folder))
    log(folder, minute, kind="settings", name="study.toml", value=text)


def measured(folder, minute):
    row = JournalRow(part="1", operator="Ann", trial="1", reading="12.01", session="1")
    Journal(folder / "readings.csv").append(
        replace(row, time=f"2026-03-14T08:{minute}:00.000Z", id=minute)
    )


def edit(folder, **changed):
    write_settings(folder, replace(read_settings(folder), **changed))


@pytest.fixture
def folder(tmp_path):
    """A study whose settings were logged at 08:00 and whose first reading is from 08:10."""
    folder = tmp_path / "study"
    new_study_folder(folder, **SETTINGS)
    log_whole(folder, "00")
    measured(folder, "10")
    return folder


def keys(folder):
    return [(one.key, one.old, one.new) for one in unrecorded_changes(folder)]


def test_nothing_changed(folder):
    assert keys(folder) == []


@pytest.mark.parametrize(
    ("changed", "key", "old", "new"),
    [
        ({"tolerance": Tolerance(12.0, 12.08)}, "tolerance.upper", "12.02", "12.08"),
        ({"tolerance": Tolerance(12.0, None)}, "tolerance.upper", "12.02", ""),
        ({"operators_are": "fixed"}, "operators_are", "random", "fixed"),
        ({"rules": Rules(limit_percent=50)}, "rules.limit_percent", "30.0", "50.0"),
        ({"purpose": "control"}, "purpose", "accept", "control"),
        ({"parts_from": "chosen"}, "parts_from", "process", "chosen"),
        ({"process_sd": 0.004}, "process_sd", "", "0.004"),
        ({"process_mean": 12.01}, "process_mean", "", "12.01"),
        ({"resolution": 0.002}, "resolution", "0.001", "0.002"),
        ({"unit": "in"}, "unit", "mm", "in"),
        ({"design": "nested"}, "design", "crossed", "nested"),
        ({"plan": Plan(("1", "2"), ("Ann", "Ben"), 1, seed=5)}, "plan.trials", "2", "1"),
    ],
)
def test_what_decides_is_named_with_old_and_new_value(folder, changed, key, old, new):
    edit(folder, **changed)
    (found,) = unrecorded_changes(folder)
    assert found.decides
    assert found.key == key
    assert (found.old, found.new) == (old, new)


def test_what_only_describes_comes_last_and_decides_nothing(folder):
    edit(folder, title="Pins", tolerance=Tolerance(12.0, 12.08), facts={"gauge_number": "M-8"})
    found = unrecorded_changes(folder)
    assert [one.key for one in found] == ["tolerance.upper", "title", "facts.gauge_number"]
    assert [one.decides for one in found] == [True, False, False]


def test_a_study_without_a_record_is_not_accused(tmp_path):
    new_study_folder(tmp_path / "study", **SETTINGS)
    measured(tmp_path / "study", "10")
    edit(tmp_path / "study", operators_are="fixed")
    assert keys(tmp_path / "study") == []
    log(tmp_path / "study", "20", kind="zero", name="before", value="0.000")
    assert keys(tmp_path / "study") == []


def test_a_change_logged_with_a_reason_is_on_record(folder):
    edit(folder, tolerance=Tolerance(12.0, 12.08))
    log(folder, "20", kind="study", name="tolerance.upper", old="12.02", value="12.08", reason="x")
    assert keys(folder) == []
    edit(folder, tolerance=Tolerance(12.0, 12.09))
    assert keys(folder) == [("tolerance.upper", "12.08", "12.09")]


def test_a_number_written_otherwise_is_no_change(folder):
    edit(folder, rules=Rules(limit_percent=40))
    log(folder, "20", kind="study", name="rules.limit_percent", value="40", reason="customer")
    assert keys(folder) == []


def test_a_change_found_without_a_reason_is_not_on_record(folder):
    edit(folder, tolerance=Tolerance(12.0, 12.08))
    log(
        folder, "20", kind="study", name="tolerance.upper", old="12.02", value="12.08", reason=FOUND
    )
    log_whole(folder, "20")
    assert keys(folder) == [("tolerance.upper", "12.02", "12.08")]


def test_what_was_logged_again_before_the_first_reading_counts(tmp_path):
    folder = tmp_path / "study"
    new_study_folder(folder, **SETTINGS)
    log_whole(folder, "00")
    edit(folder, operators_are="fixed")
    assert keys(folder) == [("operators_are", "random", "fixed")]
    log_whole(folder, "05")
    measured(folder, "10")
    assert keys(folder) == []


def test_saving_the_settings_puts_on_record_what_was_edited_by_hand(folder):
    edit(folder, tolerance=Tolerance(12.0, 12.08))
    saved = replace(read_settings(folder), rules=Rules(limit_percent=40))
    with pytest.raises(StudyError, match="reason"):
        change_settings(folder, saved)
    change_settings(folder, saved, who="Ann", why="drawing revision B")
    assert keys(folder) == []
    logged = [event for event in Events(folder / "events.csv").rows if event.kind == "study"]
    assert sorted((one.name, one.old, one.value) for one in logged) == [
        ("rules.limit_percent", "30.0", "40"),
        ("tolerance.upper", "12.02", "12.08"),
    ]


def test_what_is_put_back_needs_no_reason(folder):
    settings = read_settings(folder)
    edit(folder, tolerance=Tolerance(12.0, 12.08))
    change_settings(folder, settings)
    assert keys(folder) == []


def test_a_change_is_put_on_record_with_name_and_reason(folder):
    edit(folder, tolerance=Tolerance(12.0, 12.08), title="Pins")
    for by, reason in (("", "drawing B"), ("Ann", " ")):
        with pytest.raises(StudyError, match="reason"):
            record_changes(folder, by=by, reason=reason)
    assert len(keys(folder)) == 2
    found = record_changes(folder, by="Ann", reason="drawing revision B")
    assert [one.key for one in found] == ["tolerance.upper", "title"]
    assert keys(folder) == []
    last = Events(folder / "events.csv").rows[-1]
    assert (last.entered_by, last.reason, last.old) == ("Ann", "drawing revision B", "Pin")
    assert record_changes(folder, by="Ann", reason="again") == ()


def test_a_record_as_it_was_written(folder):
    log(folder, "05", kind="session", name="start", session="1")
    found = verify_folder(folder)
    assert found.unaltered
    assert (found.record.changes, found.record.missing_sessions) == ((), ())
    assert [(file.name, file.rows, file.torn_rows) for file in found.record.files] == [
        ("readings.csv", 1, ()),
        ("events.csv", 2, ()),
    ]
    assert "readings.csv: 1 row" in str(found)
    assert [file.last_hash for file in found.record.files] == [
        Journal(folder / "readings.csv").last_seal,
        Events(folder / "events.csv").last_seal,
    ]
    for file in found.record.files:
        assert len(file.last_hash) == 64
        assert file.last_hash in str(found)


def test_a_session_whose_start_is_gone_from_the_events_is_named(folder):
    log(folder, "20", kind="session", name="end", session="1")
    log(folder, "21", kind="zero", name="start", session="1")
    found = verify_folder(folder)
    assert not found.unaltered
    assert found.record.missing_sessions == ("1",)
    assert "no record of session 1" in str(found)


def test_an_altered_row_and_a_torn_one_are_named(folder):
    log(folder, "05", kind="session", name="start", session="1")
    measured(folder, "11")
    file = folder / "readings.csv"
    text = file.read_text(encoding="utf-8")
    file.write_text(text[:-9], encoding="utf-8", newline="\n")
    found = verify_folder(folder)
    assert found.unaltered  # a power cut is no alteration
    assert found.record.files[0].torn_rows == (3,)
    assert "not counted: row 3" in str(found)
    file.write_text(text.replace("12.01", "12.02", 1), encoding="utf-8", newline="\n")
    found = verify_folder(folder)
    assert not found.unaltered
    assert "row 2" in str(found)


def test_a_change_that_decides_is_told_from_one_that_describes(folder):
    log(folder, "05", kind="session", name="start", session="1")
    edit(folder, title="Pins")
    assert verify_folder(folder).unaltered
    assert "only describe" in str(verify_folder(folder))
    edit(folder, tolerance=Tolerance(12.0, 12.08))
    assert not verify_folder(folder).unaltered
    assert "only describe" not in str(verify_folder(folder))
    assert "tolerance.upper, from 12.02 to 12.08" in str(verify_folder(folder))


def test_what_there_is_to_verify(folder, tmp_path):
    with pytest.raises(StudyError, match=r"readings\.csv"):
        verify_folder(tmp_path)
    new_study_folder(tmp_path / "new", **SETTINGS)
    with pytest.raises(StudyError, match="to verify"):
        verify_folder(tmp_path / "new")
    (folder / "study.toml").unlink()
    assert [file.name for file in verify_folder(folder).record.files] == [
        "readings.csv",
        "events.csv",
    ]
