"""Which operators, and which part–operator pairs, carry the interaction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtr, stdtrit

from grr.errors import StudyError
from grr.numerics.arrays import Array, Mask


@dataclass(frozen=True)
class InteractionCells:
    """What is left of each cell mean once part and operator are taken off.

    Attributes
    ----------
    residual : ndarray, shape (..., parts, operators)
        In the unit of the readings.
    error : ndarray, shape (...)
        Standard error that repeatability alone gives a residual.
    limit : ndarray, shape (...)
        Family-wise limit of |residual|: without interaction, no residual of the whole
        study exceeds it, at the level asked for.
    p : ndarray, shape (..., parts, operators)
        Family-wise p value of each residual (Bonferroni).
    share : ndarray, shape (..., operators)
        How much of the interaction's sum of squares each operator carries.
    operator_ratio, operator_p : ndarray, shape (..., operators)
        F of each operator's own part of the interaction against repeatability, and its p
        value times the number of operators.
    """

    residual: Array
    error: Array
    limit: Array
    p: Array
    share: Array
    operator_ratio: Array
    operator_p: Array

    @property
    def beyond(self) -> Mask:
        """Which cells lie beyond the limit."""
        return np.asarray(np.abs(self.residual) > self.limit[..., None, None])


def interaction_cells(
    cell_means: Array, trials: Array | float, ms_error: Array, df_error: int, *, level: float = 0.95
) -> InteractionCells:
    """Judge each residual of the cell means, and each operator's residuals together.

    Without interaction a residual has the variance σ²/r·(p − 1)(o − 1)/(po); it is
    compared with Student's t at (1 − level) shared among all distinct residuals. An
    operator's own mean square is r·Σd²·o/((p − 1)(o − 1)), with p − 1 degrees of freedom.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)
    trials : float or ndarray, shape (...)
        Readings in a cell; their harmonic mean where numbers differ.
    ms_error : ndarray, shape (...)
        Repeatability variance of a single reading.
    df_error : int
    level : float
        Family-wise confidence.

    Raises
    ------
    StudyError
        Nothing was repeated, or fewer than two parts or operators.

    Notes
    -----
    Source: Stefansky, Technometrics 14 (1972), 469-479 (residuals of a two-way layout,
    limits from the Bonferroni inequality), with the independent repeatability in place
    of the residual mean square. The operator's own F is this project's: the residuals of
    one operator, taken together, over the same repeatability.
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o = cells.shape
    if df_error < 1 or p < 2 or o < 2:
        raise StudyError(
            "The interaction cannot be told from repeatability here",
            "Let at least two operators measure at least two parts, each part twice or more",
        )
    deviations = cells - cells[..., :1, :1]
    rest = (
        deviations
        - deviations.mean(axis=-1, keepdims=True)
        - deviations.mean(axis=-2, keepdims=True)
        + deviations.mean(axis=(-2, -1), keepdims=True)
    )
    shrink = (p - 1) * (o - 1) / (p * o)
    error = np.sqrt(np.asarray(ms_error) / trials * shrink)
    tests = _distinct(p, o)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(rest) / error[..., None, None]
        squares = np.square(rest).sum(axis=-2)
        own = squares * (np.asarray(trials) / (shrink * p))[..., None]
        ratio = own / np.asarray(ms_error)[..., None]
        share = squares / squares.sum(axis=-1, keepdims=True)
    operator_p = np.where(np.isinf(ratio), 0.0, fdtrc(p - 1, df_error, ratio))
    return InteractionCells(
        residual=rest,
        error=error,
        limit=stdtrit(df_error, 1.0 - 0.5 * (1.0 - level) / tests) * error,
        p=np.minimum(1.0, tests * 2.0 * stdtr(df_error, -t)),
        share=share,
        operator_ratio=ratio,
        operator_p=np.minimum(1.0, (o if o > 2 else 1) * operator_p),
    )


def _distinct(parts: int, operators: int) -> int:
    """With two operators (or parts) the residuals come in pairs of opposite sign."""
    if operators == 2:
        return parts if parts > 2 else 1
    return operators if parts == 2 else parts * operators
