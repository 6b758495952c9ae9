"""Is this reading believable, judged by the drawing and the gauge alone?

These rules look at one reading as it arrives, before the part is known well enough for
`grr.formulas.suspects`, and never at earlier readings of the same part, so that a person
who measures blind stays blind. They raise a question; a person answers it. The thresholds
are this project's own.

Every function takes an array of any shape, one element a reading, and returns one of the
same shape.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.suspects import FACTORS

#: How far past a limit a part of a gauge study may lie, in tolerance widths.
WIDTHS_BEYOND = 1.0
#: A second reading within this time of the one before is hardly another measurement.
FASTEST_SECONDS = 0.5
#: So many equal readings before this one are a display that hangs, or one part measured on.
EQUAL_BEFORE = 3


@dataclass(frozen=True)
class Band:
    """Where a believable reading lies; infinite on a side that the drawing leaves open."""

    low: float
    high: float

    def holds(self, readings: Array) -> Mask:
        """Return whether each reading lies within the band; a missing one does."""
        return ~((readings < self.low) | (readings > self.high))

    @property
    def excludes_zero(self) -> bool:
        """Whether 0 lies outside, so that a factor can be told from a mere distance."""
        return self.low > 0.0 or self.high < 0.0


def believable_band(lower: float | None, upper: float | None) -> Band:
    """Return the band in which a reading raises no question.

    Two limits: one tolerance width beyond each (``WIDTHS_BEYOND``). One limit: from half to
    twice its size, as parts of a study lie near their limit; a limit of 0, or none, gives
    no band. An upper limit alone leaves the low side down to 0 (roundness, say).
    """
    if lower is not None and upper is not None:
        beyond = WIDTHS_BEYOND * (upper - lower)
        return Band(lower - beyond, upper + beyond)
    if upper is not None and upper > 0.0:
        return Band(0.0, 2.0 * upper)
    if lower is not None and lower > 0.0:
        return Band(0.5 * lower, 2.0 * lower)
    return Band(-np.inf, np.inf)


def suspected_factor(readings: Array, band: Band) -> Array:
    """Return 10, 25.4, 1000 or their inverses where dividing by it mends the reading.

    1 where nothing is suspected. A band that holds 0 tells nothing about factors.
    """
    values = np.asarray(readings, dtype=np.float64)
    found = np.ones(values.shape)
    if not band.excludes_zero:
        return found
    outside = ~band.holds(values)
    for factor in reversed(FACTORS):
        found = np.where(outside & band.holds(values / factor), factor, found)
    return found


def fewer_decimals(decimals: Array, shown: int) -> Mask:
    """Return where a number came with fewer decimals than the gauge shows."""
    return np.asarray(decimals) < shown


def equal_to_those_before(readings: Array) -> Mask:
    """Return where a reading equals each of the three before it along the last axis."""
    values = np.asarray(readings, dtype=np.float64)
    equal = np.zeros(values.shape, dtype=bool)
    if values.shape[-1] > EQUAL_BEFORE:
        run = np.ones((*values.shape[:-1], values.shape[-1] - EQUAL_BEFORE), dtype=bool)
        for back in range(1, EQUAL_BEFORE + 1):
            run &= values[..., EQUAL_BEFORE:] == values[..., EQUAL_BEFORE - back : -back]
        equal[..., EQUAL_BEFORE:] = run
    return equal


def too_soon(seconds_since_last: Array) -> Mask:
    """Return where a reading came so soon after the last that the gauge was not moved."""
    return np.asarray(seconds_since_last, dtype=np.float64) < FASTEST_SECONDS
