"""What goes in: the table of readings of many studies, and the tolerances that go with them.

Tables come from CSV, XLSX and Parquet, large ones too.
"""

from __future__ import annotations

import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.files.allowed_files import refuse_irregular, regular_file
from grr.files.table_file import file_content, grids_in
from grr.formulas.arrays import Array
from grr.model.columns import role_of
from grr.model.errors import StudyError
from grr.model.readings_table import COLUMNS, label_text, named_columns
from grr.model.tolerance import Tolerance

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
        CSV (comma, semicolon with decimal commas, or tab; UTF-8), XLSX or ODS (the only sheet
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
    if kind in (".xlsx", ".ods"):
        return _workbook(path)
    if kind in (".csv", ".txt", ".tsv"):
        return _text(path, labels)
    raise StudyError(
        "There is no such file" if not path.exists() else "The file is of no kind known here",
        "Give a CSV, XLSX, ODS or Parquet file, or a folder of study folders",
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


def readings_of_studies(readings: object, by: str) -> pd.DataFrame:
    """Return the table with its columns named as a study names them, or say what is missing."""
    if not isinstance(readings, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            "Give a pandas DataFrame, or the path of a file or of a folder of study folders",
            value=type(readings).__name__,
        )
    if list(readings.columns).count(by) > 1:
        raise StudyError(f"Two columns are named {by}", "Rename or remove one")
    names = named_columns(column for column in readings.columns if column != by)
    missing = [name for name in ("part", "reading") if name not in names]
    if by not in readings:
        missing.insert(0, by)
    if missing:
        raise StudyError(
            f"The readings have no column {' and no column '.join(missing)}",
            f"Name the columns {by}, part, operator, trial and reading",
            value=", ".join(map(str, readings.columns)),
        )
    if len(readings) == 0:
        raise StudyError("There are no readings", "Name a file with readings")
    wanted = [name for name in COLUMNS if name in names]
    table = readings[[by, *(names[name] for name in wanted)]]
    return table.set_axis([by, *wanted], axis=1)


#: Columns that a table of tolerances may have beside the study's name.
TOLERANCE_COLUMNS = ("lower", "upper", "resolution", "process_sd", "process_mean")


@dataclass(frozen=True)
class Specifications:
    """Limits and process values of each study, NaN where not given; each of shape (studies,)."""

    lower: Array
    upper: Array
    resolution: Array
    process_sd: Array
    process_mean: Array

    def tolerance(self, study: int) -> Tolerance | None:
        """Return the tolerance of one study; StudyError where its limits cannot be used."""
        low, high = (
            None if np.isnan(v[study]) else float(v[study]) for v in (self.lower, self.upper)
        )
        return None if low is None and high is None else Tolerance(low, high)

    def of(self, study: int) -> dict[str, float]:
        """Return what is given of one study, except the resolution."""
        names = ("lower", "upper", "process_sd", "process_mean")
        values = {name: float(getattr(self, name)[study]) for name in names}
        return {name: value for name, value in values.items() if not np.isnan(value)}

    def options(self, study: int) -> dict[str, Any]:
        """Return what `grr.Study` takes beside the readings."""
        values = {
            name: float(getattr(self, name)[study])
            for name in ("resolution", "process_sd", "process_mean")
            if not np.isnan(getattr(self, name)[study])
        }
        return {"tolerance": self.tolerance(study), **values}

    @property
    def usable(self) -> NDArray[np.bool_]:
        """Where nothing that was given needs a message of its own."""
        wrong = (self.lower >= self.upper) | (self.resolution <= 0) | (self.process_sd <= 0)
        for values in vars(self).values():
            wrong |= np.isinf(values)
        return ~wrong


def specifications(given: object, names: NDArray[np.object_], by: str) -> Specifications:
    """Return the specifications of the studies named.

    Parameters
    ----------
    given : None, Tolerance, mapping or DataFrame
        One tolerance for all; a mapping from study to Tolerance; or a table with the
        column ``by`` (or the studies as index) and any of `TOLERANCE_COLUMNS`.
    names : ndarray
    by : str

    Raises
    ------
    StudyError
        Something else, an unknown column, or a study named twice.
    """
    if given is None or isinstance(given, Tolerance):
        limits = (None, None) if given is None else (given.lower, given.upper)
        values = [*(np.nan if limit is None else limit for limit in limits), *[np.nan] * 3]
        return Specifications(*(np.full(len(names), value) for value in values))
    if isinstance(given, pd.DataFrame):
        table = given.set_index(by) if by in given else given
    elif isinstance(given, Mapping):
        table = pd.DataFrame.from_dict(
            {study: _limits_of_both_sides(study, tolerance) for study, tolerance in given.items()},
            orient="index",
            columns=["lower", "upper"],
        )
    else:
        raise StudyError(
            "The tolerances are in no form known here",
            "Give a Tolerance for all, a mapping from study to Tolerance, or a table with the "
            f"columns {by}, lower and upper",
            value=type(given).__name__,
        )
    unknown = [column for column in table.columns if column not in TOLERANCE_COLUMNS]
    if unknown:
        raise StudyError(
            "A table of tolerances has a column that is not known here",
            f"Use {by}, {', '.join(TOLERANCE_COLUMNS)}",
            column=unknown[0],
        )
    # Studies are matched by what is written: a study 7 is the study "7".
    texts = pd.Index([label_text(name) for name in table.index], dtype=object)
    table = table.set_axis(texts, axis=0)
    if table.index.has_duplicates:
        raise StudyError(
            "A study is named twice among the tolerances",
            "Leave one of the two out",
            value=table.index[table.index.duplicated()][0],
        )
    wanted = pd.Index([label_text(name) for name in names], dtype=object)
    if len(table) and not table.index.isin(wanted).any():
        raise StudyError(
            "The tolerances name none of the studies",
            f"Write the studies as in the readings, {wanted[0]} for example",
            value=table.index[0],
        )
    table = table.reindex(wanted)
    return Specifications(*(_column(table, name) for name in TOLERANCE_COLUMNS))


def _limits_of_both_sides(study: object, tolerance: object) -> tuple[float | None, float | None]:
    if not isinstance(tolerance, Tolerance):
        raise StudyError(
            f"The tolerance of study {study} is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    return tolerance.lower, tolerance.upper


def _column(table: pd.DataFrame, name: str) -> Array:
    if name not in table:
        return np.full(len(table), np.nan)
    numbers = pd.to_numeric(table[name], errors="coerce")
    wrong = numbers.isna() & table[name].notna()
    if wrong.any():
        raise StudyError(
            "A value among the tolerances is not a number",
            "Correct it, or leave it empty",
            column=name,
            value=table[name][wrong].iloc[0],
        )
    return numbers.to_numpy(dtype=np.float64)
