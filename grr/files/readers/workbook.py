"""Excel workbooks: refused before they fill the memory, then one grid a sheet."""

from __future__ import annotations

import io
import itertools
import re
import warnings
import zipfile
import zlib
from typing import Any
from xml.etree import ElementTree

from grr.files.readers.grid import Grid, Unusable
from grr.model.errors import StudyError
from grr.model.units import SPELLINGS

#: The largest part of a workbook, and all parts together, once unpacked, in bytes.
LARGEST_PART = 16_000_000
LARGEST_WORKBOOK = 48_000_000
#: The most cells that a sheet may span, or merge; a gauge study needs some hundreds.
MOST_CELLS = 500_000

#: What unpacking a damaged or protected archive raises besides its own error.
_UNPACKING = (OSError, ValueError, RuntimeError, NotImplementedError, EOFError, KeyError)

_FORMULA = Unusable(
    "The cell holds a formula without a stored result",
    "Open the workbook in a spreadsheet program, save it, and read it again",
    "(formula)",
)

#: Why a reading may not be meant to count, and what to do.
MERGED = (
    "One number stands in merged cells: it is not clear whether it was measured once or twice",
    "Unmerge the cells and enter a reading in each, or leave the others empty",
)
_STRUCK = (
    "The reading is struck through: it is not clear whether it counts",
    "Delete it if it does not count, or take the line through it away",
)
_HIDDEN = (
    "The row is hidden or filtered out: it is not clear whether its reading counts",
    "Show all rows, and delete those that do not count",
)
_HIDDEN_COLUMN = (
    "The column is hidden: it is not clear whether its readings count",
    "Show all columns, and delete those that do not count",
)


def workbook_grids(content: bytes, file: str) -> list[Grid]:
    """Return one grid for each visible sheet of a workbook.

    Merged cells are filled with what the merged cell shows. Formulas count as the
    result that was stored with them.

    Raises
    ------
    StudyError
        The content is no .xlsx workbook, is damaged or protected, or is too large.
    """
    _refuse_unsafe(content, file)
    values, formulas = (_opened(content, file, results=results) for results in (True, False))
    grids = []
    hidden = tuple(
        f"sheet {sheet.title} (hidden)"
        for sheet in values.worksheets
        if sheet.sheet_state != "visible"
    )
    for sheet in values.worksheets:
        if sheet.sheet_state != "visible":
            continue
        if sheet.max_row * sheet.max_column > MOST_CELLS:
            raise _too_large(f"{file}, sheet {sheet.title}", sheet.dimensions)
        try:
            grids.append(_grid(sheet, formulas[sheet.title], file, hidden))
        except (LookupError, TypeError, ValueError):  # a style or a cell that is not there
            raise _damaged(file) from None
    return grids


def _refuse_unsafe(content: bytes, file: str) -> None:
    """Refuse what would fill the memory before it is unpacked."""
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            parts = [part for part in archive.infolist() if "/media/" not in part.filename]
            names = [part.filename for part in parts]
            sizes = [part.file_size for part in parts]
            if "xl/workbook.xml" not in names:
                raise StudyError(
                    "The file is a zip archive but no .xlsx workbook",
                    "Save it as .xlsx (Excel workbook) or as CSV",
                    file=file,
                )
            if max(sizes) > LARGEST_PART or sum(sizes) > LARGEST_WORKBOOK or len(parts) > 5_000:
                raise _too_large(file, f"{sum(sizes) / 1e6:.0f} MB unpacked")
            sheets = [name for name in names if "sheet" in name and name.endswith(".xml")]
            spread = sum(_cells_spread_over(archive, name) for name in sheets)
    except StudyError:
        raise
    except (zipfile.BadZipFile, zlib.error, ElementTree.ParseError, *_UNPACKING):
        raise _damaged(file) from None
    if spread > MOST_CELLS:
        raise _too_large(file, f"{spread} merged or linked cells")


def _cells_spread_over(archive: zipfile.ZipFile, sheet: str) -> int:
    """Return how many cells a sheet's merged and linked ranges span: each becomes an object."""
    cells = 0
    with archive.open(sheet) as part:
        for _, element in ElementTree.iterparse(part):
            if element.tag.endswith("}c") and not _in_a_sheet(element.get("r", "A1")):
                raise ValueError(f"no cell of a sheet: {element.get('r')}")
            if element.tag.endswith(("}mergeCell", "}hyperlink")):
                corners = re.findall("([A-Z]+)([0-9]+)", element.get("ref", ""))
                columns = [_column_number(letters) for letters, _ in corners]
                rows = [int(number) for _, number in corners]
                if len(corners) == 2:
                    cells += (abs(columns[1] - columns[0]) + 1) * (abs(rows[1] - rows[0]) + 1)
            element.clear()
    return cells


def _in_a_sheet(cell: str) -> bool:
    """Whether a cell lies among the 16,384 columns and 1,048,576 rows that a sheet has."""
    place = re.fullmatch("([A-Z]{1,3})([1-9][0-9]{0,6})", cell)
    if place is None:
        return False
    return _column_number(place[1]) <= 16_384 and int(place[2]) <= 1_048_576


def _column_number(letters: str) -> int:
    number = 0
    for letter in letters:
        number = 26 * number + ord(letter) - ord("A") + 1
    return number


def _too_large(place: str, size: str) -> StudyError:
    return StudyError(
        "The workbook is larger than a gauge study can be",
        "Copy the readings alone to a new workbook",
        file=place,
        value=size,
    )


def _opened(content: bytes, file: str, *, results: bool) -> Any:
    import openpyxl

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of pictures and rules on cells, not of readings
            return openpyxl.load_workbook(
                io.BytesIO(content), data_only=results, keep_links=False, rich_text=False
            )
    except Exception:  # a damaged workbook makes openpyxl raise almost anything
        raise _damaged(file) from None


def _damaged(file: str) -> StudyError:
    return StudyError(
        "The workbook is damaged or protected with a password",
        "Open it in a spreadsheet program and save it again as .xlsx, without a password",
        file=file,
    )


def _grid(sheet: Any, formulas: Any, file: str, remarks: tuple[str, ...]) -> Grid:
    cells = [
        [_content(cell, formulas[cell.coordinate]) for cell in row] for row in sheet.iter_rows()
    ]
    rows = {row for row, size in sheet.row_dimensions.items() if size.hidden}
    columns = {
        column
        for size in sheet.column_dimensions.values()
        if size.hidden and size.min is not None
        for column in range(size.min, min(size.max, sheet.max_column) + 1)
    }
    unclear = {
        (cell.row - 1, cell.column - 1): why
        for row in sheet.iter_rows()
        for cell in row
        if cell.value is not None and (why := _unclear(cell, rows, columns))
    }
    for merged in sheet.merged_cells.ranges:
        first = merged.min_row - 1, merged.min_col - 1
        unclear |= fill_merged(cells, first, (merged.max_row - 1, merged.max_col - 1))
    return Grid(cells, file, sheet.title, remarks=remarks, unclear=unclear)


def fill_merged(
    cells: list[list[Any]], first: tuple[int, int], last: tuple[int, int]
) -> dict[tuple[int, int], tuple[str, str]]:
    """Fill merged cells with what the first shows; return why the others may not count."""
    (top, left), (bottom, right) = first, last
    value = cells[top][left] if top < len(cells) and left < len(cells[top]) else None
    for row in cells[top : bottom + 1]:
        row[left : right + 1] = [value] * len(row[left : right + 1])
    spread = itertools.product(range(top, bottom + 1), range(left, right + 1))
    number = isinstance(value, (int, float))
    return dict.fromkeys(set(spread) - {first}, MERGED) if number else {}


def _unclear(cell: Any, rows: set[int], columns: set[int]) -> tuple[str, str] | None:
    """Return why it is not clear that what a cell shows counts, and the remedy."""
    if cell.has_style and cell.font.strike:
        return _STRUCK
    if cell.row in rows:
        return _HIDDEN
    return _HIDDEN_COLUMN if cell.column in columns else None


def _content(cell: Any, formula: Any) -> Any:
    if cell.value is None:
        return _FORMULA if formula.data_type == "f" else None
    if cell.data_type == "e":
        return Unusable("The cell shows an error", "Correct the formula in the cell", cell.value)
    if cell.data_type == "n" and isinstance(cell.value, (int, float)):
        return _with_unit_of_format(cell.value, cell.number_format)
    return cell.value


def _with_unit_of_format(value: float, number_format: str) -> float | str:
    """Return the number, as text with its unit where the cell's format shows one."""
    literal = re.search(r'"\s*([^"]+?)\s*"$', number_format.split(";", maxsplit=1)[0])
    if literal and literal[1].lower() in SPELLINGS:
        return f"{value!r} {literal[1]}"
    return value
