"""`grr.show.screw_turn`: the bias against the angle at which each block stops the spindle."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from grr.model.limits import fine_interval
from grr.model.probability import p_text
from grr.model.rounding import length, size
from grr.questions.linearity_result import LinearityResult
from grr.show import theme
from grr.show.axes import curve, level_line, reach_axis, unit_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Does the screw repeat an error each turn?"


def screw_turn(result: LinearityResult) -> Figure:
    """Draw the blocks' bias, the straight line taken off, against the spindle's angle.

    Parameters
    ----------
    result : LinearityResult
        With a periodic error: `grr.linearity` with ``pitch``.

    Returns
    -------
    plotly Figure
        Without a pitch, a page that says what is needed.
    """
    wave = result.pitch
    if wave is None:
        return theme.unanswered(
            "screw-turn",
            QUESTION,
            "The periodic error was not asked for. Give grr.linearity the pitch of the screw.",
        )
    scale = unit_scale(result.unit)
    blocks = result.blocks.values
    angles = np.mod(blocks, wave.pitch) / wave.pitch * 360.0
    # a block that stops at a whole turn may come out as 359.999 by rounding
    angles = np.where(angles > 360.0 - 1e-6, 0.0, angles)
    line = wave.at(blocks) - wave.periodic(blocks)
    left = (result.blocks.means - line) * scale.factor
    turn = np.linspace(0.0, 360.0, 181)
    fitted = wave.periodic(turn / 360.0 * wave.pitch) * scale.factor
    shown = float(wave.p) < 1.0 - wave.level
    answer = (
        f"{'Yes' if shown else 'None is shown'}: amplitude "
        f"{length(float(wave.amplitude), result.unit)} "
        f"({fine_interval(float(wave.lower), float(wave.upper), result.unit)}, "
        f"{p_text(float(wave.p))}). Errors of single blocks can look like this too."
    )
    return theme.draw(
        "screw-turn",
        QUESTION,
        answer,
        alt="Bias left at each block against the spindle's angle of turn, with a fitted sinusoid.",
        traces=[
            curve(turn, fitted, colour=theme.PURPLE),
            {
                "type": "scatter",
                "mode": "markers",
                "x": theme.rounded(angles),
                "y": theme.rounded(left),
                "marker": {"symbol": "diamond", "size": 11, "color": theme.VERMILLION},
                "cliponaxis": False,
                "hoverinfo": "text",
                "hovertext": [
                    f"block {size(float(value), result.resolution, result.unit)}"
                    for value in blocks
                ],
            },
        ],
        height=280,
        shapes=[level_line(0.0, colour=theme.ROLES["limit"], width=1.0)],
        margin={"b": 60},
        xaxis={
            "range": [-8, 368],
            "tickvals": [0, 90, 180, 270, 360],
            "title": {"text": f"angle of turn at a pitch of {wave.pitch:g} {result.unit}, degrees"},
        },
        yaxis=reach_axis([*left, *fitted], scale.named("bias left")),
    )
