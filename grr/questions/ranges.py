"""`grr.average_range`: the average-and-range method of the paper form."""

from __future__ import annotations

import numpy as np

from grr.formulas import average_range as form
from grr.formulas.sources_of_variation import hidden_by_rounding, rounding_floor
from grr.model.errors import StudyError
from grr.model.study import Study, checked_study
from grr.model.values import number
from grr.questions.notes import ONE_OPERATOR, below_zero_note, floored_note
from grr.questions.result import GaugeResult
from grr.questions.sources import build_sources

NO_INTERACTION = "the average-and-range method cannot see it"


def average_range(study: Study, *, spread: float | None = None) -> GaugeResult:
    """Split the variation of a study into its sources by ranges and averages.

    Parameters
    ----------
    study : Study
        Complete: every operator measured every part equally often, at least twice.
    spread : float, optional
        How many standard deviations make the spread; 6 by default.

    Returns
    -------
    GaugeResult

    Raises
    ------
    StudyError
        One trial, readings are missing, or the study is nested.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, average and range method.
    """
    checked_study(study)
    spread = number("spread", study.rules.spread if spread is None else spread, above=0.0)
    if study.design == "nested":
        raise StudyError(
            "The average-and-range method needs a crossed study, and this one is nested",
            "Use grr.anova; for ranges every operator must measure the same parts",
        )
    readings = study.cube().packed
    lines = form.average_range(readings)
    ev, av, grr = float(lines.repeatability), float(lines.operator), float(lines.grr)
    floored = study.resolution is not None and bool(
        hidden_by_rounding(np.sqrt(lines.repeatability), study.resolution)
    )
    if floored and study.resolution is not None:
        floor = rounding_floor(study.resolution) ** 2
        ev, grr = floor, grr - ev + floor
    reasons = {"INT": NO_INTERACTION}
    if lines.operators < 2:
        reasons["AV"] = ONE_OPERATOR
    mean = float(np.mean(readings))
    sources = build_sources(
        {"EV": ev, "AV": av, "INT": np.nan, "GRR": grr, "PV": float(lines.part)},
        study,
        mean=mean,
        spread=spread,
        reasons=reasons,
    )
    below = ("AV",) if av < 0.0 else ()
    notes = [below_zero_note(name) for name in below]
    if lines.operators < 2:
        notes.append("One operator: this holds for this operator only, and GRR is EV alone.")
    if study.operators == "fixed" and lines.operators > 1:
        notes.append("By ranges the operators always count as a sample of those who will measure.")
    if floored:
        notes.append(floored_note(study))
    return GaugeResult(
        study=study,
        method="average_range",
        estimator="Average and range",
        sources=sources.table,
        reasons=sources.reasons,
        below_zero=below,
        anova_table_reason="The average-and-range method has no table of sums of squares.",
        pooled=True,
        floored=floored,
        mean=mean,
        spread=spread,
        notes=tuple(notes),
    )
