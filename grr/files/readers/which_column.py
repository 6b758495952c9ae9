"""Which column is what: the question where a file leaves it open, and the caller's answer."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from grr.files.readers.grid import HEADER_ROWS, Grid, looks_numeric
from grr.model.columns import NAMES
from grr.model.errors import StudyError
from grr.model.plain_text import clean_text
from grr.model.values import needs, one_of

#: What every table of readings needs; a form needs no column of readings.
_NEEDED = ("part", "reading")


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
        replace(grid, stated=places) for grid in grids if (places := _places(grid, stated)) != {}
    ]
    if not marked:
        grid = next(grid for grid in grids if not grid.empty)
        row = _header(grid)
        raise StudyError(
            f"No row holds the {'heading' if len(stated) == 1 else 'headings'} "
            f"{_quoted(list(stated.values()))}",
            f"Write the headings as they stand in the file: {_headings(grid, row)}",
            file=file,
            row=None if row is None else row + 1,
        )
    return marked


def _places(grid: Grid, stated: dict[str, str]) -> dict[tuple[int, int], str]:
    """Return where the headings stand, in the first row that has them all and its repeats."""
    columns: dict[str, int] = {}
    places: dict[tuple[int, int], str] = {}
    for row in range(len(grid.cells)):
        if not columns and row < HEADER_ROWS:
            columns = _columns(grid, row, stated)
        if columns and all(grid.text(row, columns[role]) == stated[role] for role in stated):
            places |= {(row, at): role for role, at in columns.items()}
    return places


def _columns(grid: Grid, row: int, stated: dict[str, str]) -> dict[str, int]:
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
    row = _header(grid)
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


def _header(grid: Grid) -> int | None:
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
