"""Workbooks of other programs and of old Excel: .ods and .xls, by the library calamine."""

from __future__ import annotations

import io
import re
import zipfile
import zlib
from typing import Any
from xml.etree import ElementTree

from grr.files.readers.grid import Grid, Unusable
from grr.files.readers.workbook import LARGEST_PART, MOST_CELLS, fill_merged
from grr.model.errors import StudyError

OPEN_DOCUMENT = b"application/vnd.oasis.opendocument.spreadsheet"
#: What calamine does not tell of such a file.
UNSEEN = (
    "cells struck through, hidden rows and columns, and in .ods merged cells, cannot be told apart "
    "in this kind of file: compare the readings with what the spreadsheet shows"
)
_ERROR = re.compile(r"#(?:DIV/0!|N/A|NAME\?|NULL!|NUM!|REF!|VALUE!)|Err:\d+")
_TABLE = "{urn:oasis:names:tc:opendocument:xmlns:table:1.0}"


def is_open_document(content: bytes) -> bool:
    """Whether the content is a spreadsheet of the OpenDocument form (ISO/IEC 26300)."""
    return OPEN_DOCUMENT in content[:200]


def other_workbook_grids(content: bytes, file: str) -> list[Grid]:
    """Return one grid for each visible sheet of an .ods or .xls workbook.

    Merged cells of .xls are filled with what the merged cell shows.

    Raises
    ------
    StudyError
        The workbook is damaged, protected with a password or too large, or calamine is not
        installed.
    """
    try:
        import python_calamine
    except ImportError:
        raise StudyError(
            "This kind of workbook needs the package python-calamine, which is not here",
            "Install it with: pip install python-calamine; or save the file as .xlsx",
            file=file,
        ) from None
    if is_open_document(content):
        _refuse_unsafe(content, file)
    try:
        book = python_calamine.CalamineWorkbook.from_filelike(io.BytesIO(content))
        sheets = [one for one in book.sheets_metadata if str(one.typ).endswith("WorkSheet")]
        hidden = tuple(f"sheet {sheet.name} (hidden)" for sheet in sheets if not _visible(sheet))
        found = [(s.name, book.get_sheet_by_name(s.name)) for s in sheets if _visible(s)]
        return [_grid(name, sheet, file, hidden) for name, sheet in found]
    except StudyError:
        raise
    except BaseException as error:
        # The library's errors have no common root; its panic over a broken file is no Exception.
        if not isinstance(error, Exception) and type(error).__name__ != "PanicException":
            raise
        raise StudyError(
            "This workbook is damaged, or protected with a password",
            "Open it in a spreadsheet program and save it as .xlsx, without a password",
            file=file,
        ) from None


def _visible(sheet: Any) -> bool:
    return str(sheet.visible).endswith(".Visible")


def _grid(name: str, sheet: Any, file: str, remarks: tuple[str, ...]) -> Grid:
    if sheet.total_height * max(sheet.total_width, 1) > MOST_CELLS:
        raise _too_large(file)
    cells = [list(map(_content, row)) for row in sheet.to_python(skip_empty_area=False)]
    unclear: dict[tuple[int, int], tuple[str, str]] = {}
    for first, last in sheet.merged_cell_ranges or ():
        unclear |= fill_merged(cells, first, last)
    return Grid(cells, file, name, remarks=remarks, doubts=(UNSEEN,), unclear=unclear)


def _content(cell: Any) -> Any:
    if isinstance(cell, str) and _ERROR.fullmatch(cell):
        return Unusable("The cell shows an error", "Correct the formula in the cell", cell)
    return None if cell == "" else cell


def _refuse_unsafe(content: bytes, file: str) -> None:
    """Refuse what would fill the memory: a cell may say that it stands a million times."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if archive.getinfo("content.xml").file_size > LARGEST_PART:
                raise _too_large(file)
            with archive.open("content.xml") as part:
                if _cells_in(part) > MOST_CELLS:
                    raise _too_large(file)
    except StudyError:
        raise
    except (KeyError, zipfile.BadZipFile, zlib.error, ElementTree.ParseError, ValueError):
        raise StudyError(
            "This workbook is damaged",
            "Open it in a spreadsheet program and save it as .xlsx",
            file=file,
        ) from None


def _cells_in(part: Any) -> int:
    """Return how many cells with content the sheets of an OpenDocument file spread over."""
    cells = 0
    for _, element in ElementTree.iterparse(part):
        if element.tag == f"{_TABLE}table-row":
            filled = sum(
                int(cell.get(f"{_TABLE}number-columns-repeated", "1"))
                for cell in element
                if len(cell)
            )
            cells += filled * int(element.get(f"{_TABLE}number-rows-repeated", "1"))
            element.clear()
    return cells


def _too_large(file: str) -> StudyError:
    return StudyError(
        "The workbook is larger than a gauge study can be",
        "Delete what is not part of the study, or save the readings as CSV",
        file=file,
    )
