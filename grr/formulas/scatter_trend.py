"""Whether an operator's scatter grows or shrinks from the first trials to the last."""

from __future__ import annotations

import numpy as np
from scipy.special import stdtr

from grr.formulas.arrays import Array


def scatter_trend(readings: Array) -> tuple[Array, Array]:
    """Return how much more an operator scatters in the last trials than in the first, and p.

    What a part adds drops out of the difference of two readings of it. The differences
    between the first two trials and those between the last two have equal variance where
    nothing changes; with three trials they share one and are correlated, which the test
    allows for: it asks whether their sum and their difference are correlated.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, trials)
        One operator's readings, trials in the order taken, none missing.

    Returns
    -------
    ratio, p : ndarray, shape (...)
        Ratio of the standard deviations of the differences, last over first; two-sided p
        value, exact for normal readings. NaN with fewer than three trials or four parts,
        and where nothing scatters.

    Notes
    -----
    Source: Pitman, Biometrika 31 (1939), 9-12; Morgan, same volume, 13-19 (equality of
    the variances of two correlated samples).
    """
    values = np.asarray(readings, dtype=np.float64)
    *stack, p, r = values.shape
    if r < 3 or p < 4:
        nothing = np.full(stack, np.nan)
        return nothing, nothing
    first = values[..., 1] - values[..., 0]
    last = values[..., -1] - values[..., -2]
    first = first - first.mean(axis=-1, keepdims=True)
    last = last - last.mean(axis=-1, keepdims=True)
    total, change = first + last, last - first
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = (total * change).sum(axis=-1) / np.sqrt(
            np.square(total).sum(axis=-1) * np.square(change).sum(axis=-1)
        )
        correlation = np.clip(correlation, -1.0, 1.0)
        t = correlation * np.sqrt((p - 2) / (1.0 - np.square(correlation)))
        ratio = np.sqrt(np.square(last).sum(axis=-1) / np.square(first).sum(axis=-1))
    return np.asarray(ratio), np.asarray(2.0 * stdtr(p - 2, -np.abs(t)))
