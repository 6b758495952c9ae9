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
from grr.files.journal import TYPED, UNTIMED, JournalRow, new_id
from grr.model.errors import StudyError

AGAIN = "measured again"


@dataclass(frozen=True)
class Arrival:
    """How a number came in."""

    at: datetime
    source: str
    identifier: str = ""
    note: str = ""


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
        Of the message; a repeated one is answered and not filed twice.
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
        On the disk already. Where a number of a block raises a question, the numbers after
        it come back in ``rest``: the question is answered first.

    Raises
    ------
    StudyError
        It is no number, the gauge cannot show it, there is no place for it, or it could not
        be written.
    """
    with desk.writing() as record:
        known = record.row(identifier) if identifier else None
        if known is not None:
            return Outcome("recorded", "Recorded before.", (known,))
        numbers = numbers_in(text, desk.job.settings.unit)
        refuse_finer([number.value for number in numbers], desk.job.settings.resolution)
        if place is None:
            _refuse_out_of_turn(desk, record, len(numbers))
        arrival = Arrival(desk.clock() - timedelta(seconds=max(0.0, seconds_ago)), source)
        log_before_first_reading(desk, record, arrival.at)
        rows: list[JournalRow] = []
        outcome = Outcome("done", "")
        for count, number in enumerate(numbers):
            name = f"{identifier}.{count + 1}" if identifier and count else identifier
            this = replace(arrival, identifier=name, note=note)
            outcome = _file(desk, number, place if count == 0 else None, this)
            rows += outcome.rows
            if outcome.kind == "asked" and count + 1 < len(numbers):
                rest = "\n".join(number.raw for number in numbers[count + 1 :])
                return replace(outcome, rows=tuple(rows), rest=rest)
        words = outcome.words if len(numbers) == 1 else f"{len(numbers)} readings recorded."
        return replace(
            outcome, words=outcome.words if outcome.kind == "asked" else words, rows=tuple(rows)
        )


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


def _file(desk: Desk, number: EnteredNumber, place: Place | None, arrival: Arrival) -> Outcome:
    record = desk.record
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
    if asked and not any(RIGHT_AFTER in text for text in words):
        return _measured_again(desk, record, _row(record, number, place, arrival), there, asked)
    if there and not asked:
        words.append("this place has a reading already")
    row = _row(record, number, place, arrival)
    if not words:
        said = f"Part {desk.label(record, place.part)} recorded."
        return Outcome("recorded", said, (desk.journal.append(row),))
    row = desk.journal.append(replace(row, reason=ASKED + "; ".join(words)))
    return Outcome("asked", "; ".join(words), (row,))


def _doubts(desk: Desk, record: Record, number: EnteredNumber, arrival: Arrival) -> list[str]:
    measured = record.last_measured()
    seconds = None
    if measured and arrival.source not in UNTIMED and measured[-1].source not in UNTIMED:
        seconds = (arrival.at - datetime.fromisoformat(measured[-1].time)).total_seconds()
    return doubts_about(
        number,
        limits=desk.job.shown_limits,
        resolution=desk.job.settings.resolution,
        before=[float(row.reading) for row in measured],
        seconds_since_last=seconds,
    )


def _measured_again(
    desk: Desk,
    record: Record,
    row: JournalRow,
    there: list[JournalRow],
    asked: list[JournalRow],
) -> Outcome:
    """File the answer to a question; a double trigger was no measurement, and is voided."""
    part = desk.label(record, row.part)
    twice = [old for old in there if RIGHT_AFTER in old.reason]
    rows = [replace(row, reason=AGAIN), *(voiding(old, DOUBLE_TRIGGER) for old in twice)]
    written = desk.journal.append_all(rows)
    for old in asked:
        desk.log(record, "question", name=old.id, old=old.reason.removeprefix(ASKED), value=AGAIN)
    if len(twice) == len(there):
        words = f"Part {part} recorded. The double trigger is put aside."
        return Outcome("recorded", words, (written[0],))
    return Outcome("again", f"Part {part} measured again.", (written[0],))


def _row(record: Record, number: EnteredNumber, place: Place, arrival: Arrival) -> JournalRow:
    session = record.session or record.last_session
    return JournalRow(
        id=arrival.identifier or new_id(),
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
