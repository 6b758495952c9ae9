"""What a change of the measuring process would make of its variation."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.sources_of_variation import hidden_by_rounding, rounding_floor

#: More readings of one part than this are not practicable.
MOST_READINGS = 20


@dataclass(frozen=True)
class Change:
    """What is changed in the way of measuring.

    Attributes
    ----------
    readings : int
        How many readings of the same part by the same operator are averaged.
    operators_alike : bool
        The differences between operators are removed.
    no_interaction : bool
        The operators' differences from part to part are removed.
    resolution : float or None
        A finer last digit, in the unit of the study; None leaves it.
    """

    readings: int = 1
    operators_alike: bool = False
    no_interaction: bool = False
    resolution: float | None = None

    @property
    def steps(self) -> int:
        """How many things are changed at once."""
        return (
            (self.readings > 1)
            + self.operators_alike
            + self.no_interaction
            + (self.resolution is not None)
        )


@dataclass(frozen=True)
class GrrVariances:
    """GrrVariances of a measuring system as estimated, in squared units; shape (...).

    ``operator`` and ``interaction`` are not below 0, and ``grr`` is the sum.
    """

    repeatability: Array | float
    operator: Array | float
    interaction: Array | float
    grr: Array | float
    resolution: float | None = None


def repeatability_after(now: GrrVariances, change: Change) -> Array:
    """Return the variance of repeatability after a change.

    Averaging n independent readings divides it by n. A rounded reading carries
    resolution²/12 of it, which a finer digit replaces by its own. Where the readings
    repeat to the last digit, each one rounds alike, and averaging takes nothing away.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), clauses 4.2.3 (variance of a mean) and F.2.2.1 (rounding).
    """
    ev = np.asarray(now.repeatability, np.float64)
    step = now.resolution
    if now.resolution is not None and change.resolution is not None:
        step = change.resolution
        ev = np.maximum(ev - rounding_floor(now.resolution) ** 2, 0.0) + rounding_floor(step) ** 2
    if step is None:
        return ev / change.readings
    return np.where(hidden_by_rounding(np.sqrt(ev), step), ev, ev / change.readings)


def grr_after(now: GrrVariances, change: Change) -> Array:
    """Return the variance GRR that is predicted after a change.

    Averaging does not touch the differences between operators nor their interaction with
    parts: one operator's readings of one part carry the same share of both. What is
    removed is taken off GRR, which does not fall under the repeatability that is left.

    Parameters
    ----------
    now : GrrVariances
    change : Change

    Returns
    -------
    ndarray, shape (...)

    Notes
    -----
    Source: the model of the analysis of variance itself (Burdick, Borror & Montgomery,
    SIAM 2005, section 3.2): variance of a mean of n readings, σ_E²/n + σ_O² + σ_PO².
    """
    if change == Change():
        return np.asarray(now.grr)
    left = repeatability_after(now, change)
    gone = np.asarray(now.repeatability) - left
    if change.operators_alike:
        gone = gone + now.operator
    if change.no_interaction:
        gone = gone + now.interaction
    return np.maximum(np.asarray(now.grr) - gone, left)


def readings_for(now: GrrVariances, goal: float, change: Change | None = None) -> int | None:
    """Return the fewest readings to average so that GRR is at most ``goal`` (a variance).

    Parameters
    ----------
    now : GrrVariances
        Of one study.
    goal : float
    change : Change, optional
        What else is changed.

    Returns
    -------
    int or None
        None where more than `MOST_READINGS` would be needed, or averaging cannot do it.
    """
    base = Change() if change is None else change
    for n in range(1, MOST_READINGS + 1):
        if grr_after(now, replace(base, readings=n)) <= goal * (1.0 + 1e-12):
            return n
    return None


def single_changes(now: GrrVariances, *, finer: float | None = None) -> tuple[Change, ...]:
    """Return the changes that could be made one at a time, averaging left out."""
    changes = []
    if now.operator > 0.0:
        changes.append(Change(operators_alike=True))
    if now.interaction > 0.0:
        changes.append(Change(no_interaction=True))
    if finer is not None:
        changes.append(Change(resolution=finer))
    return tuple(changes)


def combined(changes: tuple[Change, ...]) -> tuple[Change, ...]:
    """Return every combination of single changes, the fewest steps first."""
    found = {Change()}
    for change in changes:
        found |= {
            Change(
                operators_alike=other.operators_alike or change.operators_alike,
                no_interaction=other.no_interaction or change.no_interaction,
                resolution=other.resolution if change.resolution is None else change.resolution,
            )
            for other in found
        }
    return tuple(sorted(found, key=_order))


def smallest_change(now: GrrVariances, goal: float, changes: tuple[Change, ...]) -> Change | None:
    """Return the smallest change that brings GRR to at most ``goal``; None if none does.

    The fewest things changed come first, and among those the one with the lowest GRR;
    averaging with the fewest readings counts as one thing.

    Parameters
    ----------
    now : GrrVariances
        Of one study.
    goal : float
        A variance.
    changes : tuple of Change
        The single changes that can be made.
    """
    reaching = []
    for change in combined(changes):
        n = readings_for(now, goal, change)
        if n is not None:
            reaching.append(replace(change, readings=n))
    return min(
        reaching, key=lambda c: (c.steps, c.readings, float(grr_after(now, c))), default=None
    )


def ranked(now: GrrVariances, changes: tuple[Change, ...]) -> tuple[Change, ...]:
    """Return changes by the GRR that they lead to, the lowest first, then fewest steps."""
    return tuple(sorted(changes, key=lambda c: (float(grr_after(now, c)), *_order(c))))


def _order(change: Change) -> tuple[int, int, bool, bool]:
    return change.steps, change.readings, not change.operators_alike, not change.no_interaction
