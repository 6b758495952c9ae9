"""What readings of one reference part say: resolution, bias, repeatability."""

from __future__ import annotations

import math
from dataclasses import replace

from grr.formulas.bias import with_reference_uncertainty
from grr.formulas.capability import gauge_capability
from grr.model.limits import fine_interval, fine_length
from grr.model.rounding import figures, length, percent
from grr.questions.legs import (
    BIAS,
    CANNOT_TELL,
    FAIL,
    PASS,
    REPEATABILITY,
    RESOLUTION,
    Leg,
    between,
    not_done,
)
from grr.questions.reference_result import RESOLUTION_SHARE, ReferenceResult

TODO_REFERENCE = (
    "Measure one calibrated part at least 25 times (grr.reference_study), taking it out between "
    "readings."
)
ASKED_RESOLUTION = f"at most {100 * RESOLUTION_SHARE:g} % of the tolerance"


def resolution_leg(step: float | None, width: float, unit: str) -> Leg:
    """Return the leg of the gauge's last digit.

    Notes
    -----
    Source: common practice; AIAG MSA, 4th ed., chapter II (from memory).
    """
    if step is None:
        return not_done(RESOLUTION, ASKED_RESOLUTION, "State the gauge's last digit as resolution.")
    share = step / width
    # a ratio of decimals such as 0.0006/0.006 misses by rounding
    fine = share <= RESOLUTION_SHARE * (1.0 + 1e-9)
    return Leg(
        RESOLUTION,
        ASKED_RESOLUTION,
        f"{length(step, unit)}, {percent(100.0 * share)}",
        "",
        PASS if fine else FAIL,
        used=share / RESOLUTION_SHARE,
        why=f"The last digit is {percent(100.0 * share)} of the tolerance.",
        todo="" if fine else "Use a gauge with a finer digit for this tolerance.",
    )


def bias_leg(result: ReferenceResult | None, limit: float, confidence: float) -> Leg:
    """Return the leg of the bias, the reference value's uncertainty in its interval."""
    if result is None:
        return not_done(BIAS, "within its share of the tolerance", TODO_REFERENCE)
    asked = f"within ±{length(limit, result.unit)}"
    one_sided = replace(result.by_sd, level=2.0 * confidence - 1.0)
    low, high = (float(v) for v in with_reference_uncertainty(one_sided, result.reference_u))
    nearest = 0.0 if low <= 0.0 <= high else min(abs(low), abs(high))
    farthest = max(abs(low), abs(high))
    outcome = between(nearest, farthest, limit, most=True)
    todo = {
        PASS: "",
        FAIL: "Zero or adjust the gauge and measure the reference part again; or correct every "
        "reading for the bias, which must then be stated.",
    }.get(
        outcome,
        "Take more readings, or use a reference part with a smaller calibration uncertainty.",
    )
    return Leg(
        BIAS,
        asked,
        fine_length(result.bias, high - low, result.unit),
        fine_interval(low, high, result.unit),
        outcome,
        used=farthest / limit,
        why=f"The bias is at most {length(farthest, result.unit)} with confidence.",
        todo=todo,
    )


def repeatability_leg(result: ReferenceResult | None, confidence: float) -> Leg:
    """Return the leg of Cg and Cgk."""
    if result is None:
        return not_done(REPEATABILITY, "Cg and Cgk at least 1.33", TODO_REFERENCE)
    asked = f"Cg and Cgk at least {result.asked.limit:g}"
    if result.capability is None:
        why = result.reasons.get("Cg", "Cg was not estimated")
        return Leg(
            REPEATABILITY,
            asked,
            "not estimated",
            "",
            CANNOT_TELL,
            why=f"Cg and Cgk are not estimated: {why}.",
            todo="State the gauge's resolution, so that readings all alike can be judged.",
        )
    level = 2.0 * confidence - 1.0
    found = gauge_capability(
        result.bias,
        result.sd,
        readings=len(result.readings),
        width=result.width,
        share=result.asked.share,
        multiple=result.asked.multiple,
        level=level,
    )
    worse = min(result.cg, result.cgk)
    low, high = float(min(found.cg_lower, found.cgk_lower)), float(found.cgk_upper)
    if result.floored:
        low = high = worse
    limit = result.asked.limit
    outcome = between(low, high, limit, most=False)
    by_value = "both reach" if worse >= limit else "the smaller misses"
    sure = "the bias alone may use up the whole share"
    if low > 0.0:
        sure = f"with confidence the smaller is at least {figures(low, 3)}"
    return Leg(
        REPEATABILITY,
        asked,
        f"Cg {figures(result.cg, 3)}, Cgk {figures(result.cgk, 3)}",
        "" if result.floored else f"{figures(low, 3)} to {figures(high, 3)}",
        outcome,
        used=limit / low if low > 0.0 else math.inf,
        why=f"By the calculated value {by_value} {limit:g}; {sure}.",
        todo=_todo(result, outcome),
    )


def _todo(result: ReferenceResult, outcome: str) -> str:
    if outcome == PASS:
        return ""
    if outcome == FAIL and result.cg >= result.asked.limit:
        return "The bias is what costs Cgk: zero or adjust the gauge, and measure again."
    if outcome == FAIL:
        least = length(result.smallest_tolerance, result.unit)
        return (
            "Clean the faces, use the ratchet alike, hold the gauge in a stand; if that does not "
            f"help, this gauge suits tolerances from {least}."
        )
    return "Take more readings of the reference part: 50 where 25 leave it open."
