"""Confidence intervals of everything that a person reads in a result."""

from __future__ import annotations

import math

import pandas as pd

from grr.formulas.confidence_limits import quantity_limits
from grr.formulas.pivots import DRAWS, SEED
from grr.model.values import number
from grr.questions.pivoting import pivots_of, yardstick_of
from grr.questions.result import GaugeResult
from grr.questions.sources import MEASURES, SOURCES

CHOSEN = "the parts were chosen, so their variation says nothing of the process"
FLOORED = "the readings repeat to the last digit, so EV is the gauge's rounding error"
ALIKE = "the readings do not differ at all"


def interval_frame(
    result: GaugeResult, *, level: float = 0.95, draws: int = DRAWS, seed: int = SEED
) -> pd.DataFrame:
    """Return estimate and confidence limits of every quantity and measure.

    The limits are those of the model with interaction, even where the estimate pools it:
    choosing the model by a test and then taking its limits as if it were given covers too
    seldom. They come from the readings, whichever method made the estimate.

    Parameters
    ----------
    result : GaugeResult
    level : float
        Confidence, between 0 and 1.
    draws, seed : int
        The same seed gives the same limits.

    Returns
    -------
    DataFrame
        Index (quantity, measure): EV, AV, INT, GRR, PV, TV × variance, sd, spread (in the
        unit of the study), percent_contribution, percent_tv, percent_tolerance; then
        ("ndc", "value"), not rounded down, and ("ICC", "value"), PV²/TV². Columns
        estimate, lower, upper, and reason: why there are no limits, else "". An upper
        limit may be infinite: the mean may lie past a one-sided limit.

    Raises
    ------
    StudyError
        A level that is not between 0 and 1, or a design that gives no limits.

    Notes
    -----
    Source: see `grr.formulas.pivots`.
    """
    number("level", level, above=0.0, below=1.0)
    limits = quantity_limits(
        pivots_of(result, draws=draws, seed=seed), yardstick_of(result), level=level
    )
    keys = [(quantity, measure) for quantity in SOURCES for measure in MEASURES]
    rows = []
    for key in [*keys, ("ndc", "value"), ("ICC", "value")]:
        reason = _reason(result, *key)
        lower, upper = limits.get(key, (math.nan, math.nan))
        if not reason and math.isnan(lower):
            reason = ALIKE
        if reason:
            lower = upper = math.nan
        rows.append((_estimate(result, *key), float(lower), float(upper), reason))
    return pd.DataFrame(
        rows,
        index=pd.MultiIndex.from_tuples(
            [*keys, ("ndc", "value"), ("ICC", "value")], names=["quantity", "measure"]
        ),
        columns=["estimate", "lower", "upper", "reason"],
    )


def _estimate(result: GaugeResult, quantity: str, measure: str) -> float:
    if quantity == "ndc":
        return result.ndc_exact
    if quantity == "ICC":
        return result.value("PV", "percent_contribution") / 100.0
    return result.value(quantity, measure)


def _reason(result: GaugeResult, quantity: str, measure: str) -> str:
    reasons = result.reasons
    chosen = result.study.parts_from == "chosen" and result.study.process_sd is None
    if quantity in ("ndc", "ICC"):
        return reasons.get("percent_tv", reasons.get("PV", ""))
    if quantity in reasons:
        return reasons[quantity]
    if measure in reasons:
        return reasons[measure]
    if quantity in ("PV", "TV") and chosen:
        return CHOSEN
    if quantity == "EV" and result.floored:
        return FLOORED
    return ""
