from dataclasses import replace

import pytest

from grr.entry import corrections, sessions
from grr.entry.entered_numbers import EnteredNumber
from grr.entry.job import Place
from grr.entry.taking import AGAIN, take, what_to_ask
from grr.files.journal import read_journal, verify
from grr.formulas import data_checks
from grr.model.errors import StudyError
from grr.model.record import standing_readings


def standing(work, **how):
    return standing_readings(read_journal(work.journal.path), **how)


def test_numbers_go_to_the_places_in_order(session, measure):
    for text in ("10.0071", "10.0082", "10.0093", "10.0074", "10.0085", "10.0096"):
        assert measure(session, text).kind == "recorded"
    table = standing(session)
    assert table["part"].tolist() == ["P1", "P2", "P3"] * 2
    assert table["trial"].tolist() == [1, 1, 1, 2, 2, 2]
    assert table["reading"].tolist() == [10.0071, 10.0082, 10.0093, 10.0074, 10.0085, 10.0096]
    assert session.stage(session.record) == "zero"


@pytest.mark.parametrize(
    ("text", "reading"),
    [
        ("+0010.0080\r\n", "10.0080"),
        ("10,0080", "10.0080"),
        ("10.0080 mm\t", "10.0080"),
        ("10008.0 µm", "10.0080"),
        ("１０.００８０", "10.0080"),
    ],
)
def test_what_gauges_send(session, measure, text, reading):
    outcome = measure(session, text)
    assert outcome.kind == "recorded"
    assert outcome.rows[0].reading == reading
    assert outcome.rows[0].raw == text


@pytest.mark.parametrize("text", ["", "abc", "10..0", "1O.008", "0.3940 in", "10.008 kg", "--"])
def test_what_is_no_number_is_refused_and_not_filed(session, text):
    with pytest.raises(StudyError):
        take(session, text)
    assert session.journal.rows == []


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("100.0810", "10 times too large"),
        ("0.3940", "25.4 times too small"),
        ("10008.0000", "1000 times too large"),
        ("10.5000", "far outside the limits"),
        ("10.008", "only 3 of the 4 decimals"),
    ],
)
def test_what_is_asked(session, measure, text, words):
    outcome = measure(session, text)
    assert outcome.kind == "asked"
    assert words in outcome.words
    assert text not in outcome.words
    assert session.due(session.record).part == "P1"


@pytest.mark.parametrize(
    ("factor", "words"),
    [
        (10.0, "10 times too large"),
        (0.1, "10 times too small"),
        (25.4, "25.4 times too large"),
        (1 / 25.4, "25.4 times too small"),
        (100.0, "100 times too large"),
        (0.01, "100 times too small"),
        (1000.0, "1000 times too large"),
        (0.001, "1000 times too small"),
    ],
)
def test_every_factor_that_is_looked_for_is_named(factor, words):
    assert factor in data_checks.FACTORS
    number = EnteredNumber("", 10.008 * factor, 4, "")
    asked = what_to_ask(
        number, limits=(10.006, 10.012), resolution=None, before=[], seconds_since_last=None
    )
    assert len(asked) == 1
    assert words in asked[0].words
    assert asked[0].waits


@pytest.mark.parametrize("text", ["10.00815", "10.0081 10.00825 10.0083"])
def test_what_the_gauge_cannot_show_is_not_filed(session, text):
    # Kept, it would stop the whole study from being opened.
    with pytest.raises(StudyError, match="last digit") as refused:
        take(session, text)
    assert text not in str(refused.value)
    assert session.journal.rows == []
    assert session.due(session.record).part == "P1"


def test_inches_are_named_where_the_gauge_cannot_show_them(session):
    with pytest.raises(StudyError, match="inches") as refused:
        take(session, "0.39402")  # 10.008 mm
    assert "to mm" in refused.value.remedy
    assert session.journal.rows == []


def test_without_a_stated_resolution_every_digit_is_taken(new_session):
    assert take(new_session(resolution=None), "10.00815").kind == "recorded"


def test_the_same_as_the_last_three_is_asked(session, measure):
    assert measure(session, "10.0080", "10.0080", "10.0080").kind == "recorded"
    outcome = measure(session, "10.0080")
    assert outcome.kind == "asked"
    assert "the three" in outcome.words


def test_with_a_coarse_digit_three_equal_readings_are_no_question(new_session, measure):
    work = new_session(resolution=0.001)  # 6 digits in the tolerance
    assert measure(work, *["10.008"] * 4).kind == "recorded"


def test_while_a_question_is_open_the_next_number_answers_it(session, measure):
    asked = measure(session, *["10.0080"] * 4).rows[0]
    again = measure(session, "10.0081")
    assert again.kind == "again"
    assert again.rows[0].part == asked.part
    assert again.rows[0].reason == AGAIN
    assert session.due(session.record).part == "P2"
    assert standing(session)["reading"].tolist() == [10.008] * 4
    assert standing(session, taken_again=True)["reading"].tolist() == [10.008] * 3 + [10.0081]
    assert session.record.taken_again == 1


def test_a_cause_puts_the_first_reading_aside(session, measure):
    asked = measure(session, *["10.0080"] * 4).rows[0]
    measure(session, "10.0081")
    corrections.name_cause(session, asked.id, "dirt")
    assert standing(session)["reading"].tolist() == [10.008] * 3 + [10.0081]
    assert session.due(session.record).part == "P2"


@pytest.mark.parametrize("text", ["100081", "100.0810", "0.3940", "10.5000", "10.008"])
def test_what_cannot_be_right_never_counts_unless_it_is_kept(session, measure, text):
    slip = measure(session, text).rows[0]
    assert standing(session).empty
    assert session.due(session.record).part == "P1"
    assert measure(session, "10.0081").words.startswith("Part P1 recorded.")
    assert standing(session)["reading"].tolist() == [10.0081]
    assert session.record.open_questions() == []
    assert session.record.taken_again == 0
    readings = [(row.raw, row.voids) for row in session.journal.rows if row.reading]
    assert readings == [(text, ""), ("10.0081", slip.id)]  # both are in the journal
    assert session.due(session.record).part == "P2"


def test_a_slip_typed_twice_is_asked_about_twice_and_counts_once_it_is_kept(session, measure):
    measure(session, "19986")
    second = measure(session, "10.5000")
    assert second.kind == "asked"
    assert standing(session).empty
    (open_one,) = session.record.open_questions()
    assert open_one.id == second.rows[0].id
    corrections.keep(session, open_one.id)
    assert standing(session)["reading"].tolist() == [10.5]
    assert session.record.open_questions() == []
    assert session.due(session.record).part == "P2"
    corrections.undo(session)
    assert standing(session).empty
    assert session.due(session.record).part == "P1"


def test_a_cause_or_an_undo_frees_the_place_of_a_slip(session, measure):
    corrections.name_cause(session, measure(session, "10.5000").rows[0].id, "wrong part")
    measure(session, "10.0071")
    measure(session, "10.5000")
    corrections.undo(session)
    assert session.record.open_questions() == []
    assert standing(session)["reading"].tolist() == [10.0071]
    assert session.due(session.record).part == "P2"


def test_what_a_gauge_sends_answers_no_question(session, measure):
    measure(session, "10.5000", source="gauge")
    with pytest.raises(StudyError, match="P1"):
        measure(session, "10.0082", source="gauge")
    assert standing(session).empty
    assert measure(session, "10.0083", source="gauge", answers=True).kind == "recorded"
    assert standing(session)["reading"].tolist() == [10.0083]
    assert measure(session, "10.0084", source="gauge").kind == "recorded"


def test_a_slip_after_a_possible_question_does_not_count_either(session, measure):
    measure(session, *["10.0080"] * 4)
    assert measure(session, "100800").kind == "asked"
    assert measure(session, "10.0081").kind == "recorded"
    assert standing(session)["reading"].tolist() == [10.008] * 4
    assert standing(session, taken_again=True)["reading"].tolist()[-1] == 10.0081


def test_a_slip_whose_question_nobody_answered_is_measured_in_a_later_session(session, measure):
    measure(session, "10.5000")
    sessions.end(session)
    assert ("P1", 1) not in {(row.part, row.trial) for row in session.record.standing}
    assert session.open_places(session.record, "Ann")[0].part == "P1"


def test_a_run_of_equal_readings_is_asked_about_once(new_session, measure):
    work = new_session()
    asked = measure(work, *["10.0080"] * 4).rows[0]
    corrections.keep(work, asked.id)
    assert measure(work, "10.0080").kind == "recorded"


def test_kept_means_that_it_counts_and_the_next_part_is_due(session, measure):
    asked = measure(session, "10.5000").rows[0]
    corrections.keep(session, asked.id)
    assert session.due(session.record).part == "P2"
    assert standing(session)["reading"].tolist() == [10.5]


def test_a_double_trigger_is_asked_and_the_next_number_replaces_it(session, measure, clock):
    measure(session, "10.0071")
    clock.wait(0.1)
    assert "double trigger" in take(session, "10.0071").words
    clock.wait(0.1)
    assert take(session, "10.0071").kind == "asked"  # it bounces on: still no answer
    outcome = measure(session, "10.0082")
    assert outcome.kind == "recorded"
    table = standing(session)
    assert table["part"].tolist() == ["P1", "P2"]
    assert table["reading"].tolist() == [10.0071, 10.0082]
    assert session.record.taken_again == 0
    assert len(session.journal.rows) == 6


def test_a_clock_that_is_set_back_or_forward_makes_no_double_trigger(session, measure, clock):
    measure(session, "10.0071")
    clock.set(-3600)
    assert measure(session, "10.0082").kind == "recorded"
    clock.set(+1200)  # by more than the gap that asks for soak it would be taken for sleep
    clock.wait(0.1)
    assert "double trigger" in take(session, "10.0082").words
    table = standing(session)
    assert table["part"].tolist() == ["P1", "P2"]
    jumps = [event for event in session.events.rows if event.kind == "clock"]
    assert [(event.old[11:19], event.value[11:19]) for event in jumps] == [
        ("08:00:06", "07:00:06"),
        ("07:00:06", "07:20:06"),
    ]


def test_a_clock_that_is_corrected_by_a_second_is_no_event(session, measure, clock):
    clock.set(1.5)
    measure(session, "10.0071")
    assert not any(event.kind == "clock" for event in session.events.rows)


def test_a_reading_that_had_to_wait_is_no_double_trigger_of_a_later_one(session, measure, clock):
    measure(session, "10.0071")
    outcome = take(session, "10.0082", seconds_ago=30.0)
    assert outcome.kind == "recorded"


def test_pasted_numbers_are_not_too_soon(session):
    outcome = take(session, "10.0071\n10.0082\n10.0093", source="pasted")
    assert outcome.words == "3 readings recorded."
    assert standing(session)["time"].tolist() == ["", "", ""]


def test_a_block_stops_at_a_question_and_hands_back_the_rest(session):
    outcome = take(session, "10.0071 10.5 10.0093 10.0074", source="pasted", identifier="k-1")
    assert outcome.kind == "asked"
    assert outcome.rest.split() == ["10.0093", "10.0074"]
    assert session.due(session.record).part == "P2"


def test_a_block_with_a_word_or_with_too_many_numbers_is_not_filed_at_all(session):
    for text in ("10.0071 ten 10.0093", " ".join(["10.0071"] * 7)):
        with pytest.raises(StudyError):
            take(session, text, source="pasted")
    assert session.journal.rows == []


def test_a_block_of_as_many_numbers_as_there_are_places_is_filed(session):
    take(session, "10.0071 10.0082 10.0093 10.0074 10.0085 10.0096", source="pasted")
    assert len(session.journal.rows) == 6


def test_a_message_sent_twice_is_filed_once(session, measure):
    measure(session, "10.0071", identifier="k3-1")
    assert measure(session, "10.0071", identifier="k3-1").rows[0].part == "P1"
    assert len(session.journal.rows) == 1


def test_a_block_sent_twice_is_filed_once_and_hands_back_its_rest_again(session, measure):
    sent = {"source": "pasted", "identifier": "k3-1"}
    measure(session, "10.0071 10.0082", **sent)
    again = measure(session, "10.0071 10.0082", **sent)
    assert (len(again.rows), again.rest) == (2, "")
    asked = {"source": "pasted", "identifier": "k3-2"}
    first = measure(session, "10.0093 10.5 10.0085", **asked)
    again = measure(session, "10.0093 10.5 10.0085", **asked)
    assert (again.kind, again.words, again.rest) == (first.kind, first.words, "10.0085")
    assert [row.id for row in session.journal.rows] == [
        *("k3-1.1of2", "k3-1.2of2", "k3-2.1of3", "k3-2.2of3", "k3-2.3of3"),
    ]


def test_of_a_block_filed_number_by_number_the_missing_ones_come_back(session, measure):
    row = measure(session, "10.0071", identifier="k3-1").rows[0]  # as the first version did
    session.journal.append(replace(row, id="k3-1.2", part="P2", order="", reading="10.0082"))
    again = measure(session, "10.0071 10.0082 10.0093 10.0074", identifier="k3-1")
    assert again.rest.split() == ["10.0093", "10.0074"]


def test_a_number_goes_to_the_place_that_the_screen_showed(session, measure):
    measure(session, "10.0093", place=Place("Ann", "", 1, "P3"))
    assert standing(session)["part"].tolist() == ["P3"]
    assert session.due(session.record).part == "P1"
    outcome = measure(session, "10.0094", place=Place("Ann", "", 1, "P3"))
    assert "already" in outcome.words
    with pytest.raises(StudyError, match="no such place"):
        measure(session, "10.0093", place=Place("Ann", "", 1, "P9"))


def test_a_number_that_waited_keeps_the_time_of_its_measurement(session, clock):
    clock.wait(60)
    row = take(session, "10.0071", seconds_ago=12.5).rows[0]
    assert row.time == "2026-03-14T08:00:47.500Z"


def test_nothing_is_filed_before_the_checklist(new_work):
    work = new_work()
    with pytest.raises(StudyError, match="Pick the operator"):
        take(work, "10.0071")


def test_limits_and_readings_as_deviations_from_a_master(new_session, measure):
    facts = {"readings_are": "deviations from a setting master", "setting_master_size": 10.0}
    work = new_session(facts=facts)
    assert measure(work, "0.0081").kind == "recorded"
    assert measure(work, "-0.0200").kind == "asked"


def test_the_file_is_the_record_of_all_of_it(session, measure):
    measure(session, "10.0071", "10.5", "10.0081", "10.0093")
    assert verify(session.journal.path) is None
    again = type(session)(session.job, session.clock)
    assert again.due(again.record) == session.due(session.record)


def test_settings_are_logged_in_full_once_and_again_when_they_changed(session, measure):
    def logged():
        return [event for event in session.events.rows if event.kind == "settings"]

    measure(session, "10.0071")
    sessions.end(session, "0.0001")
    sessions.begin(session, "Ben")
    assert len(logged()) == 1
    session.job = replace(session.job, settings=replace(session.job.settings, title="Pins"))
    sessions.end(session)
    sessions.begin(session, "Ann")
    assert [("Pins" in event.value) for event in logged()] == [False, True]
    changes = [event for event in session.events.rows if event.kind == "study"]
    assert [(event.name, event.old, event.value) for event in changes] == [
        ("title", "Dowel pin", "Pins")
    ]


def test_a_reading_whose_events_cannot_be_written_is_refused_and_taken_back(
    session, measure, monkeypatch
):
    measure(session, "100.0710")  # asked; the next number writes a row and an event
    before = session.journal.path.read_bytes()

    def full(*events):
        raise StudyError("The disk is full", "Free some space") from OSError()

    monkeypatch.setattr(session.events, "append", full)
    with pytest.raises(StudyError, match="disk"):
        measure(session, "10.0071")
    assert session.journal.path.read_bytes() == before
