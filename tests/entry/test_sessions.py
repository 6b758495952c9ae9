from dataclasses import replace

import pytest

from grr.entry import corrections, sessions
from grr.entry.job import Job, run_order
from grr.entry.taking import take
from grr.files.chained_file import first_altered
from grr.files.events import WRITTEN, read_events
from grr.model.errors import StudyError
from grr.model.facts import MASTER
from grr.model.rules import Plan


def finish(work, measure, operator, answers):
    sessions.begin(work, operator)
    sessions.answer(work, answers)
    for number in range(len(work.open_places(work.record, operator))):
        measure(work, f"10.007{number}")
    sessions.end(work, "0.0001")


def test_a_study_from_start_to_finish(new_work, measure, answers):
    work = new_work()
    assert work.stage(work.record) == "operator"
    finish(work, measure, "Ann", answers)
    assert work.stage(work.record) == "operator"
    finish(work, measure, "Ben", answers)
    assert work.stage(work.record) == "finished"
    events = read_events(work.job.folder / "events.csv")
    zero = events[events["kind"] == "zero"]
    assert zero["name"].tolist() == ["before", "after"] * 2
    assert zero["value"].tolist() == ["0.0000", "0.0001"] * 2
    assert zero["old"].tolist() == ["closed faces"] * 4
    assert set(events["session"]) == {"1", "2"}
    assert first_altered(work.job.folder / "events.csv", WRITTEN) is None


def test_the_checklist_is_stored_and_must_be_answered(new_work, answers):
    work = new_work()
    sessions.begin(work, "Ann")
    assert work.stage(work.record) == "checklist"
    for key in ("faces_cleaned", "soak_minutes", "holding", "zero"):
        with pytest.raises(StudyError) as refusal:
            sessions.answer(work, answers | {key: ""})
        assert refusal.value.column == key
    with pytest.raises(StudyError) as refusal:
        sessions.answer(work, answers | {"soak_minutes": "long"})
    assert refusal.value.column == "soak_minutes"
    sessions.answer(work, answers)
    stored = {e.name: e.value for e in work.events.rows if e.kind == "checklist"}
    assert stored == {key: value for key, value in answers.items() if key != "zero"} | {
        "zero_master_size": "",
        "zero_master_certificate": "",
        "done": "",
    }


def test_a_zero_that_is_off_is_asked_once(new_work, answers):
    work = new_work()
    sessions.begin(work, "Ann")
    off = answers | {"zero": "0.0008"}
    assert sessions.answer(work, off).kind == "asked"
    assert work.stage(work.record) == "checklist"
    sessions.answer(work, off, keep_zero=True)
    assert work.stage(work.record) == "measure"


def test_a_closing_zero_that_cannot_be_is_asked_once(new_session):
    work = new_session()
    outcome = sessions.end(work, "12.001")
    assert outcome.kind == "asked"
    assert "12.001" not in outcome.words
    assert work.record.session is not None
    sessions.end(work, "12.001", keep_zero=True)
    assert work.record.session is None
    assert [event.value for event in work.events.rows if event.name == "after"] == ["12.001"]


def test_a_closing_zero_on_a_master_is_its_size(new_work, answers):
    work = new_work()
    sessions.begin(work, "Ann")
    on_master = {"zeroed_on": MASTER, "zero_master_size": "10.0000 mm", "zero": "10.0001"}
    sessions.answer(work, answers | on_master)
    assert sessions.end(work, "0.0000").kind == "asked"
    assert sessions.end(work, "10.0001").kind == "done"


def test_zero_on_a_master_has_its_size_and_certificate(new_work, answers):
    work = new_work()
    sessions.begin(work, "Ann")
    with pytest.raises(StudyError, match="no size"):
        sessions.answer(work, answers | {"zeroed_on": MASTER})
    on_master = {"zeroed_on": MASTER, "zero_master_size": "10.0000 mm", "zero": "10.0001"}
    sessions.answer(work, answers | on_master | {"zero_master_certificate": "C-17"})
    zero = next(event for event in work.events.rows if event.kind == "zero")
    assert zero.old == "master 10.0000 mm, certificate C-17"


def test_a_gap_asks_for_soak_and_zero_again(session, measure, clock, answers):
    measure(session, "10.0071")
    clock.wait(31 * 60)
    assert session.stage(session.record) == "again"
    again = {item.key for item in sessions.questions(session, session.record)}
    assert again == {"soak_minutes", "room_temperature", "zero"}
    with pytest.raises(StudyError, match="soak"):
        take(session, "10.0082")
    sessions.answer(session, {"soak_minutes": "40", "zero": "0.0001"})
    assert session.stage(session.record) == "measure"
    assert [e.name for e in session.events.rows if e.kind == "zero"] == ["before", "again"]


def test_a_gap_is_told_by_the_time_that_passed_and_by_the_sleep_of_the_computer(
    session, measure, clock
):
    measure(session, "10.0071")
    clock.set(-3600)  # set back, then 31 minutes pass
    clock.wait(31 * 60)
    assert session.stage(session.record) == "again"
    sessions.answer(session, {"soak_minutes": "40", "zero": "0.0001"})
    measure(session, "10.0082")
    clock.set(31 * 60)  # the seconds stand still while the computer sleeps
    assert session.stage(session.record) == "again"
    with pytest.raises(StudyError, match="soak"):
        take(session, "10.0093")  # and once more, with the jump on record
    assert session.stage(session.record) == "again"


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
    with pytest.raises(StudyError, match="of Ann is open"):
        sessions.begin(session, "Ben")
    sessions.end(session)
    with pytest.raises(StudyError, match="No session"):
        sessions.end(session)
    with pytest.raises(StudyError, match="not in the plan"):
        sessions.begin(session, "Nobody")


def test_a_change_of_method_asks_for_the_checklist_and_the_methods_must_match(
    new_session, places_of_plan, measure, answers
):
    work = new_session(places=places_of_plan(methods=("stand", "handheld")))
    measure(work, "10.0071", "10.0082", "10.0093")
    assert work.stage(work.record) == "checklist"
    holding = next(i for i in sessions.questions(work, work.record) if i.key == "holding")
    assert (holding.choices, holding.answer) == (("stand", "handheld"), "handheld")
    with pytest.raises(StudyError, match="planned with: handheld"):
        sessions.answer(work, answers | {"holding": "stand"})
    sessions.answer(work, answers | {"holding": "handheld"})
    measure(work, "10.0074")
    assert work.journal.rows[-1].method == "handheld"


def test_typing_a_filled_run_sheet_needs_no_checklist(new_work):
    work = new_work()
    sessions.begin(work, "Ann", from_sheet=True)
    assert work.stage(work.record) == "measure"
    take(work, "10.0071", source="sheet")
    take(work, "10.0082", source="sheet")
    assert [row.part for row in work.journal.rows] == ["P1", "P2"]


def test_someone_falls_ill_and_another_takes_a_place_of_their_own(session, measure):
    measure(session, "10.0071")
    corrections.withdraw(session, "operator", "Ann", "ill")
    assert session.record.session is None
    assert session.places_of(session.record, "Ann") == []
    corrections.add(session, "operator", "Dana")
    own = session.places_of(session.record, "Dana")
    assert len(own) == 6
    assert {place.part for place in own} == {"P1", "P2", "P3"}
    assert session.journal.rows[0].operator == "Ann"


def test_a_dropped_part_is_withdrawn_and_its_replacement_has_a_name_of_its_own(session, measure):
    measure(session, "10.0071", "10.0082")
    for taken in ("P3", "p3", "P2"):
        with pytest.raises(StudyError, match="not used"):
            corrections.withdraw(session, "part", "P2", "dropped", replacement=taken)
    corrections.withdraw(session, "part", "P2", "dropped", replacement="P4")
    left = [(p.trial, p.part) for p in session.open_places(session.record, "Ann")]
    assert left == [(1, "P3"), (1, "P4"), (2, "P1"), (2, "P3"), (2, "P4")]
    assert {p.part for p in session.places_of(session.record, "Ben")} == {"P1", "P3", "P4"}
    with pytest.raises(StudyError, match="No reason"):
        corrections.withdraw(session, "part", "P1", " ")
    with pytest.raises(StudyError, match="no part"):
        corrections.withdraw(session, "part", "P2", "again")


def test_a_withdrawn_parts_readings_stay_unless_they_are_dropped_too(session, measure):
    measure(session, "10.0071", "10.0082")
    corrections.withdraw(session, "part", "P2", "dropped")
    assert len(session.record.standing) == 2
    corrections.withdraw(session, "part", "P1", "bent all along", drop=True)
    assert [row.part for row in session.record.standing] == ["P2"]


def test_opening_earlier_readings_is_logged_once(session):
    corrections.show_earlier_readings(session)
    corrections.show_earlier_readings(session)
    assert [e.kind for e in session.events.rows].count("opened") == 1
    assert session.record.opened


def test_undo_after_the_last_reading_goes_on_measuring(session, measure):
    for number in range(6):
        measure(session, f"10.007{number}")
    assert session.stage(session.record) == "zero"
    corrections.undo(session)
    assert session.stage(session.record) == "measure"
    assert session.due(session.record).part == "P3"


@pytest.mark.parametrize(
    ("unit", "text", "stored"),
    [
        ("°C", "21.5 °C", "21.5"),
        ("min", "30 min", "30"),
        ("mm", "0.0001 mm", "0.0001"),
        ("mm", "0.1 µm", "0.0001"),  # a length, in the unit of the study
    ],
)
def test_a_number_is_stored_without_its_unit(unit, text, stored):
    item = sessions.Item("key", "How much?", "number", unit=unit)
    assert sessions.checked_answer(item, text, "mm") == stored


@pytest.mark.parametrize(("unit", "text"), [("°C", "21 mm"), ("min", "2 h"), ("mm", "20 °C")])
def test_a_number_in_another_unit_is_refused(unit, text):
    item = sessions.Item("key", "How much?", "number", unit=unit)
    with pytest.raises(StudyError):
        sessions.checked_answer(item, text, "in" if unit == "mm" else "")


def test_trials_spread_over_sessions_are_measured_one_session_at_a_time(new_work, measure, answers):
    work = new_work()
    plan = Plan(("P1", "P2", "P3"), ("Ann", "Ben"), 2, sessions=2)
    settings = replace(work.job.settings, plan=plan)
    work.job = Job(work.job.folder, settings, run_order(plan))
    for session in (1, 2):
        sessions.begin(work, "Ann")
        sessions.answer(work, answers)
        for number in range(len(plan.parts)):
            assert work.due(work.record).trial == session
            measure(work, f"10.007{number}")
        assert work.stage(work.record) == "zero" and work.due(work.record) is None
        sessions.end(work, "0.0001")
    assert work.open_places(work.record, "Ann") == []
