"""Axes of days: the days as numbers, and graduations at the turn of months or days."""

from __future__ import annotations

import datetime as dt
from typing import Any

#: Steps of graduations in months and in days, and how many graduations there may be.
_MONTHS, _DAYS, _MOST = (1, 2, 3, 6, 12, 24, 60, 120), (1, 2, 7, 14), 8
#: A shorter span gets graduations of days.
_SHORT = 60


def with_days_as_numbers(content: dict[str, Any]) -> dict[str, Any]:
    """Return a figure whose horizontal axis of dates is one of numbers; another as it is.

    Parameters
    ----------
    content : dict
        Data and layout of a plotly figure, a copy that may be changed.
    """
    layout = content["layout"]
    axis = layout.get("xaxis", {})
    if axis.get("type") != "date":
        return content
    axis["range"] = [_number(day) for day in axis["range"]]
    axis["tickvals"], axis["ticktext"] = _graduations(*axis["range"])
    for trace in content["data"]:
        trace["x"] = [_number(day) for day in trace["x"]]
    for shape in layout.get("shapes", ()):
        if shape.get("xref") != "paper":
            shape["x0"], shape["x1"] = _number(shape["x0"]), _number(shape["x1"])
    for note in layout.get("annotations", ()):
        if note.get("xref") != "paper":
            note["x"] = _number(note["x"])
    return content


def _number(day: str) -> float:
    return float(dt.date.fromisoformat(day[:10]).toordinal())


def _graduations(low: float, high: float) -> tuple[list[float], list[str]]:
    if high - low < _SHORT:
        step = next((s for s in _DAYS if (high - low) / s <= _MOST), _DAYS[-1])
        days = [dt.date.fromordinal(n) for n in range(int(low), int(high) + 1, step) if n >= low]
        return [float(day.toordinal()) for day in days], [f"{day:%Y-%m-%d}" for day in days]
    months = (high - low) / 30.44
    step = next((s for s in _MONTHS if months / s <= _MOST), _MONTHS[-1])
    first = dt.date.fromordinal(int(low))
    count = (first.year * 12 + first.month - 1) // step * step
    turns = [
        dt.date(number // 12, number % 12 + 1, 1)
        for number in range(count, count + int(months) + 2 * step, step)
    ]
    inside = [day for day in turns if low <= day.toordinal() <= high]
    return [float(day.toordinal()) for day in inside], [f"{day:%Y-%m}" for day in inside]
