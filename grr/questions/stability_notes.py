"""What the reader must know about checks over time."""

from __future__ import annotations

from grr.formulas.data_checks import DigitsSeen
from grr.model.probability import p_text
from grr.model.rounding import counted, percent

#: Limits from fewer checks than this are provisional (common practice, no source).
ENOUGH = 20
#: Checks ahead for which the chance of a false alarm is told.
AHEAD = 12


def stability_notes(
    *,
    checks: int,
    baseline: int,
    missing: int,
    chart: str,
    asked: str,
    scatter_p: float | None,
    step: bool,
    coarse: bool,
    digits: DigitsSeen | None,
) -> tuple[str, ...]:
    """Return the sentences under the numbers."""
    notes = [f"Missing readings: {missing}; they are left out."] if missing else []
    if baseline < ENOUGH:
        notes.append(
            f"The limits come from {baseline} checks only and are provisional. Compute them again "
            f"from {ENOUGH} checks made while all was well."
        )
    if baseline == checks:
        notes.append("Every check belongs to the baseline, so nothing was watched after it yet.")
    if scatter_p is not None and chart == "individuals":
        notes.append(
            f"The checks scatter more than the readings within them explain ({p_text(scatter_p)}), "
            "so each check's mean counts as one point, with limits from moving ranges."
        )
    elif asked == "auto" and chart == "mean and range":
        notes.append("Limits from the ranges within checks; the checks scatter no more than that.")
    if coarse:
        notes.append(
            "The readings repeat almost to the last digit, so the limits are set one and a half "
            "digits from the centre: a reading that flips by one digit is no alarm."
        )
    elif digits is not None and digits.too_few:
        notes.append(
            f"Only {counted(digits.possible, 'possible value')} within the limit of the ranges, "
            f"and {percent(100 * digits.zeros)} of the ranges are zero: the last digit hides the "
            "scatter. Equal readings in a row say little here; read one more digit if the gauge "
            "has it."
        )
    if step:
        notes.append("The drift is measured with the step taken out.")
    return tuple(notes)
