"""Whether everything reads higher or lower from one trial to the next."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from grr.formulas.arrays import Array
from grr.formulas.drift_slope import Blocks, blocks

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
    if r < 2:
        return []
    part, operator, trial = np.nonzero(np.isfinite(readings))
    values = readings[part, operator, trial]
    alpha = level / (o + 1 if o > 1 else 1)
    found = []
    for j in range(o):
        own = operator == j
        one = _tested(values[own], [part[own]], trial[own], None, j)
        if one is not None and one.p < alpha:
            found.append(one)
    if found or o < 2:
        return found
    cell, by_operator = part * o + operator, operator * r + trial
    together = _tested(values, [cell], trial, by_operator, None)
    return [together] if together is not None and together.p < alpha else []


def _tested(
    values: Array,
    groups: list[NDArray[np.int64]],
    trial: NDArray[np.int64],
    left_out: NDArray[np.int64] | None,
    operator: int | None,
) -> TrialShift | None:
    """Return the test of no trial effect beside ``groups``; None where it cannot be made."""
    if len(values) == 0:
        return None
    groups = [_codes(codes) for codes in groups]
    means, with_trials = blocks(*groups), blocks(*groups, _codes(trial))
    full = with_trials if left_out is None else blocks(*groups, _codes(left_out))
    steps, df = with_trials.rank - means.rank, len(values) - full.rank
    if steps < 1 or df < 1:
        return None
    about, about_trials, left = (_squares(values, fit) for fit in (means, with_trials, full))
    explained = max(about - about_trials, 0.0)
    scatter = math.sqrt(left / df)
    if explained <= 0.0:
        return None
    f = math.inf if scatter == 0.0 else explained / steps / scatter**2
    trials, size = _largest(values, means, trial)
    return TrialShift(operator, trials, size, scatter, f, float(fdtrc(steps, df, f)))


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
