"""The sources of variation and the ratios by which a measuring system is judged."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.model.values import number

# What the variation of a measuring system is compared with.
# ----------------------------------------------------------


@dataclass(frozen=True)
class Yardstick:
    """The spread, the tolerance and the process that a study is judged against.

    Parameters
    ----------
    spread : float
        How many standard deviations make the spread.
    lower, upper : float or None
        Tolerance limits (checked by `grr.Tolerance`), in the unit of the readings; one or
        both may be None.
    process_mean : float or None
        Mean of the process where it is given; else the study's own mean is used and
        carries its uncertainty. It matters for one-sided tolerances only.
    process_sd : float or None
        Standard deviation of the process as observed, where it is given. It is TV then,
        and PV² = process_sd² − GRR².

    Raises
    ------
    StudyError
        A spread or process sd that is not above 0.
    """

    spread: float = 6.0
    lower: float | None = None
    upper: float | None = None
    process_mean: float | None = None
    process_sd: float | None = None

    def __post_init__(self) -> None:
        number("spread", self.spread, above=0.0)
        if self.process_sd is not None:
            number("process_sd", self.process_sd, above=0.0)

    @property
    def width(self) -> float | None:
        """Upper limit minus lower limit; None with one limit or none."""
        if self.lower is None or self.upper is None:
            return None
        return self.upper - self.lower


# Ratios by which a measuring system is judged.
# ---------------------------------------------

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
