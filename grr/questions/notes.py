"""What the reader must know about the numbers of a result."""

from __future__ import annotations

import math

import numpy as np

from grr.formulas.analysis_of_variance import Components
from grr.model.study import Study
from grr.questions.sources import NAMES

ONE_OPERATOR = "one operator measured, so differences between operators cannot be seen"
ONE_TRIAL = "each part was measured once by each operator, so it cannot be told from repeatability"


def anova_notes(
    study: Study, found: Components, below: tuple[str, ...], *, pooled: bool, floored: bool
) -> tuple[str, ...]:
    """Return the sentences about a result of the analysis of variance."""
    operators = len(study.operator_names)
    notes = [below_zero_note(name) for name in below]
    parts_sum = float(
        np.nansum([np.maximum(v, 0.0) for v in (found.operator, found.interaction)])
        + found.repeatability
    )
    if not pooled and below and not math.isclose(parts_sum, float(found.grr), rel_tol=1e-9):
        notes.append(
            "GRR is formed before sources below zero are set to 0, which on average is right; "
            f"summed as shown it would be {math.sqrt(parts_sum / float(found.grr)):.2f} times that."
            if float(found.grr) > 0.0
            else "GRR is formed before sources below zero are set to 0, and comes out as 0."
        )
    if operators < 2:
        notes.append("One operator: this holds for this operator only, and GRR is EV alone.")
        notes.append("With one operator the part variation contains the interaction.")
    elif study.trials < 2:
        notes.append(
            "One trial: repeatability and interaction cannot be told apart; EV holds both."
        )
    if study.operators == "fixed" and operators > 1:
        notes.append(
            "The operators are all who will ever measure: AV is the mean square of their "
            "own differences, not an estimate for others."
        )
    if floored:
        notes.append(floored_note(study))
    return tuple(notes)


def below_zero_note(name: str) -> str:
    """Return the sentence about a variance that was estimated below zero."""
    return f"{name} ({NAMES[name]}) was estimated below zero and is shown as 0."


def floored_note(study: Study) -> str:
    """Return the sentence that says why EV is the gauge's rounding error."""
    return (
        "The readings repeat almost to the last digit, so EV is set to the rounding error of "
        f"the gauge, resolution/√12 (resolution {study.resolution:g} {study.unit})".rstrip()
        + "."
    )
