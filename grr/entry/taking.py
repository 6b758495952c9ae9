"""Taking a reading: a number arrives, and is filed at the place that the screen showed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

import numpy as np

from grr.entry.collecting import (
    ASKED,
    BLOCK,
    DRAWING,
    Collecting,
    Outcome,
    ReadingsSoFar,
    log_before_first_reading,
    stamp,
)
from grr.entry.corrections import DOUBLE_TRIGGER, waiting
from grr.entry.entered_numbers import EnteredNumber, numbers_in, refuse_finer
from grr.entry.job import Place, place_of, row_at
from grr.files.chained_file import ids_of_one_write, new_id
from grr.files.events import Event
from grr.files.journal import JournalRow, in_order
from grr.formulas import data_checks
from grr.model.errors import StudyError
from grr.model.record import GAUGE, TYPED, UNTIMED
from grr.model.rounding import reading_decimals

AGAIN = "measured again"
TYPED_AGAIN = "typed again"


@dataclass(frozen=True)
class Arrival:
    """How a number came in; ``ticks`` is None where that tells nothing of when."""

    at: datetime
    ticks: float | None
    source: str
    note: str = ""
    answers: bool = False


@dataclass(frozen=True)
class Filing:
    """What is to be written for one number, and what is to be said.

    ``waits`` says that the last row does not count unless it is kept.
    """

    kind: str
    words: str
    rows: list[JournalRow]
    events: list[Event]
    waits: bool = False


def take(
    work: Collecting,
    text: str,
    *,
    identifier: str = "",
    place: Place | None = None,
    source: str = TYPED,
    seconds_ago: float = 0.0,
    note: str = "",
    answers: bool = False,
) -> Outcome:
    """File one number, or several in the order of measurement.

    Parameters
    ----------
    work : Collecting
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
    answers : bool
        Whether somebody said that the gauge sends the answer to the open question: it may
        send the next part's reading while nobody looks.

    Returns
    -------
    Outcome
        On the disk already. A number that cannot be right is written down and does not count
        until it is kept; the next one typed takes its place. Where a number of a block raises
        a question, it is the last one filed, and the numbers after it come back in ``rest``:
        the question is answered first.

    Raises
    ------
    StudyError
        It is no number, the gauge cannot show it, there is no place for it, or it could not
        be written.
    """
    with work.writing() as record:
        filed = work.journal.of_message(identifier) if identifier else []
        if filed:
            return _recorded_before(work, record, text, filed)
        numbers = numbers_in(text, work.job.settings.unit)
        _refuse_finer(work, record, numbers, place)
        if place is None:
            _refuse_out_of_turn(work, record, len(numbers))
        ago = max(0.0, seconds_ago)
        ticks = work.ticks() - ago
        arrival = Arrival(work.clock() - timedelta(seconds=ago), ticks, source, note, answers)
        log_before_first_reading(work, record, arrival.at)
        rows: list[JournalRow] = []
        events: list[Event] = []
        so_far = record
        for number in numbers:
            filing = _filing(work, so_far, number, place, arrival)
            rows += filing.rows
            events += filing.events
            if filing.kind == "asked":
                break
            so_far = ReadingsSoFar([*record.rows, *in_order(rows, record.rows)], record.events)
            place, arrival = None, replace(arrival, ticks=None)
        if filing.waits:
            identifier = identifier or new_id()
            ids = ids_of_one_write(identifier, len(rows) + 1)
            rows.append(waiting(rows[-1], ids[len(rows) - 1]))
        written = [row for row in work.file(rows, events, identifier) if row.reading]
        work.measured(written[-1], ticks)
        alone = len(numbers) == 1 or filing.kind == "asked"
        return Outcome(
            filing.kind,
            filing.words if alone else f"{len(numbers)} readings recorded.",
            tuple(written),
            _rest(numbers, written),
        )


def _recorded_before(
    work: Collecting, record: ReadingsSoFar, text: str, filed: list[JournalRow]
) -> Outcome:
    """Answer a message whose rows are in the file: on the disk, too, before that is said."""
    work.journal.sync()
    measured = [row for row in filed if row.reading]
    rest = _rest(numbers_in(text, work.job.settings.unit), measured)
    asked = [row for row in record.open_questions() if row in measured]
    if asked:
        return Outcome("asked", asked[0].reason.removeprefix(ASKED), tuple(measured), rest)
    return Outcome("recorded", "Recorded before.", tuple(measured), rest)


def _rest(numbers: list[EnteredNumber], filed: list[JournalRow]) -> str:
    return "\n".join(number.raw for number in numbers[len(filed) :])


def _refuse_finer(
    work: Collecting, record: ReadingsSoFar, numbers: list[EnteredNumber], place: Place | None
) -> None:
    """Refuse digits that the gauge cannot show; where it stands on another unit, say so."""
    try:
        refuse_finer([number.value for number in numbers], work.job.settings.resolution)
    except StudyError as error:
        place = place or work.due(record)
        limits = (None, None) if place is None else work.doubtful_beyond(place)
        for number in numbers:
            factor = _factor(number, limits)
            if factor in (25.4, 1 / 25.4):
                raise StudyError(
                    f"A number is {_FACTOR_WORDS[factor].format(work.limits_on)}: "
                    "nothing was filed",
                    f"Set the display to {work.job.settings.unit}, then measure again",
                ) from error
        raise


def _refuse_out_of_turn(work: Collecting, record: ReadingsSoFar, numbers: int) -> None:
    stage = work.stage(record)
    if stage != "measure" or record.session is None:
        remedy = {
            "operator": "Pick the operator first",
            "checklist": "Answer the checklist first",
            "again": "Check soak and zero first",
        }.get(stage, "Correct a reading in the list, or end the session")
        raise StudyError("No reading is due now", remedy)
    left = len(work.open_places(record, record.session.value))
    if numbers > 1 and numbers > left:
        raise StudyError(
            f"{numbers} numbers arrived, and {left} places are left in this session",
            "Send as many numbers as there are places; none of these was filed",
        )


def _filing(
    work: Collecting,
    record: ReadingsSoFar,
    number: EnteredNumber,
    place: Place | None,
    arrival: Arrival,
) -> Filing:
    asked_for = place or work.due(record)
    place = next((one for one in work.places(record) if one == asked_for), None)
    if place is None:
        raise StudyError(
            "There is no such place in the plan any more",
            "Load the page again to see what is due",
            value=asked_for,
        )
    there = record.at.get(place, [])
    asked = [row for row in record.open_questions() if place_of(row) == place]
    doubts = _doubts(work, record, number, place, arrival)
    session = record.session or record.last_session
    row = row_at(
        place,
        session,
        reading=number.text,
        time=stamp(arrival.at),
        note=arrival.note,
        entered_by=session.value if session else place.operator,
        source=arrival.source,
        raw=number.raw,
    )
    if asked:
        return _answer(work, record, row, asked=asked, doubts=doubts, arrival=arrival)
    if there:
        doubts.append(Doubt("this place has a reading already"))
    if not doubts:
        words = f"{work.item.capitalize()} {work.label(record, place.part)} recorded."
        return Filing("recorded", words, [row], [])
    return _question(row, doubts, [])


def _question(row: JournalRow, doubts: Sequence[Doubt], events: list[Event]) -> Filing:
    said = "; ".join(doubt.words for doubt in doubts)
    waits = any(doubt.waits for doubt in doubts)
    return Filing("asked", said, [replace(row, reason=ASKED + said)], events, waits)


def _doubts(
    work: Collecting,
    record: ReadingsSoFar,
    number: EnteredNumber,
    place: Place,
    arrival: Arrival,
) -> list[Doubt]:
    measured = record.last_measured()
    seconds = None
    if measured and arrival.ticks is not None:
        timed = not {arrival.source, measured[-1].source} & set(UNTIMED)
        seconds = work.seconds_since(measured[-1], arrival.ticks) if timed else None
    here = (place.place, place.gauge)
    alike = [row for row in measured if (row.place, row.gauge) == here]
    return what_to_ask(
        number,
        limits=work.doubtful_beyond(place),
        resolution=work.job.settings.resolution,
        before=[float(row.reading) for row in alike] if work.same_is_doubtful else [],
        seconds_since_last=seconds,
        against=work.limits_on,
    )


def _answer(
    work: Collecting,
    record: ReadingsSoFar,
    row: JournalRow,
    *,
    asked: Sequence[JournalRow],
    doubts: Sequence[Doubt],
    arrival: Arrival,
) -> Filing:
    """File a number that arrives while a question about its place is open.

    It takes the place of a reading that waits; beside one that counts it is kept for
    comparison. A number that cannot be right is a question of its own. What a gauge sends
    answers nothing by itself: it may be the next part. After a double trigger there is
    nothing to answer, as the place is due still.
    """
    part = f"{work.item} {work.label(record, row.part)}"
    twice = [old for old in asked if RIGHT_AFTER in old.reason]
    bounces = any(RIGHT_AFTER in doubt.words for doubt in doubts)
    if arrival.source == GAUGE and not (arrival.answers or twice or bounces):
        raise StudyError(
            f"A question about {part} is open: the gauge's number was not filed",
            "Answer first: r, then trigger, measures it again; k keeps it",
        )
    waits = [old for old in asked if old in record.waiting]
    answer = DOUBLE_TRIGGER if twice else TYPED_AGAIN if waits else AGAIN
    events = [work.answer(record, old, answer) for old in asked]
    if waits:
        row = replace(row, voids=waits[-1].id)
    if any(doubt.waits for doubt in doubts):
        return _question(row, doubts, events)
    row = replace(row, reason=answer)
    if not waits:
        return Filing("again", f"{part[0].upper()}{part[1:]} measured again.", [row], events)
    words = "The double trigger is put aside." if twice else "The number before it is put aside."
    return Filing("recorded", f"{part[0].upper()}{part[1:]} recorded. {words}", [row], events)


def _factor(number: EnteredNumber, limits: tuple[float | None, float | None]) -> float:
    """Return 10, 25.4, 1000 or their inverses where a reading is off by it; otherwise 1."""
    band = data_checks.believable_band(*limits)
    return float(data_checks.suspected_factor(np.array([number.value]), band)[0])


# What is asked about a reading as it arrives, in words that do not tell its value


RIGHT_AFTER = "right after the one before"


@dataclass(frozen=True)
class Doubt:
    """One thing to ask about a reading.

    ``waits`` says that the reading cannot be right as it is (a slip of the decimal sign, far
    outside the drawing, digits missing, a trigger that bounced): it counts only where
    somebody keeps it. Otherwise it may well be right, and counts.
    """

    words: str
    waits: bool = False


_FACTOR_WORDS = {
    10.0: "about 10 times too large for {} (a slipped decimal sign?)",
    0.1: "about 10 times too small for {} (a slipped decimal sign?)",
    25.4: "about 25.4 times too large for {} (mm in place of inches?)",
    1 / 25.4: "about 25.4 times too small for {} (inches in place of mm?)",
    100.0: "about 100 times too large for {} (a slipped decimal sign?)",
    0.01: "about 100 times too small for {} (a slipped decimal sign?)",
    1000.0: "about 1000 times too large for {} (another unit?)",
    0.001: "about 1000 times too small for {} (another unit?)",
}

_FAR_WORDS = {
    DRAWING: "far outside the limits on the drawing",
    BLOCK: "far from the size of the block",
}


def what_to_ask(
    number: EnteredNumber,
    *,
    limits: tuple[float | None, float | None],
    resolution: float | None,
    before: Sequence[float],
    seconds_since_last: float | None,
    against: str = DRAWING,
) -> list[Doubt]:
    """Return what to ask about a reading; an empty list where nothing is doubtful.

    Parameters
    ----------
    number : EnteredNumber
    limits : tuple
        Limits of the drawing as the gauge would show them.
    resolution : float, optional
    before : sequence of float
        The readings before it in this session, of whatever part, at the same place on it and
        with the same gauge; oldest first.
    seconds_since_last : float, optional
        None where the time of arrival tells nothing: pasted, or typed from paper.
    against : str
        Where the limits stand.
    """
    doubts = []
    value = np.array([number.value])
    band = data_checks.believable_band(*limits)
    factor = _factor(number, limits)
    if factor != 1.0:
        doubts.append(Doubt(_FACTOR_WORDS[factor].format(against), waits=True))
    elif not band.holds(value)[0]:
        doubts.append(Doubt(_FAR_WORDS[against], waits=True))
    if resolution is not None and not doubts:
        shown = reading_decimals(resolution)
        if data_checks.fewer_decimals(np.array([number.decimals]), shown)[0]:
            missing = f"only {number.decimals} of the {shown} decimals that the gauge shows"
            doubts.append(Doubt(missing, waits=True))
    lower, upper = limits
    width = None if lower is None or upper is None else upper - lower
    so_far = np.array(before)
    share = data_checks.share_of_value(so_far, number.value)
    run = data_checks.equal_before(width, resolution, share)
    equal = data_checks.equal_to_those_before(np.array([*before, number.value]), run)
    if equal[-1] and not equal[-2]:  # once in a run, not at each further one of it
        many = "three" if run == 3 else run
        doubts.append(Doubt(f"exactly the same as the {many} before it"))
    if seconds_since_last is not None and data_checks.too_soon(np.array(seconds_since_last)):
        doubts.append(Doubt(f"it came {RIGHT_AFTER} (a double trigger?)", waits=True))
    return doubts
