"""Plain columns from a file: a reference part, gauge blocks, checks over time."""

from __future__ import annotations

import datetime as dt
from os import PathLike

import pandas as pd

from grr.files.readers.found import decimal_sign, read_numbers, unit_of_readings
from grr.files.readers.grid import Found, Grid, Layout
from grr.files.readings_file import file_content, grids_in
from grr.model.columns import NAMES, bare, unit_in
from grr.model.errors import StudyError
from grr.model.values import a_path, one_of

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
    """Return the columns reading, reference, time and so on of a CSV or Excel file.

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
    lengths = _layout(grid, header, places, [c for n in _LENGTHS for c in cells.get(n, [])])
    sign = decimal or decimal_sign(grid, lengths)
    stated, _ = unit_of_readings(grid, lengths, read_numbers(grid, lengths, sign), unit)
    for name, found in cells.items():
        numbers = read_numbers(grid, Layout("columns", found), sign)
        table[name] = [number.value for number in numbers]
    table.attrs["unit"] = stated
    return table


def _layout(grid: Grid, header: int, places: dict[str, int], found: list[Found]) -> Layout:
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
