import json

import pytest

from grr.entry import corrections, sessions
from grr.entry.sessions import ALONE
from grr.entry.taking import take
from grr.entry.upload import take_file
from grr.entry.view import readings_list, view
from grr.files.journal import read_journal
from grr.files.verify import record_of
from grr.model.record import standing_readings
from grr.model.rules import Plan
from grr.model.study import Study
from grr.questions.collection import HELPER, collection_of, with_last_readings

PLAN = Plan(("P1", "P2", "P3"), ("Ann", "Ben"), 2, seed=7)


@pytest.fixture
def begun_as(new_work, answers):
    def begin(handing_out):
        work = new_work(plan=PLAN)
        sessions.begin(work, "Ann")
        sessions.answer(work, answers | {"handing_out": handing_out})
        return work

    return begin


def test_with_a_helper_the_screen_shows_codes_and_never_a_value(begun_as):
    work = begun_as(HELPER)
    codes = work.job.codes
    outcome = take(work, "10.0071")
    assert outcome.words == f"Part {codes['P1']} recorded."
    shown = view(work)
    assert shown["labels"] == codes
    (row,) = readings_list(work)["rows"]
    assert (row["part"], row["value"]) == (codes["P1"], "")
    assert "10.0071" not in json.dumps(shown)
    assert work.journal.rows[0].part == "P1"


def test_who_works_alone_sees_the_parts_and_that_is_on_record(begun_as):
    work = begun_as(ALONE)
    assert view(work)["labels"]["P1"] == "P1"
    assert ALONE in [e.value for e in work.events.rows if e.name == "handing_out"]


def test_after_opening_on_purpose_names_and_values_are_shown(begun_as):
    work = begun_as(HELPER)
    take(work, "10.0071")
    corrections.show_earlier_readings(work)
    (row,) = readings_list(work)["rows"]
    assert (row["part"], row["value"]) == ("P1", "10.0071")


def test_a_sheet_filled_by_hand_shows_code_and_name(new_work):
    work = new_work(plan=PLAN)
    sessions.begin(work, "Ann", from_sheet=True)
    assert view(work)["labels"]["P1"] == f"{work.job.codes['P1']} = P1"


def test_a_filled_sheet_may_call_parts_by_their_codes(begun_as):
    work = begun_as(HELPER)
    content = f"part,operator,trial,reading\n{work.job.codes['P2']},Ann,1,10.0082\n"
    take_file(work, "sheet.csv", content.encode())
    assert work.journal.rows[0].part == "P2"


def test_a_part_that_was_added_has_no_code_and_keeps_its_name(begun_as):
    work = begun_as(HELPER)
    corrections.add(work, "part", "P4")
    assert view(work)["labels"]["P4"] == "P4"


def studied(work):
    readings = standing_readings(read_journal(work.journal.path))
    return Study(readings, unit="mm", record=record_of(work.job.folder))


def test_the_report_learns_whether_it_was_blind_and_what_was_measured_again(begun_as, measure):
    work = begun_as(HELPER)
    measure(work, *["10.0071"] * 4, "10.0082")
    collection = collection_of(studied(work))
    assert (collection.blind, collection.taken_again, collection.voided) == (True, 1, 0)
    assert collection.blindness.startswith("Blind")
    again = with_last_readings(studied(work))
    assert studied(work).readings["reading"].tolist() == [10.0071] * 4
    assert again.readings["reading"].tolist() == [10.0071] * 3 + [10.0082]
    corrections.show_earlier_readings(work)
    assert "were shown" in collection_of(studied(work)).blindness


def test_who_works_alone_or_types_a_sheet_is_not_blind(begun_as, measure, answers):
    work = begun_as(ALONE)
    measure(work, "10.0071", "10.0082")
    assert collection_of(studied(work)).blindness.startswith("Not blind: Ann")
    assert with_last_readings(studied(work)) is None
    sessions.end(work)
    sessions.begin(work, "Ben", from_sheet=True)
    measure(work, "10.0071", source="sheet")
    assert "of 1 reading" in collection_of(studied(work)).blindness


def test_readings_that_were_not_collected_here_have_no_such_record(manual_study):
    assert collection_of(manual_study) is None
    assert with_last_readings(manual_study) is None
