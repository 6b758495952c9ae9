"""One step in a series of readings: where it most likely is, and whether it is one at all."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.model.errors import StudyError

#: Points that must lie on either side of a step.
LEAST_SIDE = 2


@dataclass(frozen=True)
class StepChange:
    """The most likely single step, beside a straight drift; shape of the stack (...).

    Attributes
    ----------
    first_after : ndarray of int
        Index of the first reading after the step.
    size : ndarray
        Readings after the step minus before it, the drift taken out.
    slope, slope_error : ndarray
        Drift with the step taken out, and its standard error given the step's place.
    df : float
    f, p : ndarray
        The largest F over all places, and the share of series without a step that
        reach it (simulated).
    """

    first_after: Array
    size: Array
    slope: Array
    slope_error: Array
    df: float
    f: Array
    p: Array


def step_change(
    times: Array, readings: Array, *, simulations: int = 4000, seed: int = 1
) -> StepChange:
    """Find the place at which one step, added to a straight line, helps most.

    For one check standard read over time; `grr.formulas.bump` does the same within a
    gauge study, with the means of parts and sessions taken off.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Rising.
    readings : ndarray, shape (..., n)
    simulations, seed : int
        Normal series without a step, at the same times, from which p is counted.

    Raises
    ------
    StudyError
        Fewer than six readings.

    Notes
    -----
    The largest of many F values does not follow F: its distribution is simulated
    (Andrews, Econometrica 61 (1993), 821-856, on tests with an unknown change point).
    """
    x = np.asarray(times, dtype=np.float64)
    y = np.asarray(readings, dtype=np.float64)
    n = len(x)
    if n < 6:
        raise StudyError(
            "Fewer than six readings cannot show a step beside a drift",
            "Go on checking the gauge",
            value=n,
        )
    line = np.column_stack([np.ones(n), x - x.mean()])
    line, _ = np.linalg.qr(line)
    places = np.arange(LEAST_SIDE, n - LEAST_SIDE + 1)
    steps = (np.arange(n) >= places[:, None]).astype(np.float64)
    steps_left = steps - (steps @ line) @ line.T
    steps_left /= np.linalg.norm(steps_left, axis=1, keepdims=True)
    f = _f_by_place(y, line, steps_left)
    best = np.asarray(f.argmax(axis=-1))
    null = np.random.default_rng(seed).standard_normal((simulations, n))
    by_chance = np.sort(_f_by_place(null, line, steps_left).max(axis=-1))
    largest = np.asarray(f.max(axis=-1))
    reached = simulations - np.searchsorted(by_chance, largest, side="left")
    size, slope, error = _fitted(x, y, steps[best])
    return StepChange(
        first_after=places[best],
        size=size,
        slope=slope,
        slope_error=error,
        df=float(n - 3),
        f=largest,
        p=np.asarray((reached + 1.0) / (simulations + 1.0), dtype=np.float64),
    )


def _f_by_place(y: Array, line: Array, steps_left: Array) -> Array:
    """Return F of each place's step added to the line, shape (..., places)."""
    from_first = y - y[..., :1]
    left = from_first - (from_first @ line) @ line.T
    about_line = np.square(left).sum(axis=-1)[..., None]
    explained = np.square(left @ steps_left.T)
    remaining = np.maximum(about_line - explained, 1e-12 * about_line)
    some = remaining > 0.0
    f = explained / np.where(some, remaining, 1.0) * (y.shape[-1] - 3)
    return np.where(some, f, 0.0)


def _fitted(x: Array, y: Array, step: Array) -> tuple[Array, Array, Array]:
    """Return step size, slope and its standard error; ``step`` has the shape of ``y``."""
    n = len(x)
    centred = x - x.mean()
    apart = step - step.mean(axis=-1, keepdims=True)
    from_mean = y - y.mean(axis=-1, keepdims=True)
    sxx = float(centred @ centred)
    sss, sxs = np.square(apart).sum(axis=-1), apart @ centred
    sxy, ssy = from_mean @ centred, (apart * from_mean).sum(axis=-1)
    determinant = sxx * sss - sxs**2
    slope = (sss * sxy - sxs * ssy) / determinant
    size = (sxx * ssy - sxs * sxy) / determinant
    residual = from_mean - slope[..., None] * centred - size[..., None] * apart
    variance = np.square(residual).sum(axis=-1) / (n - 3)
    return np.asarray(size), np.asarray(slope), np.sqrt(variance * sss / determinant)
