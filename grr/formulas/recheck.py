"""How long until a drift has used up its share of the tolerance."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array


def time_to_use_up(rate: Array | float, allowance: Array | float) -> Array:
    """Return allowance/|rate|, infinite without a drift; in the time unit of the rate."""
    rate = np.abs(np.asarray(rate, dtype=np.float64))
    return np.where(rate > 0.0, allowance / np.where(rate > 0.0, rate, 1.0), np.inf)


def recheck_after(
    rate_lower: float, rate_upper: float, allowance: float, *, used: float, longest: float
) -> float:
    """Return the time to the next check that a drift's interval allows.

    The faster end of the interval decides. Never longer than ``used``, the longest interval
    between two checks so far (of longer ones nothing is known), nor than ``longest``, the
    laboratory's own. A drift says nothing about a fall or a knock: those are checked at once.

    Notes
    -----
    Our own rule. ILAC-G24 / OIML D 10 leaves the interval to the laboratory and names
    drift seen on check standards as one ground for it (from memory).
    """
    fastest = max(abs(rate_lower), abs(rate_upper))
    return min(float(time_to_use_up(fastest, allowance)), used, longest)
