"""How surely a short check notices that the repeatability has grown."""

from __future__ import annotations

import math

from scipy.special import fdtrc, fdtri


def chance_to_notice(
    df: int, df_before: int, *, times: float = 2.0, level: float = 0.95
) -> tuple[float, float]:
    """Return the limit of a check's standard deviation, and how surely it is passed by then.

    Parameters
    ----------
    df, df_before : int
        Degrees of freedom of the check's standard deviation, and of that of the study.
    times : float
        By how much the true standard deviation has grown.
    level : float
        Chance that the check stays under its limit where nothing has changed.

    Returns
    -------
    ratio : float
        The limit, in units of the study's standard deviation: √F, F the quantile at ``level``.
    chance : float
        That the check's standard deviation passes the limit once the true one is ``times``
        as large: P(F > F_level / times²).

    Notes
    -----
    Source: the ratio of two independent sample variances of normal readings, each divided by
    its own variance, has the F distribution with their degrees of freedom: Montgomery,
    Design and Analysis of Experiments, on inferences about variances (from memory).
    """
    quantile = float(fdtri(df, df_before, level))
    return math.sqrt(quantile), float(fdtrc(df, df_before, quantile / times**2))
