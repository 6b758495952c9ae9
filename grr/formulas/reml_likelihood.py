"""The restricted likelihood of the cell means, with its first and second derivatives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.formulas.cell_grid import CellGrid
from grr.formulas.reml_projection import memberships, projection


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
    means and adds (n − cells)·log(error) + within/error. As V = Σ variance_j·V_j and
    PVP = P, also y'Py = Σ variance_j·y'PV_jPy, a sum without cancellation.
    """
    at = projection(grid, variances, operators_fixed=operators_fixed)
    rows, operators = grid.counts.shape[1:]
    z_part, z_operator, contrasts = memberships(rows, operators)
    studies = len(variances)
    counts = np.maximum(grid.counts, 1.0).reshape(studies, -1)
    error = variances[:, 3]
    k = at.effects.shape[-1]
    spare = grid.readings - grid.cells

    trace, pair = np.zeros((studies, 4)), np.zeros((studies, 4, 4))
    trace[:, 0] = np.einsum("saa->s", at.parts)
    trace[:, 1] = np.einsum("saa->s", at.operators)
    trace[:, 2] = np.einsum("saa->s", at.matrix)
    trace[:, 3] = (grid.cells - k - (trace[:, :3] * variances[:, :3]).sum(axis=-1)) / error
    pair[:, 0, 0] = _square(at.parts)
    pair[:, 1, 1] = _square(at.operators)
    pair[:, 2, 2] = _square(at.matrix)
    pair[:, 0, 1] = pair[:, 1, 0] = _square(at.across)
    pair[:, 0, 2] = pair[:, 2, 0] = _square(at.matrix @ z_part)
    pair[:, 1, 2] = pair[:, 2, 1] = _square(at.matrix @ (z_operator @ contrasts))
    _fill_in_error(pair, trace, variances)

    by_operator = at.by_operator @ contrasts.T
    moved = np.stack([at.by_part @ z_part.T, by_operator @ z_operator.T, at.residual], axis=1)
    form, curvature = np.zeros((studies, 4)), np.zeros((studies, 4, 4))
    form[:, 0] = np.square(at.by_part).sum(axis=-1)
    form[:, 1] = np.square(at.by_operator).sum(axis=-1)
    form[:, 2] = np.square(at.residual).sum(axis=-1)
    form[:, 3] = (np.square(at.residual) / counts).sum(axis=-1)
    curvature[:, :3, :3] = moved @ (at.matrix @ np.swapaxes(moved, -1, -2))
    _fill_in_error(curvature, form, variances)

    value = (
        at.log_det
        + np.log(counts).sum(axis=-1)
        + (form * variances).sum(axis=-1)
        + spare * np.log(error)
        + grid.within / error
        + (grid.readings - k) * np.log(2.0 * np.pi)
    )
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
