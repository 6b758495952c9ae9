"""A bump: from one reading on, everything reads higher or lower."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.numerics.arrays import Array
from grr.numerics.drift_slope import without_group_means
from grr.numerics.shape_search import best_shape

#: Readings that must lie on either side of a bump.
LEAST_SIDE = 3


@dataclass(frozen=True)
class Bump:
    """The most likely single step in a series, and whether it is one at all.

    Attributes
    ----------
    first_after : int
        Index, in the order of time, of the first reading after the step.
    size : float
        After minus before, the drift and the parts taken out.
    p : float
        How often a series without a step shows as large a one somewhere.
    residual_sum : float
        Sum of squares that step and part means leave, without any drift.
    """

    first_after: int
    size: float
    p: float
    residual_sum: float


def find_bump(times: Array, readings: Array, groups: NDArray[np.int64]) -> Bump | None:
    """Find the place at which one step helps most beside a straight drift.

    Parameters
    ----------
    times, readings : ndarray, shape (n,)
        In the order of time.
    groups : ndarray of int, shape (n,)
        Part of each reading.

    Returns
    -------
    Bump or None
        None where the series is too short.

    Notes
    -----
    Source: Andrews, Econometrica 61 (1993), 821-856; see `best_shape`.
    """
    n = len(groups)
    places = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    if n - int(groups.max()) < 6 or not len(places):
        return None
    steps = (np.arange(n) >= places[:, None]).astype(np.float64)
    found = best_shape(times, readings, groups, steps)
    best = int(found.index)
    y = without_group_means(readings, groups)
    step = without_group_means(steps[best], groups)
    line = without_group_means(times, groups)
    both = np.linalg.lstsq(np.column_stack([step, line]), y, rcond=None)[0]
    alone = float(y @ y) - float(y @ step) ** 2 / max(float(step @ step), 1e-300)
    return Bump(int(places[best]), float(both[0]), float(found.p), alone)
