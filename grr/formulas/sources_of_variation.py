"""The sources of variation: EV, AV, INT, GRR, PV and TV, and the ratios judged by.

One study is a stack of one: `sources_of_variation` is where the variances of an analysis
become what is printed, for one study and for a hundred thousand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from grr.formulas.analysis_of_variance import Components
from grr.formulas.arrays import Array, Mask, quotient
from grr.model.values import number

# What the variation of a measuring system is compared with.
# ----------------------------------------------------------


@dataclass(frozen=True)
class Specification:
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
    return quotient(100.0 * part, whole)


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
    return quotient(NDC_FACTOR * part_sd, grr_sd)


def whole_categories(exact: Array | float) -> Array:
    """Return the number of distinct categories: rounded down and at least 1; NaN stays NaN.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B.
    """
    exact = np.asarray(exact, dtype=np.float64)
    return np.where(np.isnan(exact), np.nan, np.maximum(1.0, np.floor(exact)))


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


def floored_components(found: Components, resolution: Array | float) -> tuple[Components, Mask]:
    """Return the components with no repeatability under the rounding error, and where it was.

    Parameters
    ----------
    found : Components
    resolution : ndarray or float
        NaN where not known: nothing is changed there.
    """
    step = np.asarray(resolution, dtype=np.float64)
    ev = found.repeatability
    hidden = hidden_by_rounding(np.sqrt(ev), step)
    floor = np.where(hidden, np.maximum(np.square(rounding_floor(step)), ev), ev)
    return replace(found, repeatability=floor), hidden


# The table of sources: every variance with its sd and its shares.
# -----------------------------------------------------------------


@dataclass(frozen=True)
class SourcesOfVariation:
    """What is read of each source, arrays of shape (..., 6): EV, AV, INT, GRR, PV, TV last.

    Longer where there are further sources: sessions and gauges (SES, GAU) stand before GRR,
    within-part variation (WPV) before TV.

    Attributes
    ----------
    variance, sd : ndarray
        Not below 0; NaN where not estimated. In the unit of the readings, squared or not.
    spread : ndarray
        So many standard deviations as make the spread.
    percent_contribution : ndarray
        Variance in percent of that of TV.
    percent_tv : ndarray
        Standard deviation in percent of that of TV.
    percent_tolerance : ndarray
        Spread in percent of the tolerance, or half of it in percent of the distance from
        the mean to the only limit.
    ndc_exact, ndc : ndarray, shape (...)
        1.41·PV/GRR, and the number of distinct categories: rounded down, at least 1.
    """

    variance: Array
    sd: Array
    spread: Array
    percent_contribution: Array
    percent_tv: Array
    percent_tolerance: Array
    ndc_exact: Array
    ndc: Array


def sources_of_variation(
    found: Components,
    *,
    mean: Array | float,
    spread: float = 6.0,
    lower: Array | float = np.nan,
    upper: Array | float = np.nan,
    process_mean: Array | float = np.nan,
    process_sd: Array | float = np.nan,
    parts_represent: bool = True,
) -> SourcesOfVariation:
    """Return the sources of variation of a study, or of a stack of them.

    Parameters
    ----------
    found : Components
        As estimated: a variance below 0 counts as 0.
    mean : ndarray or float, shape (...)
        Mean of the readings; the process mean replaces it where given.
    spread : float
        How many standard deviations make the spread.
    lower, upper : ndarray or float, shape (...)
        Tolerance limits; NaN where there is none.
    process_mean, process_sd : ndarray or float, shape (...)
        NaN where not given. The sd makes TV, see `part_and_total`.
    parts_represent : bool
        Whether the parts represent the process. Chosen parts say nothing of TV: its shares
        and ndc are NaN then, unless the process sd is given.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (percent of TV, of tolerance, and ndc)
    and appendix A (negative estimates are taken as 0; percent contribution).
    """
    within = [] if found.place is None else [np.maximum(found.place, 0.0)]
    part, total = part_and_total(found.part, sum(within, start=found.grr), process_sd)
    further = [one for one in (found.session, found.gauge) if one is not None]
    inside = [found.repeatability, found.operator, found.interaction, *further]
    estimated = (*inside, found.grr, part, *within, total)
    variance = np.stack(np.broadcast_arrays(*estimated), axis=-1)
    variance = np.where(np.isnan(variance), np.nan, np.maximum(variance, 0.0))
    sd = np.sqrt(variance)
    known = parts_represent | np.isfinite(process_sd)
    whole = np.where(known, total, np.nan)[..., None]
    centre = np.where(np.isfinite(process_mean), process_mean, mean)
    limits = (np.asarray(limit, dtype=np.float64)[..., None] for limit in (centre, lower, upper))
    of_part, of_grr = sd[..., len(inside) + 1], sd[..., len(inside)]
    exact = distinct_categories(np.where(known, of_part, np.nan), of_grr)
    return SourcesOfVariation(
        variance=variance,
        sd=sd,
        spread=spread * sd,
        percent_contribution=percent(variance, whole),
        percent_tv=percent(sd, np.sqrt(whole)),
        percent_tolerance=percent_of_limits(sd, *limits, spread=spread),
        ndc_exact=exact,
        ndc=whole_categories(exact),
    )
