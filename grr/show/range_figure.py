"""`grr.show.over_range`: the bias at each gauge block along the range."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.rounding import length, size
from grr.questions.linearity_result import BEYOND, WITHIN, LinearityResult
from grr.show import theme
from grr.show.axes import curve, level_line, level_name, reach_axis, ribbon, unit_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "How does the bias change over the range?"
BAND = "rgba(86,180,233,0.30)"


def over_range(result: LinearityResult) -> Figure:
    """Draw the bias at each block, the line with its confidence band, and the limits.

    Parameters
    ----------
    result : LinearityResult

    Returns
    -------
    plotly Figure
        Small dots are readings, diamonds are the blocks' means. With a periodic error, the
        fitted sinusoid is drawn too.
    """
    scale = unit_scale(result.unit)
    band = result.band
    bias, means = result.bias * scale.factor, result.blocks.means * scale.factor
    heights: list[Any] = [*bias, *(band.lower * scale.factor), *(band.upper * scale.factor), 0.0]
    shapes, notes = [level_line(0.0, colour=theme.ROLES["limit"], width=1.0)], []
    for limit, name, dash in (
        (result.bias_limit, "bias limit", "dash"),
        (result.mpe, "permissible error", "dot"),
    ):
        if limit is None:
            continue
        at = limit * scale.factor
        heights += [-at, at]
        shapes += [level_line(side, colour=theme.ROLES["limit"], dash=dash) for side in (-at, at)]
        notes.append(level_name(f"{name} ±{length(limit, result.unit)}", at, above=False))
    traces = [
        ribbon(band.x, band.lower * scale.factor, band.upper * scale.factor, BAND),
        curve(band.x, band.fitted * scale.factor, colour=theme.BLUE),
    ]
    if result.pitch is not None:
        fine = np.linspace(band.x[0], band.x[-1], 1201)
        traces.append(
            curve(fine, result.pitch.at(fine) * scale.factor, colour=theme.PURPLE, width=1.0)
        )
    traces += [_readings(result, bias), _means(result, means, scale.factor)]
    span = float(result.blocks.values[-1] - result.blocks.values[0])
    return theme.draw(
        "over-range",
        QUESTION,
        _answer(result),
        alt="Bias of the readings on each block against the block's size, with a fitted line and "
        "its band.",
        traces=traces,
        height=340,
        shapes=shapes,
        notes=notes,
        margin={"b": 60},
        xaxis={
            "range": [
                theme.one(float(result.blocks.values[0]) - 0.04 * span),
                theme.one(float(result.blocks.values[-1]) + 0.04 * span),
            ],
            "title": {"text": f"size of the block, {result.unit}".rstrip(", ")},
        },
        yaxis=reach_axis(heights, scale.named("reading minus size of the block")),
    )


def _readings(result: LinearityResult, bias: Any) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "markers",
        "x": theme.rounded(result.reference),
        "y": theme.rounded(bias),
        "marker": {"color": theme.ROLES["TV"], "size": 5, "symbol": "circle", "opacity": 0.6},
        "hoverinfo": "skip",
    }


def _means(result: LinearityResult, means: Any, factor: float) -> dict[str, Any]:
    lower, upper = result.block_lower * factor, result.block_upper * factor
    known = bool(np.isfinite(lower).all())
    error = {
        "type": "data",
        "symmetric": False,
        "array": theme.rounded(upper - means),
        "arrayminus": theme.rounded(means - lower),
        "color": theme.VERMILLION,
        "thickness": 1.6,
        "width": 6,
    }
    return {
        "type": "scatter",
        "mode": "markers",
        "x": theme.rounded(result.blocks.values),
        "y": theme.rounded(means),
        "marker": {"symbol": "diamond", "size": 11, "color": theme.VERMILLION},
        "hoverinfo": "text",
        "hovertext": [
            f"block {size(float(value), result.resolution, result.unit)}<br>mean bias "
            f"{length(float(mean), result.unit)} of {int(count)} readings"
            for value, mean, count in zip(
                result.blocks.values, result.blocks.means, result.blocks.counts, strict=True
            )
        ],
        **({"error_y": error} if known else {}),
    }


def _answer(result: LinearityResult) -> str:
    found = length(result.largest_bias, result.unit)
    possible = length(result.largest_possible_bias, result.unit)
    words = f"The largest bias found is {found}; with the intervals it could be {possible}."
    if result.bias_limit is not None:
        state = result.against(result.bias_limit)
        said = {WITHIN: "within the limit everywhere", BEYOND: "beyond the limit somewhere"}
        words += f" That is {said.get(state, 'not decided: the limit lies in between')}."
    if result.mpe is not None:
        words += f" Errors of indication: {result.mpe_state} (ISO 14253-1)."
    if result.pitch is not None and not math.isnan(result.pitch_share):
        amplitude = length(result.pitch_share, result.unit)
        words += f" The screw's periodic error is ±{amplitude} (thin curve)."
    return words
