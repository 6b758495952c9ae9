"""`grr.show.parts_by_operators`: offset and scatter of every operator on every part."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.names import short_names, shortened
from grr.model.rounding import counted, length, listed, size
from grr.questions.offsets import Offsets, operator_offsets
from grr.questions.result import GaugeResult
from grr.show import theme
from grr.show.lanes import Lanes, lanes_for
from grr.show.markup import markup
from grr.show.scale import fine_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Do the operators agree on every part?"
ALONE = "Do readings repeat alike on every part?"
MEAN_BAND, READING_BAND = "#C9D3DC", "#EAEEF2"


def parts_by_operators(result: GaugeResult) -> Figure:
    """Draw every reading from its part's mean, one lane an operator.

    Parameters
    ----------
    result : GaugeResult

    Returns
    -------
    plotly Figure
        Circles: readings. Bars: the operator's mean of the part, a diamond if it is outside.
        Inner and outer band: where 99.7 % of the means and of the readings would lie if
        only repeatability acted.
    """
    study = result.study
    found = operator_offsets(result)
    factor = fine_scale(study).factor
    lanes = lanes_for(study.operator_names, found.readings * factor, found.reading_band * factor)
    names = short_names(study.parts, 10 if len(study.parts) <= 10 else 6)
    shapes = lanes.band(found.reading_band * factor, READING_BAND)
    if not found.single:
        shapes += lanes.band(found.mean_band * factor, MEAN_BAND)
    return theme.draw(
        "parts-by-operators",
        QUESTION if not found.single else ALONE,
        _answer(result, found),
        example=study.example,
        alt=(
            "One lane an operator: each reading as a circle and each mean as a bar, measured from "
            "the part's mean, over the band that repeatability alone would fill."
        ),
        traces=[
            trace
            for lane in range(len(lanes.names))
            for trace in _Drawing(result, found, lanes, lane).traces()
        ],
        height=lanes.height + 74,
        top=24,
        shapes=[*shapes, *lanes.zeros()],
        notes=[
            *lanes.titles(),
            lanes.unit(fine_scale(study).named("distance from the part's mean")),
        ],
        margin={"b": 60},
        xaxis={
            "range": [-0.6, len(study.parts) - 0.4],
            "tickvals": list(range(len(names))),
            "ticktext": [markup(name) for name in names],
            "title": {"text": "part"},
            "ticks": "",
        },
        yaxis=lanes.axis(),
    )


@dataclass(frozen=True)
class _Drawing:
    """One operator's lane: what is drawn, and where."""

    result: GaugeResult
    found: Offsets
    lanes: Lanes
    lane: int

    @property
    def factor(self) -> float:
        return fine_scale(self.result.study).factor

    @property
    def operator(self) -> str:
        return markup(shortened(self.result.study.operator_names[self.lane], 80))

    def part(self, index: int) -> str:
        return markup(shortened(self.result.study.parts[index], 80))

    def height(self, value: float) -> float:
        return self.lanes.at(self.lane, value * self.factor)

    def traces(self) -> list[dict[str, Any]]:
        colour, _ = theme.OPERATOR_LOOKS[self.lane % len(theme.OPERATOR_LOOKS)]
        return [self._readings(colour), self._means(colour), *self._beyond(colour)]

    def _readings(self, colour: str) -> dict[str, Any]:
        study, cube = self.result.study, self.result.study.cube()
        x, y, text = [], [], []
        for part, trial in zip(*np.nonzero(np.isfinite(cube.values[:, self.lane])), strict=True):
            value = float(cube.values[part, self.lane, trial])
            deviation = float(self.found.readings[part, self.lane, trial])
            x.append(int(part))
            y.append(self.height(deviation))
            text.append(
                f"part {self.part(part)}, trial {cube.trials[trial]}<br>{self.operator}<br>"
                f"reads {size(value, study.resolution, study.unit)}, "
                f"{length(deviation, study.unit)} from the part's mean"
            )
        return {
            "type": "scatter",
            "mode": "markers",
            "x": x,
            "y": theme.rounded(y),
            "marker": {"symbol": "circle-open", "size": 6, "color": colour, "line": {"width": 1.2}},
            "hoverinfo": "text",
            "hovertext": text,
        }

    def _means(self, colour: str) -> dict[str, Any]:
        """Return the operator's mean of each part: a bar, a diamond where it is outside."""
        means, outside = self.found.means[:, self.lane], self.found.outside[:, self.lane]
        there = np.flatnonzero(np.isfinite(means)).tolist()
        return {
            "type": "scatter",
            "mode": "markers",
            "x": there,
            "y": theme.rounded([self.height(float(means[part])) for part in there]),
            "marker": {
                "symbol": ["diamond-wide" if outside[part] else "line-ew" for part in there],
                "size": 15,
                "color": colour,
                "line": {"color": colour, "width": [1 if outside[part] else 3 for part in there]},
            },
            "hoverinfo": "text",
            "hovertext": [
                f"part {self.part(part)}<br>{self.operator}: mean "
                f"{length(float(means[part]), self.result.study.unit)} from the part's mean"
                for part in there
            ],
        }

    def _beyond(self, colour: str) -> list[dict[str, Any]]:
        """Return an arrow at the edge of the lane for each reading that lies outside it."""
        values = self.found.readings[:, self.lane] * self.factor
        places = [
            (int(part), float(values[part, trial]))
            for part, trial in zip(*np.nonzero(np.isfinite(values)), strict=True)
            if self.lanes.beyond(float(values[part, trial]))
        ]
        if not places:
            return []
        return [
            {
                "type": "scatter",
                "mode": "markers",
                "x": [part for part, _ in places],
                "y": theme.rounded([self.lanes.at(self.lane, value) for _, value in places]),
                "marker": {
                    "symbol": ["triangle-up" if up > 0 else "triangle-down" for _, up in places],
                    "size": 12,
                    "color": colour,
                },
                "cliponaxis": False,
                "hoverinfo": "skip",
            }
        ]


def _answer(result: GaugeResult, found: Offsets) -> str:
    study = result.study
    outer = "the pale band would hold 99.7 % of the readings if only repeatability acted"
    if found.single:
        beyond = np.abs(found.readings) > found.reading_band
        count = int(np.nansum(beyond))
        return (
            f"{counted(count, 'reading')} of {study.taken} "
            f"{'lies' if count == 1 else 'lie'} outside the band: {outer}. Each part "
            "was measured by one operator, so nothing is seen of differences between them."
        )
    count, cells = int(found.outside.sum()), int(np.isfinite(found.means).sum())
    if count == 0:
        first = (
            f"Yes: each of the {cells} means (bars) lies in the darker band, where repeatability "
            "alone would put 99.7 % of them"
        )
    else:
        lie = "(a diamond) lies" if count == 1 else "(diamonds) lie"
        first = (
            f"Not everywhere: {count} of {cells} means {lie} outside the darker band, where "
            f"repeatability alone would put 99.7 % of them ({_where(result, found)})"
        )
    return f"{first}. {_offsets(result, found)}"


def _where(result: GaugeResult, found: Offsets) -> str:
    """Return how many means of which operator are outside."""
    counts = found.outside.sum(axis=0)
    order = [int(i) for i in np.argsort(-counts, kind="stable") if counts[i]]
    names = result.study.operator_names
    return listed([f"{counts[i]} by {shortened(names[i], 20)}" for i in order], 4)


def _offsets(result: GaugeResult, found: Offsets) -> str:
    """Return who reads highest and lowest, and how far apart they are."""
    study = result.study
    means = np.nanmean(found.means, axis=0)
    high, low = int(np.argmax(means)), int(np.argmin(means))
    gap = float(means[high] - means[low])
    if gap <= 1e-9 * float(np.nanmax(np.abs(found.readings), initial=0.0)):
        return "On average the operators read the same."
    return (
        f"On average {shortened(study.operator_names[high], 20)} reads highest and "
        f"{shortened(study.operator_names[low], 20)} lowest, {length(gap, study.unit)} apart."
    )
