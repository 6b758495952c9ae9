"""The readings found in a grid, as a long table, and in words what was taken.

Where the file leaves open which column is what, the question to ask, and the caller's answer.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import replace
from datetime import date, time
from typing import Any

import pandas as pd

from grr.files.readers.grid import (
    HEADER_ROWS,
    KEYS,
    Found,
    Grid,
    Layout,
    Unusable,
    address,
    cell_range,
    looks_empty,
    looks_numeric,
)
from grr.files.readers.text_table import separator_name
from grr.files.text_and_numbers import ParsedNumber, parse_number
from grr.model.columns import NAMES
from grr.model.errors import StudyError
from grr.model.plain_text import clean_text
from grr.model.readings_table import FURTHER, validated
from grr.model.rounding import counted
from grr.model.units import canonical_unit
from grr.model.values import needs, one_of, spelling

_MOST_SHOWN = 12
#: What every table of readings needs; a form needs no column of readings.
_NEEDED = ("part", "reading")


def readings_in(
    grid: Grid,
    layout: Layout,
    *,
    sha256: str,
    unit: str | None,
    decimal: str | None,
    path: str = "",
) -> pd.DataFrame:
    """Return the long table of what was found, described in its ``attrs``.

    Raises
    ------
    StudyError
        A cell cannot be used, units differ, or two cells claim the same place.
    """
    if not layout.found:
        raise StudyError(
            "There are no readings below the header", "Enter the readings", file=grid.name
        )
    _refuse_two_spellings(grid, layout)
    _refuse_duplicates(grid, layout)
    decimal = decimal or decimal_sign(grid, layout)
    numbers = read_numbers(grid, layout, decimal)
    unit, unit_from = unit_of_readings(grid, layout, numbers, unit)
    names = list(layout.found[0].labels)
    said = {grid.text(*place): role for place, role in grid.stated.items()}
    table = pd.DataFrame({name: [f.labels.get(name) for f in layout.found] for name in names})
    table["reading"] = [number.value for number in numbers]
    table = _checked(table, grid, layout)
    table.attrs["unit"] = unit
    table.attrs["taken"] = {
        "file": grid.file,
        "sha256": sha256,
        "sheet": grid.sheet,
        "cells": cell_range([(found.row, found.column) for found in layout.found]),
        "form": layout.form,
        "written_as": written_as(grid, decimal or ""),
        "unit_from": unit_from,
        "parts": tuple(table["part"].unique()),
        "operators": tuple(table["operator"].unique()),
        "missing": tuple(
            f"{_place(found)} in {address(found.row, found.column)}"
            for found, number in zip(layout.found, numbers, strict=True)
            if math.isnan(number.value)
        ),
        "ignored": (*grid.remarks, *layout.ignored),
        "stated": (
            *(f"the call: “{heading}” is the {role}" for heading, role in said.items()),
            *(f"row {row + 1}: {text}" for row, text in sorted(layout.captions.items())),
        ),
        "assumed": (*layout.assumed, *grid.doubts),
        "unused": tuple(f"row {row + 1}: {text}" for row, text in sorted(layout.unused.items())),
        "path": path,
    }
    return table


def _refuse_duplicates(grid: Grid, layout: Layout) -> None:
    cells = Counter((found.row, found.column) for found in layout.found)
    for (row, column), times in cells.items():
        if times > 1:
            raise grid.refusal(
                "It is not clear under which of two headers the reading stands",
                "Leave one header above the readings: Part over the labels of the parts, and "
                "Anna 1, Anna 2, Boris 1 … over the readings",
                row,
                column,
            )
    if "trial" not in layout.found[0].labels:
        return  # whether a part was measured twice is checked with the whole table
    seen: dict[tuple[Any, ...], Found] = {}
    for found in layout.found:
        first = seen.setdefault(
            tuple(found.labels.get(key) for key in (*KEYS, *FURTHER[1:])), found
        )
        if first is not found:
            raise grid.refusal_of(
                found,
                f"Two readings claim the same place: {_place(found)}, also in "
                f"{address(first.row, first.column)}",
                "Correct the part, operator or trial of one of them, or remove one; where "
                "several blocks stand on a sheet, write “Operator: name” above each",
            )


def _place(found: Found) -> str:
    return ", ".join(f"{key} {found.labels[key]}" for key in KEYS if key in found.labels)


def _refuse_two_spellings(grid: Grid, layout: Layout) -> None:
    for key in ("part", "operator", "method"):
        spellings: dict[str, str] = {}
        for found in layout.found:
            label = str(found.labels.get(key, ""))
            first = spellings.setdefault(spelling(label), label)
            if first != label:
                raise grid.refusal(
                    f"One {key} seems to be written in two ways: “{first}” and “{label}”",
                    f"Write the {key} the same way everywhere; where they are two, give them "
                    "names that differ in more than capitals, spaces and letters that look alike",
                    found.row,
                )


def _checked(table: pd.DataFrame, grid: Grid, layout: Layout) -> pd.DataFrame:
    """Return the table as a study keeps it; refusals name the row of the file."""
    try:
        return validated(table)
    except StudyError as error:
        row = None if error.row is None else layout.found[error.row - 1].row + 1
        raise error.at(file=grid.name, row=row) from None


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
    if not problem and not looks_empty(cell):
        problem, remedy = grid.unclear.get((found.row, found.column), ("", ""))
    if problem:
        raise grid.refusal_of(found, problem, remedy)
    if looks_empty(cell):
        return ParsedNumber(math.nan, "", 0, "")
    if not isinstance(cell, str):
        return ParsedNumber(float(cell), "", 0, grid.text(found.row, found.column))
    try:
        return parse_number(cell, decimal)
    except StudyError as error:
        problem = f"A reading cannot be used: {error.reason}"
        raise grid.refusal_of(found, problem, error.remedy) from None


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
                raise grid.refusal_of(
                    found,
                    f"The readings have different units: {' and '.join(sources)}",
                    "Convert them to one unit, or split them into two files",
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


def written_as(grid: Grid, decimal: str) -> str:
    """Return how a text file was written; for a sheet, the sign of numbers kept as text."""
    sign = {".": "decimal point", ",": "decimal comma", "": ""}[decimal]
    separator = f"cells separated by {separator_name(grid.separator)}" if grid.separator else ""
    return ", ".join(filter(None, (separator, sign, grid.encoding)))


def describe_reading(readings: pd.DataFrame) -> str:
    """Return in words what `grr.read_readings` took from a file and what it ignored.

    Raises
    ------
    StudyError
        The table was not read from a file, or lost its description on the way.

    Examples
    --------
    >>> readings = grr.read_readings("demo_data/old_form_parts_down.csv")
    >>> print(grr.describe_reading(readings).splitlines()[2])
    Taken: 90 readings of 10 parts by 3 operators, 3 trials.
    """
    taken = needs(readings, pd.DataFrame).attrs.get("taken")
    if not isinstance(taken, dict):
        raise StudyError(
            "The table does not say where it was read from",
            "Give the table as grr.read_readings returned it",
        )
    sheet = f", sheet {taken['sheet']}" if taken["sheet"] else ""
    written = f" ({taken['written_as']})" if taken["written_as"] else ""
    unit = readings.attrs.get("unit") or ""
    lines = [
        f"Read from {taken['file']}{sheet}, cells {taken['cells']}{written}.",
        f"Recognised as {taken['form']}.",
        f"Taken: {counted(int(readings['reading'].notna().sum()), 'reading')} of "
        f"{counted(len(taken['parts']), 'part')} by "
        f"{counted(len(taken['operators']), 'operator')}, "
        f"{counted(readings['trial'].nunique(), 'trial')}.",
        f"Operators: {_listed(taken['operators'])}.",
        f"Parts: {_listed(taken['parts'])}.",
        f"Unit: {unit}, stated in {taken['unit_from']}." if unit else "Unit: not stated anywhere.",
        *(f"Stated in {caption}." for caption in taken["stated"]),
        *(f"Assumed: {assumption}." for assumption in taken["assumed"]),
        *_section("Looks like data and was not used", taken["unused"], "nothing"),
        *_section("Missing", taken["missing"], "none"),
        *_section("Ignored", taken["ignored"], "nothing"),
        f"File as read: SHA-256 {taken['sha256']}.",
        "Compare this with the file before you go on.",
    ]
    return "\n".join(lines)


def _section(title: str, entries: tuple[str, ...], none: str) -> list[str]:
    if not entries:
        return [f"{title}: {none}."]
    return [f"{title} ({len(entries)}):", *(f"  - {entry}" for entry in entries)]


def _listed(names: tuple[str, ...]) -> str:
    if len(names) <= _MOST_SHOWN:
        return ", ".join(names)
    return f"{', '.join(names[: _MOST_SHOWN - 1])} … {names[-1]}"


def stated_columns(columns: object) -> dict[str, str]:
    """Return the caller's answer, role → heading, or say what is wrong with it."""
    if not isinstance(columns, Mapping):
        raise StudyError(
            "columns does not say which column is what",
            'Write it like columns={"part": "Bolt", "reading": "Height"}',
            value=columns,
        )
    stated: dict[str, str] = {}
    for role, heading in columns.items():
        one_of("A role in columns", role, tuple(NAMES))
        text = clean_text(needs(heading, str, f"columns[{role!r}]"))
        if text == "" or text in stated.values():
            raise StudyError(
                "A heading is empty" if text == "" else "Two roles are given to one column",
                "Write one heading of the file for each role",
                column=role,
                value=heading,
            )
        stated[role] = text
    return stated


def with_stated_columns(grids: list[Grid], stated: dict[str, str], file: str) -> list[Grid]:
    """Return the grids in which a row bears all the headings, with their roles marked.

    Raises
    ------
    StudyError
        No grid has such a row, or two columns bear one heading.
    """
    marked = [
        replace(grid, stated=places) for grid in grids if (places := _stated_in(grid, stated)) != {}
    ]
    if not marked:
        grid = next(grid for grid in grids if not grid.empty)
        row = _row_of_headings(grid)
        raise StudyError(
            f"No row holds the {'heading' if len(stated) == 1 else 'headings'} "
            f"{_quoted(list(stated.values()))}",
            f"Write the headings as they stand in the file: {_headings(grid, row)}",
            file=file,
            row=None if row is None else row + 1,
        )
    return marked


def _stated_in(grid: Grid, stated: dict[str, str]) -> dict[tuple[int, int], str]:
    """Return where the headings stand, in the first row that has them all and its repeats."""
    columns: dict[str, int] = {}
    places: dict[tuple[int, int], str] = {}
    for row in range(len(grid.cells)):
        if not columns and row < HEADER_ROWS:
            columns = _stated_at(grid, row, stated)
        if columns and all(grid.text(row, columns[role]) == stated[role] for role in stated):
            places |= {(row, at): role for role, at in columns.items()}
    return places


def _stated_at(grid: Grid, row: int, stated: dict[str, str]) -> dict[str, int]:
    columns = {}
    for role, heading in stated.items():
        found = [at for at in grid.filled(row) if grid.text(row, at) == heading]
        if not found:
            return {}
        columns[role] = found[0]
        if len(found) > 1:
            raise grid.refusal(
                f"Two columns are headed {heading}", "Give each its own heading", row, found[1]
            )
    return columns


def which_column(grid: Grid) -> StudyError:
    """Return the question: what is known of the columns, what not, and how to answer."""
    row = _row_of_headings(grid)
    if row is None:
        return StudyError(
            "No table of readings was found: no column is named part and reading, and no form "
            "was recognised",
            "Name the columns part, operator, trial and reading; or put the parts down the side "
            "under “Part” and write Anna 1, Anna 2, Boris 1 … over the readings",
            file=grid.name,
            row=1,
            value=" | ".join(grid.text(0, at) for at in grid.filled(0)) or None,
        )
    known = {role: at for at in grid.filled(row) if (role := grid.role(row, at))}
    missing = [role for role in _NEEDED if role not in known] or list(_NEEDED)
    understood = "".join(
        f"; “{grid.text(row, at)}” was taken for the {role}" for role, at in known.items()
    )
    return StudyError(
        f"It is not clear which column is the {' and which the '.join(missing)}{understood}",
        f"Say it with columns={{{', '.join(f'{role!r}: heading' for role in missing)}}}, or "
        f"write these words over the columns. The headings are {_headings(grid, row)}; a "
        f"column can be {', '.join(NAMES)}. In a form put the parts down the side under "
        "“Part” and write Anna 1, Anna 2, Boris 1 … over the readings",
        file=grid.name,
        row=row + 1,
    )


def _row_of_headings(grid: Grid) -> int | None:
    """Return the row with the most headings: words that have numbers below them."""
    best, most = None, 1
    for row in range(min(HEADER_ROWS, len(grid.cells) - 1)):
        filled = list(grid.filled(row))
        words = [at for at in filled if not looks_numeric(grid.at(row, at))]
        numbers = any(looks_numeric(grid.at(row + 1, at)) for at in words)
        if numbers and len(words) == len(filled) and len(words) > most:
            best, most = row, len(words)
    return best


def _headings(grid: Grid, row: int | None) -> str:
    if row is None:
        return "there seems to be none"
    return _quoted([grid.text(row, at) for at in grid.filled(row)])


def _quoted(headings: list[str]) -> str:
    return ", ".join(f"“{heading}”" for heading in headings)
