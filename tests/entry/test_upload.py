import io

import pandas as pd
import pytest

from grr.entry import upload
from grr.entry.upload import take_file
from grr.files.journal import read_journal, verify
from grr.model.errors import StudyError
from grr.model.record import standing_readings


def sheet(rows):
    return "part,operator,trial,reading\n" + "".join(f"{row}\n" for row in rows)


def test_a_filled_csv_goes_into_the_journal(session, measure):
    measure(session, "10.0071")
    content = sheet(["P1,Ann,1,10.0071", "P2,Ann,1,10.0082", "P3,Ben,2,10.0093", "P1,Ben,1,"])
    outcome = take_file(session, "C:\\sheets\\monday.csv", content.encode())
    assert "2 readings" in outcome.words and "monday.csv" in outcome.words
    table = standing_readings(read_journal(session.journal.path))
    assert table["reading"].tolist() == [10.0071, 10.0082, 10.0093]
    assert table["time"].tolist()[1:] == ["", ""]
    assert verify(session.journal.path) is None
    assert "already" in take_file(session, "monday.csv", content.encode()).words


def test_a_filled_workbook(session):
    table = pd.DataFrame(
        {"part": ["P1", "P2"], "operator": "Ann", "trial": 1, "reading": [10.0071, 10.008]}
    )
    content = io.BytesIO()
    table.to_excel(content, index=False)
    take_file(session, "sheet.xlsx", content.getvalue())
    assert [row.reading for row in session.journal.rows] == ["10.0071", "10.0080"]


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("P9,Ann,1,10.0071", "no place for part P9"),
        ("P1,Ann,3,10.0071", "no place for part P1, trial 3"),
        ("P1,Ann,1,10.0099", "another reading of part P1"),
        ("P2,Ann,1,ten", "sheet.csv"),
        ("P3,Ann,1,10.00715", "finer than the gauge's last digit"),
    ],
)
def test_a_sheet_that_does_not_fit_is_refused_as_a_whole(session, measure, row, words):
    measure(session, "10.0071")
    with pytest.raises(StudyError, match=words):
        take_file(session, "sheet.csv", sheet(["P2,Ann,2,10.0082", row]).encode())
    assert len(session.journal.rows) == 1


def test_a_sheet_before_any_session_has_the_settings_logged_first(new_work):
    work = new_work()
    take_file(work, "sheet.csv", sheet(["P1,Ann,1,10.0071"]).encode())
    assert "settings" in [event.kind for event in work.events.rows]
    (row,) = work.journal.rows
    assert (row.session, row.entered_by) == ("", "")


def test_a_sheet_in_a_session_is_entered_by_who_measures(session, measure):
    measure(session, "10.0071")
    take_file(session, "sheet.csv", sheet(["P2,Ann,1,10.0082"]).encode())
    first, second = session.journal.rows
    assert (second.session, second.entered_by) == (first.session, first.entered_by)
    assert second.session


def test_a_sheet_that_the_disk_does_not_take_is_refused(session, monkeypatch):
    def full(*_, **__):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(upload.tempfile, "TemporaryDirectory", full)
    with pytest.raises(StudyError, match="disk"):
        take_file(session, "sheet.csv", sheet(["P1,Ann,1,10.0071"]).encode())
    assert session.journal.rows == []


@pytest.mark.parametrize(
    ("rows", "options", "expected"),
    [
        (["p1,ANN,1,10.0071", "p2,ANN,1,10.0082"], {}, ["P1", "P2"]),
        (["01,Ann,1,10.0071", "Pin 03,Ann,1,10.0082"], {}, ["P1", "P3"]),
        (["P1,A,1,10.0071", "P2,A,1,10.0082"], {"operators": {"A": "Ann"}}, ["P1", "P2"]),
        (["x,Ann,1,10.0071"], {"parts": {"x": "P2"}}, ["P2"]),
    ],
)
def test_names_of_the_file_are_those_of_the_plan(session, rows, options, expected):
    outcome = take_file(session, "sheet.csv", sheet(rows).encode(), **options)
    assert [row.part for row in session.journal.rows] == expected
    assert {row.operator for row in session.journal.rows} == {"Ann"}
    assert "in the file and in the plan" in outcome.words


@pytest.mark.parametrize(
    ("rows", "options", "words"),
    [
        (["01,Ann,1,10.0071", "09,Ann,1,10.0082"], {}, "no place for part 01"),  # not for all
        (["01,Ann,1,10.0071", "P01,Ann,2,10.0082"], {}, "no place for part 01"),  # two for one
        (["P1,Ann,1,10.0071"], {"parts": {"x": "P9"}}, "The plan has no part P9"),
        (["P1,A1,1,10.0071"], {}, "no place for part P1, trial 1, operator A1|operator"),
    ],
)
def test_names_that_could_be_another_are_not_guessed(session, rows, options, words):
    with pytest.raises(StudyError, match=words):
        take_file(session, "sheet.csv", sheet(rows).encode(), **options)
    assert session.journal.rows == []


def test_sessions_of_a_sheet_are_said_not_to_be_taken(session):
    content = "part,operator,trial,reading,session\nP2,Ann,1,10.0082,monday\n"
    outcome = take_file(session, "sheet.csv", content.encode())
    assert "sessions" in outcome.words
    (row,) = session.journal.rows
    assert row.session != "monday"


@pytest.mark.parametrize("column", ["place", "gauge"])
def test_several_places_or_gauges_are_not_taken_for_trials(session, column):
    content = f"part,operator,trial,reading,{column}\nP1,Ann,1,10.0071,a\nP1,Ann,2,10.0072,b\n"
    with pytest.raises(StudyError, match=f"several {column}s") as refused:
        take_file(session, "sheet.csv", content.encode())
    assert refused.value.column == column
    assert session.journal.rows == []
    take_file(session, "sheet.csv", content.replace(",b\n", ",a\n").encode())
    assert len(session.journal.rows) == 2
