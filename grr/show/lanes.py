"""Lanes under each other, one an operator, with the same scale in each."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from grr.formulas.arrays import Array
from grr.model.names import clean, shortened
from grr.model.tables import FAINT
from grr.show import theme
from grr.show.scale import round_step, tick_text

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
            "range": theme.rounded(self.bounds),
            "tickvals": theme.rounded([height for height, _ in ticks]),
            "ticktext": [text for _, text in ticks],
            "showline": False,
        }

    def unit(self, text: str) -> dict[str, Any]:
        """Return what the vertical axis shows, above the lanes."""
        return theme.note(
            text,
            0,
            1,
            xref="paper",
            yref="paper",
            xanchor="left",
            yanchor="bottom",
            yshift=2,
            font={"color": FAINT, "size": theme.SMALL},
        )

    def titles(self) -> list[dict[str, Any]]:
        """Return the names of the lanes, each above its own."""
        return [
            theme.note(
                shortened(name, LONGEST_NAME),
                0,
                theme.one(-APART * lane + 1.0),
                xref="paper",
                xanchor="left",
                yanchor="bottom",
                bold=True,
                font={"size": theme.TEXT_SIZE},
            )
            for lane, name in enumerate(self.names)
        ]

    def band(self, half: float, colour: str) -> list[dict[str, Any]]:
        """Return the ground from −``half`` to +``half`` in every lane."""
        return [
            {
                "type": "rect",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": theme.one(self.at(lane, -half)),
                "y1": theme.one(self.at(lane, half)),
                "fillcolor": colour,
                "line": {"width": 0},
                "layer": "below",
            }
            for lane in range(len(self.names))
        ]

    def zeros(self) -> list[dict[str, Any]]:
        """Return a thin line at 0 in every lane."""
        return [
            {
                "type": "line",
                "xref": "paper",
                "x0": 0,
                "x1": 1,
                "y0": theme.one(-APART * lane),
                "y1": theme.one(-APART * lane),
                "line": {"color": FAINT, "width": 1},
                "layer": "below",
            }
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
