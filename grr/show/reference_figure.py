"""`grr.show.on_reference`: readings of one reference part against the share granted."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from grr.model.limits import fine_interval, fine_length
from grr.model.rounding import JOIN, figures, length, size
from grr.questions.reference_result import ReferenceResult
from grr.show import theme
from grr.show.axes import count_axis, level_band, level_line, level_name, reach_axis, unit_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Does the gauge read the reference part right?"


def on_reference(result: ReferenceResult) -> Figure:
    """Draw each reading of the reference part from its calibrated value, in the order taken.

    The ground is the share of the tolerance that Cg and Cgk grant; the bar at the right is
    the mean with three standard deviations to either side.

    Parameters
    ----------
    result : ReferenceResult

    Returns
    -------
    plotly Figure
    """
    scale = unit_scale(result.unit)
    deviations = (np.array(result.readings) - result.reference) * scale.factor
    count = len(deviations)
    half = result.asked.share * result.width / 2.0 * scale.factor
    bias, reach = result.bias * scale.factor, 3.0 * result.sd * scale.factor
    heights = [*deviations, bias - reach, bias + reach, 0.0]
    shapes = [level_line(0.0, colour=theme.ROLES["limit"])]
    notes = []
    if math.isfinite(half):
        heights += [-half, half]
        shapes.insert(0, level_band(-half, half))
        share = f"{100.0 * result.asked.share:g}{JOIN}%"
        notes.append(level_name(f"ground: {share} of the tolerance", half, above=False, left=True))
    return theme.draw(
        "on-reference",
        QUESTION,
        _answer(result),
        alt=f"{count} readings in the order taken, as distances from the calibrated value.",
        traces=[
            {
                "type": "scatter",
                "mode": "markers",
                "x": list(range(1, count + 1)),
                "y": theme.rounded(deviations),
                "marker": {"color": theme.ROLES["part"], "size": 8, "symbol": "circle"},
                "cliponaxis": False,
                "hoverinfo": "text",
                "hovertext": [
                    f"reading {number}: {size(value, result.resolution, result.unit)}"
                    for number, value in enumerate(result.readings, start=1)
                ],
            },
            {
                "type": "scatter",
                "mode": "markers",
                "x": [count + _apart(count)],
                "y": [theme.one(bias)],
                "error_y": {
                    "type": "constant",
                    "value": theme.one(reach),
                    "color": theme.VERMILLION,
                    "thickness": 2,
                    "width": 9,
                },
                "marker": {"symbol": "diamond", "size": 12, "color": theme.VERMILLION},
                "cliponaxis": False,
                "hoverinfo": "text",
                "hovertext": ["mean and three standard deviations to either side"],
            },
        ],
        height=320,
        shapes=shapes,
        notes=[
            *notes,
            theme.note(
                "mean ± 3 sd",
                count + _apart(count),
                theme.one(bias + reach),
                xanchor="right",
                yanchor="bottom",
                yshift=4,
            ),
        ],
        margin={"b": 60, "l": 20},
        xaxis=count_axis(count, "readings in the order taken", beyond=2.0 * _apart(count) - 0.8),
        yaxis=reach_axis(heights, scale.named("reading minus calibrated value")),
    )


def _apart(count: int) -> float:
    """Return how far to the right of the last reading the mean is drawn."""
    return max(1.0, 0.06 * count)


def _answer(result: ReferenceResult) -> str:
    low, high = result.bias_interval
    bias = (
        f"Bias {fine_length(result.bias, high - low, result.unit)} "
        f"({fine_interval(low, high, result.unit)}), repeatability "
        f"{length(result.sd, result.unit)} (one sd)."
    )
    if math.isnan(result.cgk):
        return bias
    limit = result.asked.limit
    reached = "reach" if min(result.cg, result.cgk) >= limit else "do not both reach"
    return (
        f"{bias} Cg {figures(result.cg, 3)} and Cgk {figures(result.cgk, 3)} {reached} {limit:g}."
    )
