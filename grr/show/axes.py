"""Vertical axes of deviations, and lines and bands across a figure."""

from __future__ import annotations

from typing import Any

import numpy as np

from grr.model.units import conversion, fine_unit
from grr.show import theme
from grr.show.scale import Fine, graduations, round_step, tick_text

#: Ground of a label that may lie over something drawn.
VEIL = "rgba(255,255,255,0.75)"


def unit_scale(unit: str) -> Fine:
    """Return the unit in which small lengths given in ``unit`` are drawn."""
    fine = fine_unit(unit)
    return Fine(fine, conversion(unit, fine))


def reach_axis(values: object, title: str, ticks: int = 6) -> dict[str, Any]:
    """Return a vertical axis that holds all values, with round graduations."""
    numbers = np.asarray(values, dtype=np.float64).ravel()
    numbers = numbers[np.isfinite(numbers)]
    low, high = (float(numbers.min()), float(numbers.max())) if numbers.size else (0.0, 1.0)
    pad = 0.08 * (high - low) or 0.5 * abs(high) or 0.5
    low, high = low - pad, high + pad
    step = round_step((high - low) / ticks)
    at = graduations(low, high, step)
    return {
        "range": [theme.one(low), theme.one(high)],
        "tickvals": theme.rounded(at),
        "ticktext": [tick_text(value, step) for value in at],
        "title": {"text": title},
    }


def level_line(
    at: float, *, colour: str, dash: str = "solid", width: float = 1.4
) -> dict[str, Any]:
    """Return a line across the whole figure at a height."""
    return {
        "type": "line",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": theme.one(at),
        "y1": theme.one(at),
        "line": {"color": colour, "width": width, "dash": dash},
        "layer": "below",
    }


def level_band(low: float, high: float, colour: str | None = None) -> dict[str, Any]:
    """Return a band across the whole figure between two heights."""
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": theme.one(low),
        "y1": theme.one(high),
        "fillcolor": colour or theme.ROLES["band"],
        "line": {"width": 0},
        "layer": "below",
    }


def level_name(text: str, at: float, *, above: bool = True, left: bool = False) -> dict[str, Any]:
    """Return the name of a line, at its right end or its left."""
    return theme.note(
        text,
        0 if left else 1,
        theme.one(at),
        xref="paper",
        xanchor="left" if left else "right",
        yanchor="bottom" if above else "top",
        xshift=4 if left else -2,
        bgcolor=VEIL,
    )


def count_axis(count: int, title: str, *, beyond: float = 0.0) -> dict[str, Any]:
    """Return a horizontal axis that numbers readings 1 to ``count``."""
    step = max(1.0, round_step(count / 10.0))
    return {
        "range": [0.2, theme.one(count + 0.8 + beyond)],
        "tickvals": [1, *(int(value) for value in graduations(step, count, step) if value > 1)],
        "tickformat": "d",
        "title": {"text": title},
    }


def curve(
    x: object, y: object, *, colour: str, width: float = 2.0, dash: str = "solid"
) -> dict[str, Any]:
    """Return a line trace that does not answer to the pointer."""
    return {
        "type": "scatter",
        "mode": "lines",
        "x": theme.rounded(x),
        "y": theme.rounded(y),
        "line": {"color": colour, "width": width, "dash": dash},
        "hoverinfo": "skip",
    }


def ribbon(x: object, low: object, high: object, fill: str) -> dict[str, Any]:
    """Return a filled band between two curves."""
    forth, back = theme.rounded(x), theme.rounded(x)[::-1]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": forth + back,
        "y": theme.rounded(low) + theme.rounded(high)[::-1],
        "fill": "toself",
        "fillcolor": fill,
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def doubt_zone(left: float, right: float, text: str, hatch: str = "/") -> dict[str, Any]:
    """Return a hatched zone between two values, over the height 0 to 1."""
    x = [theme.one(at) for at in (left, right, right, left, left)]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": [0, 0, 1, 1, 0],
        "fill": "toself",
        "fillcolor": "rgba(213,94,0,0.16)",
        "fillpattern": {
            "shape": hatch,
            "fgcolor": theme.ROLES["doubt"],
            "bgcolor": "rgba(213,94,0,0.12)",
            "size": 9,
            "solidity": 0.22,
        },
        "line": {"color": theme.ROLES["doubt"], "width": 1},
        "hoveron": "fills",
        "hoverinfo": "text",
        "text": text,
    }
