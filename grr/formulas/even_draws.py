"""Evenly spread points in place of random draws, for limits of thousands of studies."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import betaincinv, chdtri, ndtri

from grr.formulas.arrays import Array

#: How many points, and the multiplier that spreads them (found by search, see `EvenDraws`).
SIZE = 2048
_MULTIPLIER = 1353

#: Chi-square points are tabulated at 1/√df = 0, 0.05, 0.1, … and interpolated by cubics.
_STEP = 0.05


class EvenDraws:
    """Gives what a generator of random numbers gives, from the points of a lattice.

    Each call takes the next coordinate of the same `SIZE` points, so that every study meets the
    same points whichever others stand beside it. One coordinate alone is spread perfectly evenly.

    Notes
    -----
    Source: Korobov's lattices (Niederreiter, Random Number Generation and Quasi-Monte Carlo
    Methods, SIAM 1992, chapter 5, from memory). The multiplier has the least P₂ over the
    projections on the first coordinates of all that were tried. How far limits lie from those of
    random draws: ``tests/coverage/even_draws.py``.
    """

    def __init__(self) -> None:
        self._next = 0

    def _coordinate(self) -> int:
        self._next += 1
        return self._next - 1

    def uniform(self, size: int = SIZE) -> Array:
        """Return the next coordinate."""
        return _points(self._coordinate())

    def standard_normal(self, size: int = SIZE) -> Array:
        """Return normal values."""
        return np.asarray(ndtri(_points(self._coordinate())))

    def beta(self, a: float, b: float, size: int = SIZE) -> Array:
        """Return values of a beta distribution."""
        return _betas(self._coordinate(), a, b)

    def chisquare(self, df: Array | float, size: object = SIZE) -> Array:
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
        table = np.stack([_log_ratio(place, int(node)) for node in nodes])
        found: Array = degrees * np.exp(dense @ table)
        return found[0] if alone else found


def _cubic(x: Array) -> Array:
    """Return the weights of the values at 0, 1, 2 and 3 for the cubic through them at x."""
    a, b, c, d = x, x - 1.0, x - 2.0, x - 3.0
    return np.stack([b * c * d / -6.0, a * c * d / 2.0, a * b * d / -2.0, a * b * c / 6.0], -1)


@lru_cache(maxsize=32)
def _points(coordinate: int) -> Array:
    step = pow(_MULTIPLIER, coordinate, SIZE)
    return (np.arange(SIZE, dtype=np.int64) * step % SIZE + 0.5) / SIZE


@lru_cache(maxsize=32)
def _betas(coordinate: int, a: float, b: float) -> Array:
    return np.asarray(betaincinv(a, b, _points(coordinate)))


@lru_cache(maxsize=1024)
def _log_ratio(coordinate: int, node: int) -> Array:
    """Return ln(χ²/df) at the points, at a node of the table; 0 for df without end."""
    if node == 0:
        return np.zeros(SIZE)
    df = (node * _STEP) ** -2
    return np.asarray(np.log(chdtri(df, 1.0 - _points(coordinate)) / df))
