"""The rule of every decision: a ratio with its bounds against two thresholds, and the price."""

from __future__ import annotations

from dataclasses import dataclass

from grr.model.choices import Decision
from grr.model.estimate import Estimate


@dataclass(frozen=True)
class Criterion:
    """A ratio against its two thresholds; smaller is better.

    Attributes
    ----------
    name : str
        What it is, as a phrase: "of the tolerance".
    value : float
        As calculated by the method of record, in percent.
    good, limit : float
        Under ``good`` the gauge is good; over ``limit`` it is not acceptable.
    lower, upper : float
        One-sided bounds: ``upper`` at the study's confidence, ``lower`` with half its doubt
        (97.5 % where 95 % is asked for), see `careful_lower_bound`.
    below_good, below_limit : float
        Confidence, 0 to 1, that the ratio is under the threshold.
    categories : tuple of float or None
        Careful one-sided bounds of ndc, not rounded, where the purpose asks for it; shown
        beside the ratio, which alone decides.
    """

    name: str
    value: float
    good: float
    limit: float
    lower: float
    upper: float
    below_good: float
    below_limit: float
    categories: tuple[float, float] | None = None

    @property
    def by_value(self) -> str:
        """The manual's class of the calculated value: "good", "between" or "over"."""
        return class_of(self.value, self)

    @property
    def by_confidence(self) -> str:
        """What is shown with confidence: "good", "between", "over" or "open"."""
        if self.upper <= self.good:
            return "good"
        if self.upper <= self.limit:
            return "between"
        return "over" if self.lower > self.limit else "open"


def class_of(value: float, found: Criterion) -> str:
    """Return the class of a ratio in percent: "good", "between" or "over"."""
    if value < found.good:
        return "good"
    return "between" if value <= found.limit else "over"


def decide(
    found: Criterion,
    price: Estimate,
    *,
    most_refused: float,
    purpose: str,
    one_operator: bool,
    must_mend: bool,
    scatter_forbids: bool = False,
) -> Decision:
    """Return the decision that the bounds of a ratio and the price of limits allow.

    The first line that applies decides.

    Parameters
    ----------
    found : Criterion
    price : Estimate
        Percent of good parts that acceptance limits refuse; NaN where there are none.
    most_refused : float
        The largest price for USE WITH LIMITS.
    purpose : {"accept", "control"}
        For "control" no limits help: a ratio shown under the limit is enough.
    one_operator : bool
        What holds for one operator only is never "use" without a condition.
    must_mend : bool
        Readings with something to mend decide nothing.
    scatter_forbids : bool
        Where the repeats do not scatter as the bounds take it, none shows a gauge to be good;
        see `grr.questions.scatter.Scatter.forbids_use`.
    """
    if must_mend:
        return Decision.NOT_DECIDED
    if found.lower > found.limit:
        return Decision.DO_NOT_USE
    if found.upper <= found.good and not one_operator and not scatter_forbids:
        return Decision.USE
    if found.upper <= found.limit and (found.value < found.good or purpose == "control"):
        return Decision.LIKE_THIS
    if price.upper <= most_refused:
        return Decision.WITH_LIMITS
    if price.lower > most_refused:
        return Decision.DO_NOT_USE
    return Decision.NOT_DECIDED
