"""One study at a time: those that are incomplete, or that hold something unusable."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.analysis.anova import anova
from grr.analysis.result import GaugeResult
from grr.analysis.sources import SOURCES
from grr.errors import StudyError
from grr.judge.verdict import verdict
from grr.many.columns import MEASURES
from grr.many.tolerances import Yardsticks
from grr.rules import Rules
from grr.study import Study

Row = dict[str, object]


def study_row(
    readings: pd.DataFrame,
    number: int,
    yards: Yardsticks,
    rules: Rules,
    *,
    purpose: str,
    operators: str,
    intervals: bool,
    level: float,
) -> Row:
    """Return the row of one study; a study that cannot be analysed gives its error."""
    try:
        study = Study(
            readings, rules=rules, purpose=purpose, operators=operators, **yards.options(number)
        )
        return result_row(anova(study), intervals=intervals, level=level)
    except StudyError as error:
        return {"readings": len(readings), "error": str(error)}


def result_row(result: GaugeResult, *, intervals: bool, level: float) -> Row:
    """Return the columns of one result, as a stack gives them."""
    study = result.study
    row: Row = {
        "parts": len(study.parts),
        "operators": len(study.operator_names),
        "trials": study.trials,
        "readings": study.taken,
        "mean": result.mean,
        "estimator": result.estimator,
    }
    for source in SOURCES:
        for measure in MEASURES:
            row[f"{source}_{measure}"] = result.value(source, measure)
    row["ndc_exact"] = result.ndc_exact
    row["ndc"] = np.nan if result.ndc is None else result.ndc
    flags = [f"{name} below zero" for name in result.below_zero]
    if result.floored:
        flags.append("repeatability hidden by rounding")
    if not study.balanced:
        flags.insert(0, "readings missing")
    row["flags"] = "; ".join(flags)
    if intervals:
        limits = result.intervals(level=level)
        for key, lower, upper in zip(limits.index, limits["lower"], limits["upper"], strict=True):
            quantity, measure = str(key[0]), str(key[1])
            if measure in (*MEASURES, "value"):
                name = quantity if measure == "value" else f"{quantity}_{measure}"
                row[f"{name}_lower"], row[f"{name}_upper"] = lower, upper
        row["decision"] = verdict(result).decision
    return row
