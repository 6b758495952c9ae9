"""The cells found, as numbers in one unit."""

from __future__ import annotations

import math
from collections import Counter
from datetime import date, time
from typing import Any

from grr.files.number_text import ParsedNumber, clean_text, parse_number
from grr.files.readers.grid import Grid, Unusable
from grr.files.readers.layout import Found, Layout, looks_empty
from grr.model.errors import StudyError
from grr.model.units import canonical_unit


def decimal_sign(grid: Grid, layout: Layout) -> str | None:
    """Return the decimal sign of the readings written as text; None where none shows it.

    A comma before exactly three digits shows nothing by itself, but semicolons between
    the cells do: spreadsheet programs write them where the comma is the decimal sign.
    """
    signs: Counter[str] = Counter()
    for found in layout.found:
        cell = grid.at(found.row, found.column)
        if isinstance(cell, str) and not looks_empty(cell):
            signs[_sign_shown(clean_text(cell), grid.separator)] += 1
    del signs[""]
    return signs.most_common(1)[0][0] if signs else None


def _sign_shown(text: str, separator: str) -> str:
    present = [sign for sign in ".," if text.count(sign) > 0]
    if len(present) == 2:
        return max(present, key=text.rindex)
    if len(present) != 1 or text.count(present[0]) > 1:
        return ""
    if present == [","] and separator != ";":
        try:
            parse_number(text)
        except StudyError:
            return ""
    return present[0]


def read_numbers(grid: Grid, layout: Layout, decimal: str | None) -> list[ParsedNumber]:
    """Return the number in each cell found; NaN where nothing was measured.

    Raises
    ------
    StudyError
        A cell holds something else, with its place.
    """
    return [_read(grid, found, decimal) for found in layout.found]


def _read(grid: Grid, found: Found, decimal: str | None) -> ParsedNumber:
    cell = grid.at(found.row, found.column)
    problem, remedy = _not_a_number(cell)
    if problem:
        raise grid.refusal(problem, remedy, found.row, found.column, found.named)
    if looks_empty(cell):
        return ParsedNumber(math.nan, "", 0, "")
    if not isinstance(cell, str):
        return ParsedNumber(float(cell), "", 0, grid.text(found.row, found.column))
    try:
        return parse_number(cell, decimal)
    except StudyError as error:
        raise grid.refusal(
            f"A reading cannot be used: {error.problem[0].lower()}{error.problem[1:]}",
            error.remedy,
            found.row,
            found.column,
            found.named,
        ) from None


def _not_a_number(cell: Any) -> tuple[str, str]:
    if isinstance(cell, Unusable):
        return cell.problem, cell.remedy
    if isinstance(cell, bool):
        return "A reading is not a number", "Enter the reading, or leave the cell empty"
    if isinstance(cell, (date, time)) or not (cell is None or isinstance(cell, (str, int, float))):
        return (
            "A reading cannot be read: the cell holds a date or a time",
            "A spreadsheet program may have made it of a number: format the cell as a number and "
            "enter the reading again",
        )
    return "", ""


def unit_of_readings(
    grid: Grid, layout: Layout, numbers: list[ParsedNumber], stated: str | None
) -> tuple[str, str]:
    """Return the unit of all readings and where it was stated.

    Raises
    ------
    StudyError
        Two units are stated, or one that is no unit of length.
    """
    sources: dict[str, str] = {}
    for text, where in layout.units:
        sources.setdefault(_unit(text, grid, where), where)
    for found, number in zip(layout.found, numbers, strict=True):
        column = found.labels.get("unit", "")
        for unit, where in ((number.unit, "the cells"), (column, "the column of units")):
            if unit == "":
                continue
            sources.setdefault(_unit(unit, grid, f"row {found.row + 1}"), where)
            if len(sources) > 1:
                raise grid.refusal(
                    f"The readings have different units: {' and '.join(sources)}",
                    "Convert them to one unit, or split them into two files",
                    found.row,
                    found.column,
                    found.named,
                )
    if stated:
        sources.setdefault(canonical_unit(stated), "the call")
    if len(sources) > 1:
        raise StudyError(
            f"Two units are stated: {', '.join(f'{u} in {w}' for u, w in sources.items())}",
            "Correct the one that is wrong",
            file=grid.name,
        )
    return next(iter(sources.items()), ("", ""))


def _unit(text: str, grid: Grid, where: str) -> str:
    try:
        return canonical_unit(text)
    except StudyError as error:
        raise StudyError(
            f"{error.problem}: it stands in {where}", error.remedy, file=grid.name, value=text
        ) from None
