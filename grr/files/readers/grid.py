"""The cells of one sheet or text file, and how to name a place among them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from grr.files.number_text import clean_text
from grr.model.errors import StudyError


@dataclass(frozen=True)
class Unusable:
    """A cell that shows something but holds nothing that can be read."""

    problem: str
    remedy: str
    shown: str


@dataclass(frozen=True)
class Grid:
    """The cells of one sheet.

    Parameters
    ----------
    cells : list of list
        Row by row; each cell is None, text, a number, a truth value, a date or time, or
        `Unusable`. Rows may differ in length.
    file : str
        The file's name, for messages.
    sheet : str
        "" for a text file.
    separator : str
        What separates the cells of a text file; "" for a sheet.
    encoding : str
        Of a text file; "" for a sheet.
    remarks : tuple of str
        What was left out before the grid was made.
    doubts : tuple of str
        Why the grid may not be all of the file.
    """

    cells: list[list[Any]]
    file: str
    sheet: str = ""
    separator: str = ""
    encoding: str = ""
    remarks: tuple[str, ...] = field(default=())
    doubts: tuple[str, ...] = field(default=())

    @cached_property
    def width(self) -> int:
        """The number of cells in the longest row."""
        return max(map(len, self.cells), default=0)

    def at(self, row: int, column: int) -> Any:
        """Return the cell at a row and a column, both from 0; None outside the grid."""
        if 0 <= row < len(self.cells) and 0 <= column < len(self.cells[row]):
            return self.cells[row][column]
        return None

    def text(self, row: int, column: int) -> str:
        """Return what a cell shows, without outer spaces; "" where it is blank."""
        return shown(self.at(row, column))

    def blank_row(self, row: int) -> bool:
        """Whether no cell of the row shows anything."""
        return all(shown(cell) == "" for cell in self.cells[row])

    def filled(self, row: int) -> Iterator[int]:
        """Yield the columns of the row's cells that show something."""
        return (at for at, cell in enumerate(self.cells[row]) if shown(cell) != "")

    def row_text(self, row: int) -> str:
        """Return what a row shows in one line, merged cells once, shortened for messages."""
        texts = [self.text(row, at) for at in self.filled(row)]
        changes = [
            text for text, before in zip(texts, ["", *texts], strict=False) if text != before
        ]
        text = " | ".join(changes)
        return text if len(text) <= 60 else f"{text[:59]}…"

    @property
    def empty(self) -> bool:
        """Whether no cell shows anything."""
        return all(self.blank_row(row) for row in range(len(self.cells)))

    @property
    def name(self) -> str:
        """The file, with the sheet where there is one."""
        return f"{self.file}, sheet {self.sheet}" if self.sheet else self.file

    def refusal(
        self, problem: str, remedy: str, row: int, column: int | None = None, named: str = ""
    ) -> StudyError:
        """Return an error at a place; ``named`` adds the column's header to its letter."""
        place = None
        if column is not None:
            letter = column_letter(column)
            place = f"{letter} ({named})" if named else letter
        value = None if column is None else self.text(row, column)
        return StudyError(
            problem, remedy, file=self.name, row=row + 1, column=place, value=value or None
        )


def shown(cell: Any) -> str:
    """Return what a cell shows, as text without outer spaces."""
    if cell is None:
        return ""
    if isinstance(cell, str):
        return clean_text(cell)
    if isinstance(cell, Unusable):
        return cell.shown
    if isinstance(cell, float) and cell.is_integer():
        return str(int(cell))
    return str(cell)


def column_letter(column: int) -> str:
    """Return the name that a spreadsheet gives to a column counted from 0: A, B … AA."""
    letters = ""
    number = column + 1
    while number > 0:
        number, rest = divmod(number - 1, 26)
        letters = chr(ord("A") + rest) + letters
    return letters


def address(row: int, column: int) -> str:
    """Return the name that a spreadsheet gives to a cell counted from 0: A1 is (0, 0)."""
    return f"{column_letter(column)}{row + 1}"


def cell_range(places: list[tuple[int, int]]) -> str:
    """Return the smallest range that holds all the places, such as B3:K12."""
    rows = [row for row, _ in places]
    columns = [column for _, column in places]
    first, last = address(min(rows), min(columns)), address(max(rows), max(columns))
    return first if first == last else f"{first}:{last}"
