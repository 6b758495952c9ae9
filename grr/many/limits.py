"""Intervals and decisions for a stack of studies."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields

import numpy as np

from grr.judge.criteria import bounded, ratio_draws
from grr.judge.decision import decide
from grr.many.columns import MEASURES
from grr.many.tolerances import Yardsticks
from grr.numerics.crossed import CrossedAnova
from grr.numerics.intervals import lower_bound, quantity_limits, upper_bound
from grr.numerics.measures import ndc_draws
from grr.numerics.pivots import SEED, Pivots, crossed_pivots
from grr.numerics.yardstick import Yardstick
from grr.rules import Rules

#: Draws a study: limits repeat to a percent or two from seed to seed.
DRAWS = 10_000
#: Studies at a time, so that the draws stay within some hundred MB.
_CHUNK = 200

Row = dict[str, float | str]


def interval_rows(
    anova: CrossedAnova,
    values: dict[str, np.ndarray],
    studies: np.ndarray,
    yards: Yardsticks,
    rules: Rules,
    *,
    purpose: str,
    operators: str,
    level: float,
    done: Callable[[int], object],
) -> list[Row]:
    """Return lower and upper limits of every quantity, and the decision, a row a study.

    Parameters
    ----------
    anova : CrossedAnova
        Of the stack.
    values : dict
        Columns computed for the stack: the ratio that is judged is taken from them.
    studies : ndarray
    yards : Yardsticks
    rules : Rules
    purpose, operators : str
    level : float
    done : callable
        Told how many studies have been finished.
    """
    ratio = values["GRR_percent_tolerance" if purpose == "accept" else "GRR_percent_tv"]
    rows = []
    for start in range(0, len(studies), _CHUNK):
        here = slice(start, start + _CHUNK)
        pivots = crossed_pivots(_part_of(anova, here), draws=DRAWS, seed=SEED, operators=operators)
        for position, study in enumerate(studies[here]):
            one = Pivots(*(getattr(pivots, field.name)[position] for field in fields(Pivots)))
            yardstick = Yardstick(spread=rules.spread, **yards.of(int(study)))
            row: Row = _limits(one, yardstick, level)
            value = float(ratio[start + position])
            row["decision"] = _decision(
                one, yardstick, value, rules=rules, purpose=purpose, operators=anova.operators
            )
            rows.append(row)
        done(len(studies[here]))
    return rows


def _part_of(anova: CrossedAnova, here: slice) -> CrossedAnova:
    shape = (anova.parts, anova.operators, anova.trials)
    names = ("mean", "ss_part", "ss_operator", "ss_interaction", "ss_error")
    return CrossedAnova(*shape, *(getattr(anova, name)[here] for name in names))


def _limits(pivots: Pivots, yardstick: Yardstick, level: float) -> Row:
    row: Row = {}
    for (quantity, measure), limits in quantity_limits(pivots, yardstick, level=level).items():
        if measure in (*MEASURES, "value"):
            name = quantity if measure == "value" else f"{quantity}_{measure}"
            row[f"{name}_lower"], row[f"{name}_upper"] = float(limits.lower), float(limits.upper)
    return row


def _decision(
    pivots: Pivots,
    yardstick: Yardstick,
    value: float,
    *,
    rules: Rules,
    purpose: str,
    operators: int,
) -> str:
    if np.isnan(value):
        return ""
    draws = ratio_draws(pivots, yardstick, purpose)
    categories = None
    if purpose == "control":
        ndc = ndc_draws(pivots, yardstick)
        categories = (
            float(lower_bound(ndc, rules.confidence)),
            float(upper_bound(ndc, rules.confidence)),
        )
    return decide(
        bounded(value, draws, rules, purpose),
        categories=categories,
        least_categories=rules.least_ndc,
        one_operator=operators == 1,
        must_mend=False,
    )
