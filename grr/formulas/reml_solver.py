"""Maximises the restricted likelihood over variances that are at least zero."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.formulas.cell_grid import CellGrid
from grr.formulas.reml_likelihood import Deviance, deviance

_ERROR = 3
_MOST_STEPS = 100
#: A step is halved, where it does not lower the deviance, down to this share of it.
_SHORTEST = 1e-5
#: Deviances that differ by less, relatively, are alike.
_ROUNDING = 1e-12
#: Smallest eigenvalue, in squared standard errors, of a surface that counts as convex.
_CONVEX = 1e-6
#: Numbers the choices of variances that are positive.
_BINARY = np.array([1, 2, 4, 8])
#: Predicted gains in deviance: below the first the search is over; below the second it is
#: good enough where rounding stops it. 1e-8 is a step of 1e-4 standard errors.
_OVER, _GOOD_ENOUGH = 1e-20, 1e-8
#: A gain that is good enough and no longer falls to this share of the last is rounding.
_PROGRESS = 0.5
#: Newton's step is better than scoring only near the end; a gain squares with each, so
#: that after one of the second size nothing is left to gain.
_NEAR, _LAST = 1.0, 1e-10
#: Steps after which searches are compared, and the squared distance, in standard errors,
#: at which two of them count as one.
_MEETINGS, _TOGETHER = (2, 3, 5, 8), 1e-2


@dataclass(frozen=True)
class Optimum:
    """Where the search ended, for each study.

    Attributes
    ----------
    variances : ndarray, shape (studies, 4)
        Part, operator, interaction, error, scaled as the grid; exactly 0 on the boundary.
    deviance : ndarray, shape (studies,)
        Minus twice the restricted log likelihood of the scaled readings.
    converged : ndarray of bool, shape (studies,)
        The conditions of a minimum hold: no slope where a variance is positive, none
        downhill where it is 0.
    """

    variances: Array
    deviance: Array
    converged: Mask


def minimise(
    grid: CellGrid, start: Array, study: NDArray[np.intp], terms: Mask, *, operators_fixed: bool
) -> Optimum:
    """Search for the minimum of the deviance, from one or more starts for each study.

    Each step solves the quadratic problem with the expected second derivatives exactly,
    bounds included (Fisher scoring: on balanced data with positive estimates one step
    reaches the analysis of variance). Near the end Newton's step on the variances that
    stay positive replaces it, so that the last steps are quadratic. No step raises the
    deviance. Of searches of one study that meet on the way, the lowest goes on; the
    deviance of the others is ∞.

    Parameters
    ----------
    grid : CellGrid
        One entry for each search. No study fits the model without any error.
    start : ndarray, shape (searches, 4)
        Shares of the variances.
    study : ndarray of int, shape (searches,)
        The study that each search is of.
    terms : ndarray of bool, shape (4,)
        The terms of the model; the variances of the others stay 0.
    operators_fixed : bool
    """
    variances = np.where(terms, start, 0.0)
    variances /= variances.sum(axis=-1, keepdims=True)
    at = deviance(grid, variances, operators_fixed=operators_fixed)
    values = at.value.copy()
    converged = np.zeros(len(study), dtype=np.bool_)
    running, last = np.arange(len(study)), np.full(len(study), np.inf)
    for number in range(_MOST_STEPS):
        here = variances[running]
        step = bounded_step(at, here, terms)
        gain = (step[:, None, :] @ at.expected @ step[..., None])[:, 0, 0]
        step /= np.maximum(1.0, -step[:, _ERROR] / (0.9 * here[:, _ERROR]))[:, None]
        there, by_newton = _newton_where_near(here, at, here + step, gain < _NEAR)
        final = by_newton & (gain < _LAST)
        variances[running[final]] = there[final]
        values[running[final]] -= gain[final] / 2.0
        converged[running] = final | (gain < _GOOD_ENOUGH)
        rounding = (gain < _GOOD_ENOUGH) & (gain > _PROGRESS * last[running])
        last[running] = gain
        ahead = ~(final | rounding | (gain < _OVER))
        if number in _MEETINGS:
            twin = _follows(study[running], here, at, gain) & ahead
            values[running[twin]] = np.inf
            ahead &= ~twin
        running = running[ahead]
        if not len(running):
            break
        there, at, moved = _descend(
            grid[running],
            here[ahead],
            at[ahead],
            step[ahead],
            there[ahead],
            operators_fixed=operators_fixed,
        )
        running, at = running[moved], at[moved]
        variances[running], values[running] = there[moved], at.value
    return Optimum(variances, values, converged)


def _follows(study: NDArray[np.intp], here: Array, at: Deviance, gain: Array) -> Mask:
    """Say which searches near their end have met a lower one of the same study."""
    order = np.lexsort((at.value, study))
    _, first, which = np.unique(study[order], return_index=True, return_inverse=True)
    leader = np.empty_like(order)
    leader[order] = order[first][which]
    apart = here - here[leader]
    distance = (apart[:, None, :] @ at.expected[leader] @ apart[..., None])[:, 0, 0]
    near = (gain < _NEAR) & (gain[leader] < _NEAR)
    return np.asarray(near & (distance < _TOGETHER) & (leader != np.arange(len(study))))


def bounded_step(at: Deviance, variances: Array, terms: Mask) -> Array:
    """Return the step to the minimum of the expected quadratic with no variance below 0.

    The quadratic is convex, so one choice of variances held at 0 meets the conditions of
    its minimum; three may be held, so there are at most eight choices to try.
    """
    steps = np.zeros((len(variances), 4))
    least = np.full(len(variances), np.inf)
    left = np.arange(len(variances))
    choices = product(*[(True, False) if term else (False,) for term in terms[:3]])
    for choice in sorted(choices, key=sum, reverse=True):
        free = np.array([*choice, True])
        here, gradient, second = variances[left], at.gradient[left], at.expected[left]
        step = _step_on(free, here, gradient, second)
        slope = gradient + (second @ step[..., None])[..., 0]
        unit = np.sqrt(np.where(terms, np.einsum("saa->sa", second), 1.0))
        below = np.where(free, -(here + step) * unit, 0.0).max(axis=-1)
        downhill = np.where(terms & ~free, -slope / unit, 0.0).max(axis=-1)
        violation = np.maximum(below, downhill)
        better = violation < least[left]
        chosen = left[better]
        least[chosen] = violation[better]
        steps[chosen] = np.maximum(step[better], -variances[chosen])
        left = left[violation > _ROUNDING]
        if not len(left):
            break
    return steps


def _step_on(free: Mask, here: Array, gradient: Array, second: Array) -> Array:
    """Return the step to the minimum of a quadratic, the variances not free going to 0."""
    step = np.where(free, 0.0, -here)
    slope = gradient + (second @ step[..., None])[..., 0]
    square = second[:, free][:, :, free]
    unit = 1.0 / np.sqrt(np.abs(np.einsum("saa->sa", square)))
    scaled = square * unit[:, :, None] * unit[:, None, :]
    step[:, free] = -unit * np.linalg.solve(scaled, (unit * slope[:, free])[..., None])[..., 0]
    return step


def _descend(
    grid: CellGrid, here: Array, at: Deviance, step: Array, there: Array, *, operators_fixed: bool
) -> tuple[Array, Deviance, Mask]:
    """Return where each search goes, the deviance there, and whether it went anywhere.

    It goes ``there`` if that lowers the deviance, else as far along ``step`` as does.
    """
    new = deviance(grid, there, operators_fixed=operators_fixed)
    limit = at.value + _ROUNDING * (1.0 + np.abs(at.value))
    left = np.flatnonzero(~(new.value <= limit))
    length = 1.0
    while len(left) and length > _SHORTEST:
        there[left] = here[left] + length * step[left]
        trial = deviance(grid[left], there[left], operators_fixed=operators_fixed)
        new = new.replaced(left, trial)
        left = left[~(trial.value <= limit[left])]
        length *= 0.5
    moved = np.ones(len(here), dtype=np.bool_)
    moved[left] = False
    return there, new, moved


def _newton_where_near(here: Array, at: Deviance, there: Array, near: Mask) -> tuple[Array, Mask]:
    """Return ``there``, or Newton's point where near and the surface convex; and where so."""
    by_newton = np.zeros(len(here), dtype=np.bool_)
    pattern = (there > 0.0) @ _BINARY
    for number in set(pattern[near].tolist()):
        alike = np.flatnonzero(near & (pattern == number))
        free = (number & _BINARY) > 0
        unit = 1.0 / np.sqrt(np.einsum("saa->sa", at.expected[alike])[:, free])
        observed = at.observed[alike][:, free][:, :, free]
        lowest = np.linalg.eigvalsh(observed * unit[:, :, None] * unit[:, None, :])[:, 0]
        alike = alike[lowest > _CONVEX]
        newton = here[alike] + _step_on(free, here[alike], at.gradient[alike], at.observed[alike])
        inside = (newton >= 0.0).all(axis=-1) & (newton[:, _ERROR] > 0.1 * here[alike, _ERROR])
        there[alike[inside]] = newton[inside]
        by_newton[alike[inside]] = True
    return there, by_newton
