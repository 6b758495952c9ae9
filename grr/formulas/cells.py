"""Readings summed up cell by cell; a cell is what was measured several times alike."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


@dataclass(frozen=True)
class Cells:
    """Cell means and the scatter within cells; every array has the shape (..., cells).

    Attributes
    ----------
    means : ndarray
        Means, less `origin`.
    counts : ndarray of int
        Readings in each cell.
    within : ndarray
        Sum of squares of the readings about their cell mean.
    origin : ndarray
        What was taken off every reading, one value a study: differences of small size
        then keep their digits. It broadcasts against ``means``.
    """

    means: Array
    counts: NDArray[np.int64]
    within: Array
    origin: Array


def cells_of(readings: Array, *, cell_axes: int) -> Cells:
    """Sum up the last axis, the repeats; NaN is a missing reading.

    Parameters
    ----------
    readings : ndarray, shape (..., cells, trials)
        ``cells`` stands for ``cell_axes`` axes, such as parts × operators.
    cell_axes : int

    Raises
    ------
    StudyError
        A cell without any reading.
    """
    cube = np.asarray(readings, dtype=np.float64)
    taken = np.isfinite(cube)
    counts = taken.sum(axis=-1)
    if (counts == 0).any():
        raise StudyError(
            "A combination was never measured",
            "Measure it, or leave that part out of the study",
            value=f"cell {tuple(int(i) + 1 for i in np.argwhere(counts == 0)[0])}",
        )
    study_axes = tuple(range(cube.ndim - cell_axes - 1, cube.ndim))
    origin = np.nanmax(cube, axis=study_axes, keepdims=True)
    deviations = np.where(taken, cube - origin, 0.0)
    means = deviations.sum(axis=-1) / counts
    within = np.square(np.where(taken, deviations - means[..., None], 0.0)).sum(axis=-1)
    return Cells(means, counts, within, origin[..., 0])


def harmonic_count(cells: Cells, *, cell_axes: int) -> Array:
    """Return the harmonic mean of the number of readings in a cell, one value a study.

    Notes
    -----
    Source: Thomas & Hultquist, Annals of Statistics 6 (1978), 582-587 (unweighted means).
    """
    study_axes = tuple(range(cells.counts.ndim - cell_axes, cells.counts.ndim))
    return np.asarray(1.0 / (1.0 / cells.counts).mean(axis=study_axes))
