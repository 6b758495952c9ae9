"""The few numbers that matter, each with its interval and its formula to unfold."""

from __future__ import annotations

import math
from html import escape

import pandas as pd

from grr.model import tables
from grr.model.errors import StudyError
from grr.model.rounding import JOIN, length, percent
from grr.page.filled_in import filled_in
from grr.page.page import formulas
from grr.questions.gauge import GaugeResult

#: Label, key in the table of intervals, and the formulas that lead to the number.
_ROWS = (
    ("GRR, percent of the tolerance", ("GRR", "percent_tolerance"), ("GRR", "percent_tolerance")),
    ("GRR, percent of the total variation", ("GRR", "percent_tv"), ("GRR", "TV", "percent_tv")),
    (
        "GRR, spread of the measuring system",
        ("GRR", "spread"),
        ("EV", "AV", "INT", "GRR", "spread"),
    ),
    ("EV, repeatability (spread)", ("EV", "spread"), ("EV",)),
    ("AV, reproducibility (spread)", ("AV", "spread"), ("AV",)),
    ("Distinct categories (ndc)", ("ndc", "value"), ("PV", "ndc")),
)
_CELL = "text-align:{side};border-bottom:1px solid " + tables.LINE + ";padding:4px 12px"


def key_numbers(result: GaugeResult) -> str:
    """Return the table of the numbers that matter as HTML."""
    level = result.study.rules.confidence
    limits, why_not = _limits(result, level)
    worked = filled_in(result)
    notes = dict.fromkeys([why_not] if why_not else [])
    rows = []
    for label, key, lines in _ROWS:
        value = _estimate(result, key)
        if math.isnan(value):
            if key[1] != "percent_tolerance" or result.study.tolerance is not None:
                rows.append(_row(label, "not estimated", "", ""))
            continue
        interval = ""
        if limits is not None:
            lower, upper = (float(limits[column][key]) for column in ("lower", "upper"))
            interval = _interval(lower, upper, key[1], result)
            if limits["reason"][key]:
                notes[f"No interval of {key[0]}: {limits['reason'][key]}."] = None
        how = formulas([line for name in lines for line in worked.get(name, ())])
        rows.append(_row(label, _shown(value, key, result), interval, how))
    head = ("Quantity", "Value", f"{100 * level:g}{JOIN}% interval")
    top = "".join(
        f'<th scope="col" style="{_CELL.format(side="left" if index == 0 else "right")};'
        f'color:{tables.FAINT};font-weight:600">{escape(text)}</th>'
        for index, text in enumerate(head)
    )
    return (
        f'<table style="border-collapse:collapse;font:14px {tables.FONT};width:100%;'
        f'font-variant-numeric:tabular-nums"><thead><tr>{top}</tr></thead>'
        f"<tbody>{''.join(rows)}</tbody></table>{tables.html_list(list(notes))}"
    )


def _limits(result: GaugeResult, level: float) -> tuple[pd.DataFrame | None, str]:
    try:
        return result.intervals(level=level), ""
    except StudyError as error:
        return None, f"No intervals: {error}"


def _estimate(result: GaugeResult, key: tuple[str, str]) -> float:
    return result.ndc_exact if key[0] == "ndc" else result.value(*key)


def _row(label: str, value: str, interval: str, how: str) -> str:
    fold = (
        f'<details class="how"><summary>how it is computed</summary>{how}</details>' if how else ""
    )
    left, right = (_CELL.format(side=side) for side in ("left", "right"))
    return (
        f'<tr><th scope="row" style="{left};font-weight:400">{escape(label)}{fold}</th>'
        f'<td style="{right};font-weight:600">{escape(value)}</td>'
        f'<td style="{right}">{escape(interval)}</td></tr>'
    )


def _shown(value: float, key: tuple[str, str], result: GaugeResult) -> str:
    return str(result.ndc) if key[0] == "ndc" else _written(value, key[1], result.study.unit)


def _interval(lower: float, upper: float, measure: str, result: GaugeResult) -> str:
    if math.isnan(lower):
        return "—"
    unit = result.study.unit
    low = _written(lower, measure, unit)
    high = "no upper limit" if math.isinf(upper) else _written(upper, measure, unit)
    return f"{low} to {high}"


def _written(value: float, measure: str, unit: str) -> str:
    if measure.startswith("percent"):
        return percent(value)
    # A number of categories is rounded down, as ndc itself.
    return f"{max(1, math.floor(value))}" if measure == "value" else length(value, unit)
