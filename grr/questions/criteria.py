"""What a study is judged by: one ratio, its value, and how sure it is."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import (
    careful_lower_bound,
    confidence_below,
    lower_bound,
    ndc_draws,
    percent_tolerance_draws,
    percent_tv_draws,
    upper_bound,
)
from grr.formulas.pivots import Pivots
from grr.formulas.sources_of_variation import Yardstick
from grr.model.errors import StudyError
from grr.model.rules import Rules
from grr.model.study import Study
from grr.questions.pivoting import pivots_of, yardstick_of
from grr.questions.result import GaugeResult


@dataclass(frozen=True)
class Criterion:
    """A ratio against its two thresholds; smaller is better.

    Attributes
    ----------
    name : str
        What it is, as a phrase: "of the tolerance".
    value : float
        As calculated by the method of record, in percent.
    good, limit : float
        Under ``good`` the gauge is good; over ``limit`` it is not acceptable.
    lower, upper : float
        One-sided bounds at the study's confidence.
    below_good, below_limit : float
        Confidence, 0 to 1, that the ratio is under the threshold.
    """

    name: str
    value: float
    good: float
    limit: float
    lower: float
    upper: float
    below_good: float
    below_limit: float

    @property
    def by_value(self) -> str:
        """The manual's class of the calculated value: "good", "between" or "over"."""
        return class_of(self.value, self)

    @property
    def by_confidence(self) -> str:
        """What is shown with confidence: "good", "between", "over" or "open"."""
        if self.upper <= self.good:
            return "good"
        if self.upper <= self.limit:
            return "between"
        return "over" if self.lower > self.limit else "open"


def class_of(value: float, found: Criterion) -> str:
    """Return the class of a ratio in percent: "good", "between" or "over"."""
    if value < found.good:
        return "good"
    return "between" if value <= found.limit else "over"


def share_of_parts_shown(result: GaugeResult) -> float:
    """Return the ratio judged by, with GRR summed from EV, AV and INT as they are shown.

    It is larger than the ratio itself where one of them was estimated below zero, since
    GRR is formed before they are set to 0.
    """
    grr = result.value("GRR", "variance")
    shown = float(np.nansum([result.value(name, "variance") for name in ("EV", "AV", "INT")]))
    if result.study.purpose == "accept":
        value = result.value("GRR", "percent_tolerance")
        return value * math.sqrt(shown / grr) if grr > 0.0 else value
    total = result.value("PV", "variance") + shown
    if result.study.process_sd is not None:
        total = result.value("TV", "variance")
    return 100.0 * math.sqrt(shown / total) if total > 0.0 else math.nan


def ratio_draws(pivots: Pivots, yardstick: Yardstick, purpose: str) -> Array:
    """Return draws of the ratio that the purpose is judged by, in percent."""
    if purpose == "accept":
        return percent_tolerance_draws(pivots, "GRR", yardstick)
    return percent_tv_draws(pivots, "GRR", yardstick)


def criterion(result: GaugeResult) -> Criterion:
    """Return the ratio that this study is judged by.

    Purpose "accept": GRR's percent of tolerance. Purpose "control": percent of TV.

    Raises
    ------
    StudyError
        The study cannot give the ratio, and why.

    Notes
    -----
    Source of the thresholds: AIAG MSA, 4th ed., chapter II section D (10 % and 30 %).
    """
    study = result.study
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    value = result.value("GRR", measure)
    if math.isnan(value):
        reason = result.reasons.get(measure, "GRR could not be estimated")
        raise StudyError(f"Nothing to judge by: {reason}", _remedy(study))
    if study.purpose == "control" and study.process_sd is not None and "PV" in result.reasons:
        raise StudyError(
            f"Nothing to judge by: {result.reasons['PV']}",
            "Check the process sd (the total, as observed) and its unit",
        )
    draws = ratio_draws(pivots_of(result), yardstick_of(result), study.purpose)
    return bounded(value, draws, study.rules, study.purpose)


def bounded(value: float, draws: Array, rules: Rules, purpose: str) -> Criterion:
    """Return a calculated ratio with the bounds that its draws give."""
    return Criterion(
        name="of the tolerance" if purpose == "accept" else "of the total variation",
        value=value,
        good=rules.good_percent,
        limit=rules.limit_percent,
        lower=float(careful_lower_bound(draws, rules.confidence)),
        upper=float(upper_bound(draws, rules.confidence)),
        below_good=float(confidence_below(draws, rules.good_percent)),
        below_limit=float(confidence_below(draws, rules.limit_percent)),
    )


def least_categories(result: GaugeResult) -> tuple[float, float]:
    """Return one-sided bounds of ndc, not rounded, at the study's confidence."""
    draws = ndc_draws(pivots_of(result), yardstick_of(result))
    confidence = result.study.rules.confidence
    return float(lower_bound(draws, confidence)), float(upper_bound(draws, confidence))


def dominant_source(result: GaugeResult) -> str:
    """Return which of EV, AV and INT has the largest variance."""
    variances = {name: result.value(name, "variance") for name in ("EV", "AV", "INT")}
    return max(variances, key=lambda name: np.nan_to_num(variances[name]))


def _remedy(study: Study) -> str:
    if study.purpose == "accept" and study.tolerance is None:
        return "Give the tolerance on the drawing, or judge for purpose 'control'"
    if study.purpose == "control":
        return "Give the process sd from records, or measure parts that represent the process"
    return "Check the limits and the process mean"
