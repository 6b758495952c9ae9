"""What gauge blocks over the range say."""

from __future__ import annotations

from grr.formulas.conformity import CONFORMS, DOES_NOT
from grr.model.rounding import length
from grr.questions.legs import CANNOT_TELL, FAIL, PASS, RANGE, Leg, not_done
from grr.questions.linearity_result import BEYOND, OPEN, LinearityResult

TODO_RANGE = (
    "Measure gauge blocks over the range, five readings each (grr.linearity), at sizes that stop "
    "the spindle at different angles of turn."
)


def range_leg(result: LinearityResult | None, limit: float) -> Leg:
    """Return the leg of the bias over the range, and of the permissible error where given."""
    if result is None:
        return not_done(RANGE, "bias within its share of the tolerance everywhere", TODO_RANGE)
    limit = result.bias_limit or limit
    state = result.against(limit)
    asked = f"bias within ±{length(limit, result.unit)} everywhere"
    if result.mpe is not None:
        asked += f"; errors within ±{length(result.mpe, result.unit)} (ISO 14253-1)"
    outcome = PASS
    if state == OPEN or result.mpe_state not in ("", CONFORMS):
        outcome = CANNOT_TELL
    if state == BEYOND or result.mpe_state == DOES_NOT:
        outcome = FAIL
    largest = length(result.largest_possible_bias, result.unit)
    why = f"With the intervals the bias is at most {largest}."
    if result.mpe is not None:
        why += f" Errors of indication: {result.mpe_state}."
    return Leg(
        RANGE,
        asked,
        length(result.largest_bias, result.unit),
        f"up to {largest}",
        outcome,
        used=result.largest_possible_bias / limit,
        why=why,
        todo=_todo(outcome),
    )


def _todo(outcome: str) -> str:
    if outcome == PASS:
        return ""
    if outcome == FAIL:
        return (
            "Have the gauge adjusted or repaired, or use it only in the part of the range where "
            "the blocks agree."
        )
    return (
        "More readings a block, or blocks with a smaller uncertainty (temperature included), "
        "would decide."
    )
