"""From a long table of many studies to stacks of equal shape.

Labels and numbers are read as `grr.Study` reads them.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.model.readings_table import FURTHER, label_text, natural_order, several_in_a_cell
from grr.model.values import LARGEST, spelling

Codes = NDArray[np.intp]

Labels = Any
#: Parts, operators, trials.
Shape = tuple[int, int, int]

#: A table of flags may be this many times as long as the readings before a sort is cheaper.
_DENSE = 8


@dataclass(frozen=True)
class Stack:
    """Studies of one shape.

    Attributes
    ----------
    studies : ndarray, shape (k,)
        Positions of the studies among all.
    readings : ndarray, shape (k, parts, operators, trials)
    parts, operators : ndarray, shape (k, parts) and (k, operators), or None
        Their names, where `laid_out` gave them.
    """

    studies: Codes
    readings: Array
    parts: Labels = None
    operators: Labels = None

    @property
    def shape(self) -> Shape:
        """Parts, operators and trials of each."""
        _, parts, operators, trials = self.readings.shape
        return parts, operators, trials

    def where(self, wanted: Mask | Codes) -> Stack:
        """Return the studies wanted only."""
        names = (None if of is None else of[wanted] for of in (self.parts, self.operators))
        return Stack(self.studies[wanted], self.readings[wanted], *names)


@dataclass(frozen=True)
class Stacked:
    """All studies of a table: those that stack, and those that need a look of their own.

    Attributes
    ----------
    names : ndarray, shape (studies,)
    codes : ndarray, shape (rows,)
        Which study each row belongs to; −1 where its name is missing.
    stacks : list of Stack
        Complete studies.
    incomplete : list of (ndarray, shape)
        Which studies of one shape lack some readings, but none all of a part by an operator.
    order : ndarray or None
        The order that sorts the rows by cell; None where they are sorted.
    """

    names: NDArray[np.object_]
    codes: Codes
    stacks: list[Stack]
    incomplete: list[tuple[Codes, Shape]]
    order: Codes | None = None


def stacked(table: pd.DataFrame, by: str) -> Stacked:
    """Sort the readings of complete crossed studies into stacks, and name the incomplete ones.

    What is neither needs a look of its own.

    Parameters
    ----------
    table : DataFrame
        Columns ``by``, part, operator, reading, and trial where there is one.
    by : str
        The column that names the study.
    """
    return _regular(table, by) or _of_any_layout(table, by)


def _regular(table: pd.DataFrame, by: str) -> Stacked | None:
    """Return the stack of studies that all have the rows of the first; None where they have not.

    Nothing is looked up then but the first study and the names.
    """
    if any(name in table for name in FURTHER):
        return None
    size = _rows_alike(table[by])
    studies, rest = divmod(len(table), size)
    if studies < 2 or rest:
        return None
    codes, names = study_codes(table[by].iloc[::size])
    if len(names) < studies or (codes < 0).any():
        return None
    labels = [name for name in ("part", "operator", "trial", "method") if name in table]
    if not all(_same_in(table[name], size) for name in labels):
        return None
    if not _constant_in(table[by], size):
        return None
    first = _of_any_layout(table.iloc[:size], by)
    if not first.stacks:
        return None
    readings = numbers_in(table["reading"])
    if not (readings.max() <= LARGEST and readings.min() >= -LARGEST):  # NaN is neither
        return None
    cube = first.stacks[0].readings.shape[1:]
    rows = readings.reshape(studies, size)
    if first.order is not None:
        rows = rows[:, first.order]
    return Stacked(
        names=names,
        codes=np.repeat(codes, size),
        stacks=[Stack(np.arange(studies), rows.reshape(studies, *cube))],
        incomplete=[],
    )


def _of_any_layout(table: pd.DataFrame, by: str) -> Stacked:
    codes, names = study_codes(table[by])
    studies = len(names)
    readings = numbers_in(table["reading"])
    part, parts_there = label_codes(table, "part")
    operator, operators_there = label_codes(table, "operator")
    trial, trials_there = trial_codes(table)
    missing = table["reading"].isna().to_numpy()
    usable = (
        ((np.abs(readings) <= LARGEST) | missing) & (part >= 0) & (operator >= 0) & (trial >= 0)
    )
    usable &= codes >= 0
    spoilt = np.zeros(studies + 1, dtype=np.bool_)
    spoilt[codes[~usable]] = True
    rows = np.flatnonzero(~spoilt[codes] & (codes >= 0)) if spoilt.any() else slice(None)
    study = codes[rows]
    part, parts = _within(study, part[rows], studies, parts_there)
    operator, operators = _within(study, operator[rows], studies, operators_there)
    cells = parts * operators
    offset = np.concatenate([[0], np.cumsum(cells)])
    cell = offset[study] + part * operators[study] + operator
    there = ~missing[rows]
    counts = np.bincount(cell if there.all() else cell[there], minlength=offset[-1])
    least, trials = _least_and_most(counts, offset, cells)
    plain = ~spoilt[:-1] & (parts > 1) & (operators * trials > 1) & (least > 0)
    plain &= ~_repeated(
        trial[rows], trials_there, study, cell, studies=studies, cells=int(offset[-1])
    )
    for name in ("method", *FURTHER):
        plain &= ~_by_several(table, name, codes, studies)
    even = plain & (least == trials)
    even[study[~there]] = False
    shapes = np.column_stack([parts, operators, trials])
    order = None if (cell[1:] >= cell[:-1]).all() else np.argsort(cell, kind="stable")
    return Stacked(
        names=names,
        codes=codes,
        stacks=_stacks(readings[rows], order, study, shapes, even),
        incomplete=_alike(shapes, plain & ~even),
        order=order,
    )


def laid_out(members: Codes, shape: Shape, codes: Codes, table: pd.DataFrame) -> Stack:
    """Return studies laid out as `grr.Study` lays them out, with the names of their parts.

    Those in which two names differ by their spelling alone, or in which not every trial is
    numbered alike, are left out: they need a look of their own.

    Parameters
    ----------
    members : ndarray
        Positions of the studies among all, in order.
    shape : (int, int, int)
        Parts, operators and trials of each.
    codes : ndarray
        Which study each row of the table belongs to.
    table : DataFrame
    """
    rows = np.flatnonzero(np.isin(codes, members))
    study, table, count = np.searchsorted(members, codes[rows]), table.iloc[rows], len(members)
    plain, places = np.ones(count, dtype=np.bool_), []
    names: list[Labels] = []
    for name in ("part", "operator"):
        code, labels = np.zeros(len(rows), dtype=np.intp), np.array(["1"], dtype=object)
        if name in table:
            code, labels = _factorized(table[name])
        texts = pd.Series([label_text(label) for label in labels])
        ordered = pd.Index(natural_order(texts))
        code = ordered.get_indexer(pd.Index(texts))[code]
        plain[study[ordered.map(spelling).duplicated(keep=False)[code]]] = False
        rank, _ = _within(study, code, count, len(ordered))
        of_study = np.full((count, shape[len(names)]), None, dtype=object)
        of_study[study, rank] = np.asarray(ordered, dtype=object)[code]
        places.append(rank)
        names.append(of_study)
    trial = np.zeros(len(rows), dtype=np.intp)
    if "trial" in table:
        trial = np.unique(pd.to_numeric(table["trial"]), return_inverse=True)[1]
    trial, trials = _within(study, trial, count, int(trial.max()) + 1)
    plain &= trials == shape[2]
    readings, kept = np.full((count, *shape), np.nan), plain[study]
    at = (study[kept], *(rank[kept] for rank in places), trial[kept])
    readings[at] = numbers_in(table["reading"])[kept]
    return Stack(members, readings, *names).where(plain)


def _rows_alike(column: pd.Series[Any]) -> int:
    """Return how many rows at the top hold the same label."""
    top = 64
    while top < len(column):
        codes, _ = _factorized(column.iloc[:top])
        if (codes != codes[0]).any():
            return int(np.argmax(codes != codes[0]))
        top *= 4
    return len(column)


def _same_in(column: pd.Series[Any], size: int) -> bool:
    """Whether every so many rows the labels come again."""
    values = column.array
    if isinstance(values, pd.Categorical):
        column, values = pd.Series(values.codes), values.codes
    if isinstance(values, np.ndarray) or isinstance(column.dtype, np.dtype):
        plain = column.to_numpy()
        return _plain(column) and np.array_equal(plain[size:], plain[:-size])
    arrow = getattr(values, "_pa_array", None)
    if arrow is None or arrow.null_count:
        return False
    return bool(arrow.slice(size).equals(arrow.slice(0, len(arrow) - size)))


def _plain(column: pd.Series[Any]) -> bool:
    """Whether equal labels are the same ones: numbers, or text and nothing else."""
    if column.dtype.kind != "O":
        return column.dtype.kind in "iuf"
    return pd.api.types.infer_dtype(column, skipna=False) == "string"


def _constant_in(column: pd.Series[Any], size: int) -> bool:
    """Whether each so many rows hold one label."""
    if isinstance(column.dtype, np.dtype) and not _plain(column):
        return False
    values = column.array
    same = np.append(np.asarray(values[1:] == values[:-1], dtype=np.bool_), True)
    same[size - 1 :: size] = True
    return bool(same.all())


def _within(study: Codes, codes: Codes, studies: int, labels: int) -> tuple[Codes, Codes]:
    """Return the labels numbered from 0 within each study, and how many each study has."""
    key = study * labels + codes
    if studies * labels <= _DENSE * max(1, len(key)):
        there = np.zeros(studies * labels, dtype=np.bool_)
        there[key] = True
        counts = there.reshape(studies, labels).sum(axis=1)
        rank = np.cumsum(there) - 1
        number = rank[key]
    else:
        pairs, number = np.unique(key, return_inverse=True)
        counts = np.bincount(pairs // labels, minlength=studies)
    first = np.cumsum(counts) - counts
    return number - first[study], counts


def _least_and_most(counts: Codes, offset: Codes, cells: Codes) -> tuple[Codes, Codes]:
    """Return how often each study repeats a cell at least and at most."""
    least, most = np.zeros(len(cells), dtype=np.intp), np.zeros(len(cells), dtype=np.intp)
    some = cells > 0
    if some.any():
        starts = offset[:-1][some]
        least[some] = np.minimum.reduceat(counts, starts)
        most[some] = np.maximum.reduceat(counts, starts)
    return least, most


def _alike(shapes: Codes, wanted: Mask) -> list[tuple[Codes, Shape]]:
    """Return the studies wanted, those of one shape together."""
    found = []
    for one in np.unique(shapes[wanted], axis=0):
        members = np.flatnonzero(wanted & (shapes == one).all(axis=1))
        found.append((members, (int(one[0]), int(one[1]), int(one[2]))))
    return found


def _repeated(
    trial: Codes, labels: int, study: Codes, cell: Codes, *, studies: int, cells: int
) -> Mask:
    """Return the studies in which two readings claim the same part, operator and trial."""
    found = np.zeros(studies, dtype=np.bool_)
    key = cell * labels + trial
    if cells * labels <= _DENSE * max(1, len(key)):
        twice = np.bincount(key, minlength=cells * labels)[key] > 1
    else:
        _, number, counts = np.unique(key, return_inverse=True, return_counts=True)
        twice = counts[number] > 1
    found[study[twice]] = True
    return found


def _by_several(table: pd.DataFrame, name: str, codes: Codes, studies: int) -> Mask:
    """Return the studies in which a method (session ...) is named, but not one for all readings."""
    found = np.zeros(studies + 1, dtype=np.bool_)
    if name not in table:
        return found[:-1]
    labels, _ = label_codes(table, name)
    first = np.full(studies + 1, -2, dtype=np.intp)
    first[codes[::-1]] = labels[::-1]
    found[codes[labels != first[codes]]] = True
    return found[:-1]


def _stacks(
    readings: Array,
    order: Codes | None,
    study: Codes,
    shapes: Codes,
    even: Mask,
) -> list[Stack]:
    if order is not None:
        readings, study = readings[order], study[order]
    sizes = np.bincount(study, minlength=len(even))
    starts = np.cumsum(sizes) - sizes
    stacks = []
    for members, one in _alike(shapes, even):
        size = one[0] * one[1] * one[2]
        if len(members) * size == len(readings):
            values = readings
        else:
            values = readings[(starts[members][:, None] + np.arange(size)).ravel()]
        stacks.append(Stack(members, values.reshape(len(members), *one)))
    return stacks


def study_codes(column: pd.Series[Any]) -> tuple[Codes, NDArray[np.object_]]:
    """Return which study each row belongs to (−1: not said), and the names of the studies.

    Names stay as they are given, except that blanks around a text do not count.
    """
    codes, labels = _factorized(column)
    places, count = _by_text(labels)
    names, there = np.empty(count, dtype=object), places >= 0
    names[places[there][::-1]] = labels[there][::-1]  # the first of those alike comes last
    if labels.dtype == object:
        for place, name in enumerate(names):
            names[place] = name.strip() if isinstance(name, str) else name
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
        plain = isinstance(column.dtype, np.dtype) and column.dtype.kind in "iu"
        codes, labels = pd.factorize(column.to_numpy() if plain else column)
    except TypeError:  # a list or a mapping has no hash
        raise several_in_a_cell(column) from None
    return codes, labels if plain else np.asarray(labels, dtype=object)


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
