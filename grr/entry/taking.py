"""Taking a reading: a number arrives, and is filed at the place that the screen showed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from grr.entry.corrections import DOUBLE_TRIGGER, voiding
from grr.entry.desk import Desk, Outcome, stamp
from grr.entry.doubts import RIGHT_AFTER, doubts_about
from grr.entry.numbers import EnteredNumber, numbers_in, refuse_finer
from grr.entry.places import Place, place_of
from grr.entry.record import ASKED, Record
from grr.entry.settings_log import log_before_first_reading
from grr.files.events import Event
from grr.files.journal import JournalRow, in_order
from grr.model.errors import StudyError
from grr.model.record import TYPED, UNTIMED

AGAIN = "measured again"


@dataclass(frozen=True)
class Arrival:
    """How a number came in; ``ticks`` is None where that tells nothing of when."""

    at: datetime
    ticks: float | None
    source: str
    note: str = ""


@dataclass(frozen=True)
class Filing:
    """What is to be written for one number, and what is to be said."""

    kind: str
    words: str
    rows: list[JournalRow]
    events: list[Event]


def take(
    desk: Desk,
    text: str,
    *,
    identifier: str = "",
    place: Place | None = None,
    source: str = TYPED,
    seconds_ago: float = 0.0,
    note: str = "",
) -> Outcome:
    """File one number, or several in the order of measurement.

    Parameters
    ----------
    desk : Desk
    text : str
        As it arrived.
    identifier : str
        Of the message; a repeated one is answered and not filed twice. Its numbers are filed
        all at once: after a power cut all of them are there, or none.
    place : Place, optional
        The place that the screen showed when the number arrived; left out, the one that is
        due. A number never goes to another place than the one shown.
    source : str
        gauge, typed, pasted, sheet or imported.
    seconds_ago : float
        How long ago it arrived, where it had to wait.
    note : str

    Returns
    -------
    Outcome
        On the disk already. Where a number of a block raises a question, it is the last one
        filed, and the numbers after it come back in ``rest``: the question is answered first.

    Raises
    ------
    StudyError
        It is no number, the gauge cannot show it, there is no place for it, or it could not
        be written.
    """
    with desk.writing() as record:
        filed = desk.journal.of_message(identifier) if identifier else []
        if filed:
            return _recorded_before(desk, record, text, filed)
        numbers = numbers_in(text, desk.job.settings.unit)
        refuse_finer([number.value for number in numbers], desk.job.settings.resolution)
        if place is None:
            _refuse_out_of_turn(desk, record, len(numbers))
        ago = max(0.0, seconds_ago)
        ticks = desk.ticks() - ago
        arrival = Arrival(desk.clock() - timedelta(seconds=ago), ticks, source, note)
        log_before_first_reading(desk, record, arrival.at)
        rows: list[JournalRow] = []
        events: list[Event] = []
        so_far = record
        for number in numbers:
            filing = _filing(desk, so_far, number, place, arrival)
            rows += filing.rows
            events += filing.events
            if filing.kind == "asked":
                break
            so_far = Record([*record.rows, *in_order(rows, record.rows)], record.events)
            place, arrival = None, replace(arrival, ticks=None)
        written = [row for row in desk.file(rows, events, identifier) if row.reading]
        desk.measured(written[-1], ticks)
        alone = len(numbers) == 1 or filing.kind == "asked"
        return Outcome(
            filing.kind,
            filing.words if alone else f"{len(numbers)} readings recorded.",
            tuple(written),
            _rest(numbers, written),
        )


def _recorded_before(desk: Desk, record: Record, text: str, filed: list[JournalRow]) -> Outcome:
    """Answer a message whose rows are in the file: on the disk, too, before that is said."""
    desk.journal.sync()
    measured = [row for row in filed if row.reading]
    rest = _rest(numbers_in(text, desk.job.settings.unit), measured)
    asked = [row for row in record.open_questions() if row in measured]
    if asked:
        return Outcome("asked", asked[0].reason.removeprefix(ASKED), tuple(measured), rest)
    return Outcome("recorded", "Recorded before.", tuple(measured), rest)


def _rest(numbers: list[EnteredNumber], filed: list[JournalRow]) -> str:
    return "\n".join(number.raw for number in numbers[len(filed) :])


def _refuse_out_of_turn(desk: Desk, record: Record, numbers: int) -> None:
    stage = desk.stage(record)
    if stage != "measure" or record.session is None:
        remedy = {
            "operator": "Pick the operator first",
            "checklist": "Answer the checklist first",
            "again": "Check soak and zero first",
        }.get(stage, "Correct a reading in the list, or end the session")
        raise StudyError("No reading is due now", remedy)
    left = len(desk.open_places(record, record.session.value))
    if numbers > 1 and numbers > left:
        raise StudyError(
            f"{numbers} numbers arrived, and {left} places are left in this session",
            "Send as many numbers as there are places; none of these was filed",
        )


def _filing(
    desk: Desk, record: Record, number: EnteredNumber, place: Place | None, arrival: Arrival
) -> Filing:
    place = place or desk.due(record)
    if place is None or place not in desk.places(record):
        raise StudyError(
            "There is no such place in the plan any more",
            "Run the cell again to see what is due",
            value=place,
        )
    there = record.at.get(place, [])
    asked = [row for row in record.open_questions() if place_of(row) == place]
    words = _doubts(desk, record, number, arrival)
    row = _row(record, number, place, arrival)
    if asked and not any(RIGHT_AFTER in text for text in words):
        return _measured_again(desk, record, row, there, asked)
    if there and not asked:
        words.append("this place has a reading already")
    if not words:
        return Filing("recorded", f"Part {desk.label(record, place.part)} recorded.", [row], [])
    said = "; ".join(words)
    return Filing("asked", said, [replace(row, reason=ASKED + said)], [])


def _doubts(desk: Desk, record: Record, number: EnteredNumber, arrival: Arrival) -> list[str]:
    measured = record.last_measured()
    seconds = None
    if measured and arrival.ticks is not None:
        timed = not {arrival.source, measured[-1].source} & set(UNTIMED)
        seconds = desk.seconds_since(measured[-1], arrival.ticks) if timed else None
    return doubts_about(
        number,
        limits=desk.job.shown_limits,
        resolution=desk.job.settings.resolution,
        before=[float(row.reading) for row in measured],
        seconds_since_last=seconds,
    )


def _measured_again(
    desk: Desk, record: Record, row: JournalRow, there: list[JournalRow], asked: list[JournalRow]
) -> Filing:
    """File the answer to a question; a double trigger was no measurement, and is voided."""
    part = desk.label(record, row.part)
    twice = [old for old in there if RIGHT_AFTER in old.reason]
    rows = [replace(row, reason=AGAIN), *(voiding(old, DOUBLE_TRIGGER) for old in twice)]
    events = [
        desk.event(record, "question", name=old.id, old=old.reason.removeprefix(ASKED), value=AGAIN)
        for old in asked
    ]
    if len(twice) == len(there):
        words = f"Part {part} recorded. The double trigger is put aside."
        return Filing("recorded", words, rows, events)
    return Filing("again", f"Part {part} measured again.", rows, events)


def _row(record: Record, number: EnteredNumber, place: Place, arrival: Arrival) -> JournalRow:
    session = record.session or record.last_session
    return JournalRow(
        part=place.part,
        operator=place.operator,
        trial=str(place.trial),
        method=place.method,
        reading=number.text,
        time=stamp(arrival.at),
        note=arrival.note,
        entered_by=session.value if session else place.operator,
        source=arrival.source,
        raw=number.raw,
        session=session.session if session else "",
    )
