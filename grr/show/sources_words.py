"""What is said about the sources of spread: numbers and sentences."""

from __future__ import annotations

import math

from grr.model.rounding import JOIN, length, percent
from grr.questions.criteria import dominant_source
from grr.questions.result import GaugeResult
from grr.questions.sources import NAMES, SOURCES

#: Confidence of the intervals drawn.
LEVEL = 0.95


def shown_spread(result: GaugeResult, name: str) -> str:
    """Return the spread of a source as printed; why it is 0, or a dash, where it is."""
    spread = result.value(name, "spread")
    shown = "—" if math.isnan(spread) else length(spread, result.study.unit)
    if name in result.below_zero:
        shown = "0 (estimated below zero)"
    elif name == "INT" and result.pooled and spread == 0.0:
        shown = "0 (pooled with EV)"
    return shown


def sources_answer(result: GaugeResult, *, interval: bool) -> str:
    """Return the sentences under the question; ``interval`` says that lines are drawn."""
    study = result.study
    grr = result.value("GRR", "spread")
    if not grr > 0.0:
        return "The readings of a part do not differ at all: no spread of measuring was seen."
    of_tolerance = result.value("GRR", "percent_tolerance")
    share = "" if math.isnan(of_tolerance) else f", {percent(of_tolerance)} of the tolerance"
    source = dominant_source(result)
    part = result.value(source, "variance") / result.value("GRR", "variance")
    amount = f"{percent(100 * part)} of the variance"
    most = "Most of it" if part > 0.5 else "The largest part"
    what = "All of it" if part > 0.9995 else f"{most}, {amount},"
    bounds = f" The thin lines are {100 * LEVEL:g}{JOIN}% confidence intervals." if interval else ""
    return (
        f"Readings of one part spread over {length(grr, study.unit)} "
        f"({result.spread:g} sd){share}. {what} is {NAMES[source]} ({source}).{bounds}"
    )


def sources_alt(result: GaugeResult) -> str:
    """Return what the picture of the sources shows, for those who do not see it."""
    shown = [
        f"{NAMES[name]} {length(result.value(name, 'spread'), result.study.unit)}"
        for name in SOURCES
        if not math.isnan(result.value(name, "spread"))
    ]
    return f"Bars as long as the spread of each source: {', '.join(shown)}."
