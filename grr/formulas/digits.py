"""Whether the last digit of a gauge shows its scatter or hides it."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from grr.formulas.arrays import Array

#: Possible values within the range limit below which the digits are too coarse.
LEAST_VALUES = 5
#: Share of ranges at zero above which the digits are too coarse.
MOST_ZEROS = 0.25


class DigitsSeen(NamedTuple):
    """How many values a range within its limit can take, and the share of ranges at zero."""

    possible: int
    zeros: float

    @property
    def too_few(self) -> bool:
        """Whether the digits are too coarse for the scatter."""
        return self.possible < LEAST_VALUES or self.zeros > MOST_ZEROS


def digits_seen(ranges: Array, limit: float, step: float) -> DigitsSeen:
    """Return how well a digit of size ``step`` shows ranges with this upper limit.

    Parameters
    ----------
    ranges : ndarray
        Of repeats, or moving ranges; NaN is left out.
    limit, step : float
        D4 × mean range; the last digit, in the same unit.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter II section C (discrimination seen on the range
    chart); Wheeler & Lyday, Evaluating the Measurement Process (1989), chapter 5. From
    memory.
    """
    there = np.asarray(ranges, dtype=np.float64)
    there = there[np.isfinite(there)]
    possible = math.floor(limit / step + 1e-6) + 1
    return DigitsSeen(possible, float(np.mean(there < 0.5 * step)))
