"""From a long table of many studies to stacks of equal shape."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.many.labels import Codes, label_codes, numbers_in, study_codes, trial_codes
from grr.model.values import LARGEST

#: A table of flags may be this many times as long as the readings before a sort is cheaper.
_DENSE = 8


@dataclass(frozen=True)
class Stack:
    """Complete studies of one shape.

    Attributes
    ----------
    studies : ndarray, shape (k,)
        Positions of the studies among all.
    readings : ndarray, shape (k, parts, operators, trials)
    """

    studies: Codes
    readings: Array

    def where(self, wanted: Mask) -> Stack:
        """Return the studies wanted only."""
        return Stack(self.studies[wanted], self.readings[wanted])


@dataclass(frozen=True)
class Stacked:
    """All studies of a table: those that stack, and those that need a look of their own.

    Attributes
    ----------
    names : ndarray, shape (studies,)
    codes : ndarray, shape (rows,)
        Which study each row belongs to; −1 where its name is missing.
    stacks : list of Stack
    others : ndarray
        Positions of studies that are incomplete or hold something unusable.
    """

    names: NDArray[np.object_]
    codes: Codes
    stacks: list[Stack]
    others: Codes


def stacked(table: pd.DataFrame, by: str) -> Stacked:
    """Sort the readings of complete crossed studies into stacks.

    Parameters
    ----------
    table : DataFrame
        Columns ``by``, part, operator, reading, and trial where there is one.
    by : str
        The column that names the study.
    """
    codes, names = study_codes(table[by])
    studies = len(names)
    readings = numbers_in(table["reading"])
    part, parts_there = label_codes(table, "part")
    operator, operators_there = label_codes(table, "operator")
    trial, trials_there = trial_codes(table)
    usable = (np.abs(readings) <= LARGEST) & (part >= 0) & (operator >= 0) & (trial >= 0)
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
    counts = np.bincount(cell, minlength=offset[-1])
    trials, even = _even(counts, offset, cells)
    even &= ~spoilt[:-1] & (parts > 1) & (operators * trials > 1)
    even &= ~_repeated(
        trial[rows], trials_there, study, cell, studies=studies, cells=int(offset[-1])
    )
    even &= ~_by_several_methods(table, codes, studies)
    return Stacked(
        names=names,
        codes=codes,
        stacks=_stacks(readings[rows], cell, study, (parts, operators, trials), even),
        others=np.flatnonzero(~even),
    )


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


def _even(counts: Codes, offset: Codes, cells: Codes) -> tuple[Codes, Mask]:
    """Return how often each study repeats a cell, and whether equally often everywhere."""
    trials = np.zeros(len(cells), dtype=np.intp)
    even = np.zeros(len(cells), dtype=np.bool_)
    some = cells > 0
    if some.any():
        starts = offset[:-1][some]
        least, most = np.minimum.reduceat(counts, starts), np.maximum.reduceat(counts, starts)
        trials[some], even[some] = most, (least == most) & (least > 0)
    return trials, even


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


def _by_several_methods(table: pd.DataFrame, codes: Codes, studies: int) -> Mask:
    """Return the studies in which a method is named, but not one for all readings."""
    found = np.zeros(studies + 1, dtype=np.bool_)
    if "method" not in table:
        return found[:-1]
    method, _ = label_codes(table, "method")
    first = np.full(studies + 1, -2, dtype=np.intp)
    first[codes[::-1]] = method[::-1]
    found[codes[method != first[codes]]] = True
    return found[:-1]


def _stacks(
    readings: Array,
    cell: Codes,
    study: Codes,
    shape: tuple[Codes, Codes, Codes],
    even: Mask,
) -> list[Stack]:
    if not (cell[1:] >= cell[:-1]).all():
        order = np.argsort(cell, kind="stable")
        readings, study = readings[order], study[order]
    sizes = np.bincount(study, minlength=len(even))
    starts = np.cumsum(sizes) - sizes
    shapes = np.column_stack(shape)
    stacks = []
    for one in np.unique(shapes[even], axis=0):
        members = np.flatnonzero(even & (shapes == one).all(axis=1))
        size = int(one.prod())
        if len(members) * size == len(readings):
            values = readings
        else:
            values = readings[(starts[members][:, None] + np.arange(size)).ravel()]
        stacks.append(Stack(members, values.reshape(len(members), *(int(n) for n in one))))
    return stacks
