"""Studies in which each part was measured by one operator only."""

from __future__ import annotations

import numpy as np

from grr.formulas.analysis_of_variance import nested_anova, nested_components
from grr.formulas.reml import nested_cube, nested_reml
from grr.model.study import Study
from grr.questions.anova_frame import nested_frame
from grr.questions.balanced import below_zero, rounding_floored, variances_of
from grr.questions.incomplete import NO_TABLE, require_settled
from grr.questions.notes import ONE_OPERATOR, below_zero_note, floored_note
from grr.questions.result import GaugeResult
from grr.questions.sources import build_sources

IN_PARTS = "each part was measured by one operator only, so it cannot be told from part variation"


def nested_result(study: Study, *, spread: float) -> GaugeResult:
    """Return the variance components of a nested study, complete or not."""
    table = study.readings.dropna(subset="reading")
    readings = table["reading"].to_numpy(dtype=np.float64)
    part, operator = table["part"].to_numpy(str), table["operator"].to_numpy(str)
    cube = nested_cube(readings, part, operator)
    fixed = study.operators == "fixed"
    if np.isfinite(cube).all():
        anova = nested_anova(cube)
        components = nested_components(anova, operators_fixed=fixed)
        mean, frame, why = float(anova.mean), nested_frame(anova, study.unit), ""
        estimator = "Analysis of variance, parts nested in operators"
    else:
        fit = nested_reml(readings, part, operator, operators=study.operators)
        require_settled(fit)
        components, mean, frame, why = fit.components, float(fit.mean), None, NO_TABLE
        estimator = "Restricted maximum likelihood, parts nested in operators, numbers unequal"
    found, floored = rounding_floored(components, study.resolution)
    one = len(study.operator_names) < 2
    reasons = {"INT": IN_PARTS, **({"AV": ONE_OPERATOR} if one else {})}
    sources = build_sources(variances_of(found), study, mean=mean, spread=spread, reasons=reasons)
    below = below_zero(found)
    notes = [below_zero_note(name) for name in below]
    notes.append(
        "Nested: PV holds the interaction, and parts that differ much hide what operators do."
    )
    if floored:
        notes.append(floored_note(study))
    return GaugeResult(
        study=study,
        method="anova",
        estimator=estimator,
        sources=sources.table,
        reasons=sources.reasons,
        below_zero=below,
        anova_table=frame,
        anova_table_reason=why,
        pooled=True,
        floored=floored,
        mean=mean,
        spread=spread,
        notes=tuple(notes),
    )
