"""Risks, acceptance limits and comparisons of methods as JSON can hold them."""

from __future__ import annotations

import math
from typing import Any

from grr.model.errors import StudyError
from grr.model.study import Study
from grr.page.methods_front import comparisons_of
from grr.questions.gauge import GaugeResult
from grr.questions.risk import guard_band, misclassification


def risks_of(result: GaugeResult) -> dict[str, Any]:
    """Return the risks of wrong decisions, or why they cannot be told."""
    try:
        found = misclassification(result)
    except StudyError as error:
        return {"reason": str(error), "level": None, "probabilities": {}}
    return {
        "reason": "",
        "level": found.level,
        "probabilities": {
            str(name): {
                "meaning": str(meaning),
                "estimate": _number(estimate),
                "lower": _number(lower),
                "upper": _number(upper),
            }
            for name, meaning, estimate, lower, upper in found.table.itertuples(name=None)
        },
    }


def acceptance_of(result: GaugeResult) -> dict[str, Any]:
    """Return the acceptance limits by the rule of ISO 14253-1, or why there are none."""
    try:
        band = guard_band(result)
    except StudyError as error:
        return {"reason": str(error), "rule": None, "guard": None, "lower": None, "upper": None}
    limits = band.acceptance
    return {
        "reason": band.why_not,
        "rule": band.rule,
        "guard": _number(band.width),
        "lower": None if limits is None else limits.lower,
        "upper": None if limits is None else limits.upper,
    }


def comparisons_of_methods(study: Study) -> list[dict[str, Any]]:
    """Return each method against the baseline; one entry with a reason where that fails."""
    found, why_not = comparisons_of(study, None)
    if why_not is not None:
        return [{"reason": str(why_not)}]
    rows = []
    for one in found:
        low, high = (float(v) for v in one.numbers.difference.limits(one.numbers.level))
        rows.append(
            {
                "reason": "",
                "baseline": one.numbers.baseline,
                "candidate": one.numbers.candidate,
                "decision": one.decision,
                "confidence": _number(one.confidence),
                "mean_difference": _number(float(one.numbers.difference.mean)),
                "mean_difference_lower": _number(low),
                "mean_difference_upper": _number(high),
                "level": one.numbers.level,
                "margin": None if one.margin is None else _number(one.margin.length),
            }
        )
    return rows


def _number(value: Any) -> float | None:
    return None if not math.isfinite(float(value)) else float(value)
