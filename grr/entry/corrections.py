"""Rows that set earlier rows right; the old ones stay in the journal, voided."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from grr.entry.places import Place, place_of
from grr.entry.record import Record, order_of
from grr.files.journal import JournalRow
from grr.model.errors import StudyError

DOUBLE_TRIGGER = "double trigger"
CAUSES = ("dirt", "tilted", "wrong part", DOUBLE_TRIGGER)


def voiding(row: JournalRow, reason: str) -> JournalRow:
    """Return the row that takes a reading out: the place is free again."""
    return replace(
        row, id="", order="", reading="", raw="", time="", note="", voids=row.id, reason=reason
    )


def replacing(row: JournalRow, reason: str, **changed: str) -> JournalRow:
    """Return the row that puts another value, place or note to the same measurement."""
    return replace(row, id="", time="", voids=row.id, reason=reason, **changed)


def moved_one_part(
    record: Record, places: Sequence[Place], first: JournalRow, step: int, reason: str
) -> list[JournalRow]:
    """Return rows that move the session's readings by one place, from ``first`` on.

    Parameters
    ----------
    record : Record
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
        and row.method == first.method
        and order_of(row) >= order_of(first)
    ]
    run = [place for place in places if place.method == first.method]
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
        rows.append(replacing(row, reason, part=there.part, trial=str(there.trial)))
    return rows
