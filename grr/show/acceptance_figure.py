"""`grr.show.acceptance_ruler`: what an uncertainty leaves of a tolerance."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.limits import limits_text
from grr.model.rounding import length, percent
from grr.model.tables import FAINT, INK
from grr.model.tolerance import Tolerance
from grr.questions.budget import UncertaintyBudget
from grr.questions.budget_use import BudgetUse
from grr.show import theme
from grr.show.axes import doubt_zone, unit_scale
from grr.show.scale import graduations, round_step, tick_text

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Which readings prove that a part is in tolerance?"


def acceptance_ruler(budget: UncertaintyBudget, tolerance: Tolerance) -> Figure:
    """Draw the tolerance as a ruler, with the guard bands that the uncertainty takes.

    Parameters
    ----------
    budget : UncertaintyBudget
    tolerance : Tolerance
        With two limits.

    Returns
    -------
    plotly Figure
        Hatched: a reading there proves nothing (ISO 14253-1). Without a second limit, a
        page that says what is needed.
    """
    use = budget.against(tolerance)
    if tolerance.width is None:
        return theme.unanswered(
            "acceptance-ruler",
            QUESTION,
            f"The tolerance has one limit: {use}".replace("\n", " "),
        )
    scale = unit_scale(budget.unit)
    width = tolerance.width * scale.factor
    guard = use.guard * scale.factor if math.isfinite(use.guard) else width / 2.0
    guard = min(guard, width / 2.0)
    step = round_step(width / 10.0)
    pad = 0.16 * width
    at = graduations(0.0, width, step)
    return theme.draw(
        "acceptance-ruler",
        QUESTION,
        _answer(use),
        alt="The tolerance to scale, hatched at both ends by the guard band.",
        traces=[
            doubt_zone(0.0, guard, "a reading here proves nothing"),
            doubt_zone(width - guard, width, "a reading here proves nothing"),
        ],
        height=130,
        top=24,
        shapes=[
            _box(0.0, width, "#F7F4EC", FAINT),
            *([_box(guard, width - guard, "#CDEBDF", theme.GREEN)] if use.acceptance else []),
            *(_limit(x) for x in (0.0, width)),
        ],
        notes=[
            theme.note("lower limit", 0.0, 1.22, xanchor="right", yanchor="middle", xshift=-5),
            theme.note("upper limit", width, 1.22, xanchor="left", yanchor="middle", xshift=5),
            theme.note(
                f"accept: {percent(use.left_percent)} of the tolerance"
                if use.acceptance
                else "no reading proves it",
                theme.one(width / 2.0),
                0.5,
                bold=True,
            ),
        ],
        margin={"l": 24, "r": 24, "b": 60},
        xaxis={
            "range": [theme.one(-pad), theme.one(width + pad)],
            "tickvals": theme.rounded(at),
            "ticktext": [tick_text(value, step) for value in at],
            "title": {"text": scale.named("from the lower limit")},
        },
        yaxis={"range": [0.0, 1.4], "visible": False},
    )


def _box(left: float, right: float, fill: str, line: str) -> dict[str, Any]:
    return {
        "type": "rect",
        "x0": theme.one(left),
        "x1": theme.one(right),
        "y0": 0,
        "y1": 1,
        "fillcolor": fill,
        "line": {"color": line, "width": 1},
        "layer": "below",
    }


def _limit(at: float) -> dict[str, Any]:
    return {
        "type": "line",
        "x0": theme.one(at),
        "x1": theme.one(at),
        "y0": 0,
        "y1": 1.32,
        "line": {"color": INK, "width": 2},
    }


def _answer(use: BudgetUse) -> str:
    if use.acceptance is None:
        u = length(use.standard_u, use.unit)
        return f"None: the standard uncertainty of {u} is too large for this tolerance."
    step = 10.0 ** (math.floor(math.log10(use.guard)) - 1) if use.guard > 0.0 else None
    return (
        f"Readings {limits_text(use.acceptance, step, use.unit)}, corrected for known bias: "
        f"{length(use.guard, use.unit)} inside each limit (ISO 14253-1, "
        f"{100 * use.confidence:g} %)."
    )
