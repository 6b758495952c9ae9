"""What a new study is refused for, or warned about, before anything is measured."""

from __future__ import annotations

from grr.model.errors import StudyError
from grr.model.rounding import length, percent
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit

#: Units that a new study may have: those that gauges show.
UNITS = ("mm", "µm", "in", "µin")


def shop_unit(text: str) -> str:
    """Return the unit of a new study.

    Raises
    ------
    StudyError
        It is none that gauges show.
    """
    unit = canonical_unit(text)
    if unit not in UNITS:
        raise StudyError(
            "A new study is in a unit that gauges show", "Use mm, um, in or uin", value=text
        )
    return unit


def refuse_coarse(resolution: float | None, tolerance: Tolerance | None, unit: str) -> None:
    """Refuse a gauge whose last digit is as wide as the tolerance: it cannot judge a part.

    Raises
    ------
    StudyError
        It is.
    """
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution >= width * (1 - 1e-9):
        raise StudyError(
            f"The gauge's last digit, {length(resolution, unit)}, is coarser than the tolerance, "
            f"{length(width, unit)}",
            "Correct the resolution or the limits, or use a finer gauge",
            value=resolution,
        )


def warnings_about(
    plan: Plan, resolution: float | None, tolerance: Tolerance | None, unit: str
) -> list[str]:
    """Return what a study will not be able to tell, planned like this.

    Notes
    -----
    Source of the tenth: AIAG MSA, 4th ed., chapter II (rule of tens; from memory).
    """
    found = []
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution > width / 10 * (1 + 1e-9):
        found.append(
            f"The gauge's last digit, {length(resolution, unit)}, is "
            f"{percent(100 * resolution / width)} of the tolerance; a tenth is the usual limit."
        )
    if plan.trials < 2:
        found.append(
            "Each part read once by each operator: repeatability and interaction cannot be told "
            "apart. Two or three readings can."
        )
    if len(plan.operators) < 2:
        found.append("One operator: differences between operators cannot be seen.")
    if len(plan.parts) < 5:
        found.append(f"Only {len(plan.parts)} parts: part variation will hardly be known.")
    return found
