"""What the gauge study on real parts says."""

from __future__ import annotations

from grr.model.rounding import percent
from grr.questions.decision import DO_NOT_USE, LIKE_THIS, NOT_DECIDED, USE
from grr.questions.legs import CANNOT_TELL, CONDITIONAL, FAIL, PASS, STUDY, Leg, not_done
from grr.questions.verdict import Verdict

TODO_STUDY = "Do a gauge study on real parts (grr.anova, grr.verdict)."
_OUTCOMES = {
    USE: PASS,
    LIKE_THIS: CONDITIONAL,
    DO_NOT_USE: FAIL,
    NOT_DECIDED: CANNOT_TELL,
}


def study_leg(found: Verdict | None) -> Leg:
    """Return the leg of the gauge study, by its verdict."""
    if found is None:
        return not_done(STUDY, "GRR at most 30 % of the tolerance", TODO_STUDY)
    ratio = found.criterion
    todo = found.next_steps[0] if found.next_steps else ""
    asked = f"GRR at most {found.result.study.rules.limit_percent:g} %"
    if ratio is None:
        why = found.by_confidence
        return Leg(STUDY, asked, "not estimated", "", CANNOT_TELL, why=why, todo=todo)
    outcome = _OUTCOMES[found.decision]
    return Leg(
        STUDY,
        f"{asked} {ratio.name}",
        f"GRR {percent(ratio.value)} {ratio.name}",
        f"{percent(ratio.lower)} to {percent(ratio.upper)}",
        outcome,
        used=ratio.upper / ratio.limit,
        why=found.by_confidence,
        todo="" if outcome == PASS else todo,
    )
