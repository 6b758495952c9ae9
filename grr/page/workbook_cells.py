"""Cells of a workbook: text that stays text, numbers with their decimals, the same bytes."""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from grr.model.rounding import decimals_for

if TYPE_CHECKING:
    from openpyxl import Workbook

DATE = "yyyy-mm-dd hh:mm:ss"
#: The longest text that a cell holds, by the file format (ECMA-376).
LONGEST = 32_767
#: What cannot stand in such a file: controls, halves of characters, and marks of direction.
_UNFIT = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufffe\uffff"
                    "\u200e\u200f\u202a-\u202e\u2066-\u2069]")  # fmt: skip
#: Every file in the workbook gets this time, and so does the workbook itself.
_TIME = (1980, 1, 1, 0, 0, 0)
_STAMP = b"1980-01-01T00:00:00Z"


class Sheet:
    """A sheet that grows row by row."""

    def __init__(
        self, book: Workbook, title: str, *, widths: Sequence[float], frozen: bool = False
    ) -> None:
        from openpyxl.utils import get_column_letter

        self._sheet = book.create_sheet(title)
        self._row = 0
        for index, width in enumerate(widths, start=1):
            self._sheet.column_dimensions[get_column_letter(index)].width = width
        if frozen:
            self._sheet.freeze_panes = "A2"

    def row(
        self, values: Sequence[Any], *, bold: bool = False, formats: Sequence[str] = ()
    ) -> None:
        """Write one row; ``formats`` holds a number format for each cell, or ""."""
        from openpyxl.styles import Alignment, Font

        self._row += 1
        for column, value in enumerate(values, start=1):
            if value is None:
                continue
            cell = self._sheet.cell(self._row, column)
            if isinstance(value, bool) or not isinstance(value, (int, float, datetime)):
                cell.value = text(str(value))
                # A text that begins with "=" stays a text, also when somebody edits it.
                cell.data_type = "s"
                cell.quotePrefix = True
                cell.alignment = Alignment(vertical="top", wrap_text=len(str(value)) > 30)
            else:
                cell.value = value
                cell.alignment = Alignment(vertical="top")
            if bold:
                cell.font = Font(bold=True)
            if formats and formats[column - 1]:
                cell.number_format = formats[column - 1]


def text(value: str) -> str:
    """Return a text that a cell can hold and that reads in the order in which it is written."""
    return shortened_end(_UNFIT.sub(" ", value), LONGEST)


def shortened_end(value: str, most: int) -> str:
    """Return a text cut at so many characters."""
    return value if len(value) <= most else f"{value[: most - 1]}…"


def decimals_format(decimals: int) -> str:
    """Return the number format that shows so many decimals."""
    return f"0.{'0' * decimals}" if decimals else "0"


def figures_format(value: object) -> str:
    """Return the number format that shows four significant figures of a number."""
    if not isinstance(value, float) or value == 0.0:
        return "General"
    decimals = decimals_for(value, 4)
    return decimals_format(decimals) if decimals <= 10 and abs(value) < 1e9 else "0.000E+00"


def same_bytes(book: Workbook) -> bytes:
    """Return the workbook as a file without the time at which it was written."""
    written, fixed = io.BytesIO(), io.BytesIO()
    book.save(written)
    with (
        zipfile.ZipFile(written) as source,
        zipfile.ZipFile(fixed, "w", zipfile.ZIP_DEFLATED) as target,
    ):
        for name in source.namelist():
            content = source.read(name)
            if name == "docProps/core.xml":
                content = re.sub(rb"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ", _STAMP, content)
            entry = zipfile.ZipInfo(name, _TIME)
            entry.compress_type = zipfile.ZIP_DEFLATED
            target.writestr(entry, content)
    return fixed.getvalue()
