"""What ends a verdict, and the short check that renews it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grr.formulas.recheck import chance_to_notice
from grr.model.estimate import Estimate
from grr.model.rounding import counted
from grr.model.study import Study

#: A check is long enough once it notices a doubled scatter this surely (this project's own).
ENOUGH = 0.9
#: Readings beyond which a check is no short one.
MOST_READINGS = 60
#: How often each person measures each part, and the fewest parts: a study has two.
TWICE, FEWEST_PARTS = 2, 2


@dataclass(frozen=True)
class Recheck:
    """A short check of the repeatability: each person measures the same parts twice.

    Attributes
    ----------
    people, parts : int
        Each of so many people measures so many parts, two times each.
    limit : Estimate
        The standard deviation of the repeats must stay under this: the square root of the
        mean of (difference / √2)² over all pairs. While nothing changes it does so in 95 of
        100 checks.
    chance : float
        That a check passes the limit once the scatter has doubled.
    """

    people: int
    parts: int
    limit: Estimate
    chance: float

    @property
    def readings(self) -> int:
        """How many readings it takes."""
        return TWICE * self.people * self.parts

    def __str__(self) -> str:
        who = "each person" if self.people > 1 else "one person"
        return (
            f"{self.readings} readings ({who}: {counted(self.parts, 'part')}, twice), their sd "
            f"under {self.limit}; it notices a doubling {100.0 * self.chance:.0f} times in 100."
        )


def recheck(study: Study) -> Recheck | None:
    """Return the shortest check that notices a doubled scatter of repeats, if there is one.

    Parameters
    ----------
    study : Study
        Of several methods each has its own.

    Returns
    -------
    Recheck or None
        The check that notices it in at least 90 of 100 cases, else the surest of at most 60
        readings; None where the study holds no repeats, repeats without any scatter, or several
        methods.

    Notes
    -----
    The scatter is that of the repeats within each part and operator, pooled; how surely a
    change of it is seen: `grr.formulas.recheck.chance_to_notice`.
    """
    if len(study.methods) > 1:
        return None
    cells = study.cube().values
    counts = np.isfinite(cells).sum(axis=-1)
    df_before = int((counts - 1)[counts > 0].sum())
    filled = cells[counts > 0]
    squares = float(np.nansum((filled - np.nanmean(filled, axis=-1, keepdims=True)) ** 2))
    if df_before < 1 or squares <= 0.0:
        return None
    sd, people = math.sqrt(squares / df_before), len(study.operator_names)
    best = None
    for parts in range(FEWEST_PARTS, max(FEWEST_PARTS, len(study.parts)) + 1):
        if best is not None and TWICE * people * parts > MOST_READINGS:
            break
        ratio, chance = chance_to_notice(people * parts, df_before)
        best = Recheck(people, parts, Estimate(ratio * sd, unit=study.unit), chance)
        if chance >= ENOUGH:
            break
    return best
