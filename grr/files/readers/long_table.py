"""Long tables: a header row that names the columns, then one row a reading."""

from __future__ import annotations

import re
from typing import Any

from grr.files.readers.grid import (
    HEADER_ROWS,
    KEYS,
    Found,
    Grid,
    Layout,
    column_letter,
    counts_readings,
    label_text,
    looks_empty,
    looks_numeric,
    trial_label,
)
from grr.files.readers.words import is_summary, trial_number
from grr.model.columns import is_own_name, unit_in
from grr.model.readings_table import FURTHER


def long_layout(grid: Grid) -> Layout | None:
    """Return where the readings of a long table stand; None where there is no such table.

    Raises
    ------
    StudyError
        There is one, and a row of it cannot be used.
    """
    header = _header_row(grid)
    if header is None:
        return None
    columns = _columns(grid, header)
    layout = Layout("one row a reading")
    layout.ignored_rows |= {
        row: grid.row_text(row) for row in range(header) if not grid.blank_row(row)
    }
    layout.ignored_columns += [
        f"column {column_letter(at)} ({grid.text(header, at)})"
        for at in grid.filled(header)
        if at not in columns.values()
    ]
    reading_header = grid.text(header, columns["reading"])
    if unit := unit_in(reading_header):
        layout.units.append((unit, f"the header “{reading_header}”"))
    for row in range(header + 1, len(grid.cells)):
        if grid.blank_row(row):
            continue
        if _repeats(grid, header, row, columns):
            layout.ignored_rows[row] = "the header again"
        elif reason := _not_a_reading(grid, header, row, columns):
            layout.ignored_rows[row] = reason
        else:
            layout.found.append(_found(grid, header, row, columns))
    parts = {str(found.labels["part"]) for found in layout.found}
    parts |= {_without_number(part) for part in parts}
    for row, text in layout.ignored_rows.items():
        if row > header and _looks_like_data(grid, row, columns, parts):
            layout.unused[row] = text
    return layout


def _looks_like_data(grid: Grid, row: int, columns: dict[str, int], parts: set[str]) -> bool:
    """Whether a row without a reading names a part, and what goes with it.

    A part is one that was measured elsewhere, or is numbered as those are.
    """
    keys = [columns[key] for key in KEYS if key in columns and grid.text(row, columns[key]) != ""]
    part = grid.text(row, columns["part"])
    return len(keys) > 1 and (part in parts or _without_number(part) in parts)


def _without_number(part: str) -> str:
    """Return a name with its numbers as 0: P07 and P12 are P0."""
    return re.sub(r"\d+", "0", part)


def _header_row(grid: Grid) -> int | None:
    """Return the first row that names part and reading above readings."""
    named = [
        row
        for row in range(min(HEADER_ROWS, len(grid.cells)))
        if {"part", "reading"} <= set(_meanings(grid, row).values())
    ]
    for row in named:
        at = next(a for a, key in _meanings(grid, row).items() if key == "reading")
        below = [grid.at(r, at) for r in range(row + 1, len(grid.cells)) if not grid.blank_row(r)]
        usable = sum(looks_numeric(cell) or looks_empty(cell) for cell in below)
        if any(map(looks_numeric, below)) and 2 * usable >= len(below):
            return row
    return named[0] if named else None


def _meanings(grid: Grid, row: int) -> dict[int, str]:
    return {
        at: role
        for at in grid.filled(row)
        if (row, at) in grid.stated or not grid.text(row, at).endswith(":")
        if (role := grid.role(row, at))
    }


def _meanings_of_header(grid: Grid, header: int) -> dict[int, str]:
    """Return what each column holds; "Messung" numbers the readings beside "Messwert"."""
    meanings = _meanings(grid, header)
    readings = [at for at, role in meanings.items() if role == "reading"]
    numbering = [at for at in readings if counts_readings(grid, header, at)]
    if len(readings) == 2 and len(numbering) == 1 and "trial" not in meanings.values():
        meanings[numbering[0]] = "trial"
    return meanings


def _columns(grid: Grid, header: int) -> dict[str, int]:
    """Return the column of each key; the project's own name goes before a synonym."""
    columns: dict[str, int] = {}
    for at, key in _meanings_of_header(grid, header).items():
        if key not in columns:
            columns[key] = at
            continue
        own = [a for a in (columns[key], at) if is_own_name(grid.text(header, a))]
        if len(own) != 1:
            raise grid.refusal(
                f"Two columns could hold the {key}: {grid.text(header, columns[key])} and "
                f"{grid.text(header, at)}",
                f"Name one of them {key} and remove or rename the other, or say which it is, such "
                f"as columns={{{key!r}: {grid.text(header, at)!r}}}; where each part was measured "
                "several times across, name the columns Trial 1, Trial 2, Trial 3",
                header,
                at,
            )
        columns[key] = own[0]
    further = {grid.text(header, at).casefold(): at for at in grid.filled(header)}
    return {**{name: further[name] for name in FURTHER if name in further}, **columns}


def _repeats(grid: Grid, header: int, row: int, columns: dict[str, int]) -> bool:
    return all(
        grid.text(row, at).casefold() == grid.text(header, at).casefold() for at in columns.values()
    )


def _not_a_reading(grid: Grid, header: int, row: int, columns: dict[str, int]) -> str:
    """Return why a row is no reading: a summary or a remark; "" where it is one."""
    keys = [columns[key] for key in KEYS if key in columns]
    blank = [at for at in keys if grid.text(row, at) == ""]
    labelled = "trial" in columns and not blank and trial_number(grid.text(row, columns["trial"]))
    for at in grid.filled(row):
        if (at in keys or grid.text(header, at) == "") and is_summary(grid.text(row, at)):
            return "" if labelled else grid.row_text(row)
    if looks_empty(grid.at(row, columns["reading"])) and blank:
        return grid.row_text(row)
    return ""


def _found(grid: Grid, header: int, row: int, columns: dict[str, int]) -> Found:
    for at in grid.filled(row):
        if grid.text(header, at) == "":
            raise grid.refusal(
                "A row has more cells than the header names",
                "Name the column or empty the cell; where the decimal sign is a comma, put "
                "semicolons between the cells",
                row,
                at,
            )
    labels: dict[str, Any] = {}
    for key, at in columns.items():
        if key == "reading":
            continue
        named = grid.text(header, at)
        text = label_text(grid, row, at, named)
        if key in KEYS and text == "":
            raise grid.refusal(
                f"A reading has no {key}", f"Enter the {key} in this row", row, at, named
            )
        labels[key] = trial_label(grid, row, at, named) if key == "trial" else text
    at = columns["reading"]
    return Found(row, at, labels, grid.text(header, at))
