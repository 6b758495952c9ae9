"""A run sheet filled in elsewhere, as CSV or Excel: its readings go into the journal."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from pathlib import Path, PureWindowsPath

import pandas as pd

from grr.entry.collecting import Collecting, Outcome, ReadingsSoFar, log_before_first_reading
from grr.entry.entered_numbers import refuse_finer
from grr.entry.job import Place
from grr.files.copies import keep_file
from grr.files.disk import not_written
from grr.files.events import IMPORTED_FILE
from grr.files.journal import JournalRow
from grr.files.table_file import read_readings
from grr.model.errors import StudyError
from grr.model.record import IMPORTED
from grr.model.rounding import counted, reading_decimals


@dataclass(frozen=True)
class _Cell:
    place: Place
    value: float
    note: str
    row: int


def take_file(work: Collecting, name: str, content: bytes) -> Outcome:
    """File every reading of an uploaded table at its part, operator, trial and method.

    Parts may be named, or called by their codes on the run sheet. The file is kept in the study's
    folder, and its hash stands in the events.

    Parameters
    ----------
    work : Collecting
    name : str
        The file's name, for messages and the record.
    content : bytes

    Raises
    ------
    StudyError
        The table cannot be read, a reading has no place in the plan or is finer than the
        gauge can show, or its place holds another reading already. Nothing is filed then.
    """
    file = PureWindowsPath(name).name
    table = _table(file, content)
    with work.writing() as record:
        new = _new_readings(work, record, _cells(table, work), file)
        if not new and not _cut_short(record, file):
            return Outcome("done", f"{file} holds no reading that is not here already.")
        log_before_first_reading(work, record, work.clock())
        kept = keep_file(work.job.folder, file, content)
        imported = work.event(record, IMPORTED_FILE, name=kept.name, old=file, value=kept.sha256)
        rows = work.file([_row(cell, work, record, file) for cell in new], [imported])
        words = f"{counted(len(rows), 'reading')} taken from {file}."
        return Outcome("recorded", words, tuple(rows))


def _cut_short(record: ReadingsSoFar, file: str) -> bool:
    """Whether readings of a file were taken and the power failed before that was on record."""
    taken = any(row.source == IMPORTED and row.raw.startswith(f"{file}: ") for row in record.rows)
    return taken and not any(e.kind == IMPORTED_FILE and e.old == file for e in record.events)


def _table(file: str, content: bytes) -> pd.DataFrame:
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sheet"  # what it holds tells its kind
            path.write_bytes(content)
            return read_readings(path)
    except StudyError as error:
        raise StudyError(
            error.problem,
            error.remedy,
            file=file,
            row=error.row,
            column=error.column,
            value=error.value,
        ) from None
    except OSError as error:
        raise not_written(error, Path(file)) from error


def _cells(table: pd.DataFrame, work: Collecting) -> list[_Cell]:
    operators = list(dict.fromkeys(place.operator for place in work.job.places))
    parts = {code: part for part, code in work.job.codes.items()}
    cells = []
    for number, row in enumerate(table.to_dict("records"), start=1):
        if pd.isna(row["reading"]):
            continue
        operator = row.get("operator", operators[0] if len(operators) == 1 else "")
        method = row.get("method", work.job.methods[0] if len(work.job.methods) == 1 else "")
        part = parts.get(str(row["part"]), str(row["part"]))
        place = Place(str(operator), str(method), int(row.get("trial", 1)), part)
        note = row.get("note", "")
        cells.append(
            _Cell(place, float(row["reading"]), "" if pd.isna(note) else str(note), number)
        )
    return cells


def _new_readings(
    work: Collecting, record: ReadingsSoFar, cells: list[_Cell], file: str
) -> list[_Cell]:
    planned = set(work.places(record))
    new = []
    for cell in cells:
        if cell.place not in planned:
            raise StudyError(
                f"The plan has no place for {cell.place}",
                "Correct the part, operator, trial or method in the file",
                file=file,
                row=cell.row,
            )
        try:
            refuse_finer([cell.value], work.job.settings.resolution)
        except StudyError as error:
            raise StudyError(error.problem, error.remedy, file=file, row=cell.row) from None
        there = record.at.get(cell.place, [])
        if not there:
            new.append(cell)
        elif float(there[0].reading) != cell.value:
            raise StudyError(
                f"There is another reading of {cell.place} already",
                "Void that reading first, or leave the cell in the file empty",
                file=file,
                row=cell.row,
            )
    return new


def _row(cell: _Cell, work: Collecting, record: ReadingsSoFar, file: str) -> JournalRow:
    session = record.session
    resolution = work.job.settings.resolution
    text = repr(cell.value) if resolution is None else _shown(cell.value, resolution)
    return JournalRow(
        part=cell.place.part,
        operator=cell.place.operator,
        trial=str(cell.place.trial),
        method=cell.place.method,
        reading=text,
        note=cell.note,
        entered_by=session.value if session else "",
        source=IMPORTED,
        raw=f"{file}: {cell.value!r}",
        session=session.session if session else "",
    )


def _shown(value: float, resolution: float) -> str:
    """Return the value with the gauge's decimals where that changes nothing."""
    text = f"{value:.{reading_decimals(resolution)}f}"
    return text if abs(float(text) - value) < 1e-6 * resolution else repr(value)
