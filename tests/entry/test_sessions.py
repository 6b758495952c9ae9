import pytest

from grr.entry import disturbances, sessions, setting_right
from grr.entry.taking import take
from grr.files.events import read_events, verify_events
from grr.model.errors import StudyError
from grr.model.facts import MASTER


def finish(desk, measure, operator, answers):
    sessions.begin(desk, operator)
    sessions.answer(desk, answers)
    for number in range(len(desk.open_places(desk.record, operator))):
        measure(desk, f"10.007{number}")
    sessions.end(desk, "0.0001")


def test_a_study_from_start_to_finish(new_desk, measure, answers):
    desk = new_desk()
    assert desk.stage(desk.record) == "operator"
    finish(desk, measure, "Ann", answers)
    assert desk.stage(desk.record) == "operator"
    finish(desk, measure, "Ben", answers)
    assert desk.stage(desk.record) == "finished"
    events = read_events(desk.job.folder / "events.csv")
    zero = events[events["kind"] == "zero"]
    assert zero["name"].tolist() == ["before", "after"] * 2
    assert zero["value"].tolist() == ["0.0000", "0.0001"] * 2
    assert zero["old"].tolist() == ["closed faces"] * 4
    assert set(events["session"]) == {"1", "2"}
    assert verify_events(desk.job.folder / "events.csv") is None


def test_the_checklist_is_stored_and_must_be_answered(new_desk, answers):
    desk = new_desk()
    sessions.begin(desk, "Ann")
    assert desk.stage(desk.record) == "checklist"
    for key in ("faces_cleaned", "soak_minutes", "holding", "zero"):
        with pytest.raises(StudyError) as refusal:
            sessions.answer(desk, answers | {key: ""})
        assert refusal.value.column == key
    with pytest.raises(StudyError) as refusal:
        sessions.answer(desk, answers | {"soak_minutes": "long"})
    assert refusal.value.column == "soak_minutes"
    sessions.answer(desk, answers)
    stored = {e.name: e.value for e in desk.events.rows if e.kind == "checklist"}
    assert stored == {key: value for key, value in answers.items() if key != "zero"} | {
        "zero_master_size": "",
        "zero_master_certificate": "",
        "done": "",
    }


def test_a_zero_that_is_off_is_asked_once(new_desk, answers):
    desk = new_desk()
    sessions.begin(desk, "Ann")
    off = answers | {"zero": "0.0008"}
    assert sessions.answer(desk, off).kind == "asked"
    assert desk.stage(desk.record) == "checklist"
    sessions.answer(desk, off, keep_zero=True)
    assert desk.stage(desk.record) == "measure"


def test_a_closing_zero_that_cannot_be_is_asked_once(new_session):
    desk = new_session()
    outcome = sessions.end(desk, "12.001")
    assert outcome.kind == "asked"
    assert "12.001" not in outcome.words
    assert desk.record.session is not None
    sessions.end(desk, "12.001", keep_zero=True)
    assert desk.record.session is None
    assert [event.value for event in desk.events.rows if event.name == "after"] == ["12.001"]


def test_a_closing_zero_on_a_master_is_its_size(new_desk, answers):
    desk = new_desk()
    sessions.begin(desk, "Ann")
    on_master = {"zeroed_on": MASTER, "zero_master_size": "10.0000 mm", "zero": "10.0001"}
    sessions.answer(desk, answers | on_master)
    assert sessions.end(desk, "0.0000").kind == "asked"
    assert sessions.end(desk, "10.0001").kind == "done"


def test_zero_on_a_master_has_its_size_and_certificate(new_desk, answers):
    desk = new_desk()
    sessions.begin(desk, "Ann")
    with pytest.raises(StudyError, match="The master has no size"):
        sessions.answer(desk, answers | {"zeroed_on": MASTER})
    on_master = {"zeroed_on": MASTER, "zero_master_size": "10.0000 mm", "zero": "10.0001"}
    sessions.answer(desk, answers | on_master | {"zero_master_certificate": "C-17"})
    zero = next(event for event in desk.events.rows if event.kind == "zero")
    assert zero.old == "master 10.0000 mm, certificate C-17"


def test_a_gap_asks_for_soak_and_zero_again(session, measure, clock, answers):
    measure(session, "10.0071")
    clock.wait(31 * 60)
    assert session.stage(session.record) == "again"
    again = {item.key for item in sessions.questions(session, session.record)}
    assert again == {"soak_minutes", "room_temperature", "zero"}
    with pytest.raises(StudyError, match="Check soak and zero first"):
        take(session, "10.0082")
    sessions.answer(session, {"soak_minutes": "40", "zero": "0.0001"})
    assert session.stage(session.record) == "measure"
    assert [e.name for e in session.events.rows if e.kind == "zero"] == ["before", "again"]


def test_one_session_now_and_another_tomorrow(session, measure, clock, answers):
    measure(session, "10.0071")
    sessions.end(session)
    clock.wait(24 * 3600)
    sessions.begin(session, "Ann")
    assert session.stage(session.record) == "checklist"
    sessions.answer(session, answers)
    measure(session, "10.0082")
    assert [row.session for row in session.journal.rows] == ["1", "2"]
    assert [row.part for row in session.journal.rows] == ["P1", "P2"]


def test_one_session_at_a_time_and_only_by_operators_of_the_plan(session):
    with pytest.raises(StudyError, match="The session of Ann is open"):
        sessions.begin(session, "Ben")
    sessions.end(session)
    with pytest.raises(StudyError, match="No session is open"):
        sessions.end(session)
    with pytest.raises(StudyError, match="not in the plan"):
        sessions.begin(session, "Nobody")


def test_a_change_of_method_asks_for_the_checklist_and_the_methods_must_match(
    new_session, places_of_plan, measure, answers
):
    desk = new_session(places=places_of_plan(methods=("stand", "handheld")))
    measure(desk, "10.0071", "10.0082", "10.0093")
    assert desk.stage(desk.record) == "checklist"
    holding = next(i for i in sessions.questions(desk, desk.record) if i.key == "holding")
    assert (holding.choices, holding.answer) == (("stand", "handheld"), "handheld")
    with pytest.raises(StudyError, match="planned with: handheld"):
        sessions.answer(desk, answers | {"holding": "stand"})
    sessions.answer(desk, answers | {"holding": "handheld"})
    measure(desk, "10.0074")
    assert desk.journal.rows[-1].method == "handheld"


def test_typing_a_filled_run_sheet_needs_no_checklist(new_desk):
    desk = new_desk()
    sessions.begin(desk, "Ann", from_sheet=True)
    assert desk.stage(desk.record) == "measure"
    take(desk, "10.0071", source="sheet")
    take(desk, "10.0082", source="sheet")
    assert [row.part for row in desk.journal.rows] == ["P1", "P2"]


def test_someone_falls_ill_and_another_takes_a_place_of_their_own(session, measure):
    measure(session, "10.0071")
    disturbances.withdraw(session, "operator", "Ann", "ill")
    assert session.record.session is None
    assert session.places_of(session.record, "Ann") == []
    disturbances.add(session, "operator", "Dana")
    own = session.places_of(session.record, "Dana")
    assert len(own) == 6
    assert {place.part for place in own} == {"P1", "P2", "P3"}
    assert session.journal.rows[0].operator == "Ann"


def test_a_dropped_part_is_withdrawn_and_its_replacement_has_a_name_of_its_own(session, measure):
    measure(session, "10.0071", "10.0082")
    for taken in ("P3", "p3", "P2"):
        with pytest.raises(StudyError, match="a name that was not used yet"):
            disturbances.withdraw(session, "part", "P2", "dropped", replacement=taken)
    disturbances.withdraw(session, "part", "P2", "dropped", replacement="P4")
    left = [(p.trial, p.part) for p in session.open_places(session.record, "Ann")]
    assert left == [(1, "P3"), (1, "P4"), (2, "P1"), (2, "P3"), (2, "P4")]
    assert {p.part for p in session.places_of(session.record, "Ben")} == {"P1", "P3", "P4"}
    with pytest.raises(StudyError, match="No reason"):
        disturbances.withdraw(session, "part", "P1", " ")
    with pytest.raises(StudyError, match="no part of that name"):
        disturbances.withdraw(session, "part", "P2", "again")


def test_a_withdrawn_parts_readings_stay_unless_they_are_dropped_too(session, measure):
    measure(session, "10.0071", "10.0082")
    disturbances.withdraw(session, "part", "P2", "dropped")
    assert len(session.record.standing) == 2
    disturbances.withdraw(session, "part", "P1", "bent all along", drop=True)
    assert [row.part for row in session.record.standing] == ["P2"]


def test_opening_earlier_readings_is_logged_once(session):
    disturbances.show_earlier_readings(session)
    disturbances.show_earlier_readings(session)
    assert [e.kind for e in session.events.rows].count("opened") == 1
    assert session.record.opened


def test_undo_after_the_last_reading_goes_on_measuring(session, measure):
    for number in range(6):
        measure(session, f"10.007{number}")
    assert session.stage(session.record) == "zero"
    setting_right.undo(session)
    assert session.stage(session.record) == "measure"
    assert session.due(session.record).part == "P3"
