"""Evenly spread points in place of random draws, for limits of thousands of studies."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import betaincinv, chdtri, ndtri

from grr.formulas.arrays import Array

#: How many points; fewer do where one of the mean squares is taken through all its values.
SIZE, FEWER = 2048, 1024
#: What spreads so many points (found by search, see `EvenDraws`).
_MULTIPLIERS = {SIZE: 1353, FEWER: 487}

#: Chi-square points are tabulated at 1/√df = 0, 0.05, 0.1, … and interpolated by cubics.
_STEP = 0.05


class EvenDraws:
    """Gives what a generator of random numbers gives, from the points of a lattice.

    Each call takes the next coordinate of the same points, so that every study meets the same
    points whichever others stand beside it. One coordinate alone is spread perfectly evenly.

    Notes
    -----
    Source: Korobov's lattices (Niederreiter, Random Number Generation and Quasi-Monte Carlo
    Methods, SIAM 1992, chapter 5, from memory). The multiplier has the least P₂ over the
    projections on the first coordinates of all that were tried; that of `FEWER` points gave the
    limits nearest to those of random draws. How far they lie: ``tests/coverage/even_draws.py``.
    """

    def __init__(self, points: int = SIZE) -> None:
        self._next, self._size = 0, points

    def _coordinate(self) -> int:
        self._next += 1
        return self._next - 1

    def uniform(self, size: object = None) -> Array:
        """Return the next coordinate."""
        return _points(self._coordinate(), self._size)

    def standard_normal(self, size: object = None) -> Array:
        """Return normal values."""
        return np.asarray(ndtri(_points(self._coordinate(), self._size)))

    def beta(self, a: float, b: float, size: object = None) -> Array:
        """Return values of a beta distribution."""
        return _betas(self._coordinate(), self._size, a, b)

    def chisquare(self, df: Array | float, size: object = None) -> Array:
        """Return chi-square values; (..., points) for degrees of freedom (..., 1)."""
        place = self._coordinate()
        alone = np.ndim(df) == 0
        degrees = np.reshape(df, (1, 1)) if alone else np.asarray(df, dtype=np.float64)
        where = 1.0 / (_STEP * np.sqrt(degrees[..., 0]))
        first = np.maximum(np.floor(where).astype(np.intp) - 1, 0)
        weights = _cubic(where - first)
        nodes = np.unique(first[..., None] + np.arange(4))
        dense = np.zeros((*where.shape, len(nodes)))
        at = np.searchsorted(nodes, first)[..., None] + np.arange(4)
        np.put_along_axis(dense, at, weights, axis=-1)
        table = np.stack([_log_ratio(place, self._size, int(node)) for node in nodes])
        found: Array = degrees * np.exp(dense @ table)
        return found[0] if alone else found


def _cubic(x: Array) -> Array:
    """Return the weights of the values at 0, 1, 2 and 3 for the cubic through them at x."""
    a, b, c, d = x, x - 1.0, x - 2.0, x - 3.0
    return np.stack([b * c * d / -6.0, a * c * d / 2.0, a * b * d / -2.0, a * b * c / 6.0], -1)


@lru_cache(maxsize=32)
def _points(coordinate: int, size: int) -> Array:
    step = pow(_MULTIPLIERS[size], coordinate, size)
    return (np.arange(size, dtype=np.int64) * step % size + 0.5) / size


@lru_cache(maxsize=32)
def _betas(coordinate: int, size: int, a: float, b: float) -> Array:
    return np.asarray(betaincinv(a, b, _points(coordinate, size)))


@lru_cache(maxsize=1024)
def _log_ratio(coordinate: int, size: int, node: int) -> Array:
    """Return ln(χ²/df) at the points, at a node of the table; 0 for df without end."""
    if node == 0:
        return np.zeros(size)
    df = (node * _STEP) ** -2
    return np.asarray(np.log(chdtri(df, 1.0 - _points(coordinate, size)) / df))
