"""Whether one of many shapes, added to a straight drift, explains more than chance would."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.formulas.drift_slope import Blocks

#: Series without any shape from which p is counted.
SIMULATIONS = 4000
SEED = 1


@dataclass(frozen=True)
class BestShape:
    """The shape that explains most beside the straight drift.

    Attributes
    ----------
    index : ndarray of int, shape (...)
        Its place in the family.
    f : ndarray, shape (...)
        Its F value.
    p : ndarray, shape (...)
        How often the best shape of the family reaches that F by chance (simulated).
    """

    index: NDArray[np.intp]
    f: Array
    p: Array


def best_shape(
    times: Array,
    readings: Array,
    means: Blocks,
    family: Array,
    *,
    weights: Array | None = None,
    simulations: int = SIMULATIONS,
    seed: int = SEED,
) -> BestShape:
    """Add each shape of a family to group means and a straight line, and keep the best.

    Parameters
    ----------
    times : ndarray, shape (n,)
    readings : ndarray, shape (..., n)
    means : Blocks
    family : ndarray, shape (shapes, n)
        Each shape as its values at the readings.
    weights : ndarray, shape (n,), optional
        One over the standard deviation of each reading, up to a factor; equal within
        what shares a mean.
    simulations, seed : int
        Normal series without any shape, at the same times and means.

    Notes
    -----
    The largest of many F values does not follow F, so its distribution is simulated.
    Source: Andrews, Econometrica 61 (1993), 821-856 (tests with a parameter that exists
    only under the alternative).
    """
    n = means.readings
    weights = np.ones(n) if weights is None else weights
    line = means.taken_off(times) * weights
    line /= np.linalg.norm(line)
    shapes = means.taken_off(family) * weights
    shapes -= np.outer(shapes @ line, line)
    size = np.linalg.norm(shapes, axis=1)
    usable = size > 1e-6 * max(float(size.max(initial=0.0)), 1e-300)
    df = n - means.rank - 2
    if df < 1 or not usable.any():
        nothing = np.zeros(np.shape(readings)[:-1])
        return BestShape(nothing.astype(np.intp), nothing, nothing + 1.0)
    shapes[usable] /= size[usable, None]
    shapes[~usable] = 0.0

    def largest_f(values: Array, weights: Array | float) -> tuple[NDArray[np.intp], Array]:
        """Return the shape that explains most, and its F: largest where its share is."""
        left = means.taken_off(values) * weights
        left = left - (left @ line)[..., None] * line
        about_line = np.square(left).sum(axis=-1)
        along = np.abs(left @ shapes.T)
        explained = np.square(along.max(axis=-1))
        remaining = np.maximum(about_line - explained, 1e-12 * about_line)
        some = remaining > 0.0
        f = np.where(some, explained / np.where(some, remaining, 1.0) * df, 0.0)
        return along.argmax(axis=-1), np.asarray(f)

    index, largest = largest_f(np.asarray(readings, dtype=np.float64), weights)
    null = np.random.default_rng(seed).standard_normal((simulations, n))
    by_chance = np.sort(largest_f(null, 1.0)[1])
    reached = simulations - np.searchsorted(by_chance, largest, side="left")
    return BestShape(np.asarray(index), largest, np.asarray((reached + 1.0) / (simulations + 1.0)))
