"""`grr.qualify`: all legs of a gauge for one tolerance, on one page."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date
from typing import Any

from grr.model.errors import StudyError
from grr.model.facts import CLOSED_FACES, checked_facts
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number
from grr.questions.budget import UncertaintyBudget
from grr.questions.conditions import conditions_of_use
from grr.questions.decision import DO_NOT_USE, LIKE_THIS, NOT_DECIDED, USE
from grr.questions.history_leg import stability_leg
from grr.questions.legs import CANNOT_TELL, CONDITIONAL, FAIL, NOT_DONE, PASS, Leg
from grr.questions.linearity_result import LinearityResult
from grr.questions.qualification import Qualification
from grr.questions.range_leg import range_leg
from grr.questions.reference_legs import bias_leg, repeatability_leg, resolution_leg
from grr.questions.reference_result import ReferenceResult
from grr.questions.result import GaugeResult
from grr.questions.stability_result import StabilityResult
from grr.questions.study_leg import study_leg
from grr.questions.uncertainty_leg import acceptance_text, uncertainty_leg
from grr.questions.verdict import Verdict, verdict

#: Largest bias as a share of the tolerance: half of the share that Cg grants.
BIAS_SHARE = 0.1
PART_SIZED_BLOCK = (
    "Check zero on a gauge block of about the part's size: an even warming of the frame does not "
    "show on closed faces."
)
FROM_THE_FIRST_DAY = (
    "Read a check standard from the first day on, at the interval of the laboratory's procedure."
)

_LEGS = (ReferenceResult, LinearityResult, UncertaintyBudget, GaugeResult, StabilityResult)


def qualify(
    tolerance: Tolerance,
    *,
    unit: str,
    gauge: str = "",
    characteristic: str = "",
    reference: ReferenceResult | None = None,
    linearity: LinearityResult | None = None,
    budget: UncertaintyBudget | None = None,
    study: GaugeResult | None = None,
    stability: StabilityResult | None = None,
    resolution: float | None = None,
    bias_share: float = BIAS_SHARE,
    confidence: float = 0.95,
    mean_of: int = 1,
    rezero_minutes: float | None = None,
    facts: Mapping[str, Any] | None = None,
    report: str = "",
    example: bool = False,
) -> Qualification:
    """Put all legs of a gauge for one tolerance on one page and decide.

    Each leg may be left out and is then "not done"; the page can be filled step by step.

    Parameters
    ----------
    tolerance : Tolerance
        With two limits.
    unit : str
        Of every result given.
    gauge, characteristic : str
        Number of the gauge, and what it measures.
    reference : ReferenceResult, optional
        From `grr.reference_study`: resolution, bias, repeatability.
    linearity : LinearityResult, optional
    budget : UncertaintyBudget, optional
    study : GaugeResult, optional
        From `grr.anova` or `grr.average_range`, on real parts.
    stability : StabilityResult, optional
        A new gauge has none: it then passes on condition that it is watched.
    resolution : float, optional
        The last digit, where no result states it.
    bias_share : float
        Largest bias as a share of the tolerance.
    confidence : float
        Of each one-sided statement.
    mean_of : int
        How many readings make one result in use.
    rezero_minutes : float, optional
        How often zero is checked, from a study of drift.
    facts : mapping, optional
        As `Study.facts`; those of the study count where they are not given.
    report : str
        Number under which the page is filed.
    example : bool
        Whether anything in it is invented.

    Returns
    -------
    Qualification

    Raises
    ------
    StudyError
        A tolerance with one limit, or a result in another unit or for another tolerance.
    """
    unit = canonical_unit(unit)
    width = _checked(tolerance, unit, reference, linearity, budget, study, stability)
    mean_of = int(number("mean_of", mean_of, above=0.0))
    if rezero_minutes is not None:
        rezero_minutes = number("rezero_minutes", rezero_minutes, above=0.0)
    confidence = number("confidence", confidence, above=0.5, below=1.0)
    limit = number("bias_share", bias_share, above=0.0, below=1.0) * width
    if facts is not None:
        needs(facts, Mapping, "facts")  # type: ignore[type-abstract]
    known = {**(dict(study.study.facts) if study else {}), **checked_facts(facts or {})}
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    step = resolution if resolution is not None else _resolution(reference, linearity, study)
    judged = None if study is None else verdict(study)
    legs = (
        resolution_leg(step, width, unit),
        bias_leg(reference, limit, confidence),
        repeatability_leg(reference, confidence),
        range_leg(linearity, limit),
        uncertainty_leg(budget, tolerance, step),
        study_leg(judged),
        stability_leg(stability),
    )
    return Qualification(
        tolerance=tolerance,
        unit=unit,
        resolution=step,
        gauge=str(gauge or known.get("gauge_number", "")),
        characteristic=str(characteristic or known.get("characteristic", "")),
        legs=legs,
        decision=_decision(legs),
        conditions=(
            *_from_study(judged),
            *_of_use(mean_of, rezero_minutes, known),
            *_from_budget(budget, tolerance, step),
            *((FROM_THE_FIRST_DAY,) if stability is None else ()),
        ),
        mean_of=mean_of,
        rezero_minutes=rezero_minutes,
        facts=known,
        valid_until=_valid_until(known, stability),
        report=str(report),
        example=example
        or any(_is_example(one) for one in (reference, linearity, stability, budget))
        or bool(study and study.study.example),
    )


def _checked(tolerance: Tolerance, unit: str, *results: Any) -> float:
    """Return the tolerance's width; refuse results that belong to something else."""
    if not isinstance(tolerance, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    if tolerance.width is None:
        raise StudyError(
            "A qualification needs a tolerance with two limits: its legs take shares of the width",
            "Judge a one-sided tolerance by grr.verdict and grr.misclassification",
        )
    for result, kind in zip(results, _LEGS, strict=True):
        if result is None:
            continue
        needs(result, kind)
        source = result.study if isinstance(result, GaugeResult) else result
        if source.unit != unit:
            raise StudyError(
                f"A result ({type(result).__name__}) is in another unit than the tolerance",
                "Use one unit for all legs",
                value=f"{source.unit or 'no unit'} and {unit or 'no unit'}",
            )
        other = getattr(source, "tolerance", tolerance)
        if other != tolerance:
            raise StudyError(
                f"A result ({type(result).__name__}) was judged for another tolerance",
                "Give it the tolerance of this page",
                value=other,
            )
    return tolerance.width


def _resolution(
    reference: ReferenceResult | None, linearity: LinearityResult | None, study: GaugeResult | None
) -> float | None:
    candidates = (reference, linearity, study.study if study else None)
    return next((c.resolution for c in candidates if c is not None and c.resolution), None)


def _decision(legs: tuple[Leg, ...]) -> str:
    outcomes = {leg.outcome for leg in legs}
    if FAIL in outcomes:
        return DO_NOT_USE
    if outcomes & {NOT_DONE, CANNOT_TELL}:
        return NOT_DECIDED
    return LIKE_THIS if CONDITIONAL in outcomes else USE


def _from_study(judged: Verdict | None) -> tuple[str, ...]:
    if judged is None:
        return ()
    return judged.conditions or conditions_of_use(judged.result.study)


def _of_use(mean_of: int, rezero: float | None, facts: Mapping[str, Any]) -> list[str]:
    conditions = []
    if mean_of > 1:
        conditions.append(f"One result is the mean of {mean_of} readings.")
    if rezero is not None:
        conditions.append(f"Check zero at least every {rezero:g} minutes.")
    if facts.get("zeroed_on") in (None, "", CLOSED_FACES):
        conditions.append(PART_SIZED_BLOCK)
    return conditions


def _from_budget(
    budget: UncertaintyBudget | None, tolerance: Tolerance, step: float | None
) -> tuple[str, ...]:
    if budget is None or uncertainty_leg(budget, tolerance, step).outcome == PASS:
        return ()
    limits = acceptance_text(budget.against(tolerance), step)
    return (f"Accept parts by {limits}, no further out.",)


def _valid_until(facts: Mapping[str, Any], stability: StabilityResult | None) -> date | None:
    """Return the earlier of the calibration's end and the next check; None where unknown."""
    days = [facts.get("calibration_due"), stability.next_check if stability else None]
    try:
        known = [date.fromisoformat(str(day)) for day in days if day]
    except ValueError:
        raise StudyError(
            "The day on which the calibration is due is not a date",
            "Write it like 2027-03-31",
            column="calibration_due",
            value=days[0],
        ) from None
    return min(known) if known else None


def _is_example(result: object) -> bool:
    return bool(getattr(result, "example", False))
