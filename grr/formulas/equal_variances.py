"""Whether several variances are equal: Bartlett's test and Cochran's C."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtrc, fdtrc, fdtri

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


def bartlett(variances: Array, df: Array) -> tuple[Array, Array]:
    """Return Bartlett's statistic and its p value.

    Parameters
    ----------
    variances : ndarray, shape (..., k)
        Pooled within-cell variances, in the unit of the readings squared.
    df : ndarray, shape (..., k)
        Degrees of freedom of each, at least 1.

    Returns
    -------
    statistic, p : ndarray, shape (...)
        A variance of 0 beside others above it makes the statistic infinite and p 0; all
        0 gives NaN.

    Raises
    ------
    StudyError
        Fewer than two variances.

    Notes
    -----
    Source: Bartlett, Proceedings of the Royal Society A 160 (1937), 268-282; Montgomery,
    Design and Analysis of Experiments, section 3.4.3.
    """
    variances, df = _checked(variances, df)
    k = variances.shape[-1]
    total = df.sum(axis=-1)
    pooled = (df * variances).sum(axis=-1) / total
    with np.errstate(divide="ignore", invalid="ignore"):
        spread = total * np.log(pooled) - (df * np.log(variances)).sum(axis=-1)
    correction = 1.0 + ((1.0 / df).sum(axis=-1) - 1.0 / total) / (3.0 * (k - 1))
    statistic = spread / correction
    return statistic, chdtrc(k - 1, np.maximum(statistic, 0.0))


def cochran_c(variances: Array) -> Array:
    """Return Cochran's C: the largest variance divided by the sum of all; NaN where all are 0.

    Notes
    -----
    Source: ISO 5725-2, clause 7.3.3 (edition of 1994, from memory).
    """
    variances = np.asarray(variances, dtype=np.float64)
    total = variances.sum(axis=-1)
    return np.where(total > 0.0, variances.max(axis=-1) / np.where(total > 0.0, total, 1.0), np.nan)


def cochran_limit(groups: int, df: float, level: float = 0.95) -> float:
    """Return the value that Cochran's C exceeds with probability 1 − level at most.

    C is that of the F distribution: C = 1/(1 + (k − 1)/F), with F the quantile at
    (1 − level)/k of ``df`` and (k − 1)·``df`` degrees of freedom.

    Parameters
    ----------
    groups : int
        How many variances, k.
    df : float
        Degrees of freedom of each of them, p(r − 1) for operators.
    level : float

    Notes
    -----
    Source: ISO 5725-2, table of Cochran's critical values; the formula with F is
    't Lam, Computational Statistics & Data Analysis 54 (2010), 525-533.
    """
    f = fdtri(df, (groups - 1) * df, 1.0 - (1.0 - level) / groups)
    return float(1.0 / (1.0 + (groups - 1) / f))


def largest_against_rest(variances: Array, df: Array) -> tuple[Array, Array]:
    """Return each variance divided by that of the others pooled, and its one-sided p value.

    Compared with (1 − level)/k, the p value of the largest one is Cochran's test; here it
    also serves where degrees of freedom differ.

    Parameters
    ----------
    variances, df : ndarray, shape (..., k)

    Returns
    -------
    ratio, p : ndarray, shape (..., k)
        NaN where neither varies; infinite and 0 where only the others do not.

    Notes
    -----
    Source: 't Lam (2010), as for `cochran_limit` (unequal degrees of freedom).
    """
    variances, df = _checked(variances, df)
    sums = df * variances
    rest_df = df.sum(axis=-1, keepdims=True) - df
    rest = (sums.sum(axis=-1, keepdims=True) - sums) / rest_df
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = variances / rest
    return ratio, fdtrc(df, rest_df, ratio)


def _checked(variances: Array, df: Array) -> tuple[Array, Array]:
    variances = np.asarray(variances, dtype=np.float64)
    df = np.broadcast_to(np.asarray(df, dtype=np.float64), variances.shape)
    if variances.shape[-1] < 2:
        raise StudyError("One variance has nothing to be compared with", "Give at least two")
    if (df < 1).any():
        raise StudyError(
            "Someone measured nothing twice, so their repeatability is unknown",
            "Measure each part at least twice",
        )
    return variances, df
