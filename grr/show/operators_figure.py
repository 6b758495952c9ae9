"""`grr.show.operators_side_by_side`: each operator's offset and scatter in one picture."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.names import short_names
from grr.model.rounding import JOIN, figures, length
from grr.model.tables import FAINT, INK
from grr.questions.compare_operators import OperatorComparison
from grr.questions.offset_words import HIGH, LOW
from grr.show import theme
from grr.show.markup import markup
from grr.show.scale import fine_scale, graduations, round_step, tick_text

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Who reads high, and whose readings scatter?"
ROW = 62
#: Room at the right for what was found, in px.
WORDS = 210


def operators_side_by_side(comparison: OperatorComparison) -> Figure:
    """Draw where each operator reads and how far the repeats scatter, one row an operator.

    Parameters
    ----------
    comparison : OperatorComparison

    Returns
    -------
    plotly Figure
        A diamond: how far the operator's mean lies from that of the others, with its
        interval. The bar behind it is as long as the operator's repeats spread.
    """
    numbers = comparison.numbers
    study, scale = comparison.study, fine_scale(comparison.study)
    names = list(study.operator_names)
    spread = study.rules.spread
    rows = []
    for name in names:
        offset, low, high, sd = (
            numbers.value(name, column) * scale.factor
            for column in ("from_others", "from_others_lower", "from_others_upper", "sd")
        )
        rows.append((offset, low, high, 0.5 * spread * (0.0 if math.isnan(sd) else sd)))
    ends = [
        abs(v)
        for offset, low, high, half in rows
        for v in (low, high, offset - half, offset + half)
    ]
    reach = 1.08 * max(ends) or 1.0
    level = f"{100 * numbers.level:g}{JOIN}%"
    pulled = ""
    if len(names) > 2 and any({HIGH, LOW}.intersection(c.findings) for c in comparison.conclusions):
        pulled = " Who reads high or low pulls the others' diamonds the other way."
    return theme.draw(
        "operators-side-by-side",
        QUESTION,
        f"{comparison.headline} Bars: where a repeat may fall ({spread:g} sd); diamonds: the mean "
        f"against that of the others, with its {level} interval.{pulled}",
        alt="One row an operator: a bar as long as the repeats spread, and the mean on it.",
        example=study.example,
        traces=[trace for i, row in enumerate(rows) for trace in _row(comparison, i, row)],
        height=ROW * len(names) + 66,
        top=10,
        shapes=[_zero()],
        notes=[_words(comparison, i) for i in range(len(names))],
        margin={"r": WORDS, "b": 62},
        xaxis=_axis(reach, scale.named("lower or higher than the others")),
        yaxis={
            "range": [len(names) - 0.5, -0.5],
            "tickvals": list(range(len(names))),
            "ticktext": [f"<b>{markup(name)}</b>" for name in short_names(names, 16)],
            "ticks": "",
            "ticklabelstandoff": 8,
            "showline": False,
        },
    )


def _row(
    comparison: OperatorComparison, place: int, row: tuple[float, float, float, float]
) -> list[dict[str, Any]]:
    offset, low, high, half = row
    colour, _ = theme.OPERATOR_LOOKS[place % len(theme.OPERATOR_LOOKS)]
    hover = _hover(comparison, comparison.study.operator_names[place])
    return [
        {
            "type": "bar",
            "orientation": "h",
            "x": theme.rounded([2.0 * half]),
            "base": theme.rounded([offset - half]),
            "y": [place],
            "width": 0.5,
            "marker": {"color": colour, "opacity": 0.28},
            "hoverinfo": "text",
            "hovertext": [hover],
        },
        {
            "type": "scatter",
            "mode": "lines+markers",
            "x": theme.rounded([low, offset, high]),
            "y": [place] * 3,
            "line": {"color": INK, "width": 1.8},
            "marker": {
                "symbol": ["line-ns", "diamond", "line-ns"],
                "size": [14, 13, 14],
                "color": [INK, colour, INK],
                "line": {"color": INK, "width": 1.8},
            },
            "hoverinfo": "text",
            "hovertext": [hover] * 3,
        },
    ]


def _hover(comparison: OperatorComparison, name: str) -> str:
    numbers, unit = comparison.numbers, comparison.study.unit
    lines = [short_names([name], 40)[0]]
    offset = numbers.value(name, "from_others")
    way = "lower" if offset < 0 else "higher"
    lines.append(f"{length(abs(offset), unit)} {way} than the others")
    sd = numbers.value(name, "sd")
    if not math.isnan(sd):
        lines.append(f"repeats with a standard deviation of {length(sd, unit)}")
    return "<br>".join(markup(line) for line in lines)


def _words(comparison: OperatorComparison, place: int) -> dict[str, Any]:
    """Return what was found about an operator, at the right of the row."""
    conclusion = comparison.conclusions[place]
    numbers, unit = comparison.numbers, comparison.study.unit
    offset = numbers.value(conclusion.operator, "from_others")
    ratio = numbers.value(conclusion.operator, "scatter_ratio")
    details = [f"{'−' if offset < 0 else '+'}{length(abs(offset), unit)}"]
    if math.isfinite(ratio):
        details.append(f"scatter × {figures(ratio)}")
    found = theme.lines(", ".join(conclusion.in_words), 28)
    return theme.note(
        "\n".join([*found, ", ".join(details)]),
        1,
        place,
        xref="paper",
        xanchor="left",
        yanchor="middle",
        align="left",
        xshift=10,
        font={"size": theme.SMALL, "color": INK},
    )


def _zero() -> dict[str, Any]:
    return {
        "type": "line",
        "x0": 0,
        "x1": 0,
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"color": FAINT, "width": 1.2, "dash": "dash"},
        "layer": "below",
    }


def _axis(reach: float, title: str) -> dict[str, Any]:
    """Return a horizontal axis from −``reach`` to ``reach`` with signed numbers."""
    step = round_step(reach / 3.0)
    at = graduations(-reach, reach, step)
    return {
        "range": theme.rounded([-reach, reach]),
        "tickvals": theme.rounded(at),
        "ticktext": [f"{'+' if value > step / 2 else ''}{tick_text(value, step)}" for value in at],
        "title": {"text": title},
    }
