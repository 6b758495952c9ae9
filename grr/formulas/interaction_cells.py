"""Which operators, and which part–operator pairs, carry the interaction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtrc, stdtr, stdtrit

from grr.formulas.arrays import Array, Mask
from grr.model.errors import StudyError


@dataclass(frozen=True)
class InteractionCells:
    """What is left of each cell mean once part and operator are taken off.

    Attributes
    ----------
    residual : ndarray, shape (..., parts, operators)
        In the unit of the readings.
    error : ndarray, shape (..., operators)
        Standard error that repeatability alone gives an operator's residuals.
    df : ndarray, shape (..., operators)
        Degrees of freedom of that error.
    limit : ndarray, shape (..., operators)
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
    df: Array
    limit: Array
    p: Array
    share: Array
    operator_ratio: Array
    operator_p: Array

    @property
    def beyond(self) -> Mask:
        """Which cells lie beyond the limit."""
        return np.asarray(np.abs(self.residual) > self.limit[..., None, :])


def interaction_cells(
    cell_means: Array,
    trials: Array | float,
    ms_error: Array,
    df_error: Array,
    *,
    level: float = 0.95,
) -> InteractionCells:
    """Judge each residual of the cell means, and each operator's residuals together.

    Every operator's repeatability counts by itself: pooled, it would make the one who
    scatters look as if he depended on the part. Without interaction an operator's
    residuals before the part means are taken off have the variance
    V = [(1 − 1/o)²·σj² + Σ σk²/o²]/r, the sum over the others; a residual has V·(p − 1)/p,
    and Σd²/(p − 1) is V times χ²/(p − 1). Degrees of freedom by Satterthwaite.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)
    trials : float or ndarray, shape (...)
        Readings in a cell; their harmonic mean where numbers differ.
    ms_error : ndarray, shape (..., operators)
        Each operator's repeatability variance of a single reading.
    df_error : ndarray, shape (..., operators)
    level : float
        Family-wise confidence.

    Raises
    ------
    StudyError
        Somebody repeated nothing, or fewer than two parts or operators.

    Notes
    -----
    Source: Stefansky, Technometrics 14 (1972), 469-479 (residuals of a two-way layout,
    limits from the Bonferroni inequality); Satterthwaite, Biometrics Bulletin 2 (1946),
    110-114. Unequal repeatabilities and the operator's own F are this project's.
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o = cells.shape
    df_error = np.asarray(df_error, dtype=np.float64)
    if (df_error < 1).any() or p < 2 or o < 2:
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
    variance, df = _expected(np.asarray(ms_error, dtype=np.float64), df_error, o)
    variance = variance / np.asarray(trials)[..., None]
    error = np.sqrt(variance * (p - 1) / p)
    tests = _distinct(p, o)
    squares = np.square(rest).sum(axis=-2)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(rest) / error[..., None, :]
        ratio = squares / (p - 1) / variance
        share = squares / squares.sum(axis=-1, keepdims=True)
    return InteractionCells(
        residual=rest,
        error=error,
        df=df,
        limit=stdtrit(df, 1.0 - 0.5 * (1.0 - level) / tests) * error,
        p=np.minimum(1.0, tests * 2.0 * stdtr(df[..., None, :], -t)),
        share=share,
        operator_ratio=ratio,
        operator_p=np.minimum(1.0, (o if o > 2 else 1) * fdtrc(p - 1, df, ratio)),
    )


def _expected(ms_error: Array, df_error: Array, operators: int) -> tuple[Array, Array]:
    """Return what repeatability gives one operator's residuals (one trial), and its df."""
    weights = np.full((operators, operators), 1.0 / operators**2)
    np.fill_diagonal(weights, (1.0 - 1.0 / operators) ** 2)
    variance = ms_error @ weights
    spent = np.square(ms_error) / df_error @ np.square(weights)
    some = spent > 0.0
    df = np.where(
        some, np.square(variance) / np.where(some, spent, 1.0), df_error.sum(-1)[..., None]
    )
    return variance, df


def _distinct(parts: int, operators: int) -> int:
    """With two operators (or parts) the residuals come in pairs of opposite sign."""
    if operators == 2:
        return parts if parts > 2 else 1
    return operators if parts == 2 else parts * operators
