"""The columns of one row a study, computed for a whole stack."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pandas as pd

from grr.analysis.sources import SOURCES
from grr.many.stacking import Stack
from grr.many.tolerances import Yardsticks
from grr.numerics.arrays import Array
from grr.numerics.components import Components, operators_fixed
from grr.numerics.crossed import CrossedAnova, crossed_anova
from grr.numerics.interaction import components_by_rule
from grr.numerics.ratios import (
    distinct_categories,
    percent,
    percent_of_one_side,
    percent_of_tolerance,
    rounding_floor,
)
from grr.rules import Rules

MEASURES = ("sd", "percent_contribution", "percent_tv", "percent_tolerance")
ALWAYS = (
    *(f"{source}_{measure}" for source in SOURCES for measure in MEASURES),
    "ndc_exact",
    "ndc",
)
FIRST = ("parts", "operators", "trials", "readings", "mean", "estimator")


def stack_columns(
    stack: Stack, yards: Yardsticks, rules: Rules, *, operators: str
) -> tuple[dict[str, Any], CrossedAnova]:
    """Return the columns of the studies in one stack, and their sums of squares."""
    anova = crossed_anova(stack.readings)
    found, pooled = components_by_rule(
        anova, interaction=rules.interaction, pool_above=rules.pool_above
    )
    if operators == "fixed" and anova.operators > 1:
        found = operators_fixed(found, anova.operators)
    resolution = yards.resolution[stack.studies]
    known = np.isfinite(resolution)
    hidden = known & (np.sqrt(found.repeatability) < 0.3 * np.where(known, resolution, 0.0))
    floor = np.square(rounding_floor(1.0) * np.where(hidden, resolution, 0.0))
    ev = np.where(hidden, floor, found.repeatability)
    found = replace(found, repeatability=ev, grr=found.grr - found.repeatability + ev)
    columns: dict[str, Any] = {
        "parts": anova.parts,
        "operators": anova.operators,
        "trials": anova.trials,
        "readings": anova.parts * anova.operators * anova.trials,
        "mean": anova.mean,
        "estimator": np.where(pooled, "anova, interaction pooled", "anova, interaction kept"),
    }
    columns |= source_columns(found, anova.mean, stack.studies, yards, rules)
    columns["flags"] = _flags(found, hidden, anova)
    return columns, anova


def source_columns(
    found: Components, mean: Array, studies: np.ndarray, yards: Yardsticks, rules: Rules
) -> dict[str, Array]:
    """Return EV to TV × `MEASURES`, and ndc."""
    given = yards.process_sd[studies]
    is_given = np.isfinite(given)
    left = np.square(np.where(is_given, given, 0.0)) - found.grr
    part = np.where(is_given, np.where(left < 0, np.nan, left), np.maximum(found.part, 0.0))
    total = np.where(is_given, np.square(given), found.grr + part)
    variances = {
        "EV": found.repeatability,
        "AV": found.operator,
        "INT": found.interaction,
        "GRR": found.grr,
        "PV": part,
        "TV": total,
    }
    columns: dict[str, Array] = {}
    for source in SOURCES:
        variance = np.where(np.isnan(variances[source]), np.nan, np.maximum(variances[source], 0))
        sd = np.sqrt(variance)
        columns[f"{source}_sd"] = sd
        columns[f"{source}_percent_contribution"] = percent(variance, total)
        columns[f"{source}_percent_tv"] = percent(sd, np.sqrt(total))
        columns[f"{source}_percent_tolerance"] = _of_tolerance(sd, mean, studies, yards, rules)
    exact = distinct_categories(columns["PV_sd"], columns["GRR_sd"])
    columns["ndc_exact"] = exact
    columns["ndc"] = np.where(np.isnan(exact), np.nan, np.maximum(1.0, np.floor(exact)))
    return columns


def _of_tolerance(
    sd: Array, mean: Array, studies: np.ndarray, yards: Yardsticks, rules: Rules
) -> Array:
    lower, upper = yards.lower[studies], yards.upper[studies]
    given = yards.process_mean[studies]
    centre = np.where(np.isfinite(given), given, mean)
    two_sided = percent_of_tolerance(sd, upper - lower, spread=rules.spread)
    # A comparison with NaN is False, so a limit that is not given drops out of each line.
    above = percent_of_one_side(sd, centre, upper, upper=True, spread=rules.spread)
    below = percent_of_one_side(sd, centre, lower, upper=False, spread=rules.spread)
    return np.where(
        np.isfinite(upper - lower), two_sided, np.where(np.isfinite(upper), above, below)
    )


def _flags(found: Components, hidden: np.ndarray, anova: CrossedAnova) -> list[str]:
    fixed = []
    if anova.operators < 2:
        fixed.append("one operator")
    if anova.trials < 2:
        fixed.append("one trial")
    flags = [(hidden, "repeatability hidden by rounding")]
    for name, value in (("AV", found.operator), ("INT", found.interaction), ("PV", found.part)):
        flags.append((value < 0, f"{name} below zero"))
    number = sum((mask.astype(int) << i for i, (mask, _) in enumerate(flags)), start=0)
    words = {
        int(n): "; ".join([*fixed, *(w for i, (_, w) in enumerate(flags) if int(n) >> i & 1)])
        for n in np.unique(number)
    }
    return pd.Series(np.atleast_1d(number)).map(words).to_list()
