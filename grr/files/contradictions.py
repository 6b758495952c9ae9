"""Parts of a study's record that cannot both be as they were written.

Whoever knows how rows are sealed can change ``readings.csv`` and seal it again. Then what else
the folder says no longer fits it: the anchors in the events (how many rows the file held, and its
last hash, at the start and end of each session, after each pause and every 30 rows), what the
gauge or the person sent beside each number, the order taken, and the files that were imported.

Not found here: a change that was made in all of these consistently, one in the events alone that
no reading contradicts, and rows cut off after the last anchor. These change the seal
(`grr.files.seal`).
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from grr.files.allowed_files import regular_file
from grr.files.chained_file import Line, lines_in
from grr.files.events import ANCHOR, FORM, IMPORTED_FILE, Event
from grr.files.journal import WRITTEN, JournalRow
from grr.files.text_and_numbers import parse_number
from grr.model.errors import StudyError
from grr.model.plain_text import clean_text
from grr.model.record import IMPORTED, Contradiction
from grr.model.rounding import counted
from grr.model.units import conversion

#: An anchor is written at the latest after so many rows.
ROWS_TO_ANCHOR = 30
#: How a file begins whose readings the study took, and which it keeps.
KEPT = "imported-"


def contradictions(
    folder: Path, lines: Sequence[Line], events: Sequence[Event], unit: str
) -> Iterator[Contradiction]:
    """Yield what in a record does not fit.

    Parameters
    ----------
    folder : Path
    lines : sequence of Line
        Of ``readings.csv``.
    events : sequence of Event
    unit : str
        Of the study.
    """
    rows = [(line.number, JournalRow(*line.cells)) for line in lines if line.cells is not None]
    yield from _anchors(lines, events)
    yield from _sessions_without_anchor(events)
    yield from _raw_texts(rows, unit)
    yield from _order(rows)
    yield from _imported_files(folder, rows, events)


def what_cannot_be_told(lines: Sequence[Line], events: Sequence[Event]) -> Iterator[str]:
    """Yield in sentences what a record does not tell: rows from before there were anchors."""
    held = [int(event.old) for event in events if event.kind == ANCHOR and event.old.isdecimal()]
    before = held[0] if held else len(lines)
    if before and not any(event.kind == FORM for event in events):
        where = "no anchor" if before == len(lines) else f"no anchor before row {before + 2}"
        yield (
            f"The record holds {where} (version 0.1.0 set none): whether rows were cut off and "
            "taken again before that cannot be told from the folder alone. Compare the last hash "
            "with one that was printed then."
        )


def _of_readings(what: str) -> Contradiction:
    return Contradiction("readings.csv", what)


def _anchors(lines: Sequence[Line], events: Sequence[Event]) -> Iterator[Contradiction]:
    """Yield the first anchor that does not fit the readings."""
    for event in events:
        if event.kind != ANCHOR or not event.old.isdecimal():
            continue
        held = int(event.old)
        if held > len(lines):
            gone = f"{counted(held - len(lines), 'row')} of {held} that stood here"
            yield _of_readings(f"{gone} on {event.time} were cut off")
            return
        if (lines[held - 1].seal if held else "") != event.value:
            first = f"The first {counted(held, 'row')} are not those that stood here"
            yield _of_readings(f"{first} on {event.time}: rows were changed or taken again")
            return


def _sessions_without_anchor(events: Sequence[Event]) -> Iterator[Contradiction]:
    """Yield the first session start or end that has no anchor beside it, since form 2."""
    form = next((number for number, event in enumerate(events) if event.kind == FORM), None)
    if form is None:
        return
    anchored = {(event.session, event.time) for event in events if event.kind == ANCHOR}
    for event in events[form:]:
        if event.kind == "session" and (event.session, event.time) not in anchored:
            where = f"the {event.name} of session {event.session}"
            yield Contradiction("events.csv", f"The anchor at {where} is missing: it was removed")
            return


def _raw_texts(rows: Sequence[tuple[int, JournalRow]], unit: str) -> Iterator[Contradiction]:
    """Yield the rows whose number is not what was sent or typed."""
    for number, row in rows:
        if row.reading and row.raw and not _same_number(row, unit):
            arrived = f"what arrived was “{row.raw}”"
            yield _of_readings(f"Row {number} says {row.reading}, and {arrived}")


def _same_number(row: JournalRow, unit: str) -> bool:
    """Whether the reading is what the raw text says, converted and rounded where it has a unit."""
    raw = row.raw.rpartition(": ")[2] if row.source == IMPORTED else row.raw
    text = clean_text(raw).strip(" ;,")
    try:
        sent = parse_number(text, "," if "," in text and "." not in text else None)
        reading = float(row.reading)
        units = {sent.unit, unit} if sent.unit else {unit}
        factors = [
            1.0 if to in ("", sent.unit) or not sent.unit else conversion(sent.unit, to)
            for to in units
        ]
    except (StudyError, ValueError):
        return False
    last_digit = 10.0 ** -len(row.reading.partition(".")[2].partition("e")[0])
    return any(
        abs(sent.value * factor - reading) <= 0.501 * last_digit
        if factor != 1.0
        else abs(sent.value - reading) <= 1e-9 * max(1.0, abs(reading))
        for factor in factors
    )


def _order(rows: Sequence[tuple[int, JournalRow]]) -> Iterator[Contradiction]:
    """Yield the first measurement whose number does not follow from those before it."""
    highest = 0
    for number, row in rows:
        if not row.order.isdecimal():
            continue
        order = int(row.order)
        if order > highest + 1:
            gone = f"measurement {highest + 1} is missing: rows were removed"
            yield _of_readings(f"Row {number} is measurement {order}, and {gone}")
            return
        if order <= highest and not row.voids:
            again = f"Row {number} is measurement {order} once more"
            yield _of_readings(f"{again}, and corrects no row")
            return
        highest = max(highest, order)


def _imported_files(
    folder: Path, rows: Sequence[tuple[int, JournalRow]], events: Sequence[Event]
) -> Iterator[Contradiction]:
    """Yield the kept files of imported readings that are gone or changed."""
    for event in events:
        if event.kind != IMPORTED_FILE or not event.name:
            continue
        try:
            content = regular_file(folder / Path(event.name).name).read_bytes()
        except (OSError, StudyError):
            yield Contradiction(event.name, f"The file that was imported as {event.old} is gone")
            continue
        if hashlib.sha256(content).hexdigest() != event.value:
            words = f"The file is not the one that was imported as {event.old}"
            yield Contradiction(event.name, words)
        elif event.name.endswith(".zip"):
            yield from _other_half(content, rows)


def _other_half(archive: bytes, rows: Sequence[tuple[int, JournalRow]]) -> Iterator[Contradiction]:
    """Yield the first row of a merged half that does not stand in the record as it was taken.

    Only its session and the number of the measurement may be others.
    """
    with zipfile.ZipFile(io.BytesIO(archive)) as kept:
        lines = lines_in(kept.read("readings.csv"), WRITTEN, "readings.csv")
    here = {row.id: (number, _as_taken(row)) for number, row in rows}
    for line in lines:
        if line.cells is None:
            continue
        row = JournalRow(*line.cells)
        number, now = here.get(row.id, (0, None))
        if now == _as_taken(row):
            continue
        where = f"Row {number} is not" if number else "No row is"
        held = f"{row.reading or 'a row without a reading'}, part {row.part}"
        held += f", operator {row.operator}, trial {row.trial}"
        yield _of_readings(f"{where} what the merged half holds: {held}")
        return


def _as_taken(row: JournalRow) -> JournalRow:
    return replace(row, session="", order="")
