"""What is set right: readings taken, and the plan where somebody falls ill or a part is dropped.

Nothing is ever erased: earlier rows stay in the journal, voided.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from grr.entry.collecting import (
    NOTED,
    WAITS,
    Collecting,
    Outcome,
    ReadingsSoFar,
    order_of,
)
from grr.entry.entered_numbers import one_number, refuse_finer
from grr.entry.job import Place, place_of
from grr.files.journal import JournalRow
from grr.model.errors import StudyError
from grr.model.record import TYPED
from grr.model.values import article, spelling

# Rows that set earlier rows right


DOUBLE_TRIGGER = "double trigger"
KEPT = "kept"
CAUSES = ("dirt", "tilted", "wrong part", DOUBLE_TRIGGER)


def voiding(row: JournalRow, reason: str) -> JournalRow:
    """Return the row that takes a reading out: the place is free again."""
    return replace(
        row, id="", order="", reading="", raw="", time="", note="", voids=row.id, reason=reason
    )


def waiting(row: JournalRow, identifier: str) -> JournalRow:
    """Return the row that takes out a reading, just filed under this id, until it is kept."""
    return replace(voiding(row, WAITS), voids=identifier)


def replacing(row: JournalRow, reason: str, **changed: str) -> JournalRow:
    """Return the row that puts another value, place or note to the same measurement."""
    return replace(row, id="", time="", voids=row.id, reason=reason, **changed)


def moved_one_part(
    record: ReadingsSoFar, places: Sequence[Place], first: JournalRow, step: int, reason: str
) -> list[JournalRow]:
    """Return rows that move the session's readings by one place, from ``first`` on.

    Parameters
    ----------
    record : ReadingsSoFar
    places : sequence of Place
        The planned places of this operator, in the order of measurement.
    first : JournalRow
        The first reading that is filed wrongly.
    step : {1, -1}
        +1 where it belongs to the next place (a part was left out), −1 where it belongs to
        the one before (a part was measured twice, and its second reading took a place).

    Raises
    ------
    StudyError
        There is no place to move to, or it holds a reading that is not moved.
    """
    moved = [
        row
        for row in sorted((r for rows in record.at.values() for r in rows), key=order_of)
        if row.session == first.session
        and row.operator == first.operator
        and (row.method, row.gauge) == (first.method, first.gauge)
        and order_of(row) >= order_of(first)
    ]
    run = [place for place in places if place.with_what == place_of(first).with_what]
    rank = {place: number for number, place in enumerate(run)}
    from_places = {place_of(row) for row in moved}
    rows: list[JournalRow] = []
    for row in moved:
        here = place_of(row)
        target = rank.get(here, 0) + step
        if here not in rank or not 0 <= target < len(run):
            raise StudyError(
                f"The reading of {here} would have no place to move to",
                "Void that reading first, or set the readings right one by one",
            )
        there = run[target]
        rows += [
            voiding(old, reason)
            for old in record.at.get(there, [])
            if there not in from_places and step < 0
        ]
        if step > 0 and there not in from_places and there in record.at:
            raise StudyError(
                f"There is a reading of {there} already",
                "Void that reading first, or set the readings right one by one",
            )
        where = {"part": there.part, "trial": str(there.trial), "place": there.place}
        rows.append(replacing(row, reason, **where, gauge=there.gauge))
    return rows


# Answers to questions, and corrections of readings


def keep(work: Collecting, identifier: str) -> Outcome:
    """Answer a question: the reading is right as it is; one that waited counts from now on."""
    with work.writing() as record:
        row = work.reading(record, identifier)
        rows = [replacing(row, KEPT)] if row in record.waiting else []
        written = work.file(rows, [work.answer(record, row, KEPT)])
        return Outcome("done", "Kept.", tuple(written) or (row,))


def name_cause(work: Collecting, identifier: str, cause: str) -> Outcome:
    """Say what was wrong with a reading: it no longer counts, the next one there does."""
    with work.writing() as record:
        row = work.reading(record, identifier)
        if cause not in CAUSES:
            raise StudyError(
                "This is no cause known here",
                f"Pick one of: {', '.join(CAUSES)}; or void the reading",
                value=cause,
            )
        work.file([voiding(row, cause)], [work.answer(record, row, cause)])
        return Outcome("done", f"Put aside: {cause}.", (row,))


def undo(work: Collecting, reason: str = "") -> Outcome:
    """Void the reading of this session that was taken last; its place is free again.

    Raises
    ------
    StudyError
        There is none.
    """
    with work.writing() as record:
        session = record.session
        there = [*(row for rows in record.at.values() for row in rows), *record.waiting]
        rows = [row for row in there if session and row.session == session.session]
        if not rows:
            raise StudyError("No reading of this session is left to undo", "Measure on")
        last = max(rows, key=order_of)
        work.file([voiding(last, reason or "undone")])
        return Outcome("done", f"Undone: {work.named(record, last)}.", (last,))


def void(work: Collecting, identifier: str, reason: str = "") -> Outcome:
    """Void any reading; its place is measured again."""
    with work.writing() as record:
        row = work.reading(record, identifier)
        work.file([voiding(row, reason or "voided")])
        return Outcome("done", f"Voided: {work.named(record, row)}.", (row,))


def set_right(work: Collecting, identifier: str, text: str, reason: str = "") -> Outcome:
    """Put the right number in place of a mistyped one; it is the same measurement.

    Raises
    ------
    StudyError
        There is no such reading, or the text is no number that the gauge can show.
    """
    with work.writing() as record:
        row = work.reading(record, identifier)
        number = one_number(text, work.job.settings.unit)
        refuse_finer([number.value], work.job.settings.resolution)
        new = replacing(
            row, reason or "mistyped", reading=number.text, raw=number.raw, source=TYPED
        )
        written = work.file([new])
        return Outcome("done", f"Set right: {work.named(record, row)}.", tuple(written))


def add_note(work: Collecting, identifier: str, note: str) -> Outcome:
    """Put a note to a reading, such as "dropped" or "burr found"."""
    with work.writing() as record:
        row = work.reading(record, identifier)
        new = replacing(row, NOTED, note=note.strip())
        return Outcome("done", f"Noted: {work.named(record, row)}.", tuple(work.file([new])))


def one_part_out(work: Collecting, identifier: str, step: int, reason: str = "") -> Outcome:
    """Move the session's readings by one place, from this one on; see `moved_one_part`."""
    with work.writing() as record:
        first = work.reading(record, identifier)
        places = work.places_of(record, first.operator)
        reason = reason or "one part out"
        rows = moved_one_part(record, places, first, step, reason)
        where = "the part after" if step > 0 else "the part before"
        old = str(place_of(first))
        moved_to = {"name": first.id, "old": old, "value": where, "reason": reason}
        work.file(rows, [work.event(record, "moved", **moved_to)])
        moved = sum(bool(row.reading) for row in rows)
        return Outcome("done", f"{moved} readings moved to {where}.")


# What happens while measuring: someone falls ill, a part is dropped, someone peeks


def add(work: Collecting, what: str, name: str) -> Outcome:
    """Add an "operator" or a "part" to the plan.

    Raises
    ------
    StudyError
        It has no name, or the name is taken.
    """
    with work.writing() as record:
        name = _new_name(work, record, what, name)
        work.log(record, "added", name=what, value=name)
        return Outcome("done", f"Added: {what} {name}.")


def withdraw(
    work: Collecting,
    what: str,
    name: str,
    reason: str,
    *,
    replacement: str = "",
    drop: bool = False,
) -> Outcome:
    """Take an operator or a part out of the plan; the readings so far stay.

    Parameters
    ----------
    work : Collecting
    what : {"operator", "part"}
    name, reason : str
    replacement : str
        A name of its own for the part that takes the place, where there is one.
    drop : bool
        Whether the readings taken so far are voided.

    Raises
    ------
    StudyError
        There is nothing of that name, no reason is given, or the replacement's name is taken.
    """
    with work.writing() as record:
        if name not in {getattr(place, what) for place in work.places(record)}:
            raise StudyError(f"The plan has no {what} of that name", "Pick one", value=name)
        if not reason.strip():
            raise StudyError("No reason is given", "Write what happened in a few words")
        if replacement:
            replacement = _new_name(work, record, what, replacement)
        reason = reason.strip()
        taken = [row for rows in record.at.values() for row in rows if getattr(row, what) == name]
        dropped = [voiding(row, reason) for row in taken] if drop else []
        gone = {"name": what, "old": name, "value": replacement, "reason": reason}
        events = [work.event(record, "withdrawn", **gone)]
        session = record.session
        if what == "operator" and session is not None and session.value == name:
            events.append(work.event(record, "session", name="end", value=name, reason=reason))
        work.file(dropped, events)
        return Outcome("done", f"Withdrawn: {what} {name}.")


def show_earlier_readings(work: Collecting) -> Outcome:
    """End blindness on purpose; this is logged, and said in the report."""
    with work.writing() as record:
        if not record.opened:
            work.log(record, "opened", reason="earlier readings shown on request")
        return Outcome("done", "Earlier readings are shown; this is logged.")


def _new_name(work: Collecting, record: ReadingsSoFar, what: str, name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise StudyError(f"The {what} has no name", "Enter a name")
    taken = {getattr(place, what) for place in (*work.job.places, *work.places(record))}
    taken |= {event.old for event in record.events if event.kind == "withdrawn"}
    if spelling(name) in set(map(spelling, taken)):
        raise StudyError(
            f"There is {article(what)} {what} of this name, or there was one",
            "Give a name that was not used yet",
            value=name,
        )
    return name
