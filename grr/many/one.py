"""One study at a time: those that do not stack, and those that lie in folders."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.many.columns import (
    BELOW_ZERO,
    ESTIMATORS,
    HIDDEN,
    MEASURES,
    ONE_OPERATOR,
    by_manual,
    design_flags,
    judged_by,
)
from grr.many.options import Options
from grr.many.reading import FILE_ROW
from grr.many.tolerances import Specifications
from grr.model.choices import SOURCES
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.questions.gauge import GaugeResult, anova
from grr.questions.verdict import verdict

Row = dict[str, object]


def study_row(readings: pd.DataFrame, number: int, specs: Specifications, options: Options) -> Row:
    """Return the row of one study; a study that cannot be analysed gives its error."""
    try:
        study = Study(
            readings,
            rules=options.rules,
            purpose=options.purpose,
            operators=options.operators,
            parts_from=options.parts_from,
            **specs.options(number),
        )
        return result_row(anova(study), options)
    except StudyError as error:
        return {"readings": len(readings), "error": str(_placed(error, readings))}


def _placed(error: StudyError, readings: pd.DataFrame) -> StudyError:
    """Return the error with the row of the file in place of the row among the study's own."""
    if error.row is None or readings.index.name != FILE_ROW:
        return error
    row = int(readings.index[error.row - 1])
    return StudyError(error.problem, error.remedy, row=row, column=error.column, value=error.value)


def result_row(result: GaugeResult, options: Options) -> Row:
    """Return the columns of one result, as a stack gives them."""
    study = result.study
    row: Row = {
        "parts": len(study.parts),
        "operators": len(study.operator_names),
        "trials": study.trials,
        "readings": study.taken,
        "mean": result.mean,
        "estimator": _estimator(result),
    }
    for source in SOURCES:
        for measure in MEASURES:
            row[f"{source}_{measure}"] = result.value(source, measure)
    row["ndc_exact"] = result.ndc_exact
    row["ndc"] = np.nan if result.ndc is None else result.ndc
    row["dominant"] = result.dominant_source
    ratio = np.asarray(row[judged_by(study.purpose)])
    row["by_manual"] = str(by_manual(ratio, study.rules))
    flags = _flags(result)
    if options.intervals:
        row |= _limits(result, options.level)
    if options.intervals or options.checks:
        judged = verdict(result)
        to_mend = sum(finding.severity == "mend" for finding in judged.findings)
        if to_mend:
            flags.append(f"{to_mend} to mend")
        row |= {"decision": judged.decision, "checked": True}
    row["flags"] = "; ".join(flags)
    return row


def _estimator(result: GaugeResult) -> str:
    if result.study.design == "nested":
        return "nested"
    one = len(result.study.operator_names) < 2
    moments = ONE_OPERATOR if one else ESTIMATORS[result.pooled]
    return moments if result.study.balanced else moments.replace("anova", "reml")


def _flags(result: GaugeResult) -> list[str]:
    study = result.study
    flags = [] if study.balanced or study.design == "nested" else ["readings missing"]
    flags += design_flags(len(study.operator_names), study.trials)
    if result.floored:
        flags.append(HIDDEN)
    order = [name for name in ("AV", "INT", "PV") if name in result.below_zero]
    return [*flags, *(BELOW_ZERO.format(name) for name in order)]


def _limits(result: GaugeResult, level: float) -> Row:
    limits = result.intervals(level=level)
    row: Row = {}
    for key, lower, upper in zip(limits.index, limits["lower"], limits["upper"], strict=True):
        quantity, measure = str(key[0]), str(key[1])
        if measure in (*MEASURES, "value"):
            name = quantity if measure == "value" else f"{quantity}_{measure}"
            row[f"{name}_lower"], row[f"{name}_upper"] = lower, upper
    return row
