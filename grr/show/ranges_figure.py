"""`grr.show.trial_ranges`: how far repeats of one part by one operator differ."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.operator_comparison import TrialRanges
from grr.formulas.operator_comparison import trial_ranges as ranges_of
from grr.model.names import shortened
from grr.model.rounding import counted, figures, length, lengths_apart, listed
from grr.model.study import Study
from grr.model.tables import FAINT, LINE
from grr.show import theme
from grr.show.axes import level_line
from grr.show.lanes import NAME
from grr.show.markup import markup
from grr.show.scale import fine_scale, value_axis

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Do the repeats agree alike everywhere?"
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
        stacked. Marks beyond the limit are diamonds and named. Where nothing was repeated,
        a page that says so.

    Notes
    -----
    Source of the limit: AIAG MSA, 4th ed., chapter III section B (D4 × mean range).
    """
    found = ranges_of(study.cube().values, study.resolution)
    if found is None:
        return theme.unanswered(
            "trial-ranges",
            QUESTION,
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
    return theme.draw(
        "trial-ranges",
        QUESTION,
        _answer(study, found),
        example=study.example,
        alt="One lane an operator; each part a mark placed by the range of its repeats, with the "
        "limit as a line.",
        traces=[
            _marks(study, found, lane)
            | {
                "x": theme.rounded(np.minimum(ranges[np.isfinite(ranges[:, lane]), lane], high)),
                "y": theme.rounded(
                    [floors[lane] + 6.0 + apart * (place + 0.5) for place in stacks[lane]]
                ),
            }
            for lane in lanes
        ],
        height=int(total) + 62,
        top=42,
        shapes=[
            _line(limit, theme.ROLES["limit"], 2.0, "solid"),
            _line(mean, FAINT, 1.2, "dot"),
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


def _marks(study: Study, found: TrialRanges, lane: int) -> dict[str, Any]:
    there = np.flatnonzero(np.isfinite(found.ranges[:, lane])).tolist()
    values = [float(found.ranges[part, lane]) for part in there]
    beyond = found.beyond[there, lane].tolist()
    return {
        "type": "scatter",
        "mode": "markers",
        "marker": {
            "symbol": ["diamond" if out else "circle" for out in beyond],
            "size": [12 if out else 8 for out in beyond],
            "color": [theme.ROLES["doubt"] if out else theme.ROLES["part"] for out in beyond],
            "line": {"color": "#ffffff", "width": 1},
            "opacity": 1,
        },
        "cliponaxis": False,
        "hoverinfo": "text",
        "hovertext": [
            f"part {markup(shortened(study.parts[part], 80))}<br>"
            f"{markup(shortened(study.operator_names[lane], 80))}<br>"
            f"repeats differ by {length(value, study.unit)}"
            for part, value in zip(there, values, strict=True)
        ],
    }


def _line(at: float, colour: str, width: float, dash: str) -> dict[str, Any]:
    return {
        "type": "line",
        "x0": theme.one(at),
        "x1": theme.one(at),
        "yref": "paper",
        "y0": 0,
        "y1": 1,
        "line": {"color": colour, "width": width, "dash": dash},
        "layer": "below",
    }


def _line_names(
    study: Study, found: TrialRanges, limit: float, mean: float, high: float
) -> list[dict[str, Any]]:
    over = {"yref": "paper", "yanchor": "bottom"}
    side = "right" if limit > 0.3 * high else "left"
    middle = "center" if mean > 0.15 * high else "left"
    return [
        theme.note(
            f"limit {length(found.limit, study.unit)}", theme.one(limit), 1, xanchor=side,
            yshift=20, bold=True, **over,
        ),
        theme.note(
            f"mean range {length(found.mean, study.unit)}", theme.one(mean), 1, xanchor=middle,
            yshift=2, font={"color": FAINT, "size": theme.SMALL}, **over,
        ),
    ]  # fmt: skip


def _lane_names(study: Study, found: TrialRanges, lane: int, top: float) -> list[dict[str, Any]]:
    place = {"xref": "paper", "yanchor": "top", "yshift": -3}
    name = shortened(study.operator_names[lane], 34)
    notes = [
        theme.note(name, 0, theme.one(top), xanchor="left", bold=True, bgcolor="#fff", **place)
    ]
    out = np.flatnonzero(found.beyond[:, lane]).tolist()
    if out:
        parts = listed([shortened(study.parts[part], 10) for part in out], 4)
        notes.append(
            theme.note(
                f"◆ beyond: part {parts}" if len(out) == 1 else f"◆ beyond: parts {parts}",
                1,
                theme.one(top),
                xanchor="right",
                font={"color": theme.WARNING, "size": theme.SMALL},
                **place,
            )
        )
    return notes


def _answer(study: Study, found: TrialRanges) -> str:
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
        note = f" A range of one digit is none, whatever the limit.{note}"
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
