"""Analysis of variance of a study in which everyone measured every part equally often."""

from __future__ import annotations

import math

from grr.formulas.analysis_of_variance import (
    Components,
    CrossedAnova,
    components_by_rule,
    crossed_anova,
    interaction_test,
    operators_fixed,
)
from grr.formulas.pivots import floored_components
from grr.model.rounding import figures, p_value
from grr.model.study import Study
from grr.questions.anova_frame import anova_frame
from grr.questions.notes import ONE_OPERATOR, ONE_TRIAL, anova_notes
from grr.questions.result import GaugeResult
from grr.questions.sources import build_sources


def balanced_anova(
    study: Study, *, interaction: str, pool_above: float, spread: float
) -> GaugeResult:
    """Return the variance components of a complete crossed study by the method of moments."""
    table = crossed_anova(study.cube().packed)
    found, pooled = components_by_rule(table, interaction=interaction, pool_above=pool_above)
    if study.operators == "fixed" and table.operators > 1:
        found = operators_fixed(found, table.operators, pooled)
    is_pooled = bool(pooled)
    found, floored = rounding_floored(found, study.resolution)
    reasons = {}
    if table.operators < 2:
        reasons = {"AV": ONE_OPERATOR, "INT": ONE_OPERATOR}
    elif table.trials < 2:
        reasons = {"INT": ONE_TRIAL}
    sources = build_sources(
        variances_of(found), study, mean=float(table.mean), spread=spread, reasons=reasons
    )
    below = below_zero(found)
    return GaugeResult(
        study=study,
        method="anova",
        estimator=_estimator(table, interaction, pool_above, is_pooled),
        sources=sources.table,
        reasons=sources.reasons,
        below_zero=below,
        anova_table=anova_frame(table, is_pooled, study.unit),
        pooled=is_pooled,
        floored=floored,
        mean=float(table.mean),
        spread=spread,
        notes=anova_notes(study, found, below, pooled=is_pooled, floored=floored),
    )


def variances_of(components: Components) -> dict[str, float]:
    """Return the components of one study under the names of the sources."""
    return {
        "EV": float(components.repeatability),
        "AV": float(components.operator),
        "INT": float(components.interaction),
        "GRR": float(components.grr),
        "PV": float(components.part),
    }


def below_zero(components: Components) -> tuple[str, ...]:
    """Return the sources whose variance was estimated below zero."""
    return tuple(name for name, value in variances_of(components).items() if value < 0.0)


def rounding_floored(components: Components, resolution: float | None) -> tuple[Components, bool]:
    """Return the components with the repeatability not under the gauge's rounding error."""
    found, hidden = floored_components(components, math.nan if resolution is None else resolution)
    return found, bool(hidden)


def _estimator(table: CrossedAnova, interaction: str, pool_above: float, pooled: bool) -> str:
    base = "Analysis of variance, parts and operators crossed"
    if table.operators < 2:
        return f"{base[: base.index(',')]}, one operator"
    if table.trials < 2:
        return f"{base}, one trial"
    f, p = (float(value) for value in interaction_test(table))
    done = "pooled" if pooled else "kept"
    if interaction != "auto":
        return f"{base}; interaction {done} as asked"
    if math.isnan(f):
        return f"{base}; interaction pooled (the repeats do not differ at all)"
    sign = "above" if pooled else "not above"
    if math.isinf(f):
        return f"{base}; interaction kept (the repeats do not differ at all)"
    shown = p_value(p, pool_above)
    return f"{base}; interaction {done} (F = {figures(f, 3)}, p = {shown}, {sign} {pool_above:g})"
