"""Control charts of check readings: limits from a baseline period, frozen."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.range_constants import d2, lower_range_limit, upper_range_limit
from grr.model.errors import StudyError


@dataclass(frozen=True)
class ChartLimits:
    """Centre and three-sigma limits; arrays have the shape of the stack (...).

    Attributes
    ----------
    centre, sigma : ndarray
        Mean of the baseline, and standard deviation of one plotted point.
    lower, upper : ndarray
        centre ± 3·sigma.
    mean_range, range_lower, range_upper : ndarray
        The same for the ranges (moving ranges of single readings, or ranges within a
        check).
    per_check : int
        Readings a check: 1 for individuals and moving range.
    baseline : int
        How many checks the limits come from.
    """

    centre: Array
    sigma: Array
    lower: Array
    upper: Array
    mean_range: Array
    range_lower: Array
    range_upper: Array
    per_check: int
    baseline: int


def moving_ranges(readings: Array) -> Array:
    """Return the distance of each reading from the one before, shape (..., n − 1)."""
    return np.asarray(np.abs(np.diff(readings, axis=-1)))


def individuals_limits(baseline: Array, *, least_sigma: float = 0.0) -> ChartLimits:
    """Return the limits for single readings from the moving ranges of a baseline period.

    sigma = mean moving range / d2(2).

    Parameters
    ----------
    baseline : ndarray, shape (..., n)
        Readings of the baseline in order of time.
    least_sigma : float
        sigma is not taken as less than this (half a digit where readings repeat to the
        last one).

    Raises
    ------
    StudyError
        Fewer than two readings.

    Notes
    -----
    Source: ISO 7870-2, individuals and moving range (from memory); ASTM E2587. Constants
    computed from the distribution of the range.
    """
    values = np.asarray(baseline, dtype=np.float64)
    _refuse_short(values.shape[-1])
    return _limits(
        centre=_mean(values),
        mean_range=np.maximum(moving_ranges(values).mean(axis=-1), least_sigma * d2(2)),
        range_size=2,
        per_check=1,
        baseline=values.shape[-1],
    )


def mean_range_limits(baseline: Array, *, least_sigma: float = 0.0) -> ChartLimits:
    """Return the limits for means of several readings a check, from the ranges within checks.

    sigma = mean range / (d2·√m) for m readings a check. The scatter between checks (another
    day, another setting) is not in it: where that is ordinary, chart the means as
    individuals instead.

    Parameters
    ----------
    baseline : ndarray, shape (..., checks, m)
    least_sigma : float
        The sd of one reading is not taken as less than this.

    Raises
    ------
    StudyError
        Fewer than two checks, or one reading a check.

    Notes
    -----
    Source: ISO 7870-2, mean and range (from memory); ASTM E2587.
    """
    values = np.asarray(baseline, dtype=np.float64)
    m = values.shape[-1]
    _refuse_short(values.shape[-2])
    if m < 2:
        raise StudyError(
            "One reading a check has no range",
            "Use single readings with moving ranges, or take two or more readings a check",
        )
    return _limits(
        centre=_mean(values.reshape(*values.shape[:-2], -1)),
        mean_range=np.maximum(np.ptp(values, axis=-1).mean(axis=-1), least_sigma * d2(m)),
        range_size=m,
        per_check=m,
        baseline=values.shape[-2],
    )


def standardised(points: Array, limits: ChartLimits) -> Array:
    """Return (point − centre)/sigma for points of shape (..., n)."""
    with np.errstate(divide="ignore", invalid="ignore"):
        z = (points - limits.centre[..., None]) / limits.sigma[..., None]
    # with no scatter at all in the baseline, a point on the centre line is on it
    return np.where(np.isnan(z) & np.isfinite(points), 0.0, z)


def _limits(
    *, centre: Array, mean_range: Array, range_size: int, per_check: int, baseline: int
) -> ChartLimits:
    sigma = np.asarray(mean_range / d2(range_size) / np.sqrt(per_check))
    return ChartLimits(
        centre=centre,
        sigma=sigma,
        lower=centre - 3.0 * sigma,
        upper=centre + 3.0 * sigma,
        mean_range=np.asarray(mean_range),
        range_lower=np.asarray(lower_range_limit(range_size) * mean_range),
        range_upper=np.asarray(upper_range_limit(range_size) * mean_range),
        per_check=per_check,
        baseline=baseline,
    )


def _mean(values: Array) -> Array:
    first = values[..., :1]
    return np.asarray(first[..., 0] + (values - first).mean(axis=-1))


def _refuse_short(checks: int) -> None:
    if checks < 2:
        raise StudyError(
            "A baseline needs at least two checks",
            "Take the limits from twenty checks or more, made while all was well",
            value=checks,
        )
