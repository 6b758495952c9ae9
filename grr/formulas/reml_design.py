"""What a design with lost readings can show, and the sentence where it cannot."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.model.errors import StudyError
from grr.model.values import article


def require_crossed(counts: Array, *, interaction: bool) -> None:
    """Refuse a crossed design from which the components cannot be told apart.

    Parameters
    ----------
    counts : ndarray, shape (parts, operators)
        Readings in each cell.
    interaction : bool
        Whether the interaction is to be estimated.

    Raises
    ------
    StudyError

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), section 5.5: every
    sum of squares of the fitting-constants method needs a degree of freedom of its own.
    """
    filled = counts > 0
    p, o = counts.shape
    cells, readings = int(filled.sum()), int(counts.sum())
    _require_measured(counts)
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    if o > 1 and (filled.sum(axis=1) < 2).all():
        raise StudyError(
            "No part was measured by two operators, so operators cannot be told from parts",
            "Analyse the study as nested, or let every operator measure the same parts",
        )
    if not _all_linked(filled):
        raise StudyError(
            "The parts fall into groups that no operator has in common",
            "Let one operator measure parts of both groups, or analyse the groups apart",
        )
    if not interaction and readings == p + o - 1:
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    if not interaction:
        return
    if o < 2:
        raise StudyError(
            "The interaction needs at least two operators",
            "Leave the interaction out, or let a second operator measure the parts",
        )
    if readings == cells:
        raise StudyError(
            "No operator measured a part twice, so the interaction cannot be told from "
            "repeatability",
            "Leave the interaction out, or let every operator measure each part twice",
        )
    if cells == p + o - 1:
        raise StudyError(
            "Too few parts were measured by more than one operator to see how far "
            "operators disagree part by part",
            "Let every operator measure every part at least once",
        )


def interaction_shows(counts: Array) -> bool:
    """Say whether the interaction could be told from everything else."""
    p, o = counts.shape
    cells = int((counts > 0).sum())
    return bool(o > 1 and counts.sum() > cells > p + o - 1)


def _require_measured(counts: Array) -> None:
    for name, axis in (("part", 1), ("operator", 0)):
        empty = counts.sum(axis=axis) == 0
        if empty.any():
            raise StudyError(
                f"{article(name).capitalize()} {name} has no reading at all",
                f"Measure it, or leave the {name} out of the study",
                value=f"{name} number {int(empty.argmax()) + 1}",
            )


def _all_linked(filled: Mask) -> bool:
    """Say whether every part is reached from the first by operators in common."""
    reached = np.arange(len(filled)) == 0
    while True:
        further = filled[:, filled[reached].any(axis=0)].any(axis=1)
        if (further == reached).all():
            return bool(reached.all())
        reached = further
