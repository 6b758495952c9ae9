"""The decision itself: four words, from bounds and findings."""

from __future__ import annotations

from grr.questions.criteria import Criterion

USE = "USE"
LIKE_THIS = "USE ONLY LIKE THIS"
DO_NOT_USE = "DO NOT USE FOR THIS TOLERANCE"
NOT_DECIDED = "NOT DECIDED YET"


def decide(
    found: Criterion,
    *,
    categories: tuple[float, float] | None,
    least_categories: int,
    one_operator: bool,
    must_mend: bool,
) -> str:
    """Return the decision that the bounds of a ratio allow.

    Parameters
    ----------
    found : Criterion
    categories : tuple of float or None
        One-sided bounds of ndc, where the purpose asks for it.
    least_categories : int
    one_operator : bool
        What holds for one operator only is never "use" without a condition.
    must_mend : bool
        Readings with something to mend decide nothing.
    """
    if must_mend:
        return NOT_DECIDED
    shown = found.by_confidence
    if categories is not None:
        if categories[1] < least_categories:
            return DO_NOT_USE
        if categories[0] < least_categories and shown in {"good", "between"}:
            return NOT_DECIDED
    if shown == "over":
        return DO_NOT_USE
    if shown == "open":
        return NOT_DECIDED
    return USE if shown == "good" and not one_operator else LIKE_THIS
