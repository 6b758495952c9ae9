"""The matrix P of the restricted likelihood, which takes the fixed effects out.

The model of a reading of row i (a part) by operator j is ::

    mean + part_i + operator_j + interaction_ij + error,

all but the mean random and normal; a term that the model lacks has the variance 0.
The cell means have the covariance ::

    V = part·Z_p Z_p' + operator·Z_o Z_o' + interaction·I + error·diag(1/counts).

Without operators the covariance falls into one block for each part, and each block is
diagonal plus a constant: its inverse R = W − CC' is written down at once (Sherman &
Morrison). The mean and the operators come in by matrices no larger than operators ×
operators, so nothing large is ever inverted on the way to ::

    P = V⁻¹ − V⁻¹X(X'V⁻¹X)⁻¹X'V⁻¹.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.linalg import helmert

from grr.formulas.arrays import Array
from grr.formulas.cell_grid import CellGrid


@dataclass(frozen=True)
class Projection:
    """The matrix P and what comes with it; cells are numbered row by row.

    Attributes
    ----------
    matrix : ndarray, shape (studies, cells, cells)
        P, with zeros for empty cells.
    parts : ndarray, shape (studies, rows, rows)
        Z_p'PZ_p.
    across : ndarray, shape (studies, rows, operators − 1)
        Z_p'PZ_oH, with the contrasts H of operators.
    operators : ndarray, shape (studies, operators − 1, operators − 1)
        H'Z_o'PZ_oH.
    residual : ndarray, shape (studies, cells)
        Py.
    by_part : ndarray, shape (studies, rows)
        Z_p'Py.
    by_operator : ndarray, shape (studies, operators − 1)
        H'Z_o'Py.
    log_det : ndarray, shape (studies,)
        log det V + log det X'V⁻¹X.
    effects : ndarray, shape (studies, k)
        Fixed effects by generalised least squares: the mean, or the operators' means.
    covariance : ndarray, shape (studies, k, k)
        Covariance of the fixed effects.
    """

    matrix: Array
    parts: Array
    across: Array
    operators: Array
    residual: Array
    by_part: Array
    by_operator: Array
    log_det: Array
    effects: Array
    covariance: Array


@lru_cache(maxsize=32)
def memberships(rows: int, operators: int) -> tuple[Array, Array, Array]:
    """Return Z_p, shape (cells, rows), Z_o, (cells, operators), and H, (operators, −1)."""
    z_part = np.repeat(np.eye(rows), operators, axis=0)
    z_operator = np.tile(np.eye(operators), (rows, 1))
    contrasts: Array = np.ascontiguousarray(helmert(operators).T)
    for matrix in (z_part, z_operator, contrasts):
        matrix.setflags(write=False)
    return z_part, z_operator, contrasts


def projection(grid: CellGrid, variances: Array, *, operators_fixed: bool) -> Projection:
    """Return P and the fixed effects at the given variances, shape (studies, 4).

    First the mean is taken out of R, which leaves R₁; then operators, whose common level
    goes with the mean, so that their contrasts remain::

        S = H'Z_o'R₁Z_oH,   K = operator·(I + operator·S)⁻¹,   P = R₁ − R₁Z_oH K H'Z_o'R₁.

    With fixed operators K is S⁻¹. Sums over a part are far smaller than their terms where
    parts differ much more than the gauge scatters. They are therefore written down
    directly, not left over from a subtraction.
    """
    rows, operators = grid.counts.shape[1:]
    z_part, z_operator, contrasts = memberships(rows, operators)
    studies, cells = len(variances), rows * operators
    part, operator, interaction, error = (variances[:, i, None] for i in range(4))
    counts = grid.counts.reshape(studies, cells)
    values = grid.means.reshape(studies, cells)
    variance = interaction + error / np.maximum(counts, 1.0)
    weight = np.where(counts > 0, 1.0 / variance, 0.0)
    in_part = weight @ z_part
    growth = 1.0 + part * in_part

    def by_part_of(readings: Array) -> Array:
        sums: Array = (weight * readings) @ z_part / growth
        return sums

    # R = W − CC', and the mean with its information 1'R1
    c = (weight * (np.sqrt(part / growth) @ z_part.T))[..., None] * z_part
    summed = weight / (growth @ z_part.T)
    total = summed.sum(axis=-1, keepdims=True)
    mean = (summed * values).sum(axis=-1, keepdims=True) / total
    centred = values - mean
    without_mean = weight * (centred - (part * by_part_of(centred)) @ z_part.T)

    # operators
    r_z = weight[..., None] * z_operator - c @ (np.swapaxes(c, -1, -2) @ z_operator)
    share = summed @ z_operator @ contrasts / total
    b = r_z @ contrasts - summed[..., None] * share[:, None, :]
    s = contrasts.T @ (z_operator.T @ b)
    identity = np.eye(operators - 1)
    if operators_fixed:
        k, log_det = _inverse(s)
        log_det -= np.log(operators)
        kept = np.zeros_like(s)
    else:
        kept, log_det = _inverse(identity + operator[..., None] * s)
        k = operator[..., None] * kept
    sums = without_mean @ z_operator @ contrasts
    effects = (k @ sums[..., None])[..., 0]
    level = mean - (share * effects).sum(axis=-1, keepdims=True)
    operator_means = level + effects @ contrasts.T

    residual_values = values - operator_means @ z_operator.T
    by_part = by_part_of(residual_values)
    residual = weight * (residual_values - (part * by_part) @ z_part.T)

    alone = in_part / growth
    u = summed.reshape(studies, rows, operators) @ contrasts
    u -= alone[..., None] * share[:, None, :]
    line = (summed / np.sqrt(total))[..., None]
    slope = contrasts - share[:, None, :]
    covariance = slope @ k @ np.swapaxes(slope, -1, -2) + 1.0 / total[..., None]
    if not operators_fixed:
        covariance = covariance.mean(axis=(-2, -1), keepdims=True) + operator[..., None] / operators
    return Projection(
        matrix=_less_outer(weight, (c, c), (line, line), (b @ k, b)),
        parts=_less_outer(alone, (alone[..., None], (alone / total)[..., None]), (u @ k, u)),
        across=u @ kept,
        operators=s @ kept,
        residual=residual,
        by_part=by_part,
        by_operator=(kept @ sums[..., None])[..., 0],
        log_det=log_det
        + np.log(total[:, 0])
        + np.log(growth).sum(axis=-1)
        + np.log(np.where(counts > 0, variance, 1.0)).sum(axis=-1),
        effects=operator_means if operators_fixed else level,
        covariance=covariance,
    )


def _less_outer(diagonal: Array, *pairs: tuple[Array, Array]) -> Array:
    """Return diagonal matrices less the products left·right' of the pairs."""
    left = np.concatenate([-pair[0] for pair in pairs], axis=-1)
    right = np.concatenate([np.swapaxes(pair[1], -1, -2) for pair in pairs], axis=-2)
    matrix: Array = left @ right
    place = np.arange(diagonal.shape[-1])
    matrix[:, place, place] += diagonal
    return matrix


def _inverse(matrices: Array) -> tuple[Array, Array]:
    """Return inverses of positive definite matrices, and their log det."""
    return np.asarray(np.linalg.inv(matrices)), np.asarray(np.linalg.slogdet(matrices)[1])
