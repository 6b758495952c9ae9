"""The restricted likelihood of the cell means, with its first and second derivatives.

The model of a reading of row i (a part) by operator j is ::

    mean + part_i + operator_j + interaction_ij + error,

all but the mean random and normal; a term that the model lacks has the variance 0.
The cell means have the covariance ::

    V = part·Z_p Z_p' + operator·Z_o Z_o' + interaction·I + error·diag(1/counts).

Without operators the covariance falls into one block for each part, and each block is
diagonal plus a constant: its inverse R = W − CC' is written down at once (Sherman &
Morrison). Operators and the mean come in by a matrix K no larger than operators ×
operators, so nothing large is ever inverted ::

    P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹ = R − R Z_o K Z_o' R.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import helmert

from grr.numerics.arrays import Array, Mask
from grr.numerics.cell_grid import CellGrid


@dataclass(frozen=True)
class Deviance:
    """Minus twice the restricted log likelihood, and how it changes with the variances.

    The order of the variances is part, operator, interaction, error.

    Attributes
    ----------
    value : ndarray, shape (studies,)
    gradient : ndarray, shape (studies, 4)
    expected, observed : ndarray, shape (studies, 4, 4)
        Expected and observed matrix of second derivatives.
    """

    value: Array
    gradient: Array
    expected: Array
    observed: Array

    def __getitem__(self, chosen: Mask | NDArray[np.intp]) -> Deviance:
        """Return the studies chosen."""
        return Deviance(
            self.value[chosen],
            self.gradient[chosen],
            self.expected[chosen],
            self.observed[chosen],
        )

    def replaced(self, places: NDArray[np.intp], other: Deviance) -> Deviance:
        """Return the same with the studies at ``places`` taken from ``other``."""
        new = Deviance(
            self.value.copy(), self.gradient.copy(), self.expected.copy(), self.observed.copy()
        )
        new.value[places], new.gradient[places] = other.value, other.gradient
        new.expected[places], new.observed[places] = other.expected, other.observed
        return new


@dataclass(frozen=True)
class Projection:
    """The matrix P and what comes with it; cells are numbered row by row.

    Attributes
    ----------
    matrix : ndarray, shape (studies, cells, cells)
        P, with zeros for empty cells.
    log_det : ndarray, shape (studies,)
        log det V + log det X'V⁻¹X.
    effects : ndarray, shape (studies, k)
        Fixed effects by generalised least squares: the mean, or the operators' means.
    covariance : ndarray, shape (studies, k, k)
        Covariance of the fixed effects.
    """

    matrix: Array
    log_det: Array
    effects: Array
    covariance: Array


@lru_cache(maxsize=32)
def memberships(rows: int, operators: int) -> tuple[Array, Array]:
    """Return Z_p, shape (cells, rows), and Z_o, shape (cells, operators)."""
    z_part = np.repeat(np.eye(rows), operators, axis=0)
    z_operator = np.tile(np.eye(operators), (rows, 1))
    z_part.setflags(write=False)
    z_operator.setflags(write=False)
    return z_part, z_operator


@lru_cache(maxsize=32)
def level_and_contrasts(operators: int) -> Array:
    """Return orthonormal columns: the common level of operators, then their contrasts."""
    columns: Array = np.hstack([np.full((operators, 1), operators**-0.5), helmert(operators).T])
    columns.setflags(write=False)
    return columns


def projection(grid: CellGrid, variances: Array, *, operators_fixed: bool) -> Projection:
    """Return P and the fixed effects at the given variances, shape (studies, 4).

    Operators are turned to their common level, which with the mean is free to take any
    value, and their contrasts, of variance ``operator``; then ::

        K = (contrast precision + Z_o' R Z_o)⁻¹.

    The level is far less certain than the contrasts where parts differ much. What
    concerns it is therefore written down directly, not left over from a subtraction.
    """
    rows, operators = grid.counts.shape[1:]
    z_part, z_operator = memberships(rows, operators)
    turned = level_and_contrasts(operators)
    contrasts = turned[:, 1:]
    studies, cells = len(variances), rows * operators
    part, operator, interaction, error = (variances[:, i, None] for i in range(4))
    counts = grid.counts.reshape(studies, cells)
    variance = interaction + error / np.maximum(counts, 1.0)
    weight = np.where(counts > 0, 1.0 / variance, 0.0)
    growth = 1.0 + part * (weight @ z_part)
    c = (weight * (np.sqrt(part / growth) @ z_part.T))[..., None] * z_part
    r_z = weight[..., None] * z_operator - c @ (np.swapaxes(c, -1, -2) @ z_operator)
    level = weight / (growth @ z_part.T) / np.sqrt(operators)
    b = np.concatenate([level[..., None], r_z @ contrasts], axis=-1)

    precision = np.empty((studies, operators, operators))
    precision[:, 0, 0] = level.sum(axis=-1) / np.sqrt(operators)
    precision[:, 0, 1:] = precision[:, 1:, 0] = level @ z_operator @ contrasts
    precision[:, 1:, 1:] = contrasts.T @ (z_operator.T @ b[..., 1:])
    prior = np.ones((studies, operators))
    if not operators_fixed:
        prior[:, 1:] = np.sqrt(operator)
        precision *= prior[:, :, None] * prior[:, None, :]
        precision[:, 1:, 1:] += np.eye(operators - 1)
    k, log_det = _inverse(precision)
    k *= prior[:, :, None] * prior[:, None, :]

    sums = np.swapaxes(b, -1, -2) @ grid.means.reshape(studies, cells, 1)
    means = turned @ (k @ sums)
    covariance = turned @ k @ turned.T
    if not operators_fixed:
        log_det += np.log(operators)
        means = means.mean(axis=1, keepdims=True)
        covariance = (k[:, :1, :1] + operator[..., None]) / operators
    log_det += np.log(growth).sum(axis=-1)
    log_det += np.log(np.where(counts > 0, variance, 1.0)).sum(axis=-1)

    left = np.concatenate([-c, -b @ k], axis=-1)
    right = np.concatenate([np.swapaxes(c, -1, -2), np.swapaxes(b, -1, -2)], axis=-2)
    matrix = left @ right
    diagonal = np.arange(cells)
    matrix[:, diagonal, diagonal] += weight
    return Projection(matrix, log_det, means[..., 0], covariance)


def _inverse(matrices: Array) -> tuple[Array, Array]:
    """Return inverses of positive definite matrices of uneven scale, and their log det."""
    unit = 1.0 / np.sqrt(np.einsum("saa->sa", matrices))
    scaled = matrices * unit[:, :, None] * unit[:, None, :]
    inverse = np.linalg.inv(scaled) * unit[:, :, None] * unit[:, None, :]
    return inverse, np.linalg.slogdet(scaled)[1] - 2.0 * np.log(unit).sum(axis=-1)


def deviance(grid: CellGrid, variances: Array, *, operators_fixed: bool) -> Deviance:
    """Evaluate the restricted likelihood of each study at its variances.

    Parameters
    ----------
    grid : CellGrid
    variances : ndarray, shape (studies, 4)
        Part, operator, interaction, error; scaled as the grid. The error is positive.
    operators_fixed : bool
        Each operator has a mean of its own; the operator variance is then not used.

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), section 6.6: with
    V_j the derivative of V by a variance, the first derivatives are
    tr(PV_j) − y'PV_jPy, the expected second ones tr(PV_jPV_k), the observed ones
    2y'PV_jPV_kPy − tr(PV_jPV_k). The scatter within cells is independent of their
    means and adds (n − cells)·log(error) + within/error.
    """
    at = projection(grid, variances, operators_fixed=operators_fixed)
    z_part, z_operator = memberships(*grid.counts.shape[1:])
    studies, rows = len(variances), z_part.shape[1]
    counts = np.maximum(grid.counts, 1.0).reshape(studies, -1)
    means = grid.means.reshape(studies, -1)
    error = variances[:, 3]
    k = at.effects.shape[-1]
    spare = grid.readings - grid.cells
    residual = (at.matrix @ means[..., None])[..., 0]
    value = (
        at.log_det
        + np.log(counts).sum(axis=-1)
        + (means * residual).sum(axis=-1)
        + spare * np.log(error)
        + grid.within / error
        + (grid.readings - k) * np.log(2.0 * np.pi)
    )

    pz = at.matrix @ np.concatenate([z_part, z_operator], axis=1)
    zpz = np.concatenate([z_part, z_operator], axis=1).T @ pz
    trace, pair = np.zeros((studies, 4)), np.zeros((studies, 4, 4))
    diagonal = np.einsum("saa->sa", zpz)
    trace[:, 0] = diagonal[:, :rows].sum(axis=-1)
    trace[:, 1] = diagonal[:, rows:].sum(axis=-1)
    trace[:, 2] = np.einsum("saa->s", at.matrix)
    trace[:, 3] = (grid.cells - k - (trace[:, :3] * variances[:, :3]).sum(axis=-1)) / error
    pair[:, 0, 0] = _square(zpz[:, :rows, :rows])
    pair[:, 1, 1] = _square(zpz[:, rows:, rows:])
    pair[:, 2, 2] = _square(at.matrix)
    pair[:, 0, 1] = pair[:, 1, 0] = _square(zpz[:, :rows, rows:])
    pair[:, 0, 2] = pair[:, 2, 0] = _square(pz[:, :, :rows])
    pair[:, 1, 2] = pair[:, 2, 1] = _square(pz[:, :, rows:])
    _fill_in_error(pair, trace, variances)

    by_part, by_operator = residual @ z_part, residual @ z_operator
    moved = np.stack([by_part @ z_part.T, by_operator @ z_operator.T, residual], axis=1)
    form, curvature = np.zeros((studies, 4)), np.zeros((studies, 4, 4))
    form[:, 0] = np.square(by_part).sum(axis=-1)
    form[:, 1] = np.square(by_operator).sum(axis=-1)
    form[:, 2] = np.square(residual).sum(axis=-1)
    form[:, 3] = (np.square(residual) / counts).sum(axis=-1)
    curvature[:, :3, :3] = moved @ (at.matrix @ np.swapaxes(moved, -1, -2))
    _fill_in_error(curvature, form, variances)

    gradient = trace - form
    observed = 2.0 * curvature - pair
    gradient[:, 3] += spare / error - grid.within / error**2
    observed[:, 3, 3] += 2.0 * grid.within / error**3 - spare / error**2
    pair[:, 3, 3] += spare / error**2
    return Deviance(value, gradient, pair, observed)


def _fill_in_error(pair: Array, single: Array, variances: Array) -> None:
    """Fill in the error's row and column, as V = Σ variance_k·V_k and so PVP = P."""
    known, error = variances[:, :3], variances[:, 3]
    across = (single[:, :3] - (pair[:, :3, :3] @ known[..., None])[..., 0]) / error[:, None]
    pair[:, :3, 3] = pair[:, 3, :3] = across
    pair[:, 3, 3] = (single[:, 3] - (across * known).sum(axis=-1)) / error


def _square(matrices: Array) -> Array:
    """Sum of squares of each matrix."""
    return np.asarray(np.einsum("sab,sab->s", matrices, matrices))
