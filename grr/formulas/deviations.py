"""Readings seen from their part's mean, and ranges of repeats against their limit."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.range_constants import upper_range_limit

#: A band of so many standard deviations to either side holds 99.7 % of normal values.
SIGMAS = 3.0


@dataclass(frozen=True)
class TrialRanges:
    """Ranges of the repeats of one study.

    Attributes
    ----------
    ranges : ndarray, shape (parts, operators)
        NaN where a cell has fewer readings than the fullest one: a range of fewer
        readings is smaller by nature and cannot be held against the same limit.
    mean, limit : float
        Mean range and D4 × mean range.
    factor : float
        D4.
    beyond : ndarray of bool, shape (parts, operators)
        Beyond the limit, and by more than one step of the last digit: two readings on the
        edge of a digit differ by one step whatever the gauge does.
    """

    ranges: Array
    mean: float
    limit: float
    factor: float
    beyond: Mask


def trial_ranges(readings: Array, step: float | None = None) -> TrialRanges | None:
    """Return the ranges of the repeats with their upper limit; None where nothing was repeated.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing.
    step : float, optional
        The gauge's last digit.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (range chart, D4).
    """
    counts = np.isfinite(readings).sum(axis=2)
    most = int(counts.max())
    if most < 2:
        return None
    full = counts == most
    spans = np.fmax.reduce(readings, axis=2) - np.fmin.reduce(readings, axis=2)
    ranges = np.where(full, spans, np.nan)
    mean, factor = float(np.nanmean(ranges)), upper_range_limit(most)
    limit = factor * mean
    # 1.01: differences of decimals such as 10.01 − 10.00 miss a step by rounding
    least = limit if step is None else max(limit, 1.01 * step)
    return TrialRanges(ranges, mean, limit, factor, np.nan_to_num(ranges) > least)


def cell_means(readings: Array) -> Array:
    """Return the mean of each part by each operator; NaN where there is no reading."""
    there = np.isfinite(readings)
    counts = there.sum(axis=2)
    total = np.where(there, readings, 0.0).sum(axis=2)
    return np.where(counts > 0, total / np.maximum(counts, 1), np.nan)


def from_part_mean(readings: Array) -> Array:
    """Return each reading minus its part's mean, every operator weighing alike.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing; every part has at least one reading.
    """
    first = np.array([part[np.isfinite(part)][0] for part in readings])[:, None, None]
    near = readings - first
    centre = np.nanmean(cell_means(near), axis=1)
    return np.asarray(near - centre[:, None, None], dtype=np.float64)


def repeatability_bands(ev_sd: float, operators: int, trials: int) -> tuple[float, float]:
    """Return how far readings, and means of ``trials`` of them, lie from the part's mean.

    Half widths that hold 99.7 % (3 standard deviations) where only repeatability acts. The
    part's mean holds the reading itself, so the variance of a reading minus that mean is
    EV²·(1 − 1/(o·r)), and of an operator's mean EV²·(1 − 1/o)/r.

    Notes
    -----
    Source: the variance of a deviation from a mean, Searle, Linear Models (Wiley 1971),
    section 3.7; 3 standard deviations as on control charts (common practice).
    """
    reading = SIGMAS * ev_sd * math.sqrt(1.0 - 1.0 / (operators * trials))
    return reading, SIGMAS * ev_sd * math.sqrt((1.0 - 1.0 / operators) / trials)
