"""The chance that a part's true value and its reading each fall between two limits.

Every risk of a wrong decision is a sum of such chances. Each one is integrated directly,
never formed as a difference of larger ones, so that a risk of 1e-12 is as exact as one
of 0.1.
"""

from __future__ import annotations

import numpy as np
from scipy.special import erfcx, ndtr

from grr.formulas.arrays import Array

#: Where a normal curve has dropped to about 1e-16 of its height, in standard deviations.
_REACH = 8.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
#: Where panels are split at the edge of the acceptance zone, in sds of the error.
_SHOULDER = np.arange(-8.0, 9.0, 2.0)
_ROWS = 1000


def interval_probability(lower: Array | float, upper: Array | float) -> Array:
    """Return Φ(upper) − Φ(lower), exact in both tails; 0 where the limits are reversed.

    Parameters
    ----------
    lower, upper : ndarray or float, shape (...)
        Standardised limits, infinite where there is none.
    """
    lower, upper = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    flipped = lower > 0.0
    low = np.where(flipped, -upper, lower)
    high = np.where(flipped, -lower, upper)
    return np.asarray(np.maximum(ndtr(high) - ndtr(low), 0.0))


def rectangle_probability(
    true_limits: tuple[Array | float, Array | float],
    reading_limits: tuple[Array | float, Array | float],
    *,
    mean: Array | float,
    sd: Array | float,
    error_sd: Array | float,
) -> Array:
    """Return P(true value between its limits and reading between its limits).

    The true value is normal (mean, sd); the reading is the true value plus a normal
    error (0, error_sd). ∫ φ(t)·[Φ((f − t)/k) − Φ((e − t)/k)] dt over the limits of the
    true value, in units of ``sd`` and with k = error_sd/sd, by Gauss-Legendre panels.

    Parameters
    ----------
    true_limits, reading_limits : pair of ndarray or float, shape (...)
        Lower and upper limits, infinite where there is none. Take a known bias off the
        limits of the reading first.
    mean, sd, error_sd : ndarray or float, shape (...)
        Standard deviations above 0. Everything is broadcast together.

    Returns
    -------
    ndarray, shape (...)
        To about 1e-12 relative, down to 1e-300.

    Notes
    -----
    The integrand is log-concave (a normal density times the convolution of an interval
    with a normal density), so it has one mode; its curvature on the log scale lies
    between 1 and 1 + 1/k². Panels double in width away from the mode, and are split
    where the second factor bends.
    """
    arrays = np.broadcast_arrays(*true_limits, *reading_limits, mean, sd, error_sd)
    low, high, read_low, read_high, centre, scale, error = (
        np.asarray(a, np.float64).ravel() for a in arrays
    )
    k = error / scale
    problem = [*((limit - centre) / scale for limit in (low, high, read_low, read_high)), k]
    chances = np.zeros(k.size)
    possible = np.flatnonzero((low < high) & (read_low < read_high))
    for first in range(0, possible.size, _ROWS):
        rows = possible[first : first + _ROWS]
        chances[rows] = _integrated(*(column[rows, None] for column in problem))
    return chances.reshape(arrays[0].shape)


def _integrated(low: Array, high: Array, read_low: Array, read_high: Array, k: Array) -> Array:
    mode, steepness = _mode(low, high, read_low, read_high, k)
    start = np.minimum(k / np.sqrt(1.0 + k * k), 1.0 / np.maximum(steepness, 1e-300))
    doublings = int(np.ceil(np.log2(_REACH / start.min()))) + 1
    away = start * (_REACH / start) ** np.linspace(0.0, 1.0, min(doublings, 200))
    shoulders = [
        np.where(np.isfinite(limit), limit, mode) + k * _SHOULDER for limit in (read_low, read_high)
    ]
    edges = np.concatenate([mode - away, mode, mode + away, *shoulders], axis=-1)
    # Nothing of weight lies beyond the reach; the limits are the ends of the integral.
    first, last = np.maximum(low, mode - _REACH), np.minimum(high, mode + _REACH)
    edges = np.sort(np.clip(edges, first, np.maximum(first, last)), axis=-1)
    half = 0.5 * np.diff(edges, axis=-1)
    row, panel = np.nonzero(half)
    half = half[row, panel, None]
    t = edges[row, panel, None] + half * (1.0 + _NODES)
    error = k[row]
    inside = interval_probability((read_low[row] - t) / error, (read_high[row] - t) / error)
    density = np.exp(-0.5 * t * t) / np.sqrt(2.0 * np.pi)
    pieces = (density * inside * half) @ _WEIGHTS
    return np.bincount(row, weights=pieces, minlength=k.shape[0]).astype(np.float64)


def _mode(
    low: Array, high: Array, read_low: Array, read_high: Array, k: Array
) -> tuple[Array, Array]:
    """Return where the integrand is largest, and how steep its logarithm is there."""
    around = [np.where(np.isfinite(limit), limit, 0.0) for limit in (read_low, read_high)]
    left = np.clip(np.minimum(0.0, np.minimum(*around)), low, high)
    right = np.clip(np.maximum(0.0, np.maximum(*around)), low, high)

    def slope(t: Array) -> Array:
        return _truncated_mean((read_low - t) / k, (read_high - t) / k) / k - t

    for _ in range(40):
        middle = 0.5 * (left + right)
        rising = slope(middle) > 0.0
        left, right = np.where(rising, middle, left), np.where(rising, right, middle)
    mode = 0.5 * (left + right)
    return mode, np.abs(slope(mode))


def _truncated_mean(lower: Array, upper: Array) -> Array:
    """Return the mean of a standard normal variable known to lie between two limits."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        flipped = lower + upper < 0.0
        low, high = np.where(flipped, -upper, lower), np.where(flipped, -lower, upper)
        drop = 0.5 * (low - high) * (low + high)
        mills = np.sqrt(0.5 * np.pi) * erfcx(np.stack([low, high]) / np.sqrt(2.0))
        beyond = np.where(np.isinf(high), 0.0, np.exp(drop) * mills[1])
        mean = np.where(np.isinf(high), 1.0, -np.expm1(drop)) / (mills[0] - beyond)
        mean = np.where(high - low < 1e-6, 0.5 * (low + high), mean)
    mean = np.where(np.isinf(low), 0.0, mean)
    return np.where(flipped, -mean, mean)
