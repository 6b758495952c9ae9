import pytest

from grr.entry import corrections, sessions
from grr.files.journal import read_journal
from grr.model.errors import StudyError
from grr.model.record import standing_readings


def by_part(work):
    table = standing_readings(read_journal(work.journal.path))
    return {
        (part, trial): reading
        for part, trial, reading in zip(
            table["part"], table["trial"], table["reading"], strict=True
        )
    }


def test_undo_frees_the_place_and_keeps_the_row(session, measure):
    measure(session, "10.0071", "10.0082")
    outcome = corrections.undo(session, "wrong part")
    assert "part P2" in outcome.words
    assert session.due(session.record).part == "P2"
    rows = session.journal.rows
    assert len(rows) == 3
    assert (rows[2].voids, rows[2].reason, rows[2].reading) == (rows[1].id, "wrong part", "")
    assert rows[2].time


def test_undo_twice_and_then_nothing_is_left(session, measure):
    measure(session, "10.0071", "10.0082")
    corrections.undo(session)
    corrections.undo(session)
    with pytest.raises(StudyError, match="undo"):
        corrections.undo(session)
    assert session.due(session.record).part == "P1"


def test_any_reading_can_be_set_right_or_voided(session, measure):
    first, second = (measure(session, text).rows[0] for text in ("10.0017", "10.0082"))
    corrections.set_right(session, first.id, "10.0071", "mistyped")
    assert by_part(session) == {("P1", 1): 10.0071, ("P2", 1): 10.0082}
    corrections.void(session, second.id, "burr")
    assert by_part(session) == {("P1", 1): 10.0071}
    with pytest.raises(StudyError, match="no such reading"):
        corrections.void(session, first.id, "again")


def test_a_reading_is_not_set_right_to_what_the_gauge_cannot_show(session, measure):
    row = measure(session, "10.0017").rows[0]
    with pytest.raises(StudyError, match="last digit"):
        corrections.set_right(session, row.id, "10.00715")
    assert by_part(session) == {("P1", 1): 10.0017}


def test_a_value_set_right_keeps_time_and_order_of_the_measurement(session, measure):
    first = measure(session, "10.0017").rows[0]
    measure(session, "10.0082")
    corrections.set_right(session, first.id, "10.0071")
    table = standing_readings(read_journal(session.journal.path))
    assert table["order"].tolist() == [1, 2]
    assert table["time"].iloc[0] == first.time


def test_a_note_is_kept_with_the_reading(session, measure):
    row = measure(session, "10.0071").rows[0]
    corrections.add_note(session, row.id, "burr found; =1+1")
    table = standing_readings(read_journal(session.journal.path))
    assert table["note"].tolist() == ["burr found; =1+1"]
    assert table["reading"].tolist() == [10.0071]


def test_one_part_out_forward(session, measure):
    texts = ("10.0071", "10.0083", "10.0074", "10.0085")  # P2 was left out
    rows = [measure(session, text).rows[0] for text in texts]
    outcome = corrections.one_part_out(session, rows[1].id, +1)
    assert "3 readings" in outcome.words
    assert by_part(session) == {
        ("P1", 1): 10.0071,
        ("P3", 1): 10.0083,
        ("P1", 2): 10.0074,
        ("P2", 2): 10.0085,
    }
    assert session.due(session.record).part == "P2"
    assert [event.kind for event in session.events.rows][-1] == "moved"


def test_one_part_out_backward_puts_the_double_reading_aside(session, measure):
    texts = ("10.0071", "10.0072", "10.0082", "10.0093")  # P1 was measured twice
    rows = [measure(session, text).rows[0] for text in texts]
    corrections.one_part_out(session, rows[2].id, -1)
    assert by_part(session) == {("P1", 1): 10.0071, ("P2", 1): 10.0082, ("P3", 1): 10.0093}


def test_one_part_out_past_the_end_changes_nothing(session, measure):
    texts = ("10.0071", "10.0082", "10.0093", "10.0074", "10.0085", "10.0096")
    rows = [measure(session, text).rows[0] for text in texts]
    before = by_part(session)
    with pytest.raises(StudyError, match="to move"):
        corrections.one_part_out(session, rows[0].id, +1)
    with pytest.raises(StudyError, match="to move"):
        corrections.one_part_out(session, rows[0].id, -1)
    assert by_part(session) == before


def test_an_unknown_cause_is_refused(session, measure):
    row = measure(session, "10.5").rows[0]
    with pytest.raises(StudyError, match="dirt"):
        corrections.name_cause(session, row.id, "did not like it")


def test_a_part_is_withdrawn_with_or_without_one_in_its_place(session):
    corrections.withdraw(session, "part", "P3", "dropped")
    assert {place.part for place in session.places(session.record)} == {"P1", "P2"}
    corrections.withdraw(session, "part", "P2", "worn", replacement=" P 7 ")
    assert {place.part for place in session.places(session.record)} == {"P1", "P 7"}


@pytest.mark.parametrize("name", ["", "  ", "P1", "P3"])
def test_a_new_part_needs_a_name_of_its_own(session, name):
    corrections.withdraw(session, "part", "P3", "dropped")
    with pytest.raises(StudyError):
        corrections.add(session, "part", name)
    with pytest.raises(StudyError):
        corrections.withdraw(session, "part", "P2", " ")
    assert {place.part for place in session.places(session.record)} == {"P1", "P2"}


def test_one_part_out_back_to_the_first_place_keeps_the_reason_given(session, measure):
    for text in ("10.0071", "10.0082"):
        measure(session, text)
    corrections.one_part_out(session, session.record.standing[1].id, -1, "P1 twice")
    assert by_part(session) == {("P1", 1): 10.0082}
    assert session.record.standing[0].reason == "P1 twice"
    assert session.events.rows[-1].reason == "P1 twice"


def test_one_part_out_onto_a_reading_that_stays_is_refused(session, measure):
    third = session.open_places(session.record, "Ann")[2]
    measure(session, "10.0093", place=third)
    second = [measure(session, text).rows[0] for text in ("10.0071", "10.0082")][1]
    before = by_part(session)
    with pytest.raises(StudyError, match="reading of"):
        corrections.one_part_out(session, second.id, +1)
    assert by_part(session) == before


def test_readings_of_a_withdrawn_part_are_dropped_only_if_told_to(session, measure):
    for text in ("10.0071", "10.0082"):
        measure(session, text)
    corrections.withdraw(session, "part", "P1", "lost")
    assert ("P1", 1) in by_part(session)
    corrections.withdraw(session, "part", "P2", "bent", drop=True)
    assert by_part(session) == {("P1", 1): 10.0071}


def test_undo_leaves_the_readings_of_an_earlier_session(session, measure):
    measure(session, "10.0071")
    sessions.end(session, "0.0001")
    sessions.begin(session, "Ben")
    with pytest.raises(StudyError, match="this session"):
        corrections.undo(session)
    assert by_part(session) == {("P1", 1): 10.0071}
