"""Long tables from CSV, XLSX and Parquet, large ones too."""

from __future__ import annotations

import warnings
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files.opening import refuse_irregular, regular_file
from grr.files.readings_file import file_content, grids_in
from grr.model.columns import role_of
from grr.model.errors import StudyError

#: Name of the index of a table that was read from a file: the row as a spreadsheet shows it.
FILE_ROW = "row"

_PIECE = 250_000
#: Of a table of readings; each column costs time of its own.
_MOST_COLUMNS, _LONGEST_HEAD = 1_000, 1_000_000
_EMPTY = ["", "NA", "NaN", "nan", "#N/A"]


def read_table(path: Path, *, labels: Sequence[str]) -> pd.DataFrame:
    """Return a table as it stands in a file, its labels as text.

    Parameters
    ----------
    path : Path
        CSV (comma, semicolon with decimal commas, or tab; UTF-8), XLSX (the only sheet
        that holds anything), Parquet, or a folder of Parquet files.
    labels : sequence of str
        Columns that hold names, by their own name or a word for it: a part "007" stays "007".

    Raises
    ------
    StudyError
        The file cannot be read, and why.
    """
    kind = path.suffix.lower()
    if path.is_dir() or kind in (".parquet", ".pq"):
        return _parquet(path)
    if kind == ".xlsx":
        return _workbook(path)
    if kind in (".csv", ".txt", ".tsv"):
        return _text(path, labels)
    raise StudyError(
        "There is no such file" if not path.exists() else "The file is of no kind known here",
        "Give a CSV, XLSX or Parquet file, or a folder of study folders",
        file=path,
    )


def _parquet(path: Path) -> pd.DataFrame:
    try:
        import pyarrow  # noqa: F401
    except ImportError:
        raise StudyError(
            "Reading Parquet needs pyarrow, which is not installed here",
            "Install it (pip install pyarrow), or save the table as CSV",
            file=path,
        ) from None
    if path.is_dir() and not any(path.rglob("*.parquet")):
        raise StudyError(
            "The folder holds neither study folders nor Parquet files",
            "Name a folder whose folders hold study.toml and readings.csv",
            file=path,
        )
    try:
        refuse_irregular(path)
        return pd.read_parquet(path)
    except StudyError:
        raise
    except Exception as error:  # a damaged file makes pyarrow raise almost anything
        raise _unreadable(path, error) from None


def _workbook(path: Path) -> pd.DataFrame:
    grids = [grid for grid in grids_in(file_content(path), path.name, None) if not grid.empty]
    if len(grids) != 1:
        raise StudyError(
            "Several sheets hold something" if grids else "The workbook is empty",
            "Keep all readings in one sheet, one row a reading",
            file=path,
            value=", ".join(grid.sheet for grid in grids) or None,
        )
    head, *rows = grids[0].cells
    readings = {at for at, name in enumerate(head) if role_of(str(name)) == "reading"}
    for (row, at), (problem, remedy) in sorted(grids[0].unclear.items()):
        if at in readings:
            raise grids[0].refusal(problem, remedy, row, at, str(head[at]))
    return _numbered(pd.DataFrame(rows, columns=[str(name) for name in head], dtype=object))


def _text(path: Path, labels: Sequence[str]) -> pd.DataFrame:
    try:
        _refuse_zero_bytes(regular_file(path))
        with path.open(encoding="utf-8-sig") as file:
            head = file.readline(_LONGEST_HEAD)
        sign = max(",;\t", key=head.count)
        names = [name.strip().strip('"') for name in head.rstrip("\n").split(sign)]
        if len(names) > _MOST_COLUMNS or len(head) == _LONGEST_HEAD:
            raise StudyError(
                "The first line is none of a table of readings: it is too long",
                "Name the columns in it: study, part, operator, trial and reading",
                file=path,
                row=1,
            )
        text = {name: str for name in names if {name, name.lower(), role_of(name)} & set(labels)}
        options: dict[str, Any] = {
            "sep": sign,
            "decimal": "," if sign == ";" else ".",
            "dtype": text,
            "na_values": {name: _EMPTY for name in names if name not in text},
        }
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of a word among numbers: it gets a message of its own
            table = _read_in_pieces(path, list(text), options)
    except StudyError:
        raise
    except FileNotFoundError:
        raise StudyError(
            "There is no such file", "Check the name and the folder", file=path
        ) from None
    except UnicodeDecodeError:
        raise StudyError("The file is not in UTF-8", "Save it as CSV in UTF-8", file=path) from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    if sign == ";":
        table = _with_decimal_points(table, [str(name) for name in table if name not in text])
    return _numbered(table)


def _read_in_pieces(path: Path, labels: list[str], options: dict[str, Any]) -> pd.DataFrame:
    """Return the table, its labels as categories: text for each reading would fill the memory."""
    pieces: list[pd.DataFrame] = []
    with pd.read_csv(
        path,
        encoding="utf-8-sig",
        keep_default_na=False,
        low_memory=False,
        skip_blank_lines=False,
        chunksize=_PIECE,
        **options,
    ) as reader:
        for piece in reader:
            for name in labels:
                piece[name] = piece[name].astype("category")
            pieces.append(piece)
    if len(pieces) == 1:
        return pieces[0]
    columns = {}
    for name in map(str, pieces[0]):
        parts = [piece.pop(name) for piece in pieces]
        columns[name] = (
            pd.api.types.union_categoricals(parts)
            if name in labels
            else pd.concat(parts, ignore_index=True)
        )
    return pd.DataFrame(columns, copy=False)


def _refuse_zero_bytes(path: Path) -> None:
    """Refuse a damaged file: a zero byte would pass for a part of a name."""
    row = 1
    with path.open("rb") as file:
        while block := file.read(1 << 20):
            if (at := block.find(0)) >= 0:
                raise StudyError(
                    "The file holds a zero byte: it is damaged, or its text is not in UTF-8",
                    "Save it again as CSV in UTF-8",
                    file=path,
                    row=row + block.count(b"\n", 0, at),
                )
            row += block.count(b"\n")


def _numbered(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table without blank lines, its rows numbered as in the file."""
    table.index = pd.RangeIndex(2, len(table) + 2, name=FILE_ROW)
    blank = pd.Series(True, index=table.index)
    for place in range(table.shape[1]):  # two columns may bear one name
        column = table.iloc[:, place]
        blank &= column.isna() | column.eq("")
        if not blank.any():
            return table
    return table[~blank]


def _with_decimal_points(table: pd.DataFrame, columns: Sequence[str]) -> pd.DataFrame:
    """Return the table with decimal commas turned to points where a word kept them as text."""
    for name in columns:
        if not pd.api.types.is_numeric_dtype(table[name]):
            table[name] = table[name].map(
                lambda cell: cell.replace(",", ".") if isinstance(cell, str) else cell
            )
    return table


def _unreadable(path: Path, error: Exception) -> StudyError:
    return StudyError(
        "The table cannot be read", "Check the file and save it again", file=path, value=error
    )
