"""The interval of a standard deviation."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri

from grr.formulas.arrays import Array


def sd_interval(sd: Array | float, df: float, *, level: float = 0.95) -> tuple[Array, Array]:
    """Return the two-sided interval of a standard deviation of normal readings (chi-square).

    √(ν·s²/χ²) at both tails; exact for a sample sd, approximate for one from ranges with
    its effective degrees of freedom.

    Notes
    -----
    Source: any text on mathematical statistics; ISO 2854, table for the variance (from
    memory).
    """
    tail = (1.0 - level) / 2.0
    sd = np.asarray(sd, dtype=np.float64)
    return sd * np.sqrt(df / chdtri(df, tail)), sd * np.sqrt(df / chdtri(df, 1.0 - tail))
