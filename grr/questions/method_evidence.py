"""How sure it is which of two methods is good enough."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grr.formulas.method_comparison import (
    MethodEvidence,
    confidence_over,
    p_inside_margin,
    p_outside_margin,
)
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.model.values import number
from grr.questions.gauge import GaugeResult
from grr.questions.intervals import pivots_of, yardstick_of
from grr.questions.method_numbers import MethodNumbers
from grr.questions.verdict import Criterion, bounded, ratio_draws

#: The margin where none is stated: percent of the tolerance.
DEFAULT_MARGIN_PERCENT = 5.0
#: Where a study folder states it before the first reading: a key of ``[facts]``.
MARGIN_FACT = "difference_margin_percent"


@dataclass(frozen=True)
class Margin:
    """How far the methods may differ on average.

    Attributes
    ----------
    length : float
        In the unit of the study.
    share : float
        Of the tolerance; NaN where there is no two-sided one.
    stated : {"in the study", "when comparing", "by default"}
        Where it comes from.
    """

    length: float
    share: float
    stated: str


@dataclass(frozen=True)
class MethodJudgement:
    """What a method is judged by, and how sure it is.

    Attributes
    ----------
    criterion : Criterion or None
        GRR's share with one-sided bounds; None where there is nothing to judge by.
    over : float
        Confidence that it is over the limit, the doubt counted twice.
    reason : str
        Why there is no criterion.
    """

    criterion: Criterion | None
    over: float
    reason: str


def margin_of(study: Study, margin_share: float | None, margin: float | None) -> Margin | None:
    """Return the margin: as given, as the study states it, or 5 % of the tolerance.

    None where nothing is stated and the tolerance has one limit or none.

    Raises
    ------
    StudyError
        A value that cannot be used, or a share of a tolerance that has no width.
    """
    width = None if study.tolerance is None else study.tolerance.width
    if margin is not None:
        length = number("margin", margin, above=0.0)
        return Margin(length, math.nan if width is None else length / width, "when comparing")
    stated, share = "when comparing", margin_share
    if share is None and MARGIN_FACT in study.facts:
        percent = number(MARGIN_FACT, study.facts[MARGIN_FACT], above=0.0, below=100.0)
        stated, share = "in the study", percent / 100.0
    if width is None:
        if margin_share is None:
            return None
        raise StudyError(
            "A margin as a share of the tolerance needs a lower and an upper limit",
            "Give margin= as a length, in the unit of the study",
            value=margin_share,
        )
    if share is None:
        stated, share = "by default", DEFAULT_MARGIN_PERCENT / 100.0
    share = number("margin_share", share, above=0.0, below=1.0)
    return Margin(share * width, share, stated)


def judged(result: GaugeResult) -> MethodJudgement:
    """Return how one method's GRR stands against the limit of acceptance."""
    study = result.study
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    value = result.value("GRR", measure)
    if math.isnan(value):
        return MethodJudgement(None, 0.0, result.reasons.get(measure, "GRR was not estimated"))
    try:
        draws = ratio_draws(pivots_of(result), yardstick_of(result), study.purpose)
    except StudyError as error:
        return MethodJudgement(None, 0.0, error.problem)
    criterion = bounded(value, draws, study.rules, study.purpose)
    return MethodJudgement(criterion, float(confidence_over(draws, criterion.limit)), "")


def method_evidence(
    numbers: MethodNumbers, judgements: dict[str, MethodJudgement], margin: Margin | None
) -> MethodEvidence | None:
    """Return what the choice rests on; None where something to judge by is missing."""
    baseline, candidate = (judgements[name] for name in numbers.methods)
    if baseline.criterion is None or candidate.criterion is None or margin is None:
        return None
    found = numbers.difference
    test = (found.mean, found.error, found.df, margin.length)
    return MethodEvidence(
        candidate_under=np.asarray(candidate.criterion.below_limit),
        candidate_over=np.asarray(candidate.over),
        baseline_under=np.asarray(baseline.criterion.below_limit),
        baseline_over=np.asarray(baseline.over),
        difference_within=1.0 - p_outside_margin(*test),
        difference_beyond=1.0 - p_inside_margin(*test),
    )
