"""Answers to questions, and corrections of readings taken: nothing is ever erased."""

from __future__ import annotations

from grr.entry import corrections
from grr.entry.desk import Desk, Outcome
from grr.entry.numbers import one_number, refuse_finer
from grr.entry.places import place_of
from grr.entry.record import ASKED, order_of
from grr.model.errors import StudyError
from grr.model.record import TYPED


def keep(desk: Desk, identifier: str) -> Outcome:
    """Answer a question: the reading is right as it is."""
    with desk.writing() as record:
        row = desk.reading(record, identifier)
        asked = row.reason.removeprefix(ASKED)
        desk.log(record, "question", name=row.id, old=asked, value="kept")
        return Outcome("done", "Kept.", (row,))


def name_cause(desk: Desk, identifier: str, cause: str) -> Outcome:
    """Say what was wrong with a reading: it no longer counts, the next one there does."""
    with desk.writing() as record:
        row = desk.reading(record, identifier)
        if cause not in corrections.CAUSES:
            raise StudyError(
                "This is no cause known here",
                f"Pick one of: {', '.join(corrections.CAUSES)}; or void the reading",
                value=cause,
            )
        asked = row.reason.removeprefix(ASKED)
        answer = desk.event(record, "question", name=row.id, old=asked, value=cause)
        desk.file([corrections.voiding(row, cause)], [answer])
        return Outcome("done", f"Put aside: {cause}.", (row,))


def undo(desk: Desk, reason: str = "") -> Outcome:
    """Void the reading of this session that was taken last; its place is free again.

    Raises
    ------
    StudyError
        There is none.
    """
    with desk.writing() as record:
        session = record.session
        rows = [
            row
            for rows in record.at.values()
            for row in rows
            if session and row.session == session.session
        ]
        if not rows:
            raise StudyError("No reading of this session is left to undo", "Measure on")
        last = max(rows, key=order_of)
        desk.file([corrections.voiding(last, reason or "undone")])
        return Outcome("done", f"Undone: {desk.named(record, last)}.", (last,))


def void(desk: Desk, identifier: str, reason: str = "") -> Outcome:
    """Void any reading; its place is measured again."""
    with desk.writing() as record:
        row = desk.reading(record, identifier)
        desk.file([corrections.voiding(row, reason or "voided")])
        return Outcome("done", f"Voided: {desk.named(record, row)}.", (row,))


def set_right(desk: Desk, identifier: str, text: str, reason: str = "") -> Outcome:
    """Put the right number in place of a mistyped one; it is the same measurement.

    Raises
    ------
    StudyError
        There is no such reading, or the text is no number that the gauge can show.
    """
    with desk.writing() as record:
        row = desk.reading(record, identifier)
        number = one_number(text, desk.job.settings.unit)
        refuse_finer([number.value], desk.job.settings.resolution)
        new = corrections.replacing(
            row, reason or "mistyped", reading=number.text, raw=number.raw, source=TYPED
        )
        written = desk.file([new])
        return Outcome("done", f"Set right: {desk.named(record, row)}.", tuple(written))


def add_note(desk: Desk, identifier: str, note: str) -> Outcome:
    """Put a note to a reading, such as "dropped" or "burr found"."""
    with desk.writing() as record:
        row = desk.reading(record, identifier)
        new = corrections.replacing(row, "note", note=note.strip())
        return Outcome("done", f"Noted: {desk.named(record, row)}.", tuple(desk.file([new])))


def one_part_out(desk: Desk, identifier: str, step: int, reason: str = "") -> Outcome:
    """Move the session's readings by one place, from this one on; see `moved_one_part`."""
    with desk.writing() as record:
        first = desk.reading(record, identifier)
        places = desk.places_of(record, first.operator)
        reason = reason or "one part out"
        rows = corrections.moved_one_part(record, places, first, step, reason)
        where = "the part after" if step > 0 else "the part before"
        old = str(place_of(first))
        moved_to = {"name": first.id, "old": old, "value": where, "reason": reason}
        desk.file(rows, [desk.event(record, "moved", **moved_to)])
        moved = sum(bool(row.reading) for row in rows)
        return Outcome("done", f"{moved} readings moved to {where}.")
