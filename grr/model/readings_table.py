"""Tables of readings: one row a reading, checked before anything is computed.

`validated` takes the readings of a gauge study; `table_of` and `reading_values` take those of
a reference part, of gauge blocks or of checks over time, which have no parts and operators.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.model.columns import role_of, unit_in
from grr.model.errors import StudyError
from grr.model.values import LARGEST, SMALLEST, article

#: What a study knows of a reading; any other column is left out.
COLUMNS = (
    *("part", "operator", "trial", "method", "reading", "order", "time", "note"),
    *("session", "place", "gauge", "source"),
)

#: Sources beside part and operator: when, where on the part, and with what it was measured.
FURTHER = ("session", "place", "gauge")


#: What names the readings that are repeats of each other.
CELL = ("part", "operator", "method")
#: What a wide table may state in columns of its own, beside the columns of its trials.
_KEYS = ("part", "operator", "method")


def validated(table: object) -> pd.DataFrame:
    """Return the readings as a study keeps them, or say what is wrong with them.

    Parameters
    ----------
    table : DataFrame
        See `grr.Study`. Row numbers in messages count the first row of data as 1.

    Returns
    -------
    DataFrame
        The columns of `COLUMNS` that exist, in that order; part, operator and method
        as text, trial as whole numbers, reading as floats with NaN where missing.

    Raises
    ------
    StudyError
        A column is missing, a cell cannot be used, or two rows claim the same
        part, operator, trial and method.
    """
    if not isinstance(table, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            "Give a pandas DataFrame with the columns part, operator, trial and reading",
            value=type(table).__name__,
        )
    table = _with_key_columns(table)
    if len(table) == 0:
        raise StudyError("There are no readings", "Take readings first, or name another file")
    columns: dict[str, Any] = {name: _labels(table[name], name) for name in ("part", "operator")}
    columns["trial"] = _whole_numbers(table["trial"], "trial")
    if "method" in table and table["method"].notna().any():
        columns["method"] = _labels(table["method"], "method")
    columns["reading"] = numbers_of(table["reading"], "reading")
    if "order" in table:
        columns["order"] = numbers_of(table["order"], "order")
    if "time" in table:
        columns["time"] = times_of(table["time"])
    for name in ("note", "session", "source"):
        if name in table:
            columns[name] = table[name].fillna("").astype(str).to_list()
    for name in ("place", "gauge"):
        if name in table and not table[name].map(_is_missing).all():
            columns[name] = _labels(table[name], name)
    result = pd.DataFrame(columns)
    _refuse_duplicates(result)
    return _numbered_on(result)


def _with_key_columns(table: pd.DataFrame) -> pd.DataFrame:
    names = named_columns(table.columns)
    missing = [name for name in ("part", "reading") if name not in names]
    if missing:
        raise StudyError(
            f"The readings have no column {' and no column '.join(missing)}",
            "Name the columns part, operator, trial and reading",
            value=", ".join(map(str, table.columns)),
        )
    wanted = [name for name in COLUMNS if name in names]
    result = table[[names[name] for name in wanted]].reset_index(drop=True)
    result.columns = pd.Index(wanted)
    for name, kind in result.dtypes.items():
        if isinstance(kind, pd.CategoricalDtype):
            result[name] = result[name].astype(object)
    _refuse_several_in_a_cell(result)
    if "operator" not in result:
        result["operator"] = "1"
    if "trial" not in result:
        keys = [k for k in ("part", "operator", "method", "place", "gauge") if k in result]
        if result.duplicated(keys).any():
            raise StudyError(
                "A part was measured more than once and the readings have no column trial",
                "Add a column trial that numbers the repeats 1, 2, 3",
            )
        result["trial"] = 1
    return result


def long_of(table: object) -> pd.DataFrame:
    """Return a table with a column a trial as one with a row a reading.

    Parameters
    ----------
    table : DataFrame
        See `grr.Study.from_wide`.

    Raises
    ------
    StudyError
        There is no column of parts or none of readings, or operators stand both in a column
        and in the headings.
    """
    if not isinstance(table, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            "Give a pandas DataFrame with a row a part and a column a trial",
            value=type(table).__name__,
        )
    named = any(name is not None and role_of(str(name)) in COLUMNS for name in table.index.names)
    wide = table.reset_index() if named else table.reset_index(drop=True)
    two_levels = isinstance(wide.columns, pd.MultiIndex)
    heads = [
        tuple(str(level).strip() for level in (head if isinstance(head, tuple) else (head,)))
        for head in wide.columns
    ]
    roles = [next((role for role in map(role_of, head) if role in _KEYS), "") for head in heads]
    keys = {role: place for place, role in enumerate(roles) if role}
    trials = [place for place, role in enumerate(roles) if not role]
    if "part" not in keys or not trials:
        raise StudyError(
            "The table has no column part, or no columns of readings beside it",
            "Give a row a part and a column a trial; one reading a row goes to grr.Study",
            value=", ".join(" ".join(head) for head in heads),
        )
    if two_levels and "operator" in keys:
        raise StudyError(
            "The operators stand in a column and in the upper headings",
            "Keep them in one of the two places",
            column=" ".join(heads[keys["operator"]]),
        )
    pieces, seen = [], dict[str, int]()
    for place in trials:
        operator = heads[place][0] if two_levels else ""
        seen[operator] = seen.get(operator, 0) + 1
        piece = pd.DataFrame({role: wide.iloc[:, at].to_numpy() for role, at in keys.items()})
        if two_levels:
            piece["operator"] = operator
        piece["trial"] = seen[operator]
        piece["reading"] = wide.iloc[:, place].to_numpy()
        pieces.append(piece)
    return pd.concat(pieces, ignore_index=True)


def named_columns(columns: Iterable[object]) -> dict[str, Any]:
    """Return which column is which of `COLUMNS`, by its own name or by a word for it.

    A column's own name goes before a word: beside "reading" a column "result" is left. So is
    a word with a unit behind it, since a study states its unit itself.

    Raises
    ------
    StudyError
        Two columns bear one name, or two words stand for the same column.
    """
    own: dict[str, Any] = {}
    words: dict[str, list[Any]] = {}
    for column in columns:
        name = str(column).strip().lower()
        role = role_of(str(column))
        if name in own:
            raise StudyError(f"Two columns are named {name}", "Rename or remove one", column=column)
        if name in COLUMNS:
            own[name] = column
        elif role in COLUMNS and not unit_in(str(column)):
            words.setdefault(role, []).append(column)
    for role, found in words.items():
        if role not in own and len(found) > 1:
            raise StudyError(
                f"Two columns could hold the {role}: {found[0]} and {found[1]}",
                f"Name one of them {role}",
                column=found[1],
            )
    return {**{role: found[0] for role, found in words.items()}, **own}


def _refuse_several_in_a_cell(table: pd.DataFrame) -> None:
    for name in table:
        if table[name].dtype == object and not table[name].map(pd.api.types.is_scalar).all():
            raise several_in_a_cell(table[name])


def several_in_a_cell(column: pd.Series[Any]) -> StudyError:
    """Return the refusal of a column with lists or the like where single values belong."""
    row = int(np.flatnonzero(~column.map(pd.api.types.is_scalar).to_numpy(dtype=np.bool_))[0])
    return StudyError(
        "A cell holds a list, not a single value",
        "Write one value in each cell",
        row=row + 1,
        column=column.name,
        value=column.iloc[row],
    )


def _labels(column: pd.Series[Any], name: str) -> list[str]:
    labels = []
    for row, value in enumerate(column, start=1):
        text = label_text(value)
        if text == "":
            raise StudyError(
                f"A reading has no {name}", f"Enter the {name} in this row", row=row, column=name
            )
        labels.append(text)
    return labels


def label_text(value: object) -> str:
    """Return a label as a study keeps it; "" where the cell is empty."""
    if isinstance(value, str):
        return " ".join(value.split())
    if _is_missing(value):
        return ""
    if isinstance(value, (float, np.floating)) and float(value).is_integer():
        return str(int(value))
    return " ".join(str(value).split())


def _whole_numbers(column: pd.Series[Any], name: str) -> pd.Series[int]:
    numbers = pd.to_numeric(column, errors="coerce")
    wrong = ~(numbers.notna() & (numbers % 1 == 0) & (numbers >= 1))
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise StudyError(
            f"{article(name).capitalize()} {name} is not a whole number from 1",
            f"Number the {name}s 1, 2, 3",
            row=row + 1,
            column=name,
            value=column.iloc[row],
        )
    return numbers.astype("int64")


def numbers_of(column: pd.Series[Any], name: str) -> pd.Series[float]:
    """Return a column as floats, NaN where a cell is empty; StudyError where it is no number."""
    numbers = pd.to_numeric(column, errors="coerce").astype("float64")
    if pd.api.types.is_datetime64_any_dtype(column):
        column = column.astype(str)  # a date is no reading, though it can be counted
        numbers = pd.Series(np.nan, index=column.index)
    plain = pd.api.types.is_numeric_dtype(column) and column.dtype != bool
    blank = column.isna() if plain else column.map(_is_missing)
    if not plain:
        numbers = numbers.mask(column.map(lambda cell: isinstance(cell, (bool, np.bool_))))
    wrong = (numbers.isna() & ~blank) | (numbers.abs() > LARGEST)
    if 0.0 < numbers.abs().max() < SMALLEST:
        raise StudyError(
            f"Every {name} is too small to calculate with", "Check the unit", column=name
        )
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        problem = "not a number"
        if not np.isnan(numbers.iloc[row]):
            problem = "infinite" if np.isinf(numbers.iloc[row]) else "too large for any length"
        raise StudyError(
            f"{article(name).capitalize()} {name} is {problem}",
            "Correct the cell, or leave it empty where nothing was measured",
            row=row + 1,
            column=name,
            value=column.iloc[row],
        )
    return numbers


def times_of(column: pd.Series[Any]) -> pd.Series[Any]:
    """Return a column as times in UTC; StudyError where a cell is no date and time."""
    times = pd.to_datetime(column, errors="coerce", utc=True, format="ISO8601")
    wrong = times.isna() & ~column.map(_is_missing)
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise StudyError(
            "A time is not an ISO 8601 date and time",
            "Write it like 2026-03-14T09:26:53Z, or leave it empty",
            row=row + 1,
            column="time",
            value=column.iloc[row],
        )
    return times


def _refuse_duplicates(table: pd.DataFrame) -> None:
    keys = [name for name in (*CELL, "trial", "place", "gauge") if name in table]
    repeated = table.duplicated(keys)
    if repeated.any():
        row = int(np.flatnonzero(repeated.to_numpy())[0])
        place = ", ".join(f"{key} {table[key].iloc[row]}" for key in keys)
        raise StudyError(
            f"Two readings claim the same place: {place}",
            "Correct the part, operator or trial of one of them, or remove one",
            row=row + 1,
        )


def _numbered_on(table: pd.DataFrame) -> pd.DataFrame:
    """Return the table with trials numbered on over the places and gauges of a part."""
    beside = [name for name in ("trial", "place", "gauge") if name in table]
    keys = [name for name in CELL if name in table]
    if len(beside) < 2 or not table.duplicated([*keys, "trial"]).any():
        return table
    ordered = table.sort_values(beside, kind="stable")
    return table.assign(trial=ordered.groupby(keys, sort=False).cumcount() + 1)


def _is_missing(value: object) -> bool:
    if value is None:
        return True
    if isinstance(value, str):
        return value.strip() == ""
    return bool(pd.isna(value))  # type: ignore[call-overload]


def natural_order(labels: pd.Series[str]) -> tuple[str, ...]:
    """Return the distinct labels, numbers within them in the order of counting."""
    return tuple(sorted(labels.unique(), key=_natural_key))


def _natural_key(label: str) -> tuple[tuple[int, int, str], ...]:
    pieces = [piece for piece in re.split(r"([0-9]+)", label) if piece]
    key = tuple(
        (0, int(piece), "") if piece.isdecimal() and piece.isascii() else (1, 0, piece.casefold())
        for piece in pieces
    )
    return (*key, (2, 0, label))


def reading_values(readings: object) -> tuple[NDArray[np.float64], int]:
    """Return the readings of one column, and how many are missing.

    Parameters
    ----------
    readings : DataFrame with a column ``reading``, Series, array or list
        Missing readings are empty cells; they are counted and left out.

    Raises
    ------
    StudyError
        No column ``reading``, a cell that is no number, or no reading at all.
    """
    if isinstance(readings, pd.DataFrame):
        column = table_of(readings, ("reading",))["reading"]
    elif isinstance(readings, (str, bytes)) or not isinstance(readings, Iterable):
        raise StudyError(
            "The readings are neither a table nor a list of numbers",
            "Give a list, or a DataFrame with a column reading",
            value=readings,
        )
    else:
        column = numbers_of(pd.Series(_flat(readings), dtype=object), "reading")
    values = column.to_numpy(dtype=np.float64)
    present = values[np.isfinite(values)]
    if len(present) == 0:
        raise StudyError("There are no readings", "Take readings first")
    return present, int(len(values) - len(present))


def table_of(table: object, numbers: tuple[str, ...], times: tuple[str, ...] = ()) -> pd.DataFrame:
    """Return the columns asked for, checked; rows as they came.

    Raises
    ------
    StudyError
        No table, a column that is missing, or a cell that cannot be used.
    """
    wanted = (*times, *numbers)
    if not isinstance(table, pd.DataFrame):
        raise StudyError(
            "The readings are not a table",
            f"Give a pandas DataFrame with the columns {' and '.join(wanted)}",
            value=type(table).__name__,
        )
    names = {str(column).strip().lower(): column for column in table.columns}
    for name in wanted:
        if name not in names:
            raise StudyError(
                f"The readings have no column {name}",
                f"Name the columns {' and '.join(wanted)}",
                value=", ".join(map(str, table.columns)),
            )
    plain = table.reset_index(drop=True)
    result = pd.DataFrame(index=plain.index)
    for name in times:
        result[name] = times_of(plain[names[name]].map(_without_bare_numbers))
    for name in numbers:
        result[name] = numbers_of(plain[names[name]], name)
    if len(result) == 0:
        raise StudyError("There are no readings", "Take readings first, or name another file")
    return result


def refuse_gaps(table: pd.DataFrame, name: str, why: str) -> None:
    """Refuse a table in which a cell of this column is empty."""
    gaps = table[name].isna()
    if gaps.any():
        row = int(np.flatnonzero(gaps.to_numpy())[0])
        raise StudyError(f"A row has no {name}", why, row=row + 1, column=name)


def _without_bare_numbers(cell: object) -> object:
    """Return a cell of times; a number is no date, whatever a spreadsheet counts from."""
    if isinstance(cell, (int, float, np.number)) and np.isfinite(cell):
        return f"number {cell}"
    return cell


def _flat(readings: Iterable[Any]) -> list[Any]:
    values = readings.tolist() if isinstance(readings, np.ndarray) else list(readings)
    for row, value in enumerate(values, start=1):
        if isinstance(value, (list, tuple, dict, np.ndarray)):
            raise StudyError(
                "The readings are not one column",
                "Give one list of numbers",
                row=row,
                value=value,
            )
    return values
