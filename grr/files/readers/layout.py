"""Where the readings of a grid stand, and what each one is a reading of."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from grr.files.number_text import parse_number
from grr.files.readers.grid import Unusable, shown
from grr.files.readers.words import is_missing
from grr.model.errors import StudyError


@dataclass(frozen=True)
class Found:
    """One cell that holds a reading, or that was left empty for one.

    ``labels`` are the texts for part, operator, method, time, note and unit, and the
    whole number for trial; ``named`` is the header of the cell's column.
    """

    row: int
    column: int
    labels: dict[str, Any]
    named: str = ""


@dataclass
class Layout:
    """What was recognised in a grid."""

    form: str
    found: list[Found] = field(default_factory=list)
    #: Units stated in headers and captions, and where.
    units: list[tuple[str, str]] = field(default_factory=list)
    #: Row → what a caption in it states for the readings of a block.
    captions: dict[int, str] = field(default_factory=dict)
    #: Columns and rows that were left, and why.
    ignored_columns: list[str] = field(default_factory=list)
    ignored_rows: dict[int, str] = field(default_factory=dict)
    assumed: list[str] = field(default_factory=list)

    @property
    def ignored(self) -> tuple[str, ...]:
        """What was left, columns first, then rows from the top."""
        rows = (f"row {row + 1} ({why})" for row, why in sorted(self.ignored_rows.items()))
        return (*dict.fromkeys(self.ignored_columns), *rows)


def looks_numeric(cell: Any) -> bool:
    """Whether a cell holds a number, whatever its decimal sign."""
    if isinstance(cell, bool) or cell is None or isinstance(cell, Unusable):
        return False
    if isinstance(cell, (int, float)):
        return True
    if not isinstance(cell, str):
        return False
    for decimal in (None, ","):
        try:
            parse_number(cell, decimal)
        except StudyError:
            continue
        return True
    return False


def looks_empty(cell: Any) -> bool:
    """Whether a cell is blank or says that nothing was measured."""
    return not isinstance(cell, Unusable) and is_missing(shown(cell))
