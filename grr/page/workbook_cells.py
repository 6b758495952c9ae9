"""Cells of a workbook: text that stays text, numbers with their decimals, the same bytes twice."""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.utility import xl_rowcol_to_cell

from grr.model.rounding import decimals_for

#: The longest text that a cell holds, by the file format (ECMA-376).
LONGEST = 32_767
#: What cannot stand in such a file: controls, halves of characters, and marks of direction.
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff"
                    "\u200e\u200f\u202a-\u202e\u2066-\u2069]")  # fmt: skip
#: The workbook gets this time, so that the same study gives the same bytes.
_TIME = datetime(1980, 1, 1)
#: Longer texts are wrapped.
_LINE = 30


class Book:
    """A workbook in memory, made by grr."""

    def __init__(self) -> None:
        self._written = io.BytesIO()
        self._book = Workbook(self._written, {"in_memory": True})
        self._book.set_properties({"author": "grr", "created": _TIME})
        self._formats: dict[tuple[tuple[str, Any], ...], Format] = {}

    def sheet(self, title: str, *, widths: Sequence[float], frozen: bool = False) -> Sheet:
        """Add a sheet with columns of these widths; ``frozen`` keeps its first row in view."""
        made = self._book.add_worksheet(title)
        for column, width in enumerate(widths):
            made.set_column(column, column, width)
        if frozen:
            made.freeze_panes(1, 0)
        return Sheet(self, made)

    def format(self, **properties: Any) -> Format:
        """Return a format of cells; the same one for the same properties."""
        key = tuple(sorted(properties.items()))
        if key not in self._formats:
            self._formats[key] = self._book.add_format({"valign": "top", **properties})
        return self._formats[key]

    def content(self) -> bytes:
        """Return the finished workbook as a file."""
        self._book.close()
        return self._written.getvalue()


class Sheet:
    """A sheet that grows row by row."""

    def __init__(self, book: Book, made: Any) -> None:
        self._book, self._sheet = book, made
        self.title: str = made.get_name()
        self.next_row = 0

    def row(
        self, values: Sequence[Any], *, bold: bool = False, formats: Sequence[str] = ()
    ) -> None:
        """Write one row; ``formats`` holds a number format for each cell, or ""."""
        for column, value in enumerate(values):
            shown = formats[column] if formats else ""
            self.put(self.next_row, column, value, shown=shown, bold=bold)
        self.next_row += 1

    def put(
        self, row: int, column: int, value: Any, *, shown: str = "", bold: bool = False
    ) -> None:
        """Write a value into a cell; None leaves it empty."""
        properties: dict[str, Any] = {"bold": True} if bold else {}
        if value is None:
            return
        if isinstance(value, bool) or not isinstance(value, (int, float, datetime)):
            said = text(str(value))
            # A text that begins with "=" stays a text, also when somebody edits it.
            properties |= {"quote_prefix": True, "text_wrap": len(said) > _LINE}
            self._sheet.write_string(row, column, said, self._book.format(**properties))
            return
        if shown:
            properties["num_format"] = shown
        dated = isinstance(value, datetime)
        write = self._sheet.write_datetime if dated else self._sheet.write_number
        write(row, column, value, self._book.format(**properties))

    def formula(self, row: int, column: int, formula: str, value: float) -> None:
        """Write a formula of ours, with the value that it has."""
        shown = self._book.format(num_format=figures_format(float(value)))
        self._sheet.write_formula(row, column, f"={formula}", shown, value)


def address(row: int, column: int, *, sheet: str = "") -> str:
    """Return the name of a cell, such as B4; rows and columns are counted from 0."""
    cell: str = xl_rowcol_to_cell(row, column)
    return f"{sheet}!{cell}" if sheet else cell


def area(first: tuple[int, int], last: tuple[int, int]) -> str:
    """Return the name of a block of cells, such as B4:D13."""
    return f"{address(*first)}:{address(*last)}"


def text(value: str) -> str:
    """Return a text that a cell can hold and that reads in the order in which it is written."""
    fit = _UNFIT.sub(" ", value)
    return fit if len(fit) <= LONGEST else f"{fit[: LONGEST - 1]}…"


def decimals_format(decimals: int) -> str:
    """Return the number format that shows so many decimals."""
    return f"0.{'0' * decimals}" if decimals else "0"


def figures_format(value: object) -> str:
    """Return the number format that shows four significant figures of a number."""
    if not isinstance(value, float) or value == 0.0:
        return "General"
    decimals = decimals_for(value, 4)
    return decimals_format(decimals) if decimals <= 10 and abs(value) < 1e9 else "0.000E+00"
