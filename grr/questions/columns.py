"""Columns of readings that are no gauge study: reference parts, blocks, checks over time."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.model.errors import StudyError
from grr.model.readings_table import numbers_of, times_of
from grr.model.values import number


def reading_values(readings: object) -> tuple[Array, int]:
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
        column = number_column(pd.Series(_flat(readings), dtype=object), "reading")
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
        result[name] = number_column(plain[names[name]], name)
    if len(result) == 0:
        raise StudyError("There are no readings", "Take readings first, or name another file")
    return result


def number_column(column: pd.Series[Any], name: str) -> pd.Series[float]:
    """Return a column as numbers, NaN where a cell is empty."""
    return numbers_of(column, name)


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


def at_least_zero(name: str, value: object) -> float:
    """Return a number that is 0 or more.

    Raises
    ------
    StudyError
        It is not.
    """
    result = number(name, value)
    if result < 0.0:
        raise StudyError(f"{name} is below 0", "Give 0 or more", value=value)
    return result
