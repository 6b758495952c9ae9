"""A warm-up that settles: readings move by A·(1 − exp(−t/τ))."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import fdtri, stdtrit

from grr.formulas.arrays import Array
from grr.formulas.drift_slope import Blocks
from grr.formulas.shape_search import BestShape, best_shape

#: How many time constants are tried.
GRID = 160


@dataclass(frozen=True)
class Settling:
    """A fitted approach to a settled state.

    Attributes
    ----------
    amount : float
        A, how far the readings have moved once settled, in their own unit.
    amount_limits : (float, float)
        Two-sided interval of A.
    time_constant : float
        τ: after τ 63 % of the way is done, after 2.3·τ 90 %.
    time_constant_limits : (float, float)
        Two-sided profile interval of τ; infinite where the data do not bound it.
    residual_sum, line_residual_sum : float
        Sums of squares that the curve, and a straight line in its place, leave.
    """

    amount: float
    amount_limits: tuple[float, float]
    time_constant: float
    time_constant_limits: tuple[float, float]
    residual_sum: float
    line_residual_sum: float

    def at(self, times: Array) -> Array:
        """Return the curve, 0 at time 0."""
        return self.amount * settling_shape(np.asarray(times), self.time_constant)


def settling_shape(times: Array, time_constant: Array | float) -> Array:
    """Return 1 − exp(−t/τ)."""
    return np.asarray(-np.expm1(-np.asarray(times) / time_constant), dtype=np.float64)


def settling_test(
    times: Array, readings: Array, means: Blocks, *, weights: Array | None = None
) -> BestShape:
    """Test whether a settling curve explains more than a straight drift does.

    See `best_shape`; the family are curves with time constants on a grid.
    """
    family = settling_shape(np.asarray(times), _time_constants(times)[::4, None])
    return best_shape(times, readings, means, family, weights=weights)


def fit_settling(
    times: Array,
    readings: Array,
    means: Blocks,
    *,
    weights: Array | None = None,
    level: float = 0.95,
) -> Settling:
    """Fit A·(1 − exp(−t/τ)) to readings less the means of their parts.

    Least squares over a fine grid of τ, which cannot stop in a side minimum; the interval
    of τ holds every τ whose sum of squares is not significantly larger, that of A comes
    from the linearised curve.

    Parameters
    ----------
    times, readings : ndarray, shape (n,)
    means : Blocks
    weights : ndarray, shape (n,), optional
        As in `best_shape`.
    level : float

    Notes
    -----
    Source: Bates & Watts, Nonlinear Regression Analysis and Its Applications (1988),
    sections 2.3 (linear approximation) and 6.1 (profile); Newton's law of cooling for the
    shape.
    """
    t = np.asarray(times, dtype=np.float64)
    weights = np.ones(len(t)) if weights is None else weights
    y = means.taken_off(readings) * weights
    taus = _time_constants(t)
    curves = means.taken_off(settling_shape(t, taus[:, None])) * weights
    norms = np.square(curves).sum(axis=1)
    amounts = curves @ y / norms
    left = float(y @ y) - np.square(curves @ y) / norms
    best = int(left.argmin())
    df = means.readings - means.rank - 2
    variance = left[best] / df
    within = left <= left[best] * (1.0 + float(fdtri(1, df, level)) / df)
    inside = taus[within]
    tau = float(taus[best])
    by_tau = means.taken_off(-amounts[best] * t / tau**2 * np.exp(-t / tau)) * weights
    jacobian = np.column_stack([curves[best], by_tau])
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * variance
    reach = float(stdtrit(df, 0.5 + 0.5 * level)) * float(np.sqrt(covariance[0, 0]))
    amount = float(amounts[best])
    line = means.taken_off(t) * weights
    return Settling(
        amount=amount,
        amount_limits=(amount - reach, amount + reach),
        time_constant=tau,
        time_constant_limits=(
            0.0 if within[0] else float(inside[0]),
            float("inf") if within[-1] else float(inside[-1]),
        ),
        residual_sum=float(left[best]),
        line_residual_sum=float(y @ y) - float(line @ y) ** 2 / float(line @ line),
    )


def _time_constants(times: Array) -> Array:
    """Return time constants from a fiftieth of the time watched to three times it."""
    span = float(np.max(times))
    return np.geomspace(span / 50.0, 3.0 * span, GRID)
