"""`grr.show.checks_over_time`: the checks of a gauge against its frozen limits."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.limits import fine_interval, signed_length
from grr.model.rounding import JOIN, counted, length, size
from grr.model.tables import FAINT
from grr.questions.stability_result import StabilityResult
from grr.show import theme
from grr.show.axes import level_line, level_name, reach_axis, unit_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Has the gauge stayed as it was?"


def checks_over_time(result: StabilityResult) -> Figure:
    """Draw each check from the baseline's mean against the limits taken from the baseline.

    Parameters
    ----------
    result : StabilityResult

    Returns
    -------
    plotly Figure
        The grey ground is the baseline; diamonds are checks at which a rule is met.
    """
    scale = unit_scale(result.unit)
    centre, sigma = float(result.limits.centre), float(result.limits.sigma) * scale.factor
    points = (result.means - centre) * scale.factor
    days = [f"{time:%Y-%m-%d}" for time in result.times]
    alarmed = {signal.check for signal in result.signals}
    heights = [*points, 3.4 * sigma, -3.4 * sigma]
    shapes = [
        _ground(days, result.baseline),
        level_line(0.0, colour=FAINT, width=1.0),
        *(level_line(side * 3.0 * sigma, colour=theme.ROLES["limit"]) for side in (-1, 1)),
        *(
            level_line(side * at * sigma, colour=FAINT, dash="dot", width=0.8)
            for side in (-1, 1)
            for at in (1.0, 2.0)
        ),
    ]
    limit = f"limit +3 sigma, {length(3.0 * float(result.limits.sigma), result.unit)}"
    notes = [
        level_name(limit, 3.0 * sigma, left=True),
        level_name("limit −3 sigma", -3.0 * sigma, above=False, left=True),
        theme.note(
            f"baseline: {counted(result.baseline, 'check')}",
            None,
            1,
            yref="paper",
            xanchor="right",
            yanchor="top",
            xshift=-4,
            font={"color": FAINT, "size": theme.SMALL},
        )
        | {"x": days[result.baseline - 1]},
    ]
    return theme.draw(
        "checks-over-time",
        QUESTION,
        _answer(result),
        alt="Checks in order of time, as distances from the mean of the baseline, with limits.",
        traces=[_points(result, days, points, alarmed), *_steps(result, days, scale.factor)],
        height=330,
        shapes=shapes,
        notes=notes,
        margin={"b": 50},
        xaxis={"type": "date", "range": _span(result), "title": {"text": ""}},
        yaxis=reach_axis(heights, scale.named("distance from the baseline's mean")),
    )


def _ground(days: list[str], baseline: int) -> dict[str, Any]:
    return {
        "type": "rect",
        "x0": days[0],
        "x1": days[baseline - 1],
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "fillcolor": theme.ROLES["band"],
        "line": {"width": 0},
        "layer": "below",
    }


def _span(result: StabilityResult) -> list[str]:
    pad = (result.times[-1] - result.times[0]) * 0.03
    return [f"{result.times[0] - pad:%Y-%m-%d}", f"{result.times[-1] + pad:%Y-%m-%d}"]


def _points(
    result: StabilityResult, days: list[str], points: Any, alarmed: set[int]
) -> dict[str, Any]:
    rules = result.to_frame()["rules_met"].tolist()
    out = [check in alarmed for check in range(len(days))]
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "x": days,
        "y": theme.rounded(points),
        "line": {"color": theme.ROLES["part"], "width": 1},
        "marker": {
            "opacity": 1,
            "symbol": ["diamond" if bad else "circle" for bad in out],
            "size": [12 if bad else 8 for bad in out],
            "color": [theme.ROLES["doubt"] if bad else theme.ROLES["part"] for bad in out],
        },
        "cliponaxis": False,
        "hoverinfo": "text",
        "hovertext": [
            f"{day}: {size(float(mean), result.resolution, result.unit)}"
            + (f"<br>{met}" if met else "")
            for day, mean, met in zip(days, result.means, rules, strict=True)
        ],
    }


def _steps(result: StabilityResult, days: list[str], factor: float) -> list[dict[str, Any]]:
    """Return the mean before and after a step, as two lines."""
    if result.step is None:
        return []
    first = int(result.step.first_after)
    levels = np.split((result.means - float(result.limits.centre)) * factor, [first])
    pieces = (days[:first], days[first:])
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": [piece[0], piece[-1]],
            "y": theme.rounded([level.mean(), level.mean()]),
            "line": {"color": theme.VERMILLION, "width": 2, "dash": "dash"},
            "hoverinfo": "skip",
        }
        for piece, level in zip(pieces, levels, strict=True)
    ]


def _answer(result: StabilityResult) -> str:
    count = len({signal.check for signal in result.signals})
    checks = counted(len(result.means), "check")
    if result.step is not None and result.step_between is not None:
        size_of = signed_length(float(result.step.size), result.unit)
        before, after = (time.date() for time in result.step_between)
        return (
            f"No: it stepped by {size_of} between {before} and {after} (dashed). At {count} of "
            f"{checks} a rule is met (diamonds)."
        )
    drift = result.drift
    interval = fine_interval(drift.lower, drift.upper, result.unit)
    yearly = f"{interval} a year with {100 * result.level:g}{JOIN}% confidence"
    shown = drift.lower > 0.0 or drift.upper < 0.0
    moved = f"it drifts by {yearly}" if shown else f"no drift is shown ({yearly})"
    if count:
        return f"Not quite: at {count} of {checks} a rule is met (diamonds); {moved}."
    return f"{'Not quite' if shown else 'Yes'}: no rule is met at any of {checks}; {moved}."
