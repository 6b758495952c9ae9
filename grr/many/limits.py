"""Intervals and decisions for a stack of studies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.confidence_limits import lower_bound, ndc_draws, quantity_limits, upper_bound
from grr.formulas.pivots import SEED, Pivots, crossed_pivots, floored_pivots
from grr.formulas.sources_of_variation import Specification
from grr.many.columns import ALWAYS, MEASURES, StackResult, judged_by
from grr.many.labels import Codes
from grr.many.options import Options
from grr.many.tolerances import Specifications
from grr.questions.verdict import NOT_DECIDED, bounded, decide, ratio_draws

#: Draws a study: limits repeat to a percent or two from seed to seed.
DRAWS = 10_000
#: Studies at a time, so that the draws stay within some hundred MB.
_CHUNK = 200

Row = dict[str, float | str | bool]


def interval_rows(
    found: StackResult,
    studies: Codes,
    specs: Specifications,
    options: Options,
    *,
    done: Callable[[int], object],
) -> list[Row]:
    """Return lower and upper limits of every quantity, and the decision, a row a study.

    Parameters
    ----------
    found : StackResult
    studies : ndarray
        Positions of the stack's studies among all.
    specs : Specifications
    options : Options
    done : callable
        Told how many studies have been finished.
    """
    values = {name: found.columns[name] for name in ALWAYS}
    rows = []
    for start in range(0, len(studies), _CHUNK):
        here = slice(start, start + _CHUNK)
        anova = _part_of(found.anova, here)
        stack = crossed_pivots(anova, draws=DRAWS, seed=SEED, operators=options.operators)
        for place, study in enumerate(studies[here]):
            pivots = Pivots(*(getattr(stack, field.name)[place] for field in fields(Pivots)))
            row = {name: float(column[start + place]) for name, column in values.items()}
            hidden = bool(found.hidden[start + place])
            if hidden:
                pivots = floored_pivots(pivots, float(specs.resolution[study]))
            specification = Specification(spread=options.rules.spread, **specs.of(int(study)))
            limits = _limits(pivots, specification, row, options, hidden=hidden)
            value = row[judged_by(options.purpose)]
            decision = _decision(pivots, specification, value, options, operators=anova.operators)
            rows.append({**limits, "decision": decision, "checked": False})
        done(len(studies[here]))
    return rows


def _part_of(anova: CrossedAnova, here: slice) -> CrossedAnova:
    shape = (anova.parts, anova.operators, anova.trials)
    names = ("mean", "ss_part", "ss_operator", "ss_interaction", "ss_error")
    return CrossedAnova(*shape, *(getattr(anova, name)[here] for name in names))


def _limits(
    pivots: Pivots,
    specification: Specification,
    values: dict[str, float],
    options: Options,
    *,
    hidden: bool,
) -> Row:
    """Return the limits under the names of their columns; NaN where a result gives none."""
    without = {"EV"} if hidden else set()
    if options.parts_from == "chosen" and specification.process_sd is None:
        without |= {"PV", "TV"}
    column_of = {"ndc": "ndc_exact", "ICC": "PV_percent_contribution"}
    row: Row = {}
    limits_of = quantity_limits(pivots, specification, level=options.level)
    for (quantity, measure), limits in limits_of.items():
        if measure not in (*MEASURES, "value"):
            continue
        name = quantity if measure == "value" else f"{quantity}_{measure}"
        none = quantity in without or np.isnan(values[column_of.get(quantity, name)])
        row[f"{name}_lower"] = np.nan if none else float(limits.lower)
        row[f"{name}_upper"] = np.nan if none else float(limits.upper)
    return row


def _decision(
    pivots: Pivots, specification: Specification, value: float, options: Options, *, operators: int
) -> str:
    if np.isnan(value):
        return NOT_DECIDED
    rules = options.rules
    draws = ratio_draws(pivots, specification, options.purpose)
    categories = None
    if options.purpose == "control":
        ndc = ndc_draws(pivots, specification)
        categories = (
            float(lower_bound(ndc, rules.confidence)),
            float(upper_bound(ndc, rules.confidence)),
        )
    return decide(
        bounded(value, draws, rules, options.purpose),
        categories=categories,
        least_categories=rules.least_ndc,
        one_operator=operators == 1,
        must_mend=False,
    )
