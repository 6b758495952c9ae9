"""The cells of one sheet or text file, and where among them readings were found."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from grr.files.readers.words import is_missing, is_summary, trial_number
from grr.files.text_and_numbers import FORMULA_SIGNS, parse_number
from grr.model.columns import numbers_readings, role_of
from grr.model.errors import StudyError
from grr.model.plain_text import clean_text

#: What tells one reading from another.
KEYS = ("part", "operator", "trial", "method")
#: Headings are looked for in so many rows.
HEADER_ROWS = 60


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
    stated : dict
        (row, column) of a header → the role that the caller stated for its column.
    unclear : dict
        (row, column) of a cell → why it may not be meant to count, and the remedy.
    """

    cells: list[list[Any]]
    file: str
    sheet: str = ""
    separator: str = ""
    encoding: str = ""
    remarks: tuple[str, ...] = field(default=())
    doubts: tuple[str, ...] = field(default=())
    stated: dict[tuple[int, int], str] = field(default_factory=dict)
    unclear: dict[tuple[int, int], tuple[str, str]] = field(default_factory=dict)

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

    def role(self, row: int, column: int) -> str:
        """Return what a header stands for, part, operator ...; "" if unknown.

        What the caller stated goes before what the words mean.
        """
        if (row, column) in self.stated:
            return self.stated[row, column]
        role = role_of(self.text(row, column))
        taken = any(r == row and other == role for (r, _), other in self.stated.items())
        return "" if taken else role

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

    def refusal_of(self, found: Found, problem: str, remedy: str) -> StudyError:
        """Return an error at a reading."""
        return self.refusal(problem, remedy, found.row, found.column, found.named)


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
    #: Row → its text, where it looks like data and holds no reading that can be used.
    unused: dict[int, str] = field(default_factory=dict)

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


def label_text(grid: Grid, row: int, column: int, named: str = "") -> str:
    """Return the text of a label, time or note.

    Raises
    ------
    StudyError
        The cell shows an error, or holds a date that a spreadsheet program made of it.
    """
    cell = grid.at(row, column)
    usable = cell is None or isinstance(cell, (str, int, float))
    if not usable and role_of(named) in KEYS:
        raise grid.refusal(
            "A label cannot be read: the cell holds a date or an error",
            "Format the cell as text and write the label again",
            row,
            column,
            named,
        )
    text = cell.isoformat() if hasattr(cell, "isoformat") else grid.text(row, column)
    return text[1:] if text[:1] == "'" and text[1:2] in tuple(FORMULA_SIGNS) else text


def trial_label(grid: Grid, row: int, column: int, named: str = "") -> int:
    """Return the number of the trial that a cell states.

    Raises
    ------
    StudyError
        It states none.
    """
    number = trial_number(grid.text(row, column))
    if number is None or number < 1:
        raise grid.refusal(
            "A trial is not a whole number from 1", "Number the trials 1, 2, 3", row, column, named
        )
    return number


def counts_readings(grid: Grid, header: int, column: int) -> bool:
    """Whether a column headed by a word for readings numbers them: it holds 1, 2, 3 …."""
    title = grid.text(header, column)
    if not numbers_readings(title) or (header, column) in grid.stated:
        return False
    texts = {grid.text(row, column) for row in range(header + 1, len(grid.cells))} - {"", title}
    numbers = {trial_number(text) for text in texts if not is_summary(text)}
    return len(numbers) > 1 and numbers == set(range(1, len(numbers) + 1))
