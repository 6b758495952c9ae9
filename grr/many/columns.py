"""The columns of one row a study, computed for a whole stack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import (
    Components,
    CrossedAnova,
    among_people,
    components_by_rule,
    crossed_anova,
)
from grr.formulas.arrays import Array, Mask
from grr.formulas.sources_of_variation import (
    floored_components,
    sources_of_variation,
)
from grr.many.labels import Codes
from grr.many.options import Options
from grr.many.stacking import Stack
from grr.many.tolerances import Specifications
from grr.model.choices import SOURCES
from grr.model.rules import Rules

MEASURES = ("sd", "percent_contribution", "percent_tv", "percent_tolerance")
ALWAYS = (
    *(f"{source}_{measure}" for source in SOURCES for measure in MEASURES),
    "ndc_exact",
    "ndc",
)
#: What GRR is made of.
INSIDE = ("EV", "AV", "INT")
#: By whether the interaction was pooled; one operator has none.
ESTIMATORS = {True: "anova, interaction pooled", False: "anova, interaction kept"}
ONE_OPERATOR = "anova, one operator"
BELOW_ZERO = "{} estimated below zero, taken as 0"
HIDDEN = "repeatability hidden by rounding"
FIRST = ("parts", "operators", "trials", "readings", "mean", "estimator")


@dataclass(frozen=True)
class StackResult:
    """What was computed for one stack.

    Attributes
    ----------
    columns : dict
        Name → one value for all studies, or one for each.
    anova : CrossedAnova
    hidden : ndarray
        Where the repeatability is hidden by the rounding of the gauge.
    """

    columns: dict[str, Any]
    anova: CrossedAnova
    hidden: Mask


def stack_result(stack: Stack, specs: Specifications, options: Options) -> StackResult:
    """Return the columns of the studies in one stack, and what their intervals need."""
    rules = options.rules
    anova = crossed_anova(stack.readings)
    found, pooled = components_by_rule(
        anova, interaction=rules.interaction, pool_above=rules.pool_above
    )
    if options.operators == "fixed" and anova.operators > 1:
        found = among_people(found, anova.operators, pooled)
    found, hidden = floored_components(found, specs.resolution[stack.studies])
    columns: dict[str, Any] = {
        "parts": anova.parts,
        "operators": anova.operators,
        "trials": anova.trials,
        "readings": anova.parts * anova.operators * anova.trials,
        "mean": anova.mean,
        "estimator": np.where(pooled, ESTIMATORS[True], ESTIMATORS[False])
        if anova.operators > 1
        else ONE_OPERATOR,
    }
    columns |= _source_columns(found, anova.mean, stack.studies, specs, options)
    inside = np.nan_to_num([columns[f"{source}_sd"] for source in INSIDE])
    columns["dominant"] = np.array(INSIDE)[np.argmax(inside, axis=0)]
    columns["by_manual"] = by_manual(columns[judged_by(options.purpose)], rules)
    columns["flags"] = _flags(found, hidden, anova)
    return StackResult(columns, anova, hidden)


def by_manual(ratio: Array, rules: Rules) -> Array:
    """Return the manual's class of each ratio: good, between or over; "" where there is none."""
    return np.select(
        [ratio < rules.good_percent, ratio <= rules.limit_percent, ratio > rules.limit_percent],
        ["good", "between", "over"],
        default="",
    )


def judged_by(purpose: str) -> str:
    """Return the column that a study for this purpose is judged by."""
    return "GRR_percent_tolerance" if purpose == "accept" else "GRR_percent_tv"


def _source_columns(
    found: Components, mean: Array, studies: Codes, specs: Specifications, options: Options
) -> dict[str, Array]:
    """Return EV to TV × `MEASURES`, and ndc."""
    sources = sources_of_variation(
        found,
        mean=mean,
        spread=options.rules.spread,
        lower=specs.lower[studies],
        upper=specs.upper[studies],
        process_mean=specs.process_mean[studies],
        process_sd=specs.process_sd[studies],
        parts_represent=options.parts_from == "process",
    )
    columns = {
        f"{source}_{measure}": getattr(sources, measure)[:, place]
        for place, source in enumerate(SOURCES)
        for measure in MEASURES
    }
    return {**columns, "ndc_exact": sources.ndc_exact, "ndc": sources.ndc}


def design_flags(operators: int, trials: int) -> list[str]:
    """Return what the design of a study cannot show."""
    return ["one operator"] * (operators < 2) + ["one trial"] * (trials < 2)


def _flags(found: Components, hidden: Mask, anova: CrossedAnova) -> list[str]:
    fixed = design_flags(anova.operators, anova.trials)
    flags = [(hidden, HIDDEN)]
    for name, value in (("AV", found.operator), ("INT", found.interaction), ("PV", found.part)):
        flags.append((np.asarray(value < 0), BELOW_ZERO.format(name)))
    number = sum((mask.astype(int) << i for i, (mask, _) in enumerate(flags)), start=0)
    words = {
        int(n): "; ".join([*fixed, *(w for i, (_, w) in enumerate(flags) if int(n) >> i & 1)])
        for n in np.unique(number)
    }
    return pd.Series(np.atleast_1d(number)).map(words).to_list()
