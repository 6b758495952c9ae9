"""What would decide a study that has not decided."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.confidence_limits import careful_lower_bound, upper_bound
from grr.formulas.pivots import crossed_pivots
from grr.model.rounding import percent
from grr.questions.criteria import Criterion, ratio_draws
from grr.questions.pivoting import pivots_of, yardstick_of
from grr.questions.result import GaugeResult

#: More sampled operators than this are not practicable.
MOST_OPERATORS = 12
_DRAWS = 20_000
_MEANWHILE = {
    "accept": "Until it is decided, accept parts only within limits drawn in by the measurement "
    "uncertainty (notebook 5, Risk and limits).",
    "control": "Until it is decided, do not steer the process by single readings: use means of "
    "several.",
}


def if_operators_fixed(result: GaugeResult, found: Criterion) -> str:
    """Return what the same readings show if these are all the operators there will be."""
    study = replace(result.study, operators="fixed")
    draws = ratio_draws(
        pivots_of(replace(result, study=study)), yardstick_of(result), study.purpose
    )
    confidence = study.rules.confidence
    low, high = float(careful_lower_bound(draws, confidence)), float(upper_bound(draws, confidence))
    opening = (
        "If the operators studied are all who will ever use it (stated before the readings, "
        'operators_are = "fixed")'
    )
    if high <= found.limit:
        return f"{opening}, these readings decide: GRR is under {percent(high)} {found.name}."
    if low > found.limit:
        return f"{opening}, these readings decide against it: GRR is over {percent(low)}."
    return f"{opening}, these readings do not decide either ({percent(low)} to {percent(high)})."


def operators_needed(result: GaugeResult, found: Criterion) -> int | None:
    """Return how many sampled operators would decide, if the variances are as estimated.

    None where more than 12 would be needed. Each number of operators is tried with every
    mean square at the value that the estimates lead to expect, parts and trials as they are.
    """
    shape = result.study.cube().packed.shape
    yardstick, rules = yardstick_of(result), result.study.rules
    for operators in range(shape[1] + 1, MOST_OPERATORS + 1):
        expected = _expected(result, shape[0], operators, shape[2])
        pivots = crossed_pivots(expected, draws=_DRAWS)
        draws = ratio_draws(pivots, yardstick, result.study.purpose)
        if found.value <= found.limit:
            if float(upper_bound(draws, rules.confidence)) <= found.limit:
                return operators
        elif float(careful_lower_bound(draws, rules.confidence)) > found.limit:
            return operators
    return None


def _expected(result: GaugeResult, p: int, o: int, r: int) -> CrossedAnova:
    """Return the sums of squares that the estimated variances lead to expect."""
    part, operator, interaction, error = (
        np.asarray(np.nan_to_num(result.value(name, "variance")))
        for name in ("PV", "AV", "INT", "EV")
    )
    cell = error + r * interaction
    return CrossedAnova(
        parts=p,
        operators=o,
        trials=r,
        mean=np.asarray(result.mean),
        ss_part=(p - 1) * (cell + o * r * part),
        ss_operator=(o - 1) * (cell + p * r * operator),
        ss_interaction=(p - 1) * (o - 1) * cell,
        ss_error=p * o * (r - 1) * error,
    )


def _more_operators(result: GaugeResult, found: Criterion) -> str:
    if result.study.design == "nested" or not result.study.balanced:
        return "More operators, each with parts of their own, would narrow it down."
    needed = operators_needed(result, found)
    if needed is None:
        return (
            "No practicable study with sampled operators decides this: more than "
            f"{MOST_OPERATORS} would be needed."
        )
    return (
        f"A study with about {needed} operators instead of {len(result.study.operator_names)} has "
        "a better than even chance to decide it, if the spread is as estimated."
    )


def ways_to_decide(result: GaugeResult, found: Criterion, advice: str) -> tuple[str, ...]:
    """Return what would decide, in the order in which to consider it."""
    steps = []
    if result.study.operators == "random" and len(result.study.operator_names) > 1:
        steps.append(if_operators_fixed(result, found))
    steps.append(f"Reduce what dominates, then measure again. {advice}")
    steps.append(_MEANWHILE[result.study.purpose])
    if result.study.operators == "random" and len(result.study.operator_names) > 1:
        steps.append(_more_operators(result, found))
    elif len(result.study.operator_names) == 1:
        steps.append("More readings by this operator would narrow it down.")
    return tuple(steps)
