"""`grr.show.weakest_leg`: how much of what is allowed each leg uses up."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.tables import FAINT, INK
from grr.questions.legs import CANNOT_TELL, CONDITIONAL, FAIL, NOT_DONE, OUTCOMES, PASS, Leg
from grr.questions.qualification import Qualification
from grr.show import theme
from grr.show.axes import VEIL

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Which leg is the weakest?"
ROW = 36
#: Bars are cut where a leg uses up more than this many times what is allowed.
FARTHEST = 2.0
_COLOURS = {
    PASS: theme.GREEN,
    CONDITIONAL: theme.BLUE,
    CANNOT_TELL: FAINT,
    NOT_DONE: "#ffffff",
    FAIL: theme.VERMILLION,
}


def weakest_leg(page: Qualification) -> Figure:
    """Draw for each leg how much of what is allowed it uses up, at the unfavourable end.

    Parameters
    ----------
    page : Qualification

    Returns
    -------
    plotly Figure
        Past the line at 100 % a leg does not pass; the outcome stands beside each bar.
    """
    legs = page.legs
    rows = len(legs)
    heights = [rows - 1 - row for row in range(rows)]
    used = [0.0 if math.isnan(leg.used) else min(leg.used, FARTHEST) for leg in legs]
    return theme.draw(
        "weakest-leg",
        QUESTION,
        _answer(page),
        alt="Bars as long as what each leg uses up of what is allowed: "
        + ", ".join(f"{leg.name} {leg.used_text or leg.outcome}" for leg in legs)
        + ".",
        traces=[
            {
                "type": "bar",
                "orientation": "h",
                "x": theme.rounded([100.0 * value for value in used]),
                "y": heights,
                "width": [0.56] * rows,
                "marker": {
                    "color": [_COLOURS[leg.outcome] for leg in legs],
                    "line": {"color": FAINT, "width": 1},
                },
                "hoverinfo": "text",
                "hovertext": [leg.why for leg in legs],
            }
        ],
        height=ROW * rows + 62,
        top=22,
        shapes=[
            {
                "type": "line",
                "x0": 100,
                "x1": 100,
                "yref": "paper",
                "y0": 0,
                "y1": 1,
                "line": {"color": INK, "width": 2},
            }
        ],
        notes=[
            theme.note("all that is allowed", 100, 1, yref="paper", yanchor="bottom", yshift=3),
            *(_outcome(leg, value, at) for leg, value, at in zip(legs, used, heights, strict=True)),
        ],
        margin={"b": 60, "r": 24},
        xaxis={
            "range": [0, 100.0 * FARTHEST * 1.3],
            "tickvals": [0, 50, 100, 150, 200],
            "ticksuffix": " %",
            "title": {"text": "of what is allowed, at the unfavourable end of the interval"},
        },
        yaxis={
            "tickvals": heights,
            "ticktext": [leg.name for leg in legs],
            "range": [-0.6, rows - 0.4],
            "ticks": "",
            "showline": False,
        },
    )


def _outcome(leg: Leg, used: float, at: int) -> dict[str, Any]:
    share = f", {leg.used_text}" if leg.used_text else ""
    cut = " →" if leg.used > FARTHEST else ""
    return theme.note(
        f"{OUTCOMES[leg.outcome]} {leg.outcome}{share}{cut}",
        theme.one(100.0 * used),
        at,
        xanchor="left",
        yanchor="middle",
        xshift=6,
        bgcolor=VEIL,
    )


def _answer(page: Qualification) -> str:
    weakest = page.weakest
    share = f", {weakest.used_text} of what is allowed" if weakest.used_text else ""
    return f"{weakest.name}: {weakest.outcome}{share}. {weakest.why}"
