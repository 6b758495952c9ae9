"""One leg of a gauge's qualification: what is asked, what was found, and how sure that is."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.model.rounding import percent

PASS, CONDITIONAL, FAIL = "pass", "conditional", "fail"
CANNOT_TELL, NOT_DONE = "can't tell", "not done"

#: From the worst to the best; also the mark beside the word.
OUTCOMES = {FAIL: "✖", NOT_DONE: "—", CANNOT_TELL: "○", CONDITIONAL: "◐", PASS: "●"}

RESOLUTION, BIAS, REPEATABILITY = "Resolution", "Bias", "Repeatability on a reference"
RANGE, UNCERTAINTY = "Linearity over the range", "Uncertainty"
#: A share used up is told up to this many times what is allowed.
MOST = 10.0
#: What a gauge without checks over time shows.
NO_HISTORY = "no history yet"
STUDY, STABILITY = "GR&R on real parts", "Stability"


@dataclass(frozen=True)
class Leg:
    """One leg.

    Attributes
    ----------
    name : str
    asked : str
        The requirement.
    found : str
        The result.
    interval : str
        How sure it is; "" where it is exact or was not done.
    outcome : {"pass", "conditional", "fail", "can't tell", "not done"}
    used : float
        What of the requirement is used up at the unfavourable end of the interval, 1
        being all of it; NaN where that has no meaning.
    why, todo : str
        The outcome in a sentence, and what to do about it ("" for a pass).
    """

    name: str
    asked: str
    found: str
    interval: str
    outcome: str
    used: float = math.nan
    why: str = ""
    todo: str = ""

    @property
    def used_text(self) -> str:
        """The share used up, as a percentage; "" where it has no meaning."""
        if math.isnan(self.used):
            return ""
        return percent(100.0 * self.used) if self.used < MOST else f"over {percent(100.0 * MOST)}"

    @property
    def severity(self) -> tuple[int, float]:
        """Sorts the weakest leg first."""
        used = 0.0 if math.isnan(self.used) else self.used
        return list(OUTCOMES).index(self.outcome), -used


def not_done(name: str, asked: str, todo: str) -> Leg:
    """Return a leg that stands on nothing yet."""
    return Leg(name, asked, "not done", "", NOT_DONE, why="It was not done.", todo=todo)


def between(low: float, high: float, limit: float, *, most: bool) -> str:
    """Return the outcome of an interval against a limit: pass, fail, or can't tell.

    Parameters
    ----------
    low, high : float
        One-sided bounds.
    limit : float
    most : bool
        Whether the quantity may be at most the limit, or must be at least it.
    """
    if most:
        return PASS if high <= limit else FAIL if low > limit else CANNOT_TELL
    return PASS if low >= limit else FAIL if high < limit else CANNOT_TELL
