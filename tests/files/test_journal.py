import csv
import errno
import os
from dataclasses import replace

import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from grr.files.chained_file import ChainedFile, first_altered, read_lines
from grr.files.journal import COLUMNS, Journal, JournalRow, is_journal, read_journal, verify
from grr.model.errors import StudyError
from grr.model.record import standing_readings
from grr.model.study import Study


def reading(part, value, trial=1, operator="Ann", **more):
    return JournalRow(part=part, operator=operator, trial=str(trial), reading=value, **more)


@pytest.fixture
def path(tmp_path):
    return tmp_path / "readings.csv"


@pytest.fixture
def filled(path):
    journal = Journal(path)
    for number in range(1, 7):
        journal.append(reading(f"P{number}", f"10.00{number}0"))
    return path


def test_what_is_appended_is_on_the_disk_in_order(filled):
    journal = read_journal(filled)
    assert tuple(journal.columns) == COLUMNS
    assert is_journal(journal.columns)
    assert journal["order"].tolist() == [1, 2, 3, 4, 5, 6]
    assert journal["reading"].tolist() == [10.001, 10.002, 10.003, 10.004, 10.005, 10.006]
    assert "10.0010" in filled.read_text(encoding="utf-8-sig")
    assert verify(filled) is None


def test_a_plain_table_is_no_journal(path):
    assert not is_journal(["part", "operator", "trial", "reading"])
    path.write_text("part,reading\nP1,10\n", encoding="utf-8")
    with pytest.raises(StudyError, match=r"readings\.csv, row 1"):
        Journal(path)


def test_no_file_is_an_empty_journal(path):
    assert read_journal(path).empty
    assert verify(path) is None
    assert standing_readings(read_journal(path)).empty


def test_a_void_takes_out_and_a_replacement_puts_in(filled):
    journal = Journal(filled)
    first, second, third = journal.rows[:3]
    journal.append(replace(first, id="", order="", reading="", time="", voids=first.id))
    journal.append(replace(second, id="", time="", reading="10.0025", voids=second.id))
    journal.append(replace(third, id="", time="", order="", reading="10.0035", voids=third.id))
    standing = standing_readings(read_journal(filled))
    assert standing["part"].tolist() == ["P2", "P4", "P5", "P6", "P3"]
    assert standing["reading"].tolist() == [10.0025, 10.004, 10.005, 10.006, 10.0035]
    assert standing["order"].tolist() == [2, 4, 5, 6, 7]
    assert standing["time"].iloc[0] == second.time  # set right, not measured again
    assert len(read_journal(filled)) == 9


def test_measured_again_without_a_cause_the_first_counts_and_both_can_be_shown(filled):
    journal = Journal(filled)
    first = journal.rows[0]
    journal.append(reading("P1", "10.0019"))
    assert standing_readings(read_journal(filled))["reading"].iloc[0] == 10.001
    both = standing_readings(read_journal(filled), taken_again=True)
    assert both.set_index("part").loc["P1", "reading"] == 10.0019
    journal.append(replace(first, id="", order="", reading="", voids=first.id, reason="dirt"))
    only = standing_readings(read_journal(filled)).set_index("part")
    assert only.loc["P1", "reading"] == 10.0019


def test_a_value_set_right_still_counts_before_a_measurement_taken_again(filled):
    journal = Journal(filled)
    first = journal.rows[0]
    journal.append(reading("P1", "10.0019"))
    journal.append(replace(first, id="", time="", reading="10.0012", voids=first.id))
    assert standing_readings(read_journal(filled))["reading"].iloc[0] == 10.0012


def test_the_standing_readings_make_a_study(filled):
    study = Study(standing_readings(read_journal(filled)), unit="mm", resolution=0.0001)
    assert study.taken == 6
    assert study.methods == ()


def test_a_row_sent_twice_is_written_once(path):
    journal = Journal(path)
    sent = reading("P1", "10.001", id="k3-1")
    assert journal.append(sent) == journal.append(replace(sent, reading="9"))
    assert Journal(path).append(sent).order == "1"
    assert len(read_journal(path)) == 1


@pytest.mark.parametrize("column", ["part", "reading", "time", "reason", "order"])
@pytest.mark.parametrize("row", [2, 4, 7])
def test_an_altered_cell_is_named(filled, row, column):
    lines = filled.read_text(encoding="utf-8").split("\n")
    cells = lines[row - 1].split(",")
    place = COLUMNS.index(column)
    cells[place] = cells[place][:-1] + "9" if cells[place] else "9"
    lines[row - 1] = ",".join(cells)
    filled.write_text("\n".join(lines), encoding="utf-8")
    assert verify(filled).row == row


def test_a_removed_a_moved_and_an_inserted_row_are_named(filled):
    lines = filled.read_text(encoding="utf-8").split("\n")
    for changed, first in (
        (lines[:3] + lines[4:], 4),
        ([*lines[:3], lines[4], lines[3], *lines[5:]], 4),
        ([*lines[:3], lines[2], *lines[3:]], 4),
    ):
        filled.write_text("\n".join(changed), encoding="utf-8")
        assert verify(filled).row == first


def test_a_spreadsheet_that_only_changed_the_quoting_altered_nothing(filled):
    table = pd.read_csv(filled, dtype=str, keep_default_na=False)
    table.to_csv(filled, index=False, quoting=1, lineterminator="\r\n", encoding="utf-8")
    assert verify(filled) is None
    Journal(filled).append(reading("P7", "10.007"))
    assert verify(filled) is None


@settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_a_line_torn_anywhere_is_kept_closed_and_reported(tmp_path, data):
    path = tmp_path / "torn.csv"
    path.unlink(missing_ok=True)
    journal = Journal(path)
    journal.append(reading("P1", "10.001", note="a, b"))
    journal.append(reading("P2", "10.002", note='said "µ", then'))
    whole = path.read_bytes()
    end = whole.index(b"\n", whole.index(b"P1")) + 1
    cut = data.draw(st.integers(0, len(whole) - 1))
    path.write_bytes(whole[:cut])
    before = len(read_journal(path))
    again = Journal(path)
    again.append(reading("P3", "10.003"))
    assert path.read_bytes().startswith(whole[:cut])
    after = read_journal(path)
    assert len(after) == before + 1
    assert after["part"].iloc[-1] == "P3"
    assert verify(path) is None
    if end < cut < len(whole) - 1:
        assert after.attrs["torn_rows"] == (3,) == again.torn_rows
        text = path.read_text(encoding="utf-8", errors="replace").split("\n")
        text[2] = "x" + text[2]
        path.write_text("\n".join(text), encoding="utf-8")
        assert verify(path).row in (3, 4)


@settings(
    deadline=None, max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.data())
def test_rows_written_at_once_count_all_or_not_at_all(tmp_path, data):
    path = tmp_path / "block.csv"
    path.unlink(missing_ok=True)
    journal = Journal(path)
    journal.append(reading("P1", "10.001"))
    before = path.read_bytes()
    block = [reading(f"P{number}", f"10.00{number}") for number in range(2, 7)]
    assert [row.id for row in journal.append_all(block, "k3-2")] == [
        f"k3-2.{number}of5" for number in range(1, 6)
    ]
    whole = path.read_bytes()
    cut = data.draw(st.integers(len(before), len(whole) - 2))
    path.write_bytes(whole[:cut])
    again = Journal(path)
    assert [row.part for row in again.rows] == ["P1"]
    cut_off = again.torn_rows
    assert again.append_all(block, "k3-2") == again.append_all(block, "k3-2")
    assert path.read_bytes().startswith(whole[:cut])
    after = read_journal(path)
    assert after["part"].tolist() == [f"P{number}" for number in range(1, 7)]
    assert after["order"].tolist() == [1, 2, 3, 4, 5, 6]
    assert after.attrs["torn_rows"] == cut_off
    assert verify(path) is None


def test_a_row_deleted_from_a_block_is_told_and_hides_no_other(path):
    Journal(path).append_all([reading(f"P{number}", "10.001") for number in range(1, 6)])
    lines = path.read_text(encoding="utf-8").split("\n")
    path.write_text("\n".join([*lines[:3], *lines[4:]]), encoding="utf-8")
    assert read_journal(path)["part"].tolist() == ["P1", "P2", "P4", "P5"]
    assert verify(path).row == 4


def test_what_cannot_be_taken_back_is_said(filled, monkeypatch):
    journal = Journal(filled)
    sent = reading("P7", "10.007", id="k3-7")

    def fail(*arguments):
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        patch.setattr(os, "ftruncate", fail)
        with pytest.raises(StudyError, match="taken back"):
            journal.append(sent)
        with pytest.raises(StudyError, match="cannot be written"):
            journal.append(sent)  # there, and still not confirmed
    assert journal.append(sent).order == "7"
    assert read_journal(filled)["part"].tolist().count("P7") == 1


def test_two_programs_appending_in_turn_keep_one_chain(path):
    one, two = Journal(path), Journal(path)
    for number in range(6):
        (one if number % 2 else two).append(reading(f"P{number}", "10.001"))
    assert verify(path) is None
    assert read_journal(path)["order"].tolist() == [1, 2, 3, 4, 5, 6]


@pytest.mark.parametrize(
    ("code", "words"),
    [
        (errno.ENOSPC, "The disk is full"),
        (errno.EROFS, "The folder is read-only"),
        (errno.EACCES, "held open by another program"),
        (errno.ENOENT, "The folder is gone"),
        (errno.EIO, "cannot be written"),
    ],
)
def test_a_write_that_fails_is_refused_and_can_be_sent_again(filled, monkeypatch, code, words):
    journal = Journal(filled)
    sent = reading("P7", "10.007", id="k3-7")

    def fail(handle):
        raise OSError(code, os.strerror(code))

    with monkeypatch.context() as patch:
        patch.setattr(os, "fsync", fail)
        with pytest.raises(StudyError, match=words):
            journal.append(sent)
    journal.append(sent)
    assert read_journal(filled)["part"].tolist().count("P7") == 1
    assert verify(filled) is None


def test_a_disk_that_fills_up_in_the_middle_of_a_row(filled):
    resource = pytest.importorskip("resource", reason="no file-size limit on this system")
    import signal

    journal = Journal(filled)
    size = filled.stat().st_size
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    handler = signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size + 40, old[1]))
    try:
        with pytest.raises(StudyError, match="disk"):
            journal.append(reading("P7", "10.007", id="k3-7"))
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)
        signal.signal(signal.SIGXFSZ, handler)
    assert filled.stat().st_size == size
    journal.append(reading("P7", "10.007", id="k3-7"))
    assert read_journal(filled)["part"].tolist()[-1] == "P7"
    assert verify(filled) is None


def test_a_file_that_vanishes_is_not_begun_anew(filled):
    journal = Journal(filled)
    filled.unlink()
    with pytest.raises(StudyError, match="is gone"):
        journal.append(reading("P7", "10.007"))
    assert not filled.exists()


def test_a_number_spoilt_by_a_spreadsheet_is_named(filled):
    text = filled.read_text(encoding="utf-8").replace(",10.0030,", ',"10,0030",')
    filled.write_text(text, encoding="utf-8")
    with pytest.raises(StudyError, match=r"row 4.*'10,0030'"):
        read_journal(filled)
    assert verify(filled).row == 4


@settings(
    deadline=None, max_examples=50, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.text(max_size=30), st.text(max_size=30))
def test_any_note_and_raw_text_come_back(tmp_path, note, raw):
    path = tmp_path / "any.csv"
    path.unlink(missing_ok=True)
    Journal(path).append(reading("P1", "-0.5", note=note, raw=raw))
    row = read_journal(path).iloc[0]
    assert (row["note"], row["raw"], row["reading"]) == (note, raw, -0.5)
    assert verify(path) is None


@pytest.mark.parametrize("column", ["order", "trial"])
def test_a_number_too_long_for_any_count_is_named(path, column):
    Journal(path).append(reading("P1", "10.001", **{column: "9" * 30}))
    with pytest.raises(StudyError, match="not a number") as refusal:
        read_journal(path)
    assert refusal.value.column == column


def test_a_line_torn_within_quotation_marks_is_closed(tmp_path):
    path = tmp_path / "torn.csv"
    Journal(path).append(reading("P1", "10.001", note='said "so", then'))
    whole = path.read_bytes()
    for cut in range(whole.index(b'"said') + 1, whole.index(b'then"') + 5):
        path.write_bytes(whole[:cut])
        Journal(path).append(reading("P2", "10.002"))
        assert verify(path) is None
        with path.open(encoding="utf-8-sig", newline="") as text:  # as a spreadsheet sees it
            assert list(csv.reader(text))[-1][COLUMNS.index("part")] == "P2"


def test_what_was_written_is_remembered_as_it_is_read(tmp_path):
    file = ChainedFile(tmp_path / "rows.csv", ("id", "text"))
    for rows in ([["a", "=1"]], [["b.1of2", "x\ny"], ["b.2of2", "'"]], [["c", ";"]]):
        new = file.write(rows)
        assert file.lines == read_lines(file.path, file.columns)
        assert file.lines[-len(rows) :] == new
    file.path.write_bytes(file.path.read_bytes()[:-3])
    again = ChainedFile(file.path, file.columns)
    again.write([["d", ""]])
    assert again.lines == read_lines(file.path, file.columns)
    assert [line.number for line in again.lines] == [2, 3, 4, 5, 6]


def test_a_row_altered_further_on_does_not_make_a_cut_off_block_count(tmp_path):
    file = ChainedFile(tmp_path / "rows.csv", ("id", "text"))
    file.write([["b.1of3", "x"], ["b.2of3", "y"]])  # the third was never written
    file.write([["c", "z"]])
    file.write([["d", "w"]])
    altered = file.path.read_text(encoding="utf-8").replace("d,w", "d,v")
    file.path.write_text(altered, encoding="utf-8", newline="\n")
    counted = [line.cells is not None for line in read_lines(file.path, file.columns)]
    assert counted == [False, False, True, True]
    assert first_altered(file.path, file.columns).row == 5


def test_rows_are_taken_back_where_what_belongs_to_them_cannot_be_written(tmp_path):
    journal = Journal(tmp_path / "readings.csv")
    journal.append(reading("P1", "10.001"))
    before = journal.path.read_bytes()
    journal.append_all([reading("P2", "10.002"), reading("P3", "10.003")])
    journal.take_back()
    assert journal.path.read_bytes() == before
    assert [row.part for row in journal.rows] == ["P1"]
    journal.append(reading("P2", "10.004"))
    assert [row.order for row in journal.rows] == ["1", "2"]
    assert verify(journal.path) is None
