"""Crossed studies with lost readings or unequal trials, by restricted maximum likelihood."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.reml import RemlFit, interaction_likelihood_ratio_of_cube, reml_of_cube
from grr.model.errors import StudyError
from grr.model.rounding import counted, p_value
from grr.model.study import Study
from grr.questions.balanced import rounding_floored, variances_of
from grr.questions.notes import ONE_OPERATOR, ONE_TRIAL, anova_notes
from grr.questions.result import GaugeResult
from grr.questions.sources import build_sources

NO_TABLE = (
    "Readings are missing, so there is no table of sums of squares: they would depend on the "
    "order of the terms."
)


def incomplete_result(
    study: Study, *, interaction: str, pool_above: float, spread: float
) -> GaugeResult:
    """Return the variance components of a crossed study in which readings are missing."""
    readings = measured(study.cube().packed)
    operators = readings.shape[1]
    separable = operators > 1 and bool((np.isfinite(readings).sum(axis=-1) > 1).any())
    fit, pooled, how = _fit(
        readings, study.operators, interaction if separable else "pool", pool_above
    )
    require_settled(fit)
    found, floored = rounding_floored(fit.components, study.resolution)
    reasons = {}
    if operators < 2:
        reasons = {"AV": ONE_OPERATOR, "INT": ONE_OPERATOR}
    elif not separable:
        reasons = {"INT": ONE_TRIAL}
    sources = build_sources(
        variances_of(found), study, mean=float(fit.mean), spread=spread, reasons=reasons
    )
    at_zero = [
        name
        for name, flag in (
            ("PV", fit.part_at_zero),
            ("AV", fit.operator_at_zero),
            ("INT", fit.interaction_at_zero),
        )
        if bool(flag) and name not in reasons
    ]
    missing = study.cube().values.size - study.taken
    notes = [
        f"{counted(missing, 'planned reading')} missing; all that are there were used.",
        *anova_notes(study, found, (), pooled=pooled, floored=floored),
        *(f"{name} was estimated at zero, the least that a variance can be." for name in at_zero),
    ]
    return GaugeResult(
        study=study,
        method="anova",
        estimator=f"Restricted maximum likelihood, since readings are missing{how}",
        sources=sources.table,
        reasons=sources.reasons,
        anova_table=None,
        anova_table_reason=NO_TABLE,
        pooled=pooled,
        floored=floored,
        mean=float(fit.mean),
        spread=spread,
        notes=tuple(notes),
    )


def require_settled(fit: RemlFit) -> None:
    """Refuse an estimate that the search did not settle on."""
    if not bool(fit.converged):
        raise StudyError(
            "The search for the variances did not settle",
            "Check the readings for mistakes (grr.check), or take the missing readings",
        )


def measured(readings: Array) -> Array:
    """Return the readings without parts and operators that have none at all."""
    there = np.asarray(np.isfinite(readings).any(axis=-1))
    return readings[there.any(axis=1)][:, there.any(axis=0)]


def _fit(
    readings: Array, operators: str, interaction: str, pool_above: float
) -> tuple[RemlFit, bool, str]:
    if interaction == "auto":
        test = interaction_likelihood_ratio_of_cube(readings, operators=operators)
        fit, mask = test.by_rule(pool_above)
        pooled = bool(mask)
        done, sign = ("pooled", "above") if pooled else ("kept", "not above")
        p = p_value(float(test.p), pool_above)
        how = f"; interaction {done} by likelihood ratio (p = {p}, {sign} {pool_above:g})"
        return fit, pooled, how
    pooled = interaction == "pool"
    fit = reml_of_cube(readings, interaction=not pooled, operators=operators)
    if readings.shape[1] < 2:
        return fit, True, "; one operator"
    return fit, pooled, f"; interaction {'pooled' if pooled else 'kept'}"
