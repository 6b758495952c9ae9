"""`grr.show.uncertainty_sources`: what makes a result uncertain, line by line."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.names import shortened
from grr.model.rounding import length, percent
from grr.model.tables import FAINT, INK
from grr.questions.budget import UncertaintyBudget
from grr.show import theme
from grr.show.axes import unit_scale
from grr.show.markup import markup
from grr.show.scale import value_axis

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "What makes the result uncertain?"
ROW = 30


def uncertainty_sources(budget: UncertaintyBudget) -> Figure:
    """Draw what each line contributes, the largest on top, and what they make together.

    Parameters
    ----------
    budget : UncertaintyBudget

    Returns
    -------
    plotly Figure
        Bars in outline do not count: they are in another line already.
    """
    scale = unit_scale(budget.unit)
    frame = budget.to_frame()
    names = [str(name) for name in frame.index]
    parts = [float(value) * scale.factor for value in frame["contribution"]]
    counts = [bool(value) for value in frame["counted"]]
    whole = budget.standard_u * scale.factor
    rows = len(names) + 1
    heights = [rows - 1 - row for row in range(rows)]
    high = 1.3 * max([whole, *parts]) or 1.0
    return theme.draw(
        "uncertainty-sources",
        QUESTION,
        _answer(budget),
        alt="Bars as long as the standard uncertainty that each line makes: "
        + ", ".join(
            f"{name} {length(float(value), budget.unit)}"
            for name, value in zip(names, frame["contribution"], strict=True)
        )
        + ".",
        traces=[_bars([*parts, whole], heights, [*counts, True], frame["note"].tolist())],
        height=ROW * rows + 62,
        notes=[
            *(
                _value(value, at, text)
                for value, at, text in zip(
                    [*parts, whole], heights, _texts(budget, frame), strict=True
                )
            ),
        ],
        margin={"b": 60, "r": 30},
        xaxis=value_axis(high, scale.named("standard uncertainty that it makes")),
        yaxis={
            "tickvals": heights,
            "ticktext": [
                *(markup(shortened(name, 34)) for name in names),
                "<b>together</b>",
            ],
            "range": [-0.6, rows - 0.4],
            "ticks": "",
            "showline": False,
        },
    )


def _bars(
    values: list[float], heights: list[int], counts: list[bool], notes: list[str]
) -> dict[str, Any]:
    colours = [theme.ROLES["EV"] if counted else "#ffffff" for counted in counts[:-1]]
    return {
        "type": "bar",
        "orientation": "h",
        "x": theme.rounded(values),
        "y": heights,
        "width": [0.62] * len(values),
        "marker": {
            "color": [*colours, theme.ROLES["GRR"]],
            "line": {"color": [FAINT] * (len(values) - 1) + [theme.ROLES["GRR"]], "width": 1},
        },
        "hoverinfo": "text",
        "hovertext": [*(markup(note) for note in notes), "combined standard uncertainty"],
    }


def _texts(budget: UncertaintyBudget, frame: Any) -> list[str]:
    texts = []
    for value, share in zip(frame["contribution"], frame["share_percent"], strict=True):
        counted = "not counted" if math.isnan(share) else f"{percent(share)} of the variance"
        texts.append(f"{length(float(value), budget.unit)}, {counted}")
    return [*texts, f"{length(budget.standard_u, budget.unit)}"]


def _value(value: float, at: int, text: str) -> dict[str, Any]:
    return theme.note(
        text,
        theme.one(value),
        at,
        xanchor="left",
        yanchor="middle",
        xshift=6,
        font={"color": INK, "size": theme.SMALL},
    )


def _answer(budget: UncertaintyBudget) -> str:
    frame = budget.to_frame()
    share = float(frame["share_percent"].iloc[0])
    most = shortened(str(frame.index[0]), 40)
    return (
        f"Most of it is {most} ({percent(share)} of the variance). Together: expanded uncertainty "
        f"U = {length(budget.expanded, budget.unit)} (k = {budget.coverage:.2f})."
    )
