"""`grr.show.drift_over_time`: the readings since zeroing, with the fitted drift."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.names import short_names, shortened
from grr.model.rounding import length
from grr.model.tables import FAINT, INK
from grr.questions.drift import Drift
from grr.show import theme
from grr.show.axes import curve
from grr.show.markup import markup
from grr.show.scale import fine_scale, graduations, round_step, tick_text

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Do the readings drift while the gauge is in use?"
POINTS = 80
#: Height of a panel and of the gap between two, in px.
PANEL, GAP = 170, 36
#: Operators named above the panels at most.
NAMED = 6
MARKS = {"circle": "●", "diamond": "◆", "square": "■", "triangle-up": "▲", "triangle-down": "▼"}


@dataclass(frozen=True)
class _Panels:
    """One panel a method, under each other, with the same scale."""

    methods: tuple[str, ...]
    low: float
    high: float
    height: int = PANEL

    @property
    def total(self) -> int:
        """Height of all panels in px."""
        return len(self.methods) * self.height + (len(self.methods) - 1) * GAP

    def axis_name(self, panel: int) -> str:
        """Return plotly's name of a panel's vertical axis: y, y2 …"""
        return "y" if panel == 0 else f"y{panel + 1}"

    def axes(self) -> dict[str, dict[str, Any]]:
        """Return the vertical axes, from the top."""
        step = round_step((self.high - self.low) / 5.0)
        at = graduations(self.low, self.high, step)
        found = {}
        for panel in range(len(self.methods)):
            top = 1.0 - panel * (self.height + GAP) / self.total
            bottom = top - self.height / self.total
            found["yaxis" if panel == 0 else f"yaxis{panel + 1}"] = {
                "domain": [round(max(bottom, 0.0), 6), round(top, 6)],
                "range": theme.rounded([self.low, self.high]),
                "tickvals": theme.rounded(at),
                "ticktext": [tick_text(value, step) for value in at],
                "anchor": "x",
            }
        return found


def drift_over_time(drift: Drift) -> Figure:
    """Draw each reading against the time since zeroing, one panel a method.

    Parameters
    ----------
    drift : Drift

    Returns
    -------
    plotly Figure
        What the parts and sessions differ by is taken off. Line: the fitted drift; ground:
        what drift may eat; dotted line: when it would be used up.
    """
    numbers, scale = drift.numbers, fine_scale(drift.study)
    allowed = max((when.allowed for when in drift.re_zero.values()), default=0.0) * scale.factor
    panels = _panels(drift, allowed)
    unit = "minutes" if numbers.taken.unit == "min" else "readings"
    answer = drift.headline
    if allowed > 0.0:
        allowance = length(allowed / scale.factor, drift.study.unit)
        answer += f" Ground: the {allowance} that drift may eat."
        if any(_used_up(drift, method) for method in panels.methods):
            answer += " Dotted: when it is used up."
    return theme.draw(
        "drift-over-time",
        QUESTION,
        answer,
        alt="One panel a method: readings against the time since zeroing, and the fitted drift.",
        example=drift.study.example,
        traces=[
            trace
            for panel in range(len(panels.methods))
            for trace in (*_readings(drift, panels, panel), _fitted(drift, panels, panel))
        ],
        height=panels.total + 66,
        top=54,
        shapes=[
            shape
            for panel in range(len(panels.methods))
            for shape in _grounds(drift, panels, panel, allowed)
        ],
        notes=[
            *(_method_name(panels, panel) for panel in range(len(panels.methods))),
            _scale_name(scale.named("distance from the reading at the start")),
            _operator_names(drift),
        ],
        margin={"b": 66},
        xaxis={
            **_time_axis(
                max(found.span for found in numbers.methods.values()),
                f"{unit} since zeroing, or since the session began",
            ),
            "anchor": panels.axis_name(len(panels.methods) - 1),
        },
        **panels.axes(),
    )


def _panels(drift: Drift, allowed: float) -> _Panels:
    """Return the panels; one reading far beyond all others does not set the scale."""
    values = drift.numbers.readings["drift"].to_numpy() * fine_scale(drift.study).factor
    middle = float(np.median(values))
    usual = 8.0 * float(np.median(np.abs(values - middle)))
    low, high = float(values.min()), float(values.max())
    if usual > 0.0:
        low, high = max(low, middle - usual), min(high, middle + usual)
    low, high = min(low, -1.3 * allowed), max(high, 1.3 * allowed)
    pad = 0.06 * (high - low) or 1.0
    return _Panels(tuple(drift.numbers.methods), low - pad, high + pad)


def _readings(drift: Drift, panels: _Panels, panel: int) -> list[dict[str, Any]]:
    table, factor = drift.numbers.readings, fine_scale(drift.study).factor
    traces = []
    for place, operator in enumerate(drift.study.operator_names):
        rows = table[(table["method"] == panels.methods[panel]) & (table["operator"] == operator)]
        if rows.empty:
            continue
        colour, symbol = theme.OPERATOR_LOOKS[place % len(theme.OPERATOR_LOOKS)]
        since, values = rows["since"].tolist(), rows["drift"].tolist()
        heights = [min(max(value * factor, panels.low), panels.high) for value in values]
        who, unit = markup(shortened(operator, 40)), drift.numbers.taken.unit
        traces.append(
            {
                "type": "scatter",
                "mode": "markers",
                "yaxis": panels.axis_name(panel),
                "x": theme.rounded(since),
                "y": theme.rounded(heights),
                "marker": {"color": colour, "symbol": symbol, "size": 7, "opacity": 0.75},
                "cliponaxis": False,
                "hoverinfo": "text",
                "hovertext": [
                    f"{who}<br>{at:.1f} {unit}<br>"
                    f"{markup(length(abs(value), drift.study.unit))} "
                    f"{'below' if value < 0 else 'above'} the start"
                    for at, value in zip(since, values, strict=True)
                ],
            }
        )
    return traces


def _fitted(drift: Drift, panels: _Panels, panel: int) -> dict[str, Any]:
    found = drift.numbers.methods[panels.methods[panel]]
    at = np.linspace(0.0, found.span, POINTS)
    heights = found.at(at) * fine_scale(drift.study).factor
    return curve(at, heights, colour=INK) | {"yaxis": panels.axis_name(panel)}


def _grounds(drift: Drift, panels: _Panels, panel: int, allowed: float) -> list[dict[str, Any]]:
    """Return what drift may eat, the line of the start, and when the allowance is used up."""
    axis, method = panels.axis_name(panel), panels.methods[panel]
    across = {"xref": "paper", "x0": 0, "x1": 1, "yref": axis, "layer": "below"}
    shapes: list[dict[str, Any]] = [
        {"type": "line", **across, "y0": 0, "y1": 0, "line": {"color": FAINT, "width": 1}}
    ]
    if allowed > 0.0:
        ground = {"fillcolor": theme.ROLES["band"], "line": {"width": 0}}
        edges = {"y0": theme.one(-allowed), "y1": theme.one(allowed)}
        shapes.insert(0, {"type": "rect", **across, **edges, **ground})
    if _used_up(drift, method):
        when = drift.re_zero[method]
        shapes.append(
            {
                "type": "line",
                "x0": theme.one(when.estimate),
                "x1": theme.one(when.estimate),
                "yref": axis,
                "y0": theme.one(panels.low),
                "y1": theme.one(panels.high),
                "line": {"color": theme.ROLES["doubt"], "width": 1.6, "dash": "dot"},
            }
        )
    return shapes


def _used_up(drift: Drift, method: str) -> bool:
    """Whether the drift of a method used up its allowance while it was watched."""
    when = drift.re_zero.get(method)
    return when is not None and when.estimate <= drift.numbers.methods[method].span


def _method_name(panels: _Panels, panel: int) -> dict[str, Any]:
    return theme.note(
        shortened(panels.methods[panel] or "all readings", 60),
        0,
        theme.one(panels.high),
        xref="paper",
        yref=panels.axis_name(panel),
        xanchor="left",
        yanchor="bottom",
        yshift=2,
        bold=True,
        font={"size": theme.TEXT_SIZE},
    )


def _scale_name(text: str) -> dict[str, Any]:
    return theme.note(
        text,
        0,
        1,
        xref="paper",
        yref="paper",
        xanchor="left",
        yanchor="bottom",
        yshift=28,
        font={"color": FAINT, "size": theme.SMALL},
    )


def _operator_names(drift: Drift) -> dict[str, Any]:
    """Return the operators by colour and shape, at the right above the panels."""
    names = short_names(drift.study.operator_names, 12)
    pieces = []
    for place, name in enumerate(names[:NAMED]):
        colour, symbol = theme.OPERATOR_LOOKS[place % len(theme.OPERATOR_LOOKS)]
        mark = MARKS.get(symbol, "★")
        pieces.append(f'<span style="color:{colour}">{mark}</span> {markup(name)}')
    if len(names) > NAMED:
        pieces.append(f"and {len(names) - NAMED} more")
    return {
        "text": "   ".join(pieces),
        "x": 1,
        "y": 1,
        "xref": "paper",
        "yref": "paper",
        "xanchor": "right",
        "yanchor": "bottom",
        "yshift": 28,
        "showarrow": False,
    }


def _time_axis(span: float, title: str) -> dict[str, Any]:
    step = round_step(span / 8.0)
    at = graduations(0.0, span, step)
    return {
        "range": theme.rounded([-0.02 * span, 1.03 * span]),
        "tickvals": theme.rounded(at),
        "ticktext": [f"{value:g}" for value in theme.rounded(at) if value is not None],
        "title": {"text": title},
    }
