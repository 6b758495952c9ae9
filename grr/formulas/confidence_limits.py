"""Confidence limits: from draws of the variances to limits of what a person reads."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import NamedTuple

import numpy as np
from scipy.special import chdtri, fdtri

from grr.formulas.arrays import Array
from grr.formulas.pivots import Pivots
from grr.formulas.sources_of_variation import NDC_FACTOR, Specification
from grr.model.errors import StudyError
from grr.model.values import number, one_of

# Draws of the measures that people read, from draws of the variances.
# --------------------------------------------------------------------
# Truncation happens here and nowhere before: a variance below 0 counts as 0, and a share
# of the study's own total variation as at most 1.

#: The lines of a study's result: name → field of `Pivots`.
QUANTITIES = {
    "EV": "repeatability",
    "AV": "operator",
    "INT": "interaction",
    "SES": "session",
    "GAU": "gauge",
    "GRR": "grr",
    "PV": "part",
    "WPV": "place",
    "TV": "total",
}


def variance_draws(pivots: Pivots, quantity: str, specification: Specification) -> Array:
    """Return draws of a variance, not below 0; NaN where not estimated.

    With a process sd given, TV is its square and PV² = process_sd² − GRR².

    Parameters
    ----------
    pivots : Pivots
    quantity : {"EV", "AV", "INT", "SES", "GAU", "GRR", "PV", "WPV", "TV"}
        SES, GAU and WPV where sessions, gauges and places are a source.
    specification : Specification

    Returns
    -------
    ndarray, shape (..., draws)
    """
    one_of("quantity", quantity, tuple(QUANTITIES))
    given = specification.process_sd
    if quantity == "TV" and given is not None:
        return np.full_like(pivots.grr, given**2)
    if quantity == "PV" and given is not None:
        beside = variance_draws(pivots, "GRR", specification)
        if pivots.place is not None:
            beside = beside + variance_draws(pivots, "WPV", specification)
        return np.maximum(given**2 - beside, 0.0)
    draws: Array = getattr(pivots, QUANTITIES[quantity])
    return np.maximum(draws, 0.0)


def share_draws(pivots: Pivots, quantity: str, specification: Specification) -> Array:
    """Return draws of a variance divided by that of TV, TV not below GRR.

    A share of a given process sd may exceed 1: that says the sd given is too small.
    """
    part = variance_draws(pivots, quantity, specification)
    whole = variance_draws(pivots, "TV", specification)
    if specification.process_sd is not None:
        return _ratio(part, whole)
    whole = np.maximum(whole, variance_draws(pivots, "GRR", specification))
    return np.minimum(_ratio(whole if quantity == "TV" else part, whole), 1.0)


def signal_draws(pivots: Pivots, specification: Specification) -> Array:
    """Return draws of PV²/GRR², from which ndc and ICC follow."""
    return _ratio(
        variance_draws(pivots, "PV", specification), variance_draws(pivots, "GRR", specification)
    )


def percent_tv_draws(pivots: Pivots, quantity: str, specification: Specification) -> Array:
    """Return draws of 100 × sd/TV."""
    return 100.0 * np.sqrt(share_draws(pivots, quantity, specification))


def percent_tolerance_draws(pivots: Pivots, quantity: str, specification: Specification) -> Array:
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
    sd = np.sqrt(variance_draws(pivots, quantity, specification))
    if specification.width is not None:
        return 100.0 * specification.spread * sd / specification.width
    mean = pivots.mean if specification.process_mean is None else specification.process_mean
    if specification.upper is not None:
        distance = specification.upper - mean
    elif specification.lower is not None:
        distance = mean - specification.lower
    else:
        raise StudyError("No tolerance was given", "Give the lower limit, the upper limit or both")
    return 50.0 * specification.spread * _ratio(sd, np.maximum(distance, 0.0))


def ndc_draws(pivots: Pivots, specification: Specification) -> Array:
    """Return draws of 1.41·PV/GRR, not rounded down."""
    return NDC_FACTOR * np.sqrt(signal_draws(pivots, specification))


def _ratio(part: Array, whole: Array) -> Array:
    """Return part/whole, infinite where only the whole is 0, NaN where both are."""
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.divide(part, whole)


# Confidence limits and one-sided statements from generalised pivots.
# -------------------------------------------------------------------


class ConfidenceLimits(NamedTuple):
    """A lower and an upper limit, each of the stack's shape (...)."""

    lower: Array
    upper: Array


def two_sided_limits(draws: Array, level: float) -> ConfidenceLimits:
    """Return the limits that leave (1 − level)/2 of the draws on either side.

    Parameters
    ----------
    draws : ndarray, shape (..., draws)
    level : float
        Confidence, between 0 and 1.

    Raises
    ------
    StudyError
        A level that is not between 0 and 1.
    """
    tail = 0.5 * (1.0 - number("level", level, above=0.0, below=1.0))
    low = math.floor(tail * draws.shape[-1])
    outer = _less_the_middle(draws, low) if draws.ndim == 1 else draws
    high = outer.shape[-1] - 1 - low
    ordered = np.partition(outer, (low, high), axis=-1)
    # Where one draw is NaN, so is the largest, and the quantity has no limits.
    undefined = np.isnan(draws.max(axis=-1))
    return ConfidenceLimits(
        np.where(undefined, np.nan, ordered[..., low]),
        np.where(undefined, np.nan, ordered[..., high]),
    )


def _less_the_middle(draws: Array, low: int) -> Array:
    """Return the draws less most of those that have ``low`` others on either side.

    To find the limits among them takes a quarter of the time.
    """
    some = np.sort(draws[::32])
    near = int(low / 32 + math.sqrt(low)) + 4
    if 2 * near >= some.size:
        return draws
    below, above = draws <= some[near], draws >= some[-1 - near]
    enough = min(np.count_nonzero(below), np.count_nonzero(above)) > low
    return draws[below | above] if enough else draws


def lower_bound(draws: Array, confidence: float) -> Array:
    """Return the value that the quantity exceeds with this one-sided confidence."""
    number("confidence", confidence, above=0.5, below=1.0)
    return two_sided_limits(draws, 2.0 * confidence - 1.0).lower


def careful_lower_bound(draws: Array, confidence: float) -> Array:
    """Return a lower bound of GRR that holds its confidence where few operators measured.

    Half the doubt is used: simulated, the plain lower bound of GRR was above the true value
    in 7 to 11 % of studies where 5 % was meant, when reproducibility and interaction are
    small (10 × 3 × 3 and 10 × 4 × 2); the upper bound is safe. So a gauge is not declared
    bad more often than stated.
    """
    return lower_bound(draws, 0.5 * (1.0 + confidence))


def upper_bound(draws: Array, confidence: float) -> Array:
    """Return the value under which the quantity lies with this one-sided confidence."""
    number("confidence", confidence, above=0.5, below=1.0)
    return two_sided_limits(draws, 2.0 * confidence - 1.0).upper


def confidence_below(draws: Array, threshold: float) -> Array:
    """Return the one-sided confidence, 0 to 1, that the quantity is below a threshold.

    The share of draws below it: `upper_bound` at that confidence is the threshold.
    """
    undefined = np.isnan(draws).any(axis=-1)
    return np.where(undefined, np.nan, (draws < threshold).mean(axis=-1))


def quantity_limits(
    pivots: Pivots, specification: Specification, *, level: float = 0.95
) -> dict[tuple[str, str], ConfidenceLimits]:
    """Return two-sided limits of everything that a person reads.

    Limits of a quantity that rises with another one are that function of its limits,
    so a percentage, an sd and its variance always agree.

    Parameters
    ----------
    pivots : Pivots
    specification : Specification
    level : float

    Returns
    -------
    dict
        (quantity, measure) → ConfidenceLimits: EV, AV, INT, GRR, PV, TV × variance, sd, spread,
        percent_contribution, percent_tv and, where a tolerance is given,
        percent_tolerance; ("ndc", "value") and ("ICC", "value"). NaN where the design
        cannot estimate it.

    Raises
    ------
    StudyError
        A level that is not between 0 and 1.
    """
    found: dict[tuple[str, str], ConfidenceLimits] = {}
    for quantity, name in QUANTITIES.items():
        if getattr(pivots, name) is None:
            continue
        variance = two_sided_limits(variance_draws(pivots, quantity, specification), level)
        share = two_sided_limits(share_draws(pivots, quantity, specification), level)
        sd = _each(np.sqrt, variance)
        spread = _scaled(specification.spread, sd)
        found[quantity, "variance"] = variance
        found[quantity, "sd"] = sd
        found[quantity, "spread"] = spread
        found[quantity, "percent_contribution"] = _scaled(100.0, share)
        found[quantity, "percent_tv"] = _scaled(100.0, _each(np.sqrt, share))
        if specification.width is not None:
            found[quantity, "percent_tolerance"] = _scaled(100.0 / specification.width, spread)
        elif specification.lower is not None or specification.upper is not None:
            found[quantity, "percent_tolerance"] = two_sided_limits(
                percent_tolerance_draws(pivots, quantity, specification), level
            )
    signal = two_sided_limits(signal_draws(pivots, specification), level)
    found["ndc", "value"] = _scaled(NDC_FACTOR, _each(np.sqrt, signal))
    found["ICC", "value"] = _each(lambda ratio: 1.0 - 1.0 / (1.0 + ratio), signal)
    return found


def _each(rising: Callable[[Array], Array], limits: ConfidenceLimits) -> ConfidenceLimits:
    return ConfidenceLimits(rising(limits.lower), rising(limits.upper))


def _scaled(factor: float, limits: ConfidenceLimits) -> ConfidenceLimits:
    return ConfidenceLimits(factor * limits.lower, factor * limits.upper)


# The interval of a standard deviation.
# -------------------------------------


def sd_interval(
    sd: Array | float, df: Array | float, *, level: float = 0.95
) -> tuple[Array, Array]:
    """Return the two-sided interval of a standard deviation of normal readings (chi-square).

    √(ν·s²/χ²) at both tails; exact for a sample sd, approximate for one from ranges with
    its effective degrees of freedom.

    Notes
    -----
    Source: any text on mathematical statistics; ISO 2854, table for the variance (from
    memory).
    """
    tail = (1.0 - level) / 2.0
    sd = np.asarray(sd, dtype=np.float64)
    return sd * np.sqrt(df / chdtri(df, tail)), sd * np.sqrt(df / chdtri(df, 1.0 - tail))


# The ratio of two independent standard deviations.
# -------------------------------------------------


def sd_ratio_interval(
    ratio: Array | float, df: Array | float, df_below: Array | float, *, level: float = 0.95
) -> tuple[Array, Array]:
    """Return the two-sided interval of the ratio of two standard deviations (F).

    ratio/√F(1 − tail) to ratio/√F(tail), with the degrees of freedom of the upper and
    of the lower one; exact for independent normal readings.

    Parameters
    ----------
    ratio : float or ndarray
        Observed ratio of the standard deviations.
    df, df_below : float or ndarray
        Degrees of freedom of the one above and of the one below.
    level : float

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 2.6 (two variances).
    """
    tail = 0.5 * (1.0 - level)
    ratio = np.asarray(ratio, dtype=np.float64)
    return (
        ratio / np.sqrt(fdtri(df, df_below, 1.0 - tail)),
        ratio / np.sqrt(fdtri(df, df_below, tail)),
    )
