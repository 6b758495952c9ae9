"""Consistency statistics h and k: each operator on each part, against the other operators."""

from __future__ import annotations

import math

import numpy as np
from scipy.special import fdtri, stdtrit

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


def h_statistic(cell_means: Array) -> Array:
    """Return h: how far an operator's mean of a part lies from all operators' mean of it.

    h = (x̄ij − x̄i)/s(x̄i), with s(x̄i) the standard deviation of the operators' means of
    that part; 0 where they do not differ at all.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)

    Returns
    -------
    ndarray, shape (..., parts, operators)

    Raises
    ------
    StudyError
        One operator.

    Notes
    -----
    Source: ASTM E691, between-laboratory consistency statistic; ISO 5725-2, Mandel's h
    (clause 7.3.1, edition of 1994, from memory). |h| cannot exceed (o − 1)/√o, see `h_ceiling`.
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    if cells.shape[-1] < 2:
        raise StudyError("One operator has nobody to be consistent with", "Add an operator")
    cells = cells - cells[..., :1]
    deviations = cells - cells.mean(axis=-1, keepdims=True)
    sd = np.sqrt(np.square(deviations).sum(axis=-1, keepdims=True) / (cells.shape[-1] - 1))
    return np.where(sd > 0.0, deviations / np.where(sd > 0.0, sd, 1.0), 0.0)


def k_statistic(cell_variances: Array, df: Array) -> Array:
    """Return k: an operator's scatter on a part, in units of all operators' scatter on it.

    k = sij/sri, with sri² the operators' variances on that part pooled; NaN where nobody's
    readings of that part scatter, or one was taken once only.

    Parameters
    ----------
    cell_variances : ndarray, shape (..., parts, operators)
        Variance of the repeats; anything where ``df`` is 0.
    df : ndarray, shape (..., parts, operators)
        Repeats in the cell less one.

    Notes
    -----
    Source: ASTM E691, within-laboratory consistency statistic; ISO 5725-2, Mandel's k.
    """
    df = np.asarray(df, dtype=np.float64)
    some = df > 0
    sums = np.where(some, df * np.where(some, cell_variances, 0.0), 0.0).sum(-1, keepdims=True)
    total = df.sum(axis=-1, keepdims=True)
    pooled = sums / np.maximum(total, 1.0)
    usable = some & (pooled > 0.0)
    variances = np.where(usable, cell_variances, np.nan)
    return np.sqrt(variances / np.where(pooled > 0.0, pooled, 1.0))


def h_ceiling(operators: int) -> float:
    """Return (o − 1)/√o, which |h| cannot exceed: 1.155 with three operators."""
    return (operators - 1) / math.sqrt(operators)


def h_limit(operators: int, level: float = 0.99) -> float:
    """Return the limit of |h| at a two-sided level; the ceiling with two operators.

    h = (o − 1)·t/√(o·(t² + o − 2)), t the quantile with o − 2 degrees of freedom.

    Notes
    -----
    Source: ISO 5725-2, table of indicators for Mandel's h; ASTM E691, formula for the
    critical value of h.
    """
    if operators < 3:
        return h_ceiling(operators)
    t = float(stdtrit(operators - 2, 0.5 + 0.5 * level))
    return (operators - 1) * t / math.sqrt(operators * (t * t + operators - 2))


def k_limit(operators: int, trials: int, level: float = 0.99) -> float:
    """Return the limit of k: √(o/(1 + (o − 1)/F)), F with r − 1 and (o − 1)(r − 1) df.

    Notes
    -----
    Source: ISO 5725-2, table of indicators for Mandel's k; ASTM E691, formula for the
    critical value of k.
    """
    df = trials - 1
    f = float(fdtri(df, (operators - 1) * df, level))
    return math.sqrt(operators / (1.0 + (operators - 1) / f))
