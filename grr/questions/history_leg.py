"""What checks over time say, also where there are none yet."""

from __future__ import annotations

import math

from grr.model.limits import fine_interval, fine_length
from grr.model.rounding import counted
from grr.questions.legs import CANNOT_TELL, CONDITIONAL, FAIL, NO_HISTORY, PASS, STABILITY, Leg
from grr.questions.stability_result import StabilityResult

ASKED = "no alarm, and a drift small against the tolerance"
#: Fewer checks than this are no history (common practice, no source).
ENOUGH = 20
TODO_START = (
    "Start a chart: read a check standard at the interval of the laboratory's procedure "
    "(grr.stability)."
)


def stability_leg(result: StabilityResult | None) -> Leg:
    """Return the leg of stability; a new gauge passes on condition that it is watched."""
    if result is None:
        return Leg(
            STABILITY,
            ASKED,
            NO_HISTORY,
            "",
            CONDITIONAL,
            why="A new gauge has no history.",
            todo=TODO_START,
        )
    drift = result.drift
    width = drift.upper - drift.lower
    used = math.nan
    if result.allowance is not None:
        fastest = max(abs(drift.lower), abs(drift.upper))
        used = fastest * result.longest_days / 365.25 / result.allowance
    outcome, why, todo = _outcome(result)
    return Leg(
        STABILITY,
        ASKED,
        f"{counted(len(result.means), 'check')}, drift "
        f"{fine_length(drift.rate, width, result.unit)} a year",
        fine_interval(drift.lower, drift.upper, result.unit),
        outcome,
        used=used,
        why=why,
        todo=todo,
    )


def _outcome(result: StabilityResult) -> tuple[str, str, str]:
    if result.alarm_now:
        return (
            FAIL,
            "A rule is met at the latest check.",
            "Take the gauge out of use and follow grr.after_check.",
        )
    if result.alarmed:
        return (
            CANNOT_TELL,
            "Rules were met earlier.",
            "Find out what happened then; once it is put right, start a new baseline.",
        )
    if len(result.means) < ENOUGH:
        return (
            CONDITIONAL,
            f"There are fewer than {ENOUGH} checks.",
            f"Go on checking at the interval of the laboratory's procedure up to {ENOUGH} checks.",
        )
    return PASS, "No rule is met after the baseline.", ""
