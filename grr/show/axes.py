"""Scales, graduations and axes; lines, bands and lanes drawn across a figure."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from grr.formulas.arrays import Array
from grr.model.html_blocks import FAINT
from grr.model.names import clean, shortened
from grr.model.rounding import decimals_for
from grr.model.study import Study
from grr.model.units import conversion, fine_unit
from grr.show import template


@dataclass(frozen=True)
class Fine:
    """The unit in which a spread is drawn, and the factor that leads to it."""

    unit: str
    factor: float

    def named(self, what: str) -> str:
        """Return the title of an axis: what it shows, and the unit."""
        return f"{what}, {self.unit}" if self.unit else f"{what} (no unit given)"


def fine_scale(study: Study) -> Fine:
    """Return the unit in which spreads of this study are drawn."""
    fine = fine_unit(study.unit)
    return Fine(fine, conversion(study.unit, fine))


def round_step(at_least: float) -> float:
    """Return the smallest of 1, 2 and 5 times a power of ten that is not below a number."""
    power = 10.0 ** math.floor(math.log10(at_least))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= at_least * (1.0 - 1e-9):
            return factor * power
    return 10.0 * power


def graduations(low: float, high: float, step: float) -> list[float]:
    """Return the multiples of a step from ``low`` to ``high``, both counted in."""
    first = math.ceil(low / step - 1e-6)
    last = math.floor(high / step + 1e-6)
    return [index * step for index in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """Return the number at a graduation, with a true minus sign."""
    if not 1e-6 <= step < 1e7:
        text = f"{value:.6g}"
    else:
        text = f"{value:.{decimals_for(step, 1)}f}"
    return text.replace("-", "−") if float(text) else "0"


def graduated_axis(low: float, high: float, step: float, title: str) -> dict[str, Any]:
    """Return an axis with a number at every multiple of a step."""
    at = graduations(low, high, step)
    return {
        "range": template.rounded([low, high]),
        "tickvals": template.rounded(at),
        "ticktext": [tick_text(value, step) for value in at],
        "title": {"text": title},
    }


def value_axis(high: float, title: str) -> dict[str, Any]:
    """Return a horizontal axis from 0 to ``high`` with about six round graduations."""
    return graduated_axis(0.0, high, round_step(high / 6), title)


def centred_axis(reach: float, title: str) -> dict[str, Any]:
    """Return a horizontal axis from −``reach`` to ``reach`` with signed numbers."""
    axis = graduated_axis(-reach, reach, round_step(reach / 3), title)
    texts = zip(axis["tickvals"], axis["ticktext"], strict=True)
    return axis | {"ticktext": [f"{'+' if value > 0.0 else ''}{text}" for value, text in texts]}


def unit_scale(unit: str) -> Fine:
    """Return the unit in which small lengths given in ``unit`` are drawn."""
    fine = fine_unit(unit)
    return Fine(fine, conversion(unit, fine))


def reach_axis(values: object, title: str) -> dict[str, Any]:
    """Return a vertical axis that holds all values, with round graduations."""
    numbers = np.asarray(values, dtype=np.float64).ravel()
    numbers = numbers[np.isfinite(numbers)]
    low, high = (float(numbers.min()), float(numbers.max())) if numbers.size else (0.0, 1.0)
    pad = 0.08 * (high - low) or 0.5 * abs(high) or 0.5
    low, high = low - pad, high + pad
    return graduated_axis(low, high, round_step((high - low) / 6), title)


def rows_axis(names: Sequence[str]) -> dict[str, Any]:
    """Return a vertical axis with a name at each row, the first on top."""
    return {
        "range": [len(names) - 0.5, -0.5],
        "tickvals": list(range(len(names))),
        "ticktext": names,
        "ticks": "",
        "ticklabelstandoff": 8,
        "showline": False,
    }


def bars_axis(heights: Sequence[int], names: Sequence[str]) -> dict[str, Any]:
    """Return a vertical axis with a name at the height of each bar."""
    return {
        "tickvals": heights,
        "ticktext": names,
        "range": [-0.6, len(names) - 0.4],
        "ticks": "",
        "showline": False,
    }


def dots(
    x: object, y: object, marker: dict[str, Any], told: object = None, *, clipped: bool = True
) -> dict[str, Any]:
    """Return marks; each tells its text when pointed at, where there are any."""
    return {
        "type": "scatter",
        "mode": "markers",
        "x": x,
        "y": y,
        "marker": marker,
        **({} if clipped else {"cliponaxis": False}),
        **({"hoverinfo": "skip"} if told is None else {"hoverinfo": "text", "hovertext": told}),
    }


def path(x: object, y: object, colour: str, width: float, **line: Any) -> dict[str, Any]:
    """Return a line through points that does not answer to the pointer."""
    style = {"color": colour, "width": width, **line}
    trace = {"type": "scatter", "mode": "lines", "x": x, "y": y, "line": style}
    return trace | {"hoverinfo": "skip"}


def bars(x: object, y: object, marker: dict[str, Any], told: object, **more: Any) -> dict[str, Any]:
    """Return horizontal bars; each tells its text when pointed at."""
    trace = {"type": "bar", "orientation": "h", "x": x, "y": y, "marker": marker}
    return trace | {"hoverinfo": "text", "hovertext": told, **more}


def box(
    left: float | None, right: float | None, fill: str, line: str, *, bottom: float = 0
) -> dict[str, Any]:
    """Return a box one high, behind what is drawn."""
    return {
        "type": "rect",
        "x0": left,
        "x1": right,
        "y0": bottom,
        "y1": bottom + 1,
        "fillcolor": fill,
        "line": {"color": line, "width": 1},
        "layer": "below",
    }


def upright(
    at: float | None,
    colour: str,
    width: float,
    dash: str = "",
    *,
    ends: tuple[float | None, float | None] | None = None,
    below: bool = True,
) -> dict[str, Any]:
    """Return a line between two heights, or over the whole figure, behind what is drawn or not."""
    low, high = ends or (0, 1)
    return {
        "type": "line",
        **{"x0": at, "x1": at, "y0": low, "y1": high},
        **({} if ends else {"yref": "paper"}),
        "line": {"color": colour, "width": width, **({"dash": dash} if dash else {})},
        **({"layer": "below"} if below else {}),
    }


def upright_band(left: object, right: object, fill: str, **look: Any) -> dict[str, Any]:
    """Return a band over the whole height of the figure, behind what is drawn."""
    return {
        "type": "rect",
        **{"x0": left, "x1": right, "yref": "paper", "y0": 0, "y1": 1},
        "fillcolor": fill,
        "line": {"width": 0},
        "layer": "below",
        **look,
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
        "y0": template.one(at),
        "y1": template.one(at),
        "line": {"color": colour, "width": width, "dash": dash},
        "layer": "below",
    }


def level_band(low: float, high: float, colour: str = "") -> dict[str, Any]:
    """Return a band across the whole figure between two heights."""
    return {
        "type": "rect",
        "xref": "paper",
        "x0": 0,
        "x1": 1,
        "y0": template.one(low),
        "y1": template.one(high),
        "fillcolor": colour or template.ROLES["band"],
        "line": {"width": 0},
        "layer": "below",
    }


def name_beside(text: str, at: float) -> dict[str, Any]:
    """Return the name of a line, to the right of the drawing, where it covers nothing."""
    return template.note(
        text, 1, template.one(at), xref="paper", xanchor="left", yanchor="middle", xshift=6
    )


def words_above(text: str, at: float, pixels: int) -> dict[str, Any]:
    """Return quiet words above the drawing, at its left end (0) or its right end (1)."""
    return template.note(
        text,
        at,
        1,
        xref="paper",
        yref="paper",
        xanchor="right" if at else "left",
        yanchor="bottom",
        yshift=pixels,
        font={"color": FAINT, "size": template.SMALL},
    )


def count_axis(count: int, title: str, *, beyond: float = 0.0) -> dict[str, Any]:
    """Return a horizontal axis that numbers readings 1 to ``count``."""
    step = max(1.0, round_step(count / 10.0))
    return {
        "range": [0.2, template.one(count + 0.8 + beyond)],
        "tickvals": [1, *(int(value) for value in graduations(step, count, step) if value > 1)],
        "tickformat": "d",
        "title": {"text": title},
    }


def curve(x: object, y: object, *, colour: str, width: float = 2.0) -> dict[str, Any]:
    """Return a line trace that does not answer to the pointer."""
    return path(template.rounded(x), template.rounded(y), colour, width, dash="solid")


def ribbon(x: object, low: object, high: object, fill: str) -> dict[str, Any]:
    """Return a filled band between two curves."""
    forth, back = template.rounded(x), template.rounded(x)[::-1]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": forth + back,
        "y": template.rounded(low) + template.rounded(high)[::-1],
        "fill": "toself",
        "fillcolor": fill,
        "line": {"width": 0},
        "hoverinfo": "skip",
    }


def doubt_zone(left: float, right: float, text: str, hatch: str = "/") -> dict[str, Any]:
    """Return a hatched zone between two values, over the height 0 to 1."""
    x = [template.one(at) for at in (left, right, right, left, left)]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": [0, 0, 1, 1, 0],
        "fill": "toself",
        "fillcolor": "rgba(213,94,0,0.16)",
        "fillpattern": {
            "shape": hatch,
            "fgcolor": template.ROLES["doubt"],
            "bgcolor": "rgba(213,94,0,0.12)",
            "size": 9,
            "solidity": 0.22,
        },
        "line": {"color": template.ROLES["doubt"], "width": 1},
        "hoveron": "fills",
        "hoverinfo": "text",
        "text": text,
    }


#: Height of a lane in px, of its name above it, and the longest name written out.
LANE, NAME, LONGEST_NAME = 74, 24, 60
#: Vertical distance of two lanes where a lane reaches from −1 to +1.
APART = 2.0 * (LANE + NAME) / LANE


@dataclass(frozen=True)
class Lanes:
    """Where values are drawn in lanes.

    Attributes
    ----------
    names : tuple of str
        One a lane, from the top.
    reach : float
        Value at the upper edge of a lane; its negative is at the lower edge.
    """

    names: tuple[str, ...]
    reach: float

    @property
    def height(self) -> int:
        """Height of all lanes in px."""
        return len(self.names) * (LANE + NAME)

    @property
    def bounds(self) -> list[float]:
        """The ends of the vertical axis."""
        return [-APART * (len(self.names) - 1) - 1.12, 1.0 + 2.0 * NAME / LANE]

    def at(self, lane: int, value: float) -> float:
        """Return the height at which a value of a lane is drawn; the edge where it is beyond."""
        return -APART * lane + max(-1.0, min(1.0, value / self.reach))

    def beyond(self, value: float) -> bool:
        """Whether a value lies outside its lane."""
        return abs(value) > self.reach * (1.0 + 1e-12)

    def axis(self) -> dict[str, Any]:
        """Return the vertical axis: −, 0 and + of each lane."""
        step = round_step(self.reach / 2.0)
        if step > self.reach:
            step /= 2.0
        ticks = [
            (self.at(lane, value), tick_text(value, step))
            for lane in range(len(self.names))
            for value in (-step, 0.0, step)
        ]
        return {
            "range": template.rounded(self.bounds),
            "tickvals": template.rounded([height for height, _ in ticks]),
            "ticktext": [text for _, text in ticks],
            "showline": False,
        }

    def unit(self, text: str) -> dict[str, Any]:
        """Return what the vertical axis shows, above the lanes."""
        return words_above(text, 0, 2)

    def titles(self) -> list[dict[str, Any]]:
        """Return the names of the lanes, each above its own."""
        return [
            template.note(
                shortened(name, LONGEST_NAME),
                0,
                template.one(-APART * lane + 1.0),
                xref="paper",
                xanchor="left",
                yanchor="bottom",
                bold=True,
                font={"size": template.TEXT_SIZE},
            )
            for lane, name in enumerate(self.names)
        ]

    def band(self, half: float, colour: str) -> list[dict[str, Any]]:
        """Return the ground from −``half`` to +``half`` in every lane."""
        return [
            level_band(self.at(lane, -half), self.at(lane, half), colour)
            for lane in range(len(self.names))
        ]

    def zeros(self) -> list[dict[str, Any]]:
        """Return a thin line at 0 in every lane."""
        return [
            level_line(-APART * lane, colour=FAINT) | {"line": {"color": FAINT, "width": 1}}
            for lane in range(len(self.names))
        ]


def lanes_for(names: Sequence[str], values: Array, band: float) -> Lanes:
    """Return lanes that hold the values, a slip far beyond all others left outside.

    Parameters
    ----------
    values : ndarray
        Distances from 0 to be drawn, NaN where missing.
    band : float
        Half the width of the widest band to be drawn.
    """
    distances = np.abs(values[np.isfinite(values)])
    usual = 6.0 * max(band, float(np.median(distances)) * 1.5)
    reach = max(band, min(float(distances.max()), usual) if usual > 0.0 else distances.max())
    if not math.isfinite(reach) or reach <= 0.0:
        reach = 1.0
    return Lanes(tuple(clean(name) for name in names), 1.08 * reach)
