"""Labels and numbers of a long table as codes, read as `grr.Study` reads them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.model.readings_table import label_text, several_in_a_cell

Codes = NDArray[np.intp]
Labels = Any


def study_codes(column: pd.Series[Any]) -> tuple[Codes, NDArray[np.object_]]:
    """Return which study each row belongs to (−1: not said), and the names of the studies.

    Names stay as they are given, except that blanks around a text do not count.
    """
    codes, labels = _factorized(column)
    places, count = _by_text(labels)
    names = np.empty(count, dtype=object)
    for place, label in zip(places[::-1], labels[::-1], strict=True):
        if place >= 0:
            names[place] = label.strip() if isinstance(label, str) else label
    return _placed(codes, places), names


def label_codes(table: pd.DataFrame, name: str) -> tuple[Codes, int]:
    """Return the labels of a column as codes (−1: empty), and how many there are.

    A column that is not there counts as one label throughout.
    """
    if name not in table:
        return np.zeros(len(table), dtype=np.intp), 1
    codes, labels = _factorized(table[name])
    places, count = _by_text(labels)
    return _placed(codes, places), max(1, count)


def trial_codes(table: pd.DataFrame) -> tuple[Codes, int]:
    """Return the trials as codes (−1: no whole number from 1), and how many there are."""
    if "trial" not in table:
        return label_codes(table, "trial")
    codes, labels = _factorized(table["trial"])
    numbers = pd.to_numeric(pd.Series(labels), errors="coerce")
    whole = numbers.where((numbers >= 1) & (numbers % 1 == 0))
    places, trials = pd.factorize(whole)
    return _placed(codes, places), max(1, len(trials))


def numbers_in(column: pd.Series[Any]) -> Array:
    """Return a column as floats; NaN where a cell is no number."""
    if column.dtype == bool:
        return np.full(len(column), np.nan)
    try:
        found = pd.to_numeric(column, errors="coerce")
    except TypeError:
        raise several_in_a_cell(column) from None
    numbers = found.to_numpy(dtype=np.float64, na_value=np.nan)
    if column.dtype == object:
        wrong = column.map(lambda cell: isinstance(cell, (bool, np.bool_))).to_numpy()
        numbers = np.where(wrong, np.nan, numbers)
    return numbers


def _factorized(column: pd.Series[Any]) -> tuple[Codes, Labels]:
    try:
        codes, labels = pd.factorize(column)
    except TypeError:  # a list or a mapping has no hash
        raise several_in_a_cell(column) from None
    whole = labels.dtype.kind in "iu" and isinstance(labels, np.ndarray)
    return codes, labels if whole else np.asarray(labels, dtype=object)


def _by_text(labels: Labels) -> tuple[Codes, int]:
    """Return a number for each label, and how many there are: "A " is A, and 1.0 is 1."""
    if labels.dtype.kind in "iu":
        return np.arange(len(labels)), len(labels)
    texts: dict[str, int] = {}
    places = [
        -1 if text == "" else texts.setdefault(text, len(texts)) for text in map(label_text, labels)
    ]
    return np.asarray(places, dtype=np.intp), len(texts)


def _placed(codes: Codes, places: Codes) -> Codes:
    """Return the codes of rows after the codes of labels were replaced."""
    if np.array_equal(places, np.arange(len(places))):
        return np.asarray(codes, dtype=np.intp)
    return np.append(places, -1)[codes]
