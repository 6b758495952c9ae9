"""Readings of unbalanced studies, summed up on a grid of rows × operators."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.formulas.arrays import Array, Mask
from grr.model.errors import StudyError


@dataclass(frozen=True)
class CellGrid:
    """All that a normal model of the cells needs to know of the readings.

    The readings are shifted and scaled, study by study, so that they have mean square 1
    about their mean. Studies are stacked along the first axis.

    Attributes
    ----------
    counts : ndarray, shape (studies, rows, operators)
        Readings in each cell; 0 where nothing was measured.
    means : ndarray, shape (studies, rows, operators)
        Cell means, shifted and scaled; 0 where nothing was measured.
    within : ndarray, shape (studies,)
        Sum of squares of the readings about their cell means, scaled.
    origin, scale : ndarray, shape (studies,)
        A reading is ``origin + scale × (shifted and scaled reading)``. A study whose
        readings are all alike has the scale 0.
    rounding : ndarray, shape (studies,)
        A scaled standard deviation below this one is nothing but rounding.
    """

    counts: Array
    means: Array
    within: Array
    origin: Array
    scale: Array
    rounding: Array

    def __getitem__(self, chosen: Mask | NDArray[np.intp] | slice) -> CellGrid:
        """Return the studies chosen."""
        return CellGrid(
            self.counts[chosen],
            self.means[chosen],
            self.within[chosen],
            self.origin[chosen],
            self.scale[chosen],
            self.rounding[chosen],
        )

    @property
    def filled(self) -> Mask:
        """Where something was measured."""
        return self.counts > 0

    @property
    def readings(self) -> Array:
        """How many readings each study has."""
        total: Array = self.counts.sum(axis=(-2, -1))
        return total

    @property
    def cells(self) -> Array:
        """How many cells of each study hold readings."""
        total: Array = self.filled.sum(axis=(-2, -1)).astype(np.float64)
        return total


def designs(grid: CellGrid) -> list[tuple[Array, NDArray[np.intp]]]:
    """Return each pattern of counts, shape (rows, operators), and the studies that have it."""
    studies, rows, columns = grid.counts.shape
    if (grid.counts == grid.counts[:1]).all():
        return [(grid.counts[0], np.arange(studies))]
    patterns, which = np.unique(
        grid.counts.reshape(-1, rows * columns), axis=0, return_inverse=True
    )
    return [
        (pattern.reshape(rows, columns), np.flatnonzero(which.ravel() == number))
        for number, pattern in enumerate(patterns)
    ]


def checked_codes(readings: ArrayLike, *labels: ArrayLike) -> tuple[Array, list[NDArray[np.int64]]]:
    """Return the readings as numbers, and each list of labels as codes from 0 without gaps.

    Raises
    ------
    StudyError
        A reading is not finite, or the lists differ in length.
    """
    values = np.asarray(readings, dtype=np.float64)
    if not np.isfinite(values).all():
        raise StudyError(
            "A reading is missing or not a finite number",
            "Leave missing readings out, with their part and operator",
        )
    codes = [np.unique(np.asarray(label), return_inverse=True)[1].ravel() for label in labels]
    if values.ndim == 0 or values.shape[-1] == 0 or any(len(c) != values.shape[-1] for c in codes):
        raise StudyError(
            "Readings, parts and operators are not lists of one length",
            "Give one part and one operator for each reading",
        )
    return values, [code.astype(np.int64) for code in codes]


def cube_of_codes(readings: Array, row: NDArray[np.int64], column: NDArray[np.int64]) -> Array:
    """Lay out readings of one design, shape (..., rows, columns, trials), NaN where none is.

    Parameters
    ----------
    readings : ndarray, shape (..., n)
    row, column : ndarray of int, shape (n,)
        The cell of each reading; codes from 0 without gaps.
    """
    cell = row * (column.max() + 1) + column
    order = np.argsort(cell, kind="stable")
    trial = np.empty_like(cell)
    trial[order] = np.arange(len(cell)) - np.searchsorted(cell[order], cell[order])
    shape = (int(row.max()) + 1, int(column.max()) + 1, int(trial.max()) + 1)
    cube = np.full(readings.shape[:-1] + shape, np.nan)
    cube[..., row, column, trial] = readings
    return cube


def grid_of_cube(readings: Array) -> CellGrid:
    """Sum up readings laid out as an array; each study may lack other ones.

    Parameters
    ----------
    readings : ndarray, shape (studies, rows, operators, trials)
        NaN where a reading is missing.

    Raises
    ------
    StudyError
        A study without any reading.
    """
    flat = readings.reshape(len(readings), -1)
    taken = np.isfinite(flat)
    if not taken.any(axis=-1).all():
        raise StudyError("Every reading is missing", "Take readings first")
    first = np.take_along_axis(flat, taken.argmax(axis=-1)[:, None], axis=-1)
    from_first = np.where(taken, flat - first, 0.0)
    n = taken.sum(axis=-1, keepdims=True)
    offset = from_first.sum(axis=-1, keepdims=True) / n
    deviations = np.where(taken, from_first - offset, 0.0)
    rms = np.sqrt(np.square(deviations).sum(axis=-1, keepdims=True) / n)
    eps = np.finfo(np.float64).eps
    largest = np.abs(first) + np.abs(from_first).max(axis=-1, keepdims=True)
    varies = rms > 4.0 * eps * largest
    scale = np.where(varies, rms, 1.0)
    scaled = (np.where(varies, deviations, 0.0) / scale).reshape(readings.shape)
    in_cube = taken.reshape(readings.shape)
    counts = in_cube.sum(axis=-1).astype(np.float64)
    means = scaled.sum(axis=-1) / np.maximum(counts, 1.0)
    within = np.square(np.where(in_cube, scaled - means[..., None], 0.0))
    return CellGrid(
        counts=counts,
        means=means,
        within=within.sum(axis=(-3, -2, -1)),
        origin=(first + offset)[:, 0],
        scale=np.where(varies, rms, 0.0)[:, 0],
        rounding=np.maximum(1e-12, 8.0 * eps * largest / scale)[:, 0],
    )
