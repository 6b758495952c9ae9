"""Evenly spread points in place of random draws, for limits of thousands of studies."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

import numpy as np
from scipy.special import betaincinv, chdtri, ndtri

from grr.formulas.arrays import Array

#: How many points; fewer do where one of the mean squares is taken through all its values.
SIZE, FEWER = 2048, 256
#: What spreads so many points (found by search, see `EvenDraws`).
_MULTIPLIERS = {SIZE: 1353, FEWER: 69}

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
    projections on the first coordinates of all that were tried. How far limits lie from those of
    random draws: ``tests/coverage/even_draws.py``.

    Parameters
    ----------
    points : int
    bent : bool
        Each coordinate v becomes v²(3 − 2v), so that a mean weighted by the slope, `weights`, of
        what changes smoothly is nearer by orders.
    """

    def __init__(self, points: int = SIZE, *, bent: bool = False) -> None:
        self._next, self._points = 0, (points, bent)

    def _coordinate(self) -> tuple[int, int, bool]:
        self._next += 1
        return (self._next - 1, *self._points)

    def weights(self, coordinates: int) -> Array:
        """Return the weights of the points for each of the first coordinates of bent points."""
        straight = [_points(place, self._points[0], False) for place in range(coordinates)]
        return 6.0 * np.stack([v * (1.0 - v) for v in straight])

    def uniform(self, size: object = None) -> Array:
        """Return the next coordinate."""
        return _points(*self._coordinate())

    def standard_normal(self, size: object = None) -> Array:
        """Return normal values."""
        return np.asarray(ndtri(_points(*self._coordinate())))

    def beta(self, a: float, b: float, size: object = None) -> Array:
        """Return values of a beta distribution."""
        return _betas(self._coordinate(), a, b)

    def chisquare(self, df: Array | float, size: object = None) -> Array:
        """Return chi-square values; (..., points) for degrees of freedom (..., 1)."""
        place = self._coordinate()
        alone = np.ndim(df) == 0
        degrees = np.reshape(df, (1, 1)) if alone else np.asarray(df, dtype=np.float64)
        found: Array = degrees * np.exp(by_df(degrees, lambda known: _log_ratio(place, known)))
        return found[0] if alone else found


def by_df(df: Array, tabulated: Callable[[float], Array]) -> Array:
    """Return rows (..., n) for degrees of freedom (..., 1) from rows (n,) for some of them.

    Those are infinite, 400, 100, …: ``tabulated`` gives the row of each.
    """
    where = 1.0 / (_STEP * np.sqrt(df[..., 0]))
    first = np.maximum(np.floor(where).astype(np.intp) - 1, 0)
    nodes = np.unique(first[..., None] + np.arange(4))
    dense = np.zeros((*where.shape, len(nodes)))
    at = np.searchsorted(nodes, first)[..., None] + np.arange(4)
    np.put_along_axis(dense, at, _cubic(where - first), axis=-1)
    rows = [tabulated((node * _STEP) ** -2 if node else np.inf) for node in nodes.tolist()]
    return np.asarray(dense @ np.stack(rows))


def _cubic(x: Array) -> Array:
    """Return the weights of the values at 0, 1, 2 and 3 for the cubic through them at x."""
    a, b, c, d = x, x - 1.0, x - 2.0, x - 3.0
    return np.stack([b * c * d / -6.0, a * c * d / 2.0, a * b * d / -2.0, a * b * c / 6.0], -1)


@lru_cache(maxsize=32)
def _points(coordinate: int, size: int, bent: bool) -> Array:
    step = pow(_MULTIPLIERS[size], coordinate, size)
    straight = (np.arange(size, dtype=np.int64) * step % size + 0.5) / size
    return straight * straight * (3.0 - 2.0 * straight) if bent else straight


@lru_cache(maxsize=32)
def _betas(place: tuple[int, int, bool], a: float, b: float) -> Array:
    return np.asarray(betaincinv(a, b, _points(*place)))


@lru_cache(maxsize=1024)
def _log_ratio(place: tuple[int, int, bool], df: float) -> Array:
    """Return ln(χ²/df) at the points; 0 for df without end."""
    if df == np.inf:
        return np.zeros(place[1])
    return np.asarray(np.log(chdtri(df, 1.0 - _points(*place)) / df))
