"""What the uncertainty budget says."""

from __future__ import annotations

import math

from grr.formulas.capability import LIMIT_PROCESS
from grr.model.limits import limits_text
from grr.model.rounding import length, percent
from grr.model.tolerance import Tolerance
from grr.questions.budget import UncertaintyBudget
from grr.questions.budget_use import BudgetUse
from grr.questions.legs import CONDITIONAL, FAIL, PASS, UNCERTAINTY, Leg, not_done

ASKED = f"2·U at most {LIMIT_PROCESS:g} % of the tolerance (Q_MP)"
#: What acceptance limits must leave of the tolerance to be of use (this project's own).
LEAST_LEFT = 50.0
TODO_BUDGET = "Make an uncertainty budget (grr.UncertaintyBudget, grr.MicrometerLines)."


def uncertainty_leg(
    budget: UncertaintyBudget | None, tolerance: Tolerance, resolution: float | None
) -> Leg:
    """Return the leg of the uncertainty: pass, or acceptance limits, or too large."""
    if budget is None:
        return not_done(UNCERTAINTY, ASKED, TODO_BUDGET)
    use = budget.against(tolerance)
    largest = budget.to_frame().index[0]
    outcome = _outcome(use)
    todo = {
        PASS: "",
        CONDITIONAL: f"Accept parts only by {acceptance_text(use, resolution)}; or reduce the "
        f"largest line, {largest}.",
        FAIL: f"Reduce the largest line, {largest}; as it is, acceptance limits would leave "
        f"{percent(use.left_percent)} of the tolerance.",
    }[outcome]
    return Leg(
        UNCERTAINTY,
        ASKED,
        f"U {length(budget.expanded, budget.unit)}, Q_MP {percent(use.q_mp)}",
        f"ratio {use.ratio:.2g} to 1",
        outcome,
        used=use.q_mp / LIMIT_PROCESS,
        why=f"The largest line is {largest}.",
        todo=todo,
    )


def acceptance_text(use: BudgetUse, resolution: float | None) -> str:
    """Return the acceptance limits as readings, rounded inwards to the gauge's last digit."""
    if use.acceptance is None:
        return "no reading at all"
    lower, upper = use.acceptance.lower, use.acceptance.upper
    if resolution is not None:
        # a tiny share of a digit keeps 10.0012/0.0001 from being rounded past itself
        lower = None if lower is None else math.ceil(lower / resolution - 1e-6) * resolution
        upper = None if upper is None else math.floor(upper / resolution + 1e-6) * resolution
        if lower is not None and upper is not None and lower >= upper:
            return "no reading at all"
    return f"readings {limits_text(Tolerance(lower, upper), resolution, use.unit)}"


def _outcome(use: BudgetUse) -> str:
    if use.q_mp <= LIMIT_PROCESS:
        return PASS
    return CONDITIONAL if use.left_percent >= LEAST_LEFT else FAIL
