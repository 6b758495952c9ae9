"""A bump: from one reading on, everything reads higher or lower."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.drift_slope import Blocks
from grr.formulas.shape_search import best_shape

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
    """

    first_after: int
    size: float
    p: float


def find_bump(times: Array, readings: Array, means: Blocks) -> Bump | None:
    """Find the place at which one step helps most beside a straight drift.

    Parameters
    ----------
    times, readings : ndarray, shape (n,)
        In the order of time.
    means : Blocks
        What is taken off: the means of parts and of sessions.

    Returns
    -------
    Bump or None
        None where the series is too short.

    Notes
    -----
    Source: Andrews, Econometrica 61 (1993), 821-856; see `best_shape`.
    """
    n = means.readings
    places = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    if n - means.rank < 5 or not len(places):
        return None
    steps = (np.arange(n) >= places[:, None]).astype(np.float64)
    found = best_shape(times, readings, means, steps)
    best = int(found.index)
    y = means.taken_off(readings)
    step = means.taken_off(steps[best])
    line = means.taken_off(times)
    both = np.linalg.lstsq(np.column_stack([step, line]), y, rcond=None)[0]
    return Bump(int(places[best]), float(both[0]), float(found.p))
