"""The readings found in a grid, as a long table."""

from __future__ import annotations

import math
from typing import Any

import pandas as pd

from grr.files.readers.grid import Grid, address, cell_range
from grr.files.readers.layout import Found, Layout
from grr.files.readers.numbers import decimal_sign, read_numbers, unit_of_readings
from grr.files.readers.taken import Taken, written_as
from grr.model.errors import StudyError
from grr.model.readings_table import validated
from grr.model.values import spelling

_KEYS = ("part", "operator", "trial", "method")


def readings_in(
    grid: Grid, layout: Layout, *, sha256: str, unit: str | None, decimal: str | None
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
    table = pd.DataFrame({name: [f.labels.get(name) for f in layout.found] for name in names})
    table["reading"] = [number.value for number in numbers]
    table = _checked(table, grid, layout)
    table.attrs["unit"] = unit
    table.attrs["taken"] = Taken(
        file=grid.file,
        sha256=sha256,
        sheet=grid.sheet,
        cells=cell_range([(found.row, found.column) for found in layout.found]),
        form=layout.form,
        written_as=written_as(grid, decimal or ""),
        unit_from=unit_from,
        parts=tuple(table["part"].unique()),
        operators=tuple(table["operator"].unique()),
        missing=tuple(
            f"{_place(found)} in {address(found.row, found.column)}"
            for found, number in zip(layout.found, numbers, strict=True)
            if math.isnan(number.value)
        ),
        ignored=(*grid.remarks, *layout.ignored),
        stated=tuple(f"row {row + 1}: {text}" for row, text in sorted(layout.captions.items())),
        assumed=(*layout.assumed, *grid.doubts),
    ).as_dict()
    return table


def _refuse_duplicates(grid: Grid, layout: Layout) -> None:
    if "trial" not in layout.found[0].labels:
        return  # whether a part was measured twice is checked with the whole table
    seen: dict[tuple[Any, ...], Found] = {}
    for found in layout.found:
        first = seen.setdefault(tuple(found.labels.get(key) for key in _KEYS), found)
        if first is not found:
            raise grid.refusal(
                f"Two readings claim the same place: {_place(found)}, also in "
                f"{address(first.row, first.column)}",
                "Correct the part, operator or trial of one of them, or remove one; where "
                "several blocks stand on a sheet, write “Operator: name” above each",
                found.row,
                found.column,
                found.named,
            )


def _place(found: Found) -> str:
    return ", ".join(f"{key} {found.labels[key]}" for key in _KEYS if key in found.labels)


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
                    "names that differ in more than capitals and spaces",
                    found.row,
                )


def _checked(table: pd.DataFrame, grid: Grid, layout: Layout) -> pd.DataFrame:
    """Return the table as a study keeps it; refusals name the row of the file."""
    try:
        return validated(table)
    except StudyError as error:
        row = None if error.row is None else layout.found[error.row - 1].row + 1
        raise StudyError(
            error.problem,
            error.remedy,
            file=grid.name,
            row=row,
            column=error.column,
            value=error.value,
        ) from None
