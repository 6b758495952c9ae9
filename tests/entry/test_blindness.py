import json

import pytest

from grr.entry import disturbances, sessions
from grr.entry.checklist import ALONE
from grr.entry.taking import take
from grr.entry.upload import take_file
from grr.entry.view import readings_list, view
from grr.files.journal import read_journal
from grr.files.verify_folder import record_of
from grr.model.record import standing_readings
from grr.model.rules import Plan
from grr.model.study import Study
from grr.questions.collection import HELPER, collection_of, with_last_readings

PLAN = Plan(("P1", "P2", "P3"), ("Ann", "Ben"), 2, seed=7)


@pytest.fixture
def begun_as(new_desk, answers):
    def begin(handing_out):
        desk = new_desk(plan=PLAN)
        sessions.begin(desk, "Ann")
        sessions.answer(desk, answers | {"handing_out": handing_out})
        return desk

    return begin


def test_with_a_helper_the_screen_shows_codes_and_never_a_value(begun_as):
    desk = begun_as(HELPER)
    codes = desk.job.codes
    outcome = take(desk, "10.0071")
    assert outcome.words == f"Part {codes['P1']} recorded."
    shown = view(desk)
    assert shown["labels"] == codes
    (row,) = readings_list(desk)["rows"]
    assert (row["part"], row["value"]) == (codes["P1"], "")
    assert "10.0071" not in json.dumps(shown)
    assert desk.journal.rows[0].part == "P1"


def test_who_works_alone_sees_the_parts_and_that_is_on_record(begun_as):
    desk = begun_as(ALONE)
    assert view(desk)["labels"]["P1"] == "P1"
    assert ALONE in [e.value for e in desk.events.rows if e.name == "handing_out"]


def test_after_opening_on_purpose_names_and_values_are_shown(begun_as):
    desk = begun_as(HELPER)
    take(desk, "10.0071")
    disturbances.show_earlier_readings(desk)
    (row,) = readings_list(desk)["rows"]
    assert (row["part"], row["value"]) == ("P1", "10.0071")


def test_a_sheet_filled_by_hand_shows_code_and_name(new_desk):
    desk = new_desk(plan=PLAN)
    sessions.begin(desk, "Ann", from_sheet=True)
    assert view(desk)["labels"]["P1"] == f"{desk.job.codes['P1']} = P1"


def test_a_filled_sheet_may_call_parts_by_their_codes(begun_as):
    desk = begun_as(HELPER)
    content = f"part,operator,trial,reading\n{desk.job.codes['P2']},Ann,1,10.0082\n"
    take_file(desk, "sheet.csv", content.encode())
    assert desk.journal.rows[0].part == "P2"


def test_a_part_that_was_added_has_no_code_and_keeps_its_name(begun_as):
    desk = begun_as(HELPER)
    disturbances.add(desk, "part", "P4")
    assert view(desk)["labels"]["P4"] == "P4"


def studied(desk):
    readings = standing_readings(read_journal(desk.journal.path))
    return Study(readings, unit="mm", record=record_of(desk.job.folder))


def test_the_report_learns_whether_it_was_blind_and_what_was_measured_again(begun_as, measure):
    desk = begun_as(HELPER)
    measure(desk, "10.0071", "10.0500", "10.0082")
    collection = collection_of(studied(desk))
    assert (collection.blind, collection.taken_again, collection.voided) == (True, 1, 0)
    assert collection.blindness == "Blind: a helper handed out the parts."
    again = with_last_readings(studied(desk))
    assert studied(desk).readings["reading"].tolist() == [10.0071, 10.05]
    assert again.readings["reading"].tolist() == [10.0071, 10.0082]
    disturbances.show_earlier_readings(desk)
    assert "earlier readings were shown on" in collection_of(studied(desk)).blindness


def test_who_works_alone_or_types_a_sheet_is_not_blind(begun_as, measure, answers):
    desk = begun_as(ALONE)
    measure(desk, "10.0071", "10.0082")
    assert collection_of(studied(desk)).blindness == (
        "Not blind: Ann took the parts without a helper."
    )
    assert with_last_readings(studied(desk)) is None
    sessions.end(desk)
    sessions.begin(desk, "Ben", from_sheet=True)
    measure(desk, "10.0071", source="sheet")
    assert "of 1 reading it is not known" in collection_of(studied(desk)).blindness


def test_readings_that_were_not_collected_here_have_no_such_record(manual_study):
    assert collection_of(manual_study) is None
    assert with_last_readings(manual_study) is None
