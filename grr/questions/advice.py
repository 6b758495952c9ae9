"""What to change first at the bench, by what dominates the spread.

Common practice at a micrometer; no source. None of it replaces the gauge's instructions,
the drawing or the calibration laboratory.
"""

from __future__ import annotations

from grr.questions.check_trials import trials
from grr.questions.criteria import dominant_source
from grr.questions.result import GaugeResult

_FIRST = {
    "EV": (
        "The repeats themselves scatter most. Clean faces and part before each reading, close "
        "with the ratchet the same way each time, and mark where on the part to measure.",
        "Hold the micrometer in a stand, or with gloves and an insulating grip; let gauge and "
        "parts soak to room temperature together.",
    ),
    "AV": (
        "The operators differ most. Let all zero the gauge the same way, in the orientation in "
        "which they measure, and agree on ratchet turns and where on the part to measure.",
        "A stand takes the hand out of it: compare stand and handheld before training anybody.",
    ),
    "INT": (
        "Operators differ from part to part. Look which parts: taper, burrs or an unmarked place "
        "of measurement usually explain it.",
        "Mark the place on the part and give everyone the same fixture.",
    ),
}
_DIGITS = (
    "The readings repeat to the last digit. A gauge with a finer digit would show how good it "
    "really is."
)


def bench_advice(result: GaugeResult) -> tuple[str, ...]:
    """Return what to change first, in shop language."""
    if result.floored:
        return (_DIGITS,)
    moved = tuple(
        f"{finding.place[0].upper()}{finding.place[1:]}: {finding.what} {finding.todo}"
        for finding in trials(result.study)
    )
    if moved and dominant_source(result) == "EV":
        return moved
    return _FIRST[dominant_source(result)]
