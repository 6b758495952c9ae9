"""What was taken from a file and what was left: kept with the table, printed on request."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Any

import pandas as pd

from grr.files.readers.grid import Grid
from grr.files.readers.text_table import separator_name
from grr.model.errors import StudyError
from grr.model.rounding import counted
from grr.model.values import needs

_MOST_SHOWN = 12


@dataclass(frozen=True)
class Taken:
    """What was taken from a file: everything that someone needs to check or repeat it."""

    file: str
    sha256: str
    sheet: str
    cells: str
    form: str
    written_as: str
    unit_from: str
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    missing: tuple[str, ...]
    ignored: tuple[str, ...]
    stated: tuple[str, ...]
    assumed: tuple[str, ...]

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, as the ``attrs`` of a table want them."""
        return asdict(self)


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
