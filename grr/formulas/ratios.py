"""Ratios by which a measuring system is judged."""

from __future__ import annotations

from typing import TypeVar

import numpy as np

from grr.formulas.arrays import Array, Mask

Number = TypeVar("Number", float, Array)

#: √2 as the manual rounds it (AIAG MSA, 4th ed., chapter II section D).
NDC_FACTOR = 1.41


def percent(part: Array | float, whole: Array | float) -> Array:
    """Return 100·part/whole; NaN where the whole is not above 0."""
    whole = np.asarray(whole, dtype=np.float64)
    usable = whole > 0.0
    return np.where(usable, 100.0 * part / np.where(usable, whole, 1.0), np.nan)


def percent_of_tolerance(sd: Array | float, width: Array | float, *, spread: float = 6.0) -> Array:
    """Return the precision-to-tolerance ratio, 100·spread·sd/(upper − lower), in percent.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (percent of tolerance: TV is
    replaced by tolerance/6).
    """
    return percent(spread * sd, width)


def percent_of_one_side(
    sd: Array | float,
    mean: Array | float,
    limit: Array | float,
    *,
    upper: bool,
    spread: float = 6.0,
) -> Array:
    """Return half the spread as a percentage of the distance from the mean to the limit.

    NaN where the mean lies at or past the limit.

    Notes
    -----
    Common practice for one-sided tolerances, after the one-sided capability ratio
    (mean to limit against 3 sd); no source.
    """
    distance = (limit - mean) if upper else (mean - limit)
    return percent(0.5 * spread * sd, distance)


def percent_of_limits(
    sd: Array | float,
    mean: Array | float,
    lower: Array | float,
    upper: Array | float,
    *,
    spread: float = 6.0,
) -> Array:
    """Return the percent of tolerance between two limits or to the only one.

    A limit that is not given is NaN; without any, the result is NaN.
    """
    lower, upper = np.asarray(lower, dtype=np.float64), np.asarray(upper, dtype=np.float64)
    below, above = np.isfinite(lower), np.isfinite(upper)
    # A comparison with NaN is False, so a limit that is not given drops out of each line.
    width = percent_of_tolerance(sd, upper - lower, spread=spread)
    to_upper = percent_of_one_side(sd, mean, upper, upper=True, spread=spread)
    to_lower = percent_of_one_side(sd, mean, lower, upper=False, spread=spread)
    return np.where(below & above, width, np.where(above, to_upper, to_lower))


def part_and_total(
    part: Array | float, grr: Array | float, process_sd: Array | float
) -> tuple[Array, Array]:
    """Return the variances of parts and in total, from the process where its sd is given.

    Parameters
    ----------
    part, grr : ndarray or float
        Variances as estimated by the study.
    process_sd : ndarray or float
        NaN where not given. Its square is TV, and PV² = process_sd² − GRR²: NaN where
        the measuring system alone spreads more than the process is said to.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (the total variation may come from
    the process).
    """
    given = np.isfinite(process_sd)
    total = np.square(process_sd)
    rest = np.where(total < grr, np.nan, total - grr)
    own = np.maximum(part, 0.0)
    return np.where(given, rest, own), np.where(given, total, grr + own)


def distinct_categories(part_sd: Array | float, grr_sd: Array | float) -> Array:
    """Return 1.41·PV/GRR, not rounded down; NaN where GRR is 0.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (number of distinct categories).
    """
    grr_sd = np.asarray(grr_sd, dtype=np.float64)
    usable = grr_sd > 0.0
    return np.where(usable, NDC_FACTOR * part_sd / np.where(usable, grr_sd, 1.0), np.nan)


def rounding_floor(resolution: Number) -> Number:
    """Return resolution/√12, the standard deviation of a rounding error.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), clause 4.3.7 and F.2.2.1.
    """
    return resolution / float(np.sqrt(12.0))


def hidden_by_rounding(repeatability_sd: Array | float, resolution: Array | float) -> Mask:
    """Return where the repeatability is under 0.3 of the resolution.

    There the readings mostly repeat to the last digit and their scatter says little
    about the gauge; the estimate is floored at `rounding_floor`.
    """
    return np.asarray(repeatability_sd < 0.3 * resolution, dtype=np.bool_)
