"""Changes in a series of readings: a step, a warm-up that settles, a shift between trials.

Steps and warm-ups are looked for by one routine, `best_shape`: which of many shapes explains
most beside a straight drift, and how often chance does as well. Trials have no place to be
searched for, so that an F test tells them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, fdtri, stdtrit

from grr.formulas.arrays import Array, Mask, product
from grr.formulas.drift_rate import Blocks, blocks
from grr.model.errors import StudyError

# Whether one of many shapes, added to a straight drift, explains more than chance would.
# ---------------------------------------------------------------------------------------

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

    def largest_f(along: Array, about_line: Array) -> tuple[NDArray[np.intp], Array]:
        """Return the shape that explains most, and its F: largest where its share is."""
        along = np.abs(along)
        explained = np.square(along.max(axis=-1))
        remaining = np.maximum(about_line - explained, 1e-12 * about_line)
        some = remaining > 0.0
        f = np.where(some, explained / np.where(some, remaining, 1.0) * df, 0.0)
        return along.argmax(axis=-1), np.asarray(f)

    left = means.taken_off(np.asarray(readings, dtype=np.float64)) * weights
    left = left - (left @ line)[..., None] * line
    index, largest = largest_f(left @ shapes.T, np.square(left).sum(axis=-1))
    # Shapes and line hold nothing of the means, so those need not be taken off the series.
    null, squares = _normal_series(simulations, n, seed)
    along = product(null, np.column_stack([shapes.T, line, means.basis]))
    about_line = squares - np.square(along[:, len(shapes) :]).sum(axis=-1)
    by_chance = np.sort(largest_f(along[:, : len(shapes)], about_line)[1])
    reached = simulations - np.searchsorted(by_chance, largest, side="left")
    return BestShape(np.asarray(index), largest, np.asarray((reached + 1.0) / (simulations + 1.0)))


@lru_cache(maxsize=8)
def _normal_series(simulations: int, n: int, seed: int) -> tuple[Array, Array]:
    """Return series without any shape, and the sum of squares of each."""
    null = np.random.default_rng(seed).standard_normal((simulations, n))
    null.flags.writeable = False
    return null, np.square(null).sum(axis=-1)


# One step in a series of readings: where it most likely is, and whether it is one at all.
# ----------------------------------------------------------------------------------------

#: Readings that must lie on either side of a step.
LEAST_SIDE = 2
#: Readings that must be left once their means are taken off: a step and a drift need four.
_LEAST_LEFT = 5


@dataclass(frozen=True)
class StepChange:
    """The most likely single step, beside a straight drift; shape of the stack (...).

    Attributes
    ----------
    first_after : ndarray of int
        Index, in the order of time, of the first reading after the step.
    size : ndarray
        Readings after the step minus before it, the drift and the means taken out.
    slope, slope_error : ndarray
        Drift with the step taken out, and its standard error given the step's place.
    df : float
    f, p : ndarray
        The largest F over all places, and the share of series without a step that
        reach it (simulated).
    """

    first_after: NDArray[np.intp]
    size: Array
    slope: Array
    slope_error: Array
    df: float
    f: Array
    p: Array


def can_show_a_step(means: Blocks, *, least_side: int = LEAST_SIDE) -> bool:
    """Say whether the readings are enough to tell a step from a drift and from their means."""
    n = means.readings
    return n - means.rank >= _LEAST_LEFT and n >= 2 * least_side


def step_change(
    times: Array,
    readings: Array,
    means: Blocks | None = None,
    *,
    least_side: int = LEAST_SIDE,
    simulations: int = SIMULATIONS,
    seed: int = SEED,
) -> StepChange:
    """Find the place at which one step, added to a straight drift, helps most.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Rising.
    readings : ndarray, shape (..., n)
    means : Blocks, optional
        What is taken off: the means of parts and of sessions; by default the mean of all,
        as for one check standard read over time.
    least_side : int
        Readings that must lie on either side.
    simulations, seed : int
        Normal series without a step, at the same times, from which p is counted.

    Raises
    ------
    StudyError
        Too few readings, see `can_show_a_step`: six, where only their mean is taken off.

    Notes
    -----
    Source: Andrews, Econometrica 61 (1993), 821-856; see `best_shape`. Size and slope are
    least squares, given the place.
    """
    x = np.asarray(times, dtype=np.float64)
    n = len(x)
    means = blocks(np.zeros(n, dtype=np.int64)) if means is None else means
    if not can_show_a_step(means, least_side=least_side):
        raise StudyError(
            "Fewer than six readings cannot show a step beside a drift",
            "Go on checking the gauge",
            value=n,
        )
    places = np.arange(least_side, n - least_side + 1)
    steps = (np.arange(n) >= places[:, None]).astype(np.float64)
    best = best_shape(x, readings, means, steps, simulations=simulations, seed=seed)
    df = float(n - means.rank - 2)
    step, line, y = (means.taken_off(values) for values in (steps[best.index], x, readings))
    size, slope, error = _step_and_line(step, line, y, df)
    return StepChange(places[best.index], size, slope, error, df, best.f, best.p)


def _step_and_line(step: Array, line: Array, y: Array, df: float) -> tuple[Array, Array, Array]:
    """Return step size, slope and its standard error; ``step`` has the shape of ``y``.

    Least squares on two columns, by the normal equations.
    """
    stt, sss, sst = float(line @ line), np.square(step).sum(axis=-1), step @ line
    sty, ssy = y @ line, (step * y).sum(axis=-1)
    determinant = stt * sss - sst**2
    slope = (sss * sty - sst * ssy) / determinant
    size = (stt * ssy - sst * sty) / determinant
    residual = y - slope[..., None] * line - size[..., None] * step
    variance = np.square(residual).sum(axis=-1) / df
    return np.asarray(size), np.asarray(slope), np.sqrt(variance * sss / determinant)


# A warm-up that settles: readings move by A·(1 − exp(−t/τ)).
# -----------------------------------------------------------

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


# Whether everything reads higher or lower from one trial to the next.
# --------------------------------------------------------------------

#: Chance of a false alarm in a whole study, all its operators taken together.
LEVEL = 0.01


@dataclass(frozen=True)
class TrialShift:
    """Trials that read otherwise than the rest; lengths in the unit of the readings.

    Attributes
    ----------
    operator : int or None
        None: all operators together.
    trials : tuple of int
        Those from the change on; or one trial between the others.
    size : float
        Mean of those trials minus that of the rest, on the same parts.
    scatter : float
        Standard deviation of repeats with the shift taken out.
    f, p : float
        Of no difference between any trials.
    """

    operator: int | None
    trials: tuple[int, ...]
    size: float
    scatter: float
    f: float
    p: float


def trial_shifts(readings: Array, *, level: float = LEVEL) -> list[TrialShift]:
    """Return the shifts between trials that chance does not explain, operator by operator.

    Every operator is tested alone, and all together, each at level/(operators + 1). The
    shift of all together is returned only where no operator is found alone.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        NaN where missing.
    level : float
        Chance of any shift in a study without one.

    Notes
    -----
    One operator: parts are blocks and trials treatments, F = [SS(trials)/(r − 1)] /
    [SS(left)/((p − 1)(r − 1))]. All together: the same on part-by-operator cells, the
    trial-by-operator interaction taken out of what is left. With readings missing the sums
    of squares are differences between two least-squares fits.

    Source: Montgomery, Design and Analysis of Experiments, sections 4.1 (randomised
    complete blocks) and 10.3 (tests by the extra sum of squares).
    """
    _, o, r = readings.shape
    if r < 2 or (np.isfinite(readings).all() and not may_shift(readings, level=level)):
        return []
    part, operator, trial = np.nonzero(np.isfinite(readings))
    values = readings[part, operator, trial]
    alpha = level / (o + 1 if o > 1 else 1)
    found = []
    for j in range(o):
        own = operator == j
        one = _tested(values[own], part[own], trial[own], None, j, alpha=alpha)
        if one is not None:
            found.append(one)
    if found or o < 2:
        return found
    cell, by_operator = part * o + operator, operator * r + trial
    together = _tested(values, cell, trial, by_operator, None, alpha=alpha)
    return [] if together is None else [together]


def may_shift(readings: Array, *, level: float = LEVEL) -> Mask:
    """Return in which of many complete studies (..., p, o, r) `trial_shifts` finds any."""
    p, o, r = readings.shape[-3:]
    if r < 2:
        return np.zeros(readings.shape[:-3], dtype=np.bool_)
    within = readings - readings.mean(axis=-1, keepdims=True)
    by_operator = within.mean(axis=-3)
    steps, df = r - 1, (p - 1) * (r - 1)
    left = np.square(within - by_operator[..., None, :, :]).sum(axis=(-3, -1))
    explained = p * np.square(by_operator).sum(axis=-1)
    together = p * o * np.square(by_operator.mean(axis=-2)).sum(axis=-1)
    # A test that stands on the edge counts: it is made again.
    alpha = (1.0 + 1e-9) * level / (o + 1 if o > 1 else 1)
    found = (_chance(explained, left, steps, df) < alpha).any(axis=-1)
    return np.asarray(found | (_chance(together, left.sum(axis=-1), steps, o * df) < alpha))


def _chance(explained: Array, left: Array, steps: int, df: int) -> Array:
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(fdtrc(steps, df, explained / steps / (left / df)))


def _tested(
    values: Array,
    groups: NDArray[np.int64],
    trial: NDArray[np.int64],
    left_out: NDArray[np.int64] | None,
    operator: int | None,
    *,
    alpha: float,
) -> TrialShift | None:
    """Return the trials that differ beside ``groups``; None where none do, or it cannot be told."""
    if len(values) == 0:
        return None
    groups = _codes(groups)
    means, with_trials = blocks(groups), blocks(groups, _codes(trial))
    full = with_trials if left_out is None else blocks(groups, _codes(left_out))
    steps, df = with_trials.rank - means.rank, len(values) - full.rank
    if steps < 1 or df < 1:
        return None
    about, about_trials, left = (_squares(values, fit) for fit in (means, with_trials, full))
    explained = max(about - about_trials, 0.0)
    scatter = math.sqrt(left / df)
    if explained <= 0.0:
        return None
    f = math.inf if scatter == 0.0 else explained / steps / scatter**2
    p = float(fdtrc(steps, df, f))
    if not p < alpha:
        return None
    trials, size = _largest(values, means, trial)
    return TrialShift(operator, trials, size, scatter, f, p)


def _codes(labels: NDArray[np.int64]) -> NDArray[np.int64]:
    return np.unique(labels, return_inverse=True)[1].astype(np.int64)


def _squares(values: Array, means: Blocks) -> float:
    return float(np.square(means.taken_off(values)).sum())


def _largest(
    values: Array, means: Blocks, trial: NDArray[np.int64]
) -> tuple[tuple[int, ...], float]:
    """Return the trials whose difference from the rest explains most, and its size."""
    there = [int(t) for t in np.unique(trial)]
    groups = [there[k:] for k in range(1, len(there))] + [[t] for t in there[1:-1]]
    y = means.taken_off(values)
    best: tuple[float, tuple[int, ...], float] = (-1.0, (), 0.0)
    for group in groups:
        step = means.taken_off(np.isin(trial, group).astype(np.float64))
        length = float(step @ step)
        if length > 1e-9:
            along = float(step @ y)
            best = max(best, (along**2 / length, tuple(group), along / length))
    return best[1], best[2]
