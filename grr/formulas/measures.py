"""Draws of the measures that people read, from draws of the variances.

Truncation happens here and nowhere before: a variance below 0 counts as 0, and a share
of the study's own total variation as at most 1.
"""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.pivots import Pivots
from grr.formulas.ratios import NDC_FACTOR
from grr.formulas.yardstick import Yardstick
from grr.model.errors import StudyError
from grr.model.values import one_of

#: The lines of a study's result: name → field of `Pivots`.
QUANTITIES = {
    "EV": "repeatability",
    "AV": "operator",
    "INT": "interaction",
    "GRR": "grr",
    "PV": "part",
    "TV": "total",
}


def variance_draws(pivots: Pivots, quantity: str, yardstick: Yardstick) -> Array:
    """Return draws of a variance, not below 0; NaN where not estimated.

    With a process sd given, TV is its square and PV² = process_sd² − GRR².

    Parameters
    ----------
    pivots : Pivots
    quantity : {"EV", "AV", "INT", "GRR", "PV", "TV"}
    yardstick : Yardstick

    Returns
    -------
    ndarray, shape (..., draws)
    """
    one_of("quantity", quantity, tuple(QUANTITIES))
    given = yardstick.process_sd
    if quantity == "TV" and given is not None:
        return np.full_like(pivots.grr, given**2)
    if quantity == "PV" and given is not None:
        return np.maximum(given**2 - variance_draws(pivots, "GRR", yardstick), 0.0)
    draws: Array = getattr(pivots, QUANTITIES[quantity])
    return np.maximum(draws, 0.0)


def share_draws(pivots: Pivots, quantity: str, yardstick: Yardstick) -> Array:
    """Return draws of a variance divided by that of TV, TV not below GRR.

    A share of a given process sd may exceed 1: that says the sd given is too small.
    """
    part = variance_draws(pivots, quantity, yardstick)
    whole = variance_draws(pivots, "TV", yardstick)
    if yardstick.process_sd is not None:
        return _ratio(part, whole)
    whole = np.maximum(whole, variance_draws(pivots, "GRR", yardstick))
    return np.minimum(_ratio(whole if quantity == "TV" else part, whole), 1.0)


def signal_draws(pivots: Pivots, yardstick: Yardstick) -> Array:
    """Return draws of PV²/GRR², from which ndc and ICC follow."""
    return _ratio(variance_draws(pivots, "PV", yardstick), variance_draws(pivots, "GRR", yardstick))


def percent_tv_draws(pivots: Pivots, quantity: str, yardstick: Yardstick) -> Array:
    """Return draws of 100 × sd/TV."""
    return 100.0 * np.sqrt(share_draws(pivots, quantity, yardstick))


def percent_tolerance_draws(pivots: Pivots, quantity: str, yardstick: Yardstick) -> Array:
    """Return draws of the percentage of the tolerance that a spread takes.

    100·spread·sd/(upper − lower); with one limit, half the spread against the distance
    from the mean to it, with draws of the mean unless the process mean is given: an
    uncertain mean taken as known covers 75–95 % where 95 % is meant. Infinite where a
    draw of the mean lies at or past the limit.

    Raises
    ------
    StudyError
        No tolerance.
    """
    sd = np.sqrt(variance_draws(pivots, quantity, yardstick))
    if yardstick.width is not None:
        return 100.0 * yardstick.spread * sd / yardstick.width
    mean = pivots.mean if yardstick.process_mean is None else yardstick.process_mean
    if yardstick.upper is not None:
        distance = yardstick.upper - mean
    elif yardstick.lower is not None:
        distance = mean - yardstick.lower
    else:
        raise StudyError("No tolerance was given", "Give the lower limit, the upper limit or both")
    return 50.0 * yardstick.spread * _ratio(sd, np.maximum(distance, 0.0))


def ndc_draws(pivots: Pivots, yardstick: Yardstick) -> Array:
    """Return draws of 1.41·PV/GRR, not rounded down."""
    return NDC_FACTOR * np.sqrt(signal_draws(pivots, yardstick))


def _ratio(part: Array, whole: Array) -> Array:
    """Return part/whole, infinite where only the whole is 0, NaN where both are."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.divide(part, whole)
