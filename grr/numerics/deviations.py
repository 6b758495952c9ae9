"""Readings seen from their part's mean, ranges of repeats, and drift over the order taken."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from grr.numerics.arrays import Array
from grr.numerics.range_constants import upper_range_limit

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
    """

    ranges: Array
    mean: float
    limit: float
    factor: float


def trial_ranges(readings: Array) -> TrialRanges | None:
    """Return the ranges of the repeats with their upper limit; None where nothing was repeated.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing.

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
    return TrialRanges(ranges, mean, factor * mean, factor)


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


@dataclass(frozen=True)
class Drift:
    """A straight line through the residuals over the order taken.

    Attributes
    ----------
    change : float
        Change of the line over the longest sitting: from the first to the last reading of
        one operator.
    margin : float
        Half of the confidence interval of that change.
    per_reading : float
        Change from one reading to the next.
    """

    change: float
    margin: float
    per_reading: float

    @property
    def shown(self) -> bool:
        """Whether the change is more than scatter alone would give."""
        return abs(self.change) > self.margin


def drift(readings: Array, order: Array, *, confidence: float = 0.95) -> Drift | None:
    """Return the drift within the operators' own readings; None where it cannot be told.

    Least squares of the readings on part, operator and order. What an operator who
    measured in one sitting reads differently from the others is the operator's own: a
    drift between sittings cannot be told from a difference between operators.

    Parameters
    ----------
    readings, order : ndarray, shape (parts, operators, trials)
        NaN where missing.

    Notes
    -----
    Source: Searle, Linear Models (Wiley 1971), sections 3.5 and 8.2 (analysis of
    covariance); the t interval of a slope, NIST/SEMATECH e-Handbook of Statistical
    Methods, section 4.1.4.1.
    """
    used = np.isfinite(readings) & np.isfinite(order)
    part, operator, _ = np.nonzero(used)
    if part.size == 0:
        return None
    y = readings[used] - readings[used][0]
    t = order[used]
    reach = max(float(np.ptp(t[operator == index])) for index in np.unique(operator))
    design = np.column_stack(
        [part[:, None] == np.unique(part), (operator[:, None] == np.unique(operator))[:, 1:]]
    ).astype(np.float64)
    both = np.column_stack([(t - t.mean()) / (reach or 1.0), y])
    left = both - design @ np.linalg.lstsq(design, both, rcond=None)[0]
    along, across = left[:, 0], left[:, 1]
    sxx = float(along @ along)
    df = y.size - int(np.linalg.matrix_rank(design)) - 1
    if df < 1 or sxx < 1e-9 * y.size:
        return None
    change = float(along @ across) / sxx
    residual = across - change * along
    error = math.sqrt(float(residual @ residual) / df / sxx)
    return Drift(change, float(stdtrit(df, 0.5 + confidence / 2.0)) * error, change / reach)
