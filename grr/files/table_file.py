"""Tables from a file as people keep it, CSV, Excel or OpenDocument.

Readings of parts by operators, one row a reading or a form (`read_readings`); or plain columns
of a reference part, gauge blocks, checks over time (`read_columns`).
"""

from __future__ import annotations

import datetime as dt
import hashlib
import logging
from collections.abc import Mapping
from os import PathLike
from pathlib import Path

import pandas as pd

from grr.files.allowed_files import regular_file
from grr.files.journal import is_journal
from grr.files.readers.found import (
    decimal_sign,
    read_numbers,
    readings_in,
    stated_columns,
    unit_of_readings,
    which_column,
    with_stated_columns,
)
from grr.files.readers.grid import Found, Grid, Layout
from grr.files.readers.long_table import long_layout
from grr.files.readers.other_workbook import is_open_document, other_workbook_grids
from grr.files.readers.text_table import text_grid
from grr.files.readers.wide_form import wide_layout
from grr.files.readers.workbook import workbook_grids
from grr.model.columns import NAMES, bare, unit_in
from grr.model.errors import StudyError
from grr.model.values import a_path, one_of

#: The largest file read, in bytes; a gauge study takes some thousands. A workbook may hold
#: pictures; of text each cell is looked at, which takes 50 times its size in memory.
LARGEST_FILE = 20_000_000
LARGEST_TEXT = 4_000_000

LOG = logging.getLogger("grr")
_ZIP = b"PK\x03\x04"
_OLD_WORKBOOK = b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1"


def read_readings(
    path: str | PathLike[str],
    *,
    sheet: str | None = None,
    unit: str | None = None,
    decimal: str | None = None,
    columns: Mapping[str, str] | None = None,
) -> pd.DataFrame:
    """Return the readings in a CSV, Excel or OpenDocument file as a long table, one row a reading.

    Understood are long tables (a header that names part, operator, trial and reading, in
    the words of the trade) and forms: parts down and operators and trials across in one or
    two header rows, operators and trials down and parts across, several blocks on a sheet,
    with rows and columns of averages and ranges, which are ignored. Missing readings stay
    in the table as NaN.

    Parameters
    ----------
    path : str or path
    sheet : str, optional
        Which sheet of a workbook; needed only where several hold readings.
    unit : str, optional
        The unit of the readings where the file states none.
    decimal : {".", ","}, optional
        The decimal sign, where the file leaves open whether "10,008" is 10.008.
    columns : mapping, optional
        Which column is what, where the words of the file leave it open: role → heading as it
        stands in the file, such as ``{"part": "Bolt", "reading": "Height 2"}``. Roles are
        part, operator, trial, reading, method, order, time, note and unit; those not named
        are found by their words, as `grr.model.columns.NAMES` lists them.

    Returns
    -------
    DataFrame
        Columns as in `grr.Study`. ``attrs["unit"]`` is the unit ("" where not stated),
        ``attrs["taken"]`` what was taken and what ignored: see `grr.describe_reading`.

    Raises
    ------
    StudyError
        The file cannot be read, is no table of readings, or a cell of it cannot be used;
        the message names file, row (as a spreadsheet shows it), column, value and remedy.

    Examples
    --------
    >>> grr.read_readings("demo_data/old_form_parts_down.csv").head(3)
      part operator  trial  reading
    0    1     Ilka      1  10.0096
    1    1     Ilka      2  10.0095
    2    1     Ilka      3  10.0095
    """
    if decimal is not None:
        one_of("decimal", decimal, (".", ","))
    file = a_path(path)
    content = file_content(file)
    grids = grids_in(content, file.name, sheet)
    stated = {} if columns is None else stated_columns(columns)
    if stated and not all(grid.empty for grid in grids):
        grids = with_stated_columns(grids, stated, file.name)
    sha256 = hashlib.sha256(content).hexdigest()
    grid, layout = _chosen(grids, file.name, several=sheet is None)
    where = str(file.resolve())
    found = readings_in(grid, layout, sha256=sha256, unit=unit, decimal=decimal, path=where)
    LOG.info("read %s: %d readings", where, int(found["reading"].notna().sum()))
    return found


def file_content(file: Path) -> bytes:
    """Return the bytes of a file of readings, or say why it cannot be read."""
    try:
        if file.is_dir():
            raise StudyError(
                "This is a folder, not a file of readings",
                "Name the file in it, or open a study folder with grr.open_study",
                file=file,
            )
        if regular_file(file).stat().st_size > LARGEST_FILE:
            raise _too_large(file, file.stat().st_size)
        content = file.read_bytes()
    except StudyError:
        raise
    except FileNotFoundError:
        raise StudyError(
            "There is no such file",
            f"Check the name and the folder; looked in {Path.cwd()}",
            file=file,
        ) from None
    except PermissionError:
        raise StudyError(
            "The file cannot be opened",
            "Close it in the spreadsheet program, or ask for the right to read it",
            file=file,
        ) from None
    except (OSError, ValueError) as error:
        raise StudyError(
            "The file cannot be read", "Check its name and its disk", file=file, value=error
        ) from None
    if not content.strip():
        raise StudyError("The file is empty", "Save the readings in it first", file=file)
    return content


def _too_large(file: object, size: int) -> StudyError:
    return StudyError(
        "The file is larger than a gauge study can be",
        "For many studies in one file use grr.analyse_many",
        file=file,
        value=f"{size / 1e6:.0f} MB",
    )


def grids_in(content: bytes, file: str, sheet: str | None) -> list[Grid]:
    """Return the cells of a text file, or of each sheet (or the one named) of a workbook."""
    other = content.startswith(_OLD_WORKBOOK) or is_open_document(content)
    if not other and not content.startswith(_ZIP):
        if sheet is not None:
            raise StudyError(
                "A text file has no sheets", "Leave the sheet out", file=file, value=sheet
            )
        if len(content) > LARGEST_TEXT:
            raise _too_large(file, len(content))
        grid = text_grid(content, file)
        if grid.cells and is_journal(grid.cells[0]):
            raise StudyError(
                "This is the journal of a study: it also holds readings that do not count",
                "Open the folder with grr.open_study; where that says so too, a spreadsheet "
                "program has saved the file in a form of its own: restore it from a copy",
                file=file,
            )
        return [grid]
    grids = other_workbook_grids(content, file) if other else workbook_grids(content, file)
    if sheet is None:
        return grids
    named = [grid for grid in grids if grid.sheet == sheet]
    if not named:
        raise StudyError(
            "The workbook has no such sheet",
            f"Name one of: {', '.join(grid.sheet for grid in grids)}",
            file=file,
            value=sheet,
        )
    return named


def _chosen(grids: list[Grid], file: str, *, several: bool) -> tuple[Grid, Layout]:
    """Return the only grid that holds readings, and where they stand in it."""
    filled = [grid for grid in grids if not grid.empty]
    if not filled:
        raise StudyError("The file has no cells with content", "Enter the readings", file=file)
    if len(filled) == 1:
        return filled[0], _layout(filled[0])
    fitting = [grid for grid in filled if _may_hold_readings(grid)]
    if len(fitting) != 1 and several:
        raise StudyError(
            "Several sheets hold readings" if fitting else "No sheet was recognised as readings",
            f"Name one: sheet='{(fitting or filled)[0].sheet}'; there are "
            f"{', '.join(grid.sheet for grid in filled)}",
            file=file,
        )
    return fitting[0], _layout(fitting[0])


def _may_hold_readings(grid: Grid) -> bool:
    try:
        return long_layout(grid) is not None or wide_layout(grid) is not None
    except StudyError:
        return True  # recognised, and refused for something in it


def _layout(grid: Grid) -> Layout:
    layout = long_layout(grid) or wide_layout(grid)
    if layout is None:
        raise which_column(grid)
    return layout


#: Columns that are understood, and what people call them.
COLUMNS = {
    "reading": NAMES["reading"],
    "time": (*NAMES["time"], "date", "day", "checked on"),
    "reference": ("reference", "reference value", "block", "block size", "gauge block", "nominal"),
    "check": ("check", "check number"),
    "expanded_uncertainty": ("expanded uncertainty", "uncertainty of the block"),
}
#: Columns that hold lengths, in the unit of the file.
_LENGTHS = ("reading", "reference", "expanded_uncertainty")
#: The header is looked for in so many rows.
_TOP = 30


def read_columns(
    path: str | PathLike[str],
    *,
    sheet: str | None = None,
    unit: str | None = None,
    decimal: str | None = None,
) -> pd.DataFrame:
    """Return the columns reading, reference, time and so on of a CSV, Excel or OpenDocument file.

    For `grr.reference_study`, `grr.linearity` and `grr.stability`, whose tables have no
    parts and operators. Other columns are left.

    Parameters
    ----------
    path : str or path
    sheet : str, optional
        Which sheet of a workbook; the first one with a column of readings by default.
    unit : str, optional
        The unit where the file states none.
    decimal : {".", ","}, optional
        The decimal sign, where the file leaves it open.

    Returns
    -------
    DataFrame
        Readings left empty are NaN. ``attrs["unit"]`` is the unit ("" where not stated).

    Raises
    ------
    StudyError
        No column of readings, or a cell that cannot be used; with its place.

    Examples
    --------
    >>> grr.read_columns("demo_data/micrometer_25/blocks.csv").head(3)
       reference  reading  expanded_uncertainty
    0        0.0   0.0000              0.000000
    1       12.9  12.9000              0.000056
    2       25.0  25.0001              0.000063
    """
    if decimal is not None:
        one_of("decimal", decimal, (".", ","))
    file = a_path(path)
    for grid in grids_in(file_content(file), file.name, sheet):
        found = _header(grid)
        if found is not None:
            return _read(grid, *found, unit=unit, decimal=decimal)
    raise StudyError(
        "No column of readings was found",
        f"Name the columns in one row: {', '.join(COLUMNS)}",
        file=file.name,
    )


def _header(grid: Grid) -> tuple[int, dict[str, int]] | None:
    """Return the row of the header and the place of each column known there."""
    known = {bare(word): name for name, words in COLUMNS.items() for word in (name, *words)}
    for row in range(min(_TOP, len(grid.cells))):
        places: dict[str, int] = {}
        for column in grid.filled(row):
            name = known.get(bare(grid.text(row, column)))
            if name in places:
                raise grid.refusal(
                    f"Two columns are named {name}", "Rename or remove one", row, column
                )
            if name is not None:
                places[name] = column
        if "reading" in places:
            return row, places
    return None


def _read(
    grid: Grid, header: int, places: dict[str, int], *, unit: str | None, decimal: str | None
) -> pd.DataFrame:
    rows = [row for row in range(header + 1, len(grid.cells)) if not grid.blank_row(row)]
    if not rows:
        raise StudyError("There are no readings below the header", "Enter them", file=grid.name)
    table = pd.DataFrame(index=pd.RangeIndex(len(rows)))
    if "time" in places:
        table["time"] = [_time(grid, row, places["time"]) for row in rows]
    cells = {
        name: [Found(row, column, {}, grid.text(header, column)) for row in rows]
        for name, column in places.items()
        if name != "time"
    }
    lengths = _lengths_in(grid, header, places, [c for n in _LENGTHS for c in cells.get(n, [])])
    sign = decimal or decimal_sign(grid, lengths)
    stated, _ = unit_of_readings(grid, lengths, read_numbers(grid, lengths, sign), unit)
    for name, found in cells.items():
        numbers = read_numbers(grid, Layout("columns", found), sign)
        table[name] = [number.value for number in numbers]
    table.attrs["unit"] = stated
    return table


def _lengths_in(grid: Grid, header: int, places: dict[str, int], found: list[Found]) -> Layout:
    units = [
        (unit_in(grid.text(header, places[name])), f"the header of {name}")
        for name in _LENGTHS
        if name in places and unit_in(grid.text(header, places[name]))
    ]
    return Layout("columns", found, units)


def _time(grid: Grid, row: int, column: int) -> str:
    cell = grid.at(row, column)
    if isinstance(cell, (dt.datetime, dt.date)):
        return cell.isoformat()
    return grid.text(row, column)
