"""The journal of readings: ``readings.csv`` while a study is collected.

The file only grows. A correction is a new row that voids an old one: with an empty reading
it takes the old one out, with a reading it puts that one in its place. Of the rows that
nothing voids, the one measured first at a place (part, operator, trial, method) stands; a
later one at the same place is a measurement taken again, kept for comparison.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd

from grr.files.allowed_files import LARGEST_RECORD, regular_file
from grr.files.chained_file import FURTHER, SealedRows, first_altered, read_lines
from grr.files.disk import writing
from grr.model.errors import StudyError
from grr.model.record import AlteredRow
from grr.model.values import article


@dataclass(frozen=True)
class JournalRow:
    """One row as text, in the order of the columns; the hash is the file's business.

    ``order`` counts measurements 1, 2, 3 … as they were taken; a row that only voids has
    none, and a row that sets right a value already measured repeats the order of the row
    that it voids. ``reading`` keeps the decimals that the gauge showed. ``raw`` is what
    arrived. ``source`` is gauge, typed, pasted, sheet (typed from paper) or imported.
    ``place`` (on the part) and ``gauge`` have columns only where the plan names several.
    """

    id: str = ""
    order: str = ""
    part: str = ""
    operator: str = ""
    trial: str = ""
    method: str = ""
    reading: str = ""
    time: str = ""
    note: str = ""
    voids: str = ""
    reason: str = ""
    entered_by: str = ""
    source: str = ""
    raw: str = ""
    session: str = ""
    place: str = ""
    gauge: str = ""

    @property
    def where(self) -> tuple[str, str, str, str]:
        """Where the reading belongs."""
        return self.part, self.operator, self.trial, self.method


#: The columns of the journal, without the last one, ``hash``.
WRITTEN = tuple(JournalRow.__dataclass_fields__)[: -len(FURTHER)]
COLUMNS = (*WRITTEN, "hash")


def is_journal(columns: Iterable[object]) -> bool:
    """Tell whether a table with these columns is a journal rather than a plain table."""
    return set(COLUMNS) <= {str(column).removeprefix("\ufeff") for column in columns}


def is_journal_file(path: str | Path) -> bool:
    """Tell whether a file is a journal, by its first line; a missing one is none."""
    try:
        file = regular_file(path, LARGEST_RECORD)
        with file.open(encoding="utf-8-sig", errors="replace", newline="") as text:
            return is_journal(text.readline().strip().split(","))
    except OSError:
        return False


def read_journal(path: str | Path) -> pd.DataFrame:
    """Return every row of a journal, voided ones included, in the order of the file.

    ``reading`` is a float (missing where a row only voids), ``order`` and ``trial`` are
    whole numbers or missing, everything else is text. A line torn off by a power cut is
    not a row; the numbers of such lines, as a spreadsheet counts them, are in
    ``.attrs["torn_rows"]``. A file that does not exist yet is an empty journal.

    Raises
    ------
    StudyError
        The file is no journal, or a row does not hold what it should; see also `verify`.
    """
    file = Path(path)
    lines = read_lines(file, WRITTEN)
    rows = [line for line in lines if line.cells is not None]
    known = len(rows[0].cells or ()) if rows else len(WRITTEN)
    columns = [*(*WRITTEN, *FURTHER)[:known], "hash"]
    table = pd.DataFrame(
        [(*(line.cells or ()), line.seal) for line in rows], columns=columns, dtype=object
    )
    numbers = [line.number for line in rows]
    table["reading"] = [
        _reading(text, file, row) for text, row in zip(table["reading"], numbers, strict=True)
    ]
    table["reading"] = table["reading"].astype("float64")
    for column in ("order", "trial"):
        table[column] = pd.array(
            [
                _whole_number(text, file, row, column)
                for text, row in zip(table[column], numbers, strict=True)
            ],
            dtype="Int64",
        )
    table.attrs["torn_rows"] = tuple(line.number for line in lines if line.cells is None)
    return table


def _reading(text: str, file: Path, row: int) -> float:
    if text == "":
        return np.nan
    try:
        value = float(text)
    except ValueError:
        value = np.nan
    if not np.isfinite(value):
        raise _changed("reading", text, file, row)
    return value


def _whole_number(text: str, file: Path, row: int, column: str) -> int | None:
    if text == "":
        return None
    if not (text.isascii() and text.isdecimal() and 1 <= int(text) < 2**63):
        raise _changed(column, text, file, row)
    return int(text)


def _changed(column: str, text: str, file: Path, row: int) -> StudyError:
    return StudyError(
        f"{article(column).capitalize()} {column} in the journal is not a number: the file was "
        "changed by another program",
        "Restore the file from a copy; grr verify names the first altered row",
        file=file.name,
        row=row,
        column=column,
        value=text,
    )


def verify(path: str | Path) -> AlteredRow | None:
    """Return the first row of a journal that is not as it was written, or None.

    Raises
    ------
    StudyError
        The file is no journal.
    """
    return first_altered(Path(path), WRITTEN)


class Journal(SealedRows[JournalRow]):
    """The writing end of ``readings.csv``; safe to call from several threads.

    Parameters
    ----------
    path : path-like
        ``readings.csv`` of the study folder; made with the first row.
    further : bool
        Whether a new file has columns for places and gauges.

    Raises
    ------
    StudyError
        The file exists and is no journal.
    """

    def __init__(self, path: str | Path, *, further: bool = False) -> None:
        super().__init__(path, JournalRow, WRITTEN, further=further)

    @property
    def torn_rows(self) -> tuple[int, ...]:
        """The numbers, as a spreadsheet counts, of lines torn off by a power cut."""
        with self._guard:
            return tuple(line.number for line in self.lines if line.cells is None)

    @property
    def length(self) -> int:
        """How many rows the file holds, torn ones and those that do not count included."""
        with self._guard:
            self.refresh()
            return len(self.lines)

    def append(self, row: JournalRow) -> JournalRow:
        """Write one row and return it as written, with ``id``, ``order`` and ``time`` filled in.

        It is on the disk when this returns. A row whose ``id`` is there already is returned
        as it stands in the file and not written twice.

        Raises
        ------
        StudyError
            It could not be written and does not count.
        """
        return self.append_all([row], row.id)[0]

    def append_all(self, rows: Sequence[JournalRow], identifier: str = "") -> list[JournalRow]:
        """Write several rows at once: all of them count, or none; see `append`.

        Parameters
        ----------
        rows : sequence of JournalRow
            Their ids are made from ``identifier``.
        identifier : str
            Of the message that the rows come from; a known one is not written twice.
        """
        with self._guard, writing(self.path.parent):
            known = self.of_message(identifier) if identifier else []
            if known:
                self.sync()
                return known
            if not rows:
                return []
            return self._added(in_order(rows, self.rows), identifier)


def in_order(rows: Sequence[JournalRow], after: Sequence[JournalRow]) -> list[JournalRow]:
    """Return new rows with their ``order``, counted on from the rows before them."""
    order = max((int(row.order) for row in after if row.order.isdecimal()), default=0)
    counted = []
    for row in rows:
        if row.reading != "" and row.order == "":
            order += 1
            row = replace(row, order=str(order))  # noqa: PLW2901
        counted.append(row)
    return counted
