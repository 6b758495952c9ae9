"""Run rules: patterns of points on a control chart that chance alone seldom makes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array, Mask


@dataclass(frozen=True)
class RunRule:
    """At least ``needed`` of ``window`` successive points in one zone.

    Attributes
    ----------
    name : str
    says : str
        The rule in words.
    kind : {"beyond", "within", "either", "trend", "zigzag"}
        Beyond ``sigmas`` on one side; within ``sigmas`` of the centre line; beyond
        ``sigmas`` on either side; all rising or all falling; turning at every point.
    needed, window : int
    sigmas : float
    """

    name: str
    says: str
    kind: str
    needed: int
    window: int
    sigmas: float = 0.0


_ONE = "one point beyond 3 sigma"
_TWO = "two of three successive points beyond 2 sigma on one side"
_FOUR = "four of five successive points beyond 1 sigma on one side"

#: Western Electric, Statistical Quality Control Handbook (1956), tests for instability.
WESTERN_ELECTRIC = (
    RunRule("WE 1", _ONE, "beyond", 1, 1, 3.0),
    RunRule("WE 2", _TWO, "beyond", 2, 3, 2.0),
    RunRule("WE 3", _FOUR, "beyond", 4, 5, 1.0),
    RunRule("WE 4", "eight successive points on one side of the centre line", "beyond", 8, 8),
)

#: L. S. Nelson, The Shewhart control chart: tests for special causes, Journal of Quality
#: Technology 16 (1984), 237-239.
NELSON = (
    RunRule("Nelson 1", _ONE, "beyond", 1, 1, 3.0),
    RunRule("Nelson 2", "nine successive points on one side of the centre line", "beyond", 9, 9),
    RunRule("Nelson 3", "six successive points all rising or all falling", "trend", 6, 6),
    RunRule("Nelson 4", "fourteen successive points going up and down in turn", "zigzag", 14, 14),
    RunRule("Nelson 5", _TWO, "beyond", 2, 3, 2.0),
    RunRule("Nelson 6", _FOUR, "beyond", 4, 5, 1.0),
    RunRule("Nelson 7", "fifteen successive points within 1 sigma", "within", 15, 15, 1.0),
    RunRule("Nelson 8", "eight successive points all beyond 1 sigma", "either", 8, 8, 1.0),
)

#: Every rule by its name.
RULES = {rule.name: rule for rule in (*WESTERN_ELECTRIC, *NELSON)}


def signals(z: Array, rule: RunRule) -> Mask:
    """Return the points at which a rule is met, the last point of the pattern being marked.

    Parameters
    ----------
    z : ndarray, shape (..., n)
        Points as distances from the centre line in sigmas, in order of time.
    rule : RunRule

    Returns
    -------
    ndarray of bool, shape (..., n)
        For "m of k" rules the marked point itself lies in the zone.
    """
    z = np.asarray(z, dtype=np.float64)
    if rule.kind == "beyond":
        sides = [_met(z > rule.sigmas, rule), _met(-z > rule.sigmas, rule)]
        return np.asarray(sides[0] | sides[1])
    if rule.kind == "within":
        return _met(np.abs(z) < rule.sigmas, rule)
    if rule.kind == "either":
        return _met(np.abs(z) > rule.sigmas, rule)
    step = np.diff(z, axis=-1)
    if rule.kind == "trend":
        met = _run(step > 0.0, rule.window - 1) | _run(step < 0.0, rule.window - 1)
    else:
        turns = step[..., 1:] * step[..., :-1] < 0.0
        met = _pad(_run(turns, rule.window - 2), 1)
    return _pad(met, 1)


def first_signal(z: Array, rules: tuple[RunRule, ...]) -> Array:
    """Return the number of the first point (from 1) at which any rule is met; inf if none."""
    met = np.zeros(np.shape(z), dtype=np.bool_)
    for rule in rules:
        met |= signals(z, rule)
    return np.where(met.any(axis=-1), met.argmax(axis=-1) + 1.0, np.inf)


def _met(inside: Mask, rule: RunRule) -> Mask:
    return np.asarray(inside & (_counted(inside, rule.window) >= rule.needed))


def _run(inside: Mask, length: int) -> Mask:
    return np.asarray(_counted(inside, length) >= length)


def _counted(inside: Mask, window: int) -> Array:
    """Return how many of the last ``window`` points, this one included, are inside."""
    total = np.cumsum(inside, axis=-1, dtype=np.float64)
    before = np.zeros_like(total)
    before[..., window:] = total[..., :-window]
    return total - before


def _pad(met: Mask, points: int) -> Mask:
    """Return the mask with points in front at which the rule cannot be met yet."""
    nothing = np.zeros((*met.shape[:-1], points), dtype=np.bool_)
    return np.concatenate([nothing, met], axis=-1)
