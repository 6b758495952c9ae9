import io
import re

import pytest
from snapshot import assert_snapshot

import grr
from grr.cli import main
from grr.entry.terminal import collect_in_terminal
from grr.files.events import Events
from grr.files.folder import new_study_folder
from grr.files.journal import read_journal, verify
from grr.files.verify import verify_folder
from grr.model.errors import StudyError
from grr.model.record import SettingChange, standing_readings
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

#: helper, clean, soak, room, stand, closed faces, as in measuring, zero
CHECKLIST = "1\n1\n90\n20.5\n1\n1\n1\n0.0000\n"


@pytest.fixture
def folder(tmp_path):
    new_study_folder(
        tmp_path / "study",
        title="Pin",
        unit="mm",
        resolution=0.0001,
        tolerance=Tolerance(10.006, 10.012),
        plan=Plan(("P1", "P2"), ("Ann", "Ben"), 1),
    )
    return tmp_path / "study"


def collect(folder, text):
    out = io.StringIO()
    assert collect_in_terminal(folder, io.StringIO(text), out) == 0
    return out.getvalue()


def assert_said(words, name):
    """Compare a conversation with the one stored; seals and times are others each time."""
    for pattern, shown in (
        (r"\b[0-9A-Z]{6}(-[0-9A-Z]{6}){2}\b", "SEAL"),
        (r"\b\d\d:\d\d:\d\d\b", "TIME"),
    ):
        words = re.sub(pattern, shown, words)
    assert_snapshot(words, f"terminal_{name}")


def test_a_whole_study_at_the_terminal(folder):
    ann = f"1\n{CHECKLIST}10.0071\n10,0082 mm\n0.0001\n"
    ben = f"1\n{CHECKLIST}10.0073\n10.0084\n\n"
    words = collect(folder, ann + ben)
    assert_said(words, "whole_study")
    table = standing_readings(read_journal(folder / "readings.csv"))
    assert table["reading"].tolist() == [10.0071, 10.0082, 10.0073, 10.0084]
    assert verify(folder / "readings.csv") is None
    for text in ("10.0071", "10.0082"):
        assert text not in words  # blind


def test_questions_and_commands(folder):
    words = collect(
        folder,
        f"Ann\n{CHECKLIST}100.0710\nd\n100.0710\n10.0071\nu\n10.0072\n"
        "n burr found\nabc\nl\n10.5\n\nk\nq\n",
    )
    assert_said(words, "questions")
    table = standing_readings(read_journal(folder / "readings.csv"))
    assert table["reading"].tolist() == [10.0072, 10.5]
    assert table["note"].tolist() == ["burr found", ""]


def test_going_on_after_the_input_ended(folder):
    collect(folder, f"Ann\n{CHECKLIST}10.0071\n")
    words = collect(folder, "10.0082\n")
    assert "1/2" not in words
    assert len(read_journal(folder / "readings.csv")) == 2


def test_a_zero_that_is_off_and_an_answer_that_is_wrong(folder):
    off = CHECKLIST.replace("0.0000", "0.0009")
    collect(folder, f"Ann\n{off}0.0001\n10.0071\n")
    zeros = [event.value for event in Events(folder / "events.csv").rows if event.kind == "zero"]
    assert zeros == ["0.0001"]
    assert len(read_journal(folder / "readings.csv")) == 1
    wrong = CHECKLIST.replace("90", "long")
    words = collect(folder, f"e\n\nBen\n{wrong}")
    assert "✕" in words


def test_a_closing_zero_that_is_off_is_asked(folder):
    collect(folder, f"1\n{CHECKLIST}10.0071\n10.0082\n12.001\n0.0001\n")
    zeros = [event for event in Events(folder / "events.csv").rows if event.kind == "zero"]
    assert [event.value for event in zeros] == ["0.0000", "0.0001"]
    collect(folder, f"1\n{CHECKLIST}10.0071\n10.0082\n0.0012\nk\n")
    zeros = [event for event in Events(folder / "events.csv").rows if event.kind == "zero"]
    assert zeros[-1].value == "0.0012"


def test_one_wrong_answer_is_asked_once_more_and_the_others_are_not(folder):
    lines = CHECKLIST.splitlines()
    lines[2:3] = ["long", "90"]
    lines[5:6] = ["9", "1"]
    words = collect(folder, "Ann\n" + "\n".join(lines) + "\n10.0071\n")
    assert words.count("hands out") == 1
    assert words.count("(min)") == 2
    assert words.count("the gauge? (1") == 2
    assert len(read_journal(folder / "readings.csv")) == 1


def test_a_master_without_a_size_is_asked_for_it_alone(folder):
    on_master = "1\n1\n90\n20.5\n1\n2\n\n\n1\n0.0000\n10.0000\n"
    words = collect(folder, f"Ann\n{on_master}10.0000\n10.0071\n")
    assert words.count("Size of") == 2
    assert words.count("hands out") == 1
    assert len(read_journal(folder / "readings.csv")) == 1


def test_the_checklist_says_what_enter_takes(tmp_path):
    folder = tmp_path / "study"
    plan = Plan(("P1",), ("Ann",), 1)
    new_study_folder(folder, unit="mm", plan=plan, facts={"holding": "bare hand"})
    words = collect(folder, "Ann\n1\n1\n90\n\n\n1\n1\n0.0000\n10.0071\n")
    assert "Enter: bare hand)" in words
    checked = {e.name: e.value for e in Events(folder / "events.csv").rows if e.kind == "checklist"}
    assert checked["holding"] == "bare hand"
    assert checked["room_temperature"] == ""


def test_going_on_says_whose_session_it_is(folder):
    collect(folder, f"Ann\n{CHECKLIST}10.0071\n")
    assert "Ann goes on: 1 of 2" in collect(folder, "")


def test_a_reading_is_set_right_or_voided_after_the_last_one(folder):
    ann, ben = (f"1\n{CHECKLIST}10.007{n}\n10.0082\n0.0001\n" for n in (1, 3))
    collect(folder, ann + ben)
    words = collect(folder, "l\nc 4 10.0084\nc 4 ten\nv 9\nv x\n\n")
    assert "10.0082" in words
    assert words.count("✕") == 3
    collect(folder, f"v 2 part exchanged\n1\n{CHECKLIST}10.0081\n\n")
    table = standing_readings(read_journal(folder / "readings.csv"))
    assert table["reading"].tolist() == [10.0071, 10.0073, 10.0084, 10.0081]
    assert "part exchanged" in set(read_journal(folder / "readings.csv")["reason"])


def test_a_reading_is_voided_by_its_number_while_measuring(folder):
    words = collect(folder, f"Ann\n{CHECKLIST}10.0071\nv 1 dirt\n10.0072\nl\n")
    assert "10.0072" not in words
    table = standing_readings(read_journal(folder / "readings.csv"))
    assert table["reading"].tolist() == [10.0072]


def test_how_the_gauge_was_held_is_known_from_the_checklist(folder):
    collect(folder, f"1\n{CHECKLIST}10.0071\n10.0082\nq\n")
    (facts,) = grr.check(grr.open_study(folder)).about("facts")
    assert "number" in facts.what
    assert "held" not in facts.what


def test_typing_a_filled_sheet(folder):
    words = collect(folder, "s 1\n10.0071\n10.0082\n")
    assert "Before measuring" not in words
    assert read_journal(folder / "readings.csv")["source"].tolist() == ["sheet", "sheet"]


def test_someone_new(folder):
    collect(folder, f"+ Dana\nDana\n{CHECKLIST}10.0071\n10.0082\n")
    assert set(read_journal(folder / "readings.csv")["operator"]) == {"Dana"}


def test_a_folder_without_a_study(tmp_path):
    with pytest.raises(StudyError, match=r"study\.toml"):
        collect_in_terminal(tmp_path, io.StringIO(), io.StringIO())


def test_settings_changed_past_the_record_are_told_everywhere(folder):
    ann, ben = (f"1\n{CHECKLIST}10.007{n}\n10.0082\n0.0001\n" for n in (1, 3))
    collect(folder, ann + ben)
    assert grr.check(grr.open_study(folder)).about("settings") == ()
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace('title = "Pin"', 'title = "Pins"'), encoding="utf-8")
    assert verify_folder(folder).unaltered
    assert verify_folder(folder).record.changes == (SettingChange("title", "Pin", "Pins"),)
    (title,) = grr.check(grr.open_study(folder)).about("settings")
    assert title.severity == "look"
    file.write_text(
        text.replace("10.012", "10.015").replace('"random"', '"fixed"'), encoding="utf-8"
    )
    found = verify_folder(folder)
    assert not found.unaltered
    upper = SettingChange("tolerance.upper", "10.012", "10.015")
    assert found.record.changes == (SettingChange("operators_are", "random", "fixed"), upper)
    assert str(upper) in str(found)
    assert main(["verify", str(folder)]) == 1
    (settings,) = grr.check(grr.open_study(folder)).about("settings")
    assert settings.severity == "mend"
    assert all(str(change) in settings.what for change in found.record.changes)
    assert main(["record", str(folder), "--by", "QE", "--reason", "drawing B"]) == 0
    assert main(["verify", str(folder)]) == 0
    assert grr.check(grr.open_study(folder)).about("settings") == ()
    stated = file.read_text(encoding="utf-8").replace("[facts]", '[facts]\ncertificate = "C-1"')
    file.write_text(stated, encoding="utf-8")
    stated_now = (SettingChange("facts.certificate", "", "C-1"),)
    assert verify_folder(folder).record.changes == stated_now
    assert grr.check(grr.open_study(folder)).about("settings") == ()  # added, not replaced


def test_settings_corrected_before_the_first_reading_are_on_record(folder):
    collect(folder, f"1\n{CHECKLIST}q\n")  # something in study.toml turns out to be wrong
    file = folder / "study.toml"
    text = file.read_text(encoding="utf-8").replace("10.012", "10.015")
    file.write_text(text, encoding="utf-8")
    collect(folder, "10.0071\n10.0082\nq\n")
    assert grr.check(grr.open_study(folder)).about("settings") == ()
    assert not any(event.kind == "study" for event in Events(folder / "events.csv").rows)


def test_an_altered_or_removed_record_decides_nothing(folder):
    ann, ben = (f"1\n{CHECKLIST}10.007{n}\n10.0082\n0.0001\n" for n in (1, 3))
    collect(folder, ann + ben)
    for name, old, new in (("events.csv", ",stand,", ",bare hand,"), ("readings.csv", "82", "83")):
        file = folder / name
        text = file.read_bytes()
        file.write_bytes(text.replace(old.encode(), new.encode(), 1))
        study = grr.open_study(folder)
        (found,) = grr.check(study).about("record")
        assert (found.severity, found.place) == ("mend", name)
        assert grr.verdict(grr.anova(study)).decision == "NOT DECIDED YET"
        file.write_bytes(text)
    (folder / "events.csv").unlink()
    (found,) = grr.check(grr.open_study(folder)).about("record")
    assert (found.severity, found.place) == ("mend", "events.csv")
    assert not verify_folder(folder).unaltered
    assert verify_folder(folder).record.missing_sessions == ("1", "2")


def test_verify_names_the_first_altered_row_and_the_last_hash(folder):
    collect(folder, f"Ann\n{CHECKLIST}10.0071\n10.0082\n")
    found = verify_folder(folder)
    assert found.unaltered
    file = found.record.files[0]
    assert (file.name, file.rows, file.altered) == ("readings.csv", 2, None)
    assert file.last_hash in str(found)
    path = folder / "readings.csv"
    path.write_text(
        path.read_text(encoding="utf-8").replace("10.0082", "10.0080"), encoding="utf-8"
    )
    found = verify_folder(folder)
    assert not found.unaltered
    altered = found.record.files[0].altered
    assert altered is not None
    assert altered.row == 3
    assert altered.why in str(found)
    path.unlink()
    with pytest.raises(StudyError, match="entry form"):
        verify_folder(folder)
    with pytest.raises(StudyError, match=r"readings\.csv"):
        verify_folder(folder.parent)


def test_a_copy_beside_the_record_is_named_before_anyone_measures(folder):
    whole = folder / "readings.csv"
    collect(folder, f"1\n{CHECKLIST}10.0071\n10.0082\n0.0001\n")
    content = whole.read_bytes()
    (folder / "readings-BENCH2.csv").write_bytes(content)
    whole.write_bytes(b"".join(content.splitlines(keepends=True)[:2]))
    words = " ".join(collect(folder, "q\n").split())
    (copy,) = verify_folder(folder).record.strays
    assert (copy.name, copy.readings) == ("readings-BENCH2.csv", 1)
    assert words.index(str(copy)) < words.index("Who measures now?")


def test_the_seal_is_shown_when_a_session_is_closed_and_at_the_end(folder):
    words = collect(folder, f"1\n{CHECKLIST}10.0071\n10.0082\n0.0001\n")
    assert verify_folder(folder).record.seal in words
    words = collect(folder, f"1\n{CHECKLIST}10.0073\n10.0082\n0.0001\n")
    assert words.count(verify_folder(folder).record.seal) == 2
