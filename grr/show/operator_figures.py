"""Operators in one picture: `operators_side_by_side`, `parts_by_operators`, `trial_ranges`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.operator_comparison import Offsets, TrialRanges, operator_offsets
from grr.formulas.operator_comparison import trial_ranges as ranges_of
from grr.model.errors import StudyError
from grr.model.html_blocks import FAINT, INK, LINE
from grr.model.names import short_names, shortened
from grr.model.rounding import (
    JOIN,
    counted,
    figures,
    length,
    lengths_apart,
    listed,
    signed_length,
    size,
)
from grr.model.study import Study
from grr.show import template
from grr.show.axes import (
    NAME,
    Lanes,
    bars,
    centred_axis,
    dots,
    fine_scale,
    lanes_for,
    level_line,
    rows_axis,
    upright,
    upright_band,
    value_axis,
)
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.gauge import GaugeResult
    from grr.questions.operators import OperatorComparison

OPERATORS_QUESTION = "Who reads high, and whose readings scatter?"
ROW = 62
#: Room at the right for what was found, in px.
WORDS = 210
#: Longest line of the key under the axis, which is narrower than the figure.
KEY_LENGTH = 48


def operators_side_by_side(comparison: OperatorComparison) -> Figure:
    """Draw where each operator reads and how far the repeats scatter, one row an operator.

    Parameters
    ----------
    comparison : OperatorComparison

    Returns
    -------
    plotly Figure
        A diamond: how far the operator's mean lies from that of the others, with its
        interval. The bar behind it is as long as the operator's repeats spread. Blue ground:
        offsets too small to matter here.
    """
    if comparison.look_first:
        raise StudyError("Wrong readings ruin the comparison", "Fix them first: see grr.check")
    numbers = comparison.numbers
    study, scale = comparison.study, fine_scale(comparison.study)
    names = list(study.operator_names)
    spread = study.rules.spread
    rows = []
    for conclusion in comparison.conclusions:
        found = conclusion.offset.size
        sd = numbers.value(conclusion.operator, "sd")
        half = 0.5 * spread * (0.0 if math.isnan(sd) else sd)
        offset, low, high, half = (
            value * scale.factor for value in (found.value, found.lower, found.upper, half)
        )
        rows.append((offset, low, high, half))
    ends = [
        abs(v)
        for offset, low, high, half in rows
        for v in (low, high, offset - half, offset + half)
    ]
    reach = 1.08 * max(ends) or 1.0
    level = f"{100 * numbers.level:g}{JOIN}%"
    key = f"bar: a repeat ({spread:g} sd); diamond: the mean, with its {level} interval"
    matters = numbers.matters_from * scale.factor
    if math.isfinite(matters):
        key += (
            f"; blue: too little to matter ({length(numbers.matters_from, study.unit)} alone makes "
            f"GRR {study.rules.good_percent:g}{JOIN}%)"
        )
    if len(names) > 2 and any(c.reads_apart for c in comparison.conclusions):
        key += "; whoever reads high or low also shifts the mean of the others"
    below = template.with_key(scale.named("lower or higher than the others"), key, KEY_LENGTH)
    room = template.KEY_LINE * below.count("<br>")
    return template.draw(
        "operators-side-by-side",
        OPERATORS_QUESTION,
        comparison.headline,
        alt="One row an operator: a bar as long as the repeats spread, and the mean on it.",
        example=study.example,
        traces=[trace for i, row in enumerate(rows) for trace in _row(comparison, i, row)],
        height=ROW * len(names) + 66 + room,
        top=10,
        shapes=[*_too_small(min(matters, 1.2 * reach)), upright(0, FAINT, 1.2, "dash")],
        notes=[_words(comparison, i) for i in range(len(names))],
        margin={"r": WORDS, "b": 62 + room},
        xaxis=centred_axis(reach, below),
        yaxis=rows_axis([f"<b>{markup(name)}</b>" for name in short_names(names, 16)]),
    )


def _row(
    comparison: OperatorComparison, place: int, row: tuple[float, float, float, float]
) -> list[dict[str, Any]]:
    offset, low, high, half = row
    colour, _ = template.OPERATOR_LOOKS[place % len(template.OPERATOR_LOOKS)]
    hover = _hover(comparison, comparison.study.operator_names[place])
    line = {"color": INK, "width": 1.8}
    ends_and_mean = {
        "symbol": ["line-ns", "diamond", "line-ns"],
        "size": [14, 13, 14],
        "color": [INK, colour, INK],
        "line": line,
    }
    return [
        bars(
            template.rounded([2.0 * half]),
            [place],
            {"color": colour, "opacity": 0.28},
            [hover],
            base=template.rounded([offset - half]),
            width=0.5,
        ),
        dots(template.rounded([low, offset, high]), [place] * 3, ends_and_mean, [hover] * 3)
        | {"mode": "lines+markers", "line": line},
    ]


def _hover(comparison: OperatorComparison, name: str) -> str:
    numbers, unit = comparison.numbers, comparison.study.unit
    lines = [short_names([name], 40)[0]]
    offset = comparison.about(name).offset.size.value
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
    offset = conclusion.offset.size.value
    ratio = numbers.value(conclusion.operator, "scatter_ratio")
    details = [f"{'−' if offset < 0 else '+'}{length(abs(offset), unit)}"]
    if math.isfinite(ratio):
        details.append(f"scatter × {figures(ratio)}")
    found = template.lines(", ".join(conclusion.in_words), 28)
    return template.note(
        "\n".join([*found, ", ".join(details)]),
        1,
        place,
        xref="paper",
        xanchor="left",
        yanchor="middle",
        align="left",
        xshift=10,
        font={"size": template.SMALL, "color": INK},
    )


def _too_small(matters: float) -> list[dict[str, Any]]:
    """Return the ground of the offsets that do not matter; none where nothing says so."""
    if not math.isfinite(matters):
        return []
    ends = template.one(-matters), template.one(matters)
    return [upright_band(*ends, template.SKY, opacity=0.2)]


PARTS_QUESTION = "Do the operators agree on every part?"
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
    found = operator_offsets(study.cube().values, result.value("EV", "sd"), study.trials)
    factor = fine_scale(study).factor
    lanes = lanes_for(study.operator_names, found.readings * factor, found.reading_band * factor)
    names = short_names(study.parts, 10 if len(study.parts) <= 10 else 6)
    shapes = lanes.band(found.reading_band * factor, READING_BAND)
    if not found.single:
        shapes += lanes.band(found.mean_band * factor, MEAN_BAND)
    return template.draw(
        "parts-by-operators",
        PARTS_QUESTION if not found.single else ALONE,
        _parts_answer(result, found),
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
        colour, _ = template.OPERATOR_LOOKS[self.lane % len(template.OPERATOR_LOOKS)]
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
                f"{signed_length(deviation, study.unit)} from the part's mean"
            )
        open_circle = {"symbol": "circle-open", "size": 6, "color": colour, "line": {"width": 1.2}}
        return dots(x, template.rounded(y), open_circle, text)

    def _means(self, colour: str) -> dict[str, Any]:
        """Return the operator's mean of each part: a bar, a diamond where it is outside."""
        means, outside = self.found.means[:, self.lane], self.found.outside[:, self.lane]
        there = np.flatnonzero(np.isfinite(means)).tolist()
        return dots(
            there,
            template.rounded([self.height(float(means[part])) for part in there]),
            {
                "symbol": ["diamond-wide" if outside[part] else "line-ew" for part in there],
                "size": 15,
                "color": colour,
                "line": {"color": colour, "width": [1 if outside[part] else 3 for part in there]},
            },
            [
                f"part {self.part(part)}<br>{self.operator}: mean "
                f"{signed_length(float(means[part]), self.result.study.unit)} from the part's mean"
                for part in there
            ],
        )

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
        arrows = ["triangle-up" if up > 0 else "triangle-down" for _, up in places]
        heights = template.rounded([self.lanes.at(self.lane, value) for _, value in places])
        marker = {"symbol": arrows, "size": 12, "color": colour}
        return [dots([part for part, _ in places], heights, marker, clipped=False)]


def _parts_answer(result: GaugeResult, found: Offsets) -> str:
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


RANGES_QUESTION = "Do the repeats agree alike everywhere?"
#: Height in px of a dot, and of the highest stack of them.
DOT, STACK = 10.0, 60.0
#: Ranges beyond so many times the limit are drawn at the edge.
FARTHEST = 3.0
#: Dots nearer than this share of the axis are stacked.
COLUMNS = 64


def trial_ranges(study: Study) -> Figure:
    """Draw the range of the repeats of every part by every operator against its limit.

    Parameters
    ----------
    study : Study

    Returns
    -------
    plotly Figure
        One lane an operator, one mark a part, placed by its range; equal ranges are
        stacked. Marks beyond the limit are large, with a dark edge, and named. Where nothing
        was repeated, a page that says so.

    Notes
    -----
    Source of the limit: AIAG MSA, 4th ed., chapter III section B (D4 × mean range).
    """
    found = ranges_of(study.cube().values, study.resolution)
    if found is None:
        return template.unanswered(
            "trial-ranges",
            RANGES_QUESTION,
            "Nothing was measured twice by the same operator, so there is no range. Measure each "
            "part at least twice.",
        )
    scale = fine_scale(study)
    ranges = found.ranges * scale.factor
    limit, mean = found.limit * scale.factor, found.mean * scale.factor
    largest = float(np.nanmax(ranges))
    high = 1.06 * min(max(limit, largest), FARTHEST * limit) or 1.0
    lanes = range(ranges.shape[1])
    stacks = [_stacked(ranges[:, lane], high) for lane in lanes]
    deepest = max(max(places) for places in stacks) + 1
    apart = min(DOT, STACK / deepest)
    pitch = NAME + apart * deepest + 12.0
    total = pitch * len(stacks)
    floors = [total - pitch * (lane + 1) for lane in lanes]
    return template.draw(
        "trial-ranges",
        RANGES_QUESTION,
        _ranges_answer(study, found),
        example=study.example,
        alt="One lane an operator; each part a mark placed by the range of its repeats, with the "
        "limit as a line.",
        traces=[
            _marks(
                study,
                found,
                lane,
                np.minimum(ranges[np.isfinite(ranges[:, lane]), lane], high),
                [floors[lane] + 6.0 + apart * (place + 0.5) for place in stacks[lane]],
            )
            for lane in lanes
        ],
        height=int(total) + 62,
        top=42,
        shapes=[
            upright(template.one(limit), template.ROLES["limit"], 2.0, "solid"),
            upright(template.one(mean), FAINT, 1.2, "dot"),
            *(level_line(floor, colour=LINE, width=1.0) for floor in floors),
        ],
        notes=[
            *_line_names(study, found, limit, mean, high),
            *(
                note
                for lane in lanes
                for note in _lane_names(study, found, lane, floors[lane] + pitch)
            ),
        ],
        margin={"b": 60},
        xaxis=value_axis(high, scale.named("range of the repeats of one part")),
        yaxis={"range": [0.0, round(total, 3)], "visible": False},
    )


def _stacked(ranges: Array, high: float) -> list[int]:
    """Return at which place of its stack each range lies; missing ones are left out."""
    taken: dict[int, int] = {}
    places = []
    for value in ranges[np.isfinite(ranges)].tolist():
        column = int(min(value, high) / high * COLUMNS + 0.5)
        places.append(taken.get(column, 0))
        taken[column] = places[-1] + 1
    return places or [0]


def _marks(study: Study, found: TrialRanges, lane: int, x: Array, y: list[float]) -> dict[str, Any]:
    there = np.flatnonzero(np.isfinite(found.ranges[:, lane])).tolist()
    values = [float(found.ranges[part, lane]) for part in there]
    beyond = found.beyond[there, lane].tolist()
    colour, symbol = template.OPERATOR_LOOKS[lane % len(template.OPERATOR_LOOKS)]
    marker = {
        "symbol": symbol,
        "size": [13 if out else 8 for out in beyond],
        "color": colour,
        "line": {"color": [INK if out else "#ffffff" for out in beyond], "width": 1},
        "opacity": 1,
    }
    told = [
        f"part {markup(shortened(study.parts[part], 80))}<br>"
        f"{markup(shortened(study.operator_names[lane], 80))}<br>"
        f"repeats differ by {length(value, study.unit)}"
        for part, value in zip(there, values, strict=True)
    ]
    return dots(template.rounded(x), template.rounded(y), marker, told, clipped=False)


def _line_names(
    study: Study, found: TrialRanges, limit: float, mean: float, high: float
) -> list[dict[str, Any]]:
    over = {"yref": "paper", "yanchor": "bottom"}
    side = "right" if limit > 0.3 * high else "left"
    middle = "center" if mean > 0.15 * high else "left"
    return [
        template.note(
            f"limit {length(found.limit, study.unit)}", template.one(limit), 1, xanchor=side,
            yshift=20, bold=True, **over,
        ),
        template.note(
            f"mean range {length(found.mean, study.unit)}", template.one(mean), 1, xanchor=middle,
            yshift=2, font={"color": FAINT, "size": template.SMALL}, **over,
        ),
    ]  # fmt: skip


def _lane_names(study: Study, found: TrialRanges, lane: int, top: float) -> list[dict[str, Any]]:
    place = {"xref": "paper", "yanchor": "top", "yshift": -3}
    name = shortened(study.operator_names[lane], 34)
    notes = [
        template.note(
            name, 0, template.one(top), xanchor="left", bold=True, bgcolor="#fff", **place
        )
    ]
    out = np.flatnonzero(found.beyond[:, lane]).tolist()
    if out:
        parts = listed([shortened(study.parts[part], 10) for part in out], 4)
        notes.append(
            template.note(
                f"beyond: part{'' if len(out) == 1 else 's'} {parts}",
                1,
                template.one(top),
                xanchor="right",
                font={"color": template.WARNING, "size": template.SMALL},
                **place,
            )
        )
    return notes


def _ranges_answer(study: Study, found: TrialRanges) -> str:
    count = int(np.isfinite(found.ranges).sum())
    if found.mean == 0.0:
        return (
            f"All repeats read the same to the last digit ({counted(count, 'range')}, all 0): the "
            "resolution of the gauge hides its repeatability."
        )
    limit = (
        f"the limit of {length(found.limit, study.unit)} "
        f"({figures(found.factor, 3)} × the mean range of {length(found.mean, study.unit)})"
    )
    beyond = np.argwhere(found.beyond).tolist()
    left = found.ranges.size - count
    note = f" {left} incomplete cells are left out." if left else ""
    if (np.nan_to_num(found.ranges) > found.limit).sum() > len(beyond):
        note = f" A range of one digit does not count, whatever the limit.{note}"
    if not beyond:
        return f"Yes: none of the {counted(count, 'range')} is beyond {limit}.{note}"
    places = listed(
        [
            f"part {shortened(study.parts[part], 14)} by "
            f"{shortened(study.operator_names[operator], 16)} "
            f"({lengths_apart(float(found.ranges[part, operator]), found.limit, study.unit)[0]})"
            for part, operator in beyond
        ],
        4,
    )
    lie = "is" if len(beyond) == 1 else "are"
    return (
        f"Not everywhere: {len(beyond)} of {counted(count, 'range')} {lie} beyond {limit}: "
        f"{places}. Look for dirt, a tilted part or a slip there.{note}"
    )
