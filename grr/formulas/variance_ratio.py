"""The ratio of two independent standard deviations."""

from __future__ import annotations

import numpy as np
from scipy.special import fdtri

from grr.formulas.arrays import Array


def sd_ratio_interval(
    ratio: Array | float, df: Array | float, df_below: Array | float, *, level: float = 0.95
) -> tuple[Array, Array]:
    """Return the two-sided interval of the ratio of two standard deviations (F).

    ratio/√F(1 − tail) to ratio/√F(tail), with the degrees of freedom of the upper and
    of the lower one; exact for independent normal readings.

    Parameters
    ----------
    ratio : float or ndarray
        Observed ratio of the standard deviations.
    df, df_below : float or ndarray
        Degrees of freedom of the one above and of the one below.
    level : float

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 2.6 (two variances).
    """
    tail = 0.5 * (1.0 - level)
    ratio = np.asarray(ratio, dtype=np.float64)
    return (
        ratio / np.sqrt(fdtri(df, df_below, 1.0 - tail)),
        ratio / np.sqrt(fdtri(df, df_below, tail)),
    )
