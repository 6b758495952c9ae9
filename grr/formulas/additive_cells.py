"""Readings that are exactly the sum of a part and an operator, without any scatter."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.cell_grid import CellGrid, designs


def additive_effects(grid: CellGrid, *, parts: bool, operators: bool) -> tuple[Array, Array, Array]:
    """Fit part and operator effects to the cell means by least squares.

    Parameters
    ----------
    grid : CellGrid
        Every part is linked to every other by operators in common.
    parts, operators : bool
        Which effects are fitted.

    Returns
    -------
    mean : ndarray, shape (studies,)
    part, operator : ndarray, shapes (studies, rows) and (studies, operators)
        Effects that sum to zero; 0 where not fitted.
    """
    studies, rows, columns = grid.counts.shape
    mean, part, operator = (
        np.zeros(studies),
        np.zeros((studies, rows)),
        np.zeros((studies, columns)),
    )
    for counts, alike in designs(grid):
        row, column = np.nonzero(counts)
        weight = np.sqrt(counts[row, column])
        design = np.hstack(
            [np.ones((len(row), 1)), parts * np.eye(rows)[row], operators * np.eye(columns)[column]]
        )
        values = grid.means[alike][:, row, column] * weight
        solution = np.linalg.lstsq(design * weight[:, None], values.T, rcond=None)[0].T
        found_part, found_operator = solution[:, 1 : rows + 1], solution[:, rows + 1 :]
        part_mean = found_part.mean(axis=-1, keepdims=True)
        operator_mean = found_operator.mean(axis=-1, keepdims=True)
        mean[alike] = (solution[:, :1] + part_mean + operator_mean)[:, 0]
        part[alike] = found_part - part_mean
        operator[alike] = found_operator - operator_mean
    return mean, part, operator


def is_exact(grid: CellGrid, *, parts: bool, operators: bool) -> Mask:
    """Say where the effects leave nothing of the readings but rounding."""
    mean, part, operator = additive_effects(grid, parts=parts, operators=operators)
    fitted = mean[:, None, None] + part[:, :, None] + operator[:, None, :]
    left = (grid.counts * np.square(grid.means - fitted)).sum(axis=(-2, -1)) + grid.within
    return np.asarray(left <= np.square(grid.rounding) * grid.readings)
