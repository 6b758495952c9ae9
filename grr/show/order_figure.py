"""`grr.show.in_order`: the readings in the order in which they were taken."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.errors import StudyError
from grr.numerics.arrays import Array
from grr.numerics.deviations import from_part_mean
from grr.numerics.drift_slope import drift_slope
from grr.show import theme
from grr.show.lanes import Lanes, lanes_for
from grr.show.markup import markup
from grr.show.scale import fine_scale
from grr.study import Study
from grr.wording.names import shortened
from grr.wording.rounding import JOIN, counted, length, size
from grr.wording.tables import INK, LINE

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Did anything change while measuring?"
CONFIDENCE = 0.95


def in_order(study: Study) -> Figure:
    """Draw each reading from its part's mean in the order taken, one lane an operator.

    Parameters
    ----------
    study : Study
        With the column ``order``, or ``time``.

    Returns
    -------
    plotly Figure
        A dashed line shows a drift where there is one. Without an order, a page that says
        what is needed.
    """
    ordered = _with_order(study)
    if ordered is None:
        return theme.unanswered(
            "in-order",
            QUESTION,
            "The readings carry no order. Give a column order that numbers them 1, 2, 3 as they "
            "were taken, or a column time; the entry form records both.",
        )
    cube, order = ordered.cube(), ordered.cube("order").values
    used = np.isfinite(cube.values) & np.isfinite(order)
    deviations = np.where(used, from_part_mean(cube.values), np.nan)
    scale = fine_scale(study)
    lanes = lanes_for(cube.operators, deviations * scale.factor, 0.0)
    found = _drift(cube.values, order)
    most = int(used.sum(axis=(0, 2)).max())
    return theme.draw(
        "in-order",
        QUESTION,
        _answer(study, found, int(np.isfinite(cube.values).sum() - used.sum())),
        example=study.example,
        alt=(
            "One lane an operator: the readings in the order taken, each measured from its "
            "part's mean."
        ),
        traces=[
            trace
            for lane in range(len(lanes.names))
            for trace in _lane(study, lanes, lane, (deviations, order), found)
        ],
        height=lanes.height + 74,
        top=24,
        shapes=lanes.zeros(),
        notes=[*lanes.titles(), lanes.unit(scale.named("distance from the part's mean"))],
        margin={"b": 60},
        xaxis={
            "range": [0.2, most + 0.8],
            "title": {"text": "the operator's own readings, first to last"},
            "tickformat": "d",
            "nticks": 12,
        },
        yaxis=lanes.axis(),
    )


@dataclass(frozen=True)
class _Drift:
    """A straight line within the operators' own readings of a part.

    ``change`` is that of the longest sitting, from one operator's first reading to the last;
    ``margin`` is half of its confidence interval.
    """

    change: float
    margin: float
    per_reading: float

    @property
    def shown(self) -> bool:
        """Whether the change is more than scatter alone would give."""
        return abs(self.change) > self.margin


def _drift(readings: Array, order: Array) -> _Drift | None:
    """Return the drift shared by all operators; None where it cannot be told."""
    part, operator, trial = np.nonzero(np.isfinite(readings) & np.isfinite(order))
    if part.size == 0:
        return None
    taken = order[part, operator, trial]
    cell = np.unique(part * readings.shape[1] + operator, return_inverse=True)[1]
    try:
        slope = drift_slope(taken, readings[part, operator, trial], cell)
    except StudyError:
        return None
    per_reading, upper = float(slope.slope), float(slope.limits(CONFIDENCE)[1])
    sitting = max(float(np.ptp(taken[operator == one])) for one in np.unique(operator))
    return _Drift(per_reading * sitting, (upper - per_reading) * sitting, per_reading)


def _with_order(study: Study) -> Study | None:
    """Return the study with the order of its readings; None where it was not recorded."""
    table = study.readings
    if "order" in table and table["order"].notna().any():
        return study
    if "time" in table and table["time"].notna().any():
        return replace(study, readings=table.assign(order=table["time"].rank(method="first")))
    return None


def _lane(
    study: Study, lanes: Lanes, lane: int, drawn: tuple[Array, Array], found: _Drift | None
) -> list[dict[str, Any]]:
    """Return the readings of one operator, given all deviations and their order."""
    deviations, order = drawn
    cube = study.cube()
    factor = fine_scale(study).factor
    places = np.argwhere(np.isfinite(deviations[:, lane]))
    at = order[places[:, 0], lane, places[:, 1]]
    sequence = np.argsort(at, kind="stable")
    places, at = places[sequence], at[sequence]
    values = deviations[places[:, 0], lane, places[:, 1]]
    colour, symbol = theme.OPERATOR_LOOKS[lane % len(theme.OPERATOR_LOOKS)]
    numbers = list(range(1, len(values) + 1))
    traces: list[dict[str, Any]] = [
        {
            "type": "scatter",
            "mode": "lines+markers",
            "x": numbers,
            "y": theme.rounded([lanes.at(lane, value) for value in (values * factor).tolist()]),
            "line": {"color": LINE, "width": 1},
            "marker": {
                "color": colour,
                "opacity": 1,
                "size": [11 if lanes.beyond(v) else 7 for v in (values * factor).tolist()],
                "symbol": [
                    ("triangle-up" if v > 0 else "triangle-down") if lanes.beyond(v) else symbol
                    for v in (values * factor).tolist()
                ],
            },
            "cliponaxis": False,
            "hoverinfo": "text",
            "hovertext": [
                f"reading {int(when)}: part {markup(shortened(cube.parts[part], 80))}, trial "
                f"{cube.trials[trial]}<br>{markup(shortened(cube.operators[lane], 80))}<br>reads "
                f"{size(float(cube.values[part, lane, trial]), study.resolution, study.unit)}, "
                f"{length(float(value), study.unit)} from the part's mean"
                for (part, trial), when, value in zip(
                    places.tolist(), at.tolist(), values.tolist(), strict=True
                )
            ],
        }
    ]
    if found is not None and found.shown and len(values) > 1:
        line = values.mean() + found.per_reading * (at - at.mean())
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": numbers,
                "y": theme.rounded([lanes.at(lane, v) for v in (line * factor).tolist()]),
                "line": {"color": INK, "width": 1.6, "dash": "dash"},
                "hoverinfo": "skip",
            }
        )
    return traces


def _answer(study: Study, found: _Drift | None, left_out: int) -> str:
    note = ""
    if len(study.operator_names) > 1:
        note = " A change between two operators' sittings cannot be told from the operators."
    if left_out:
        note += f" {counted(left_out, 'reading')} without a place in the order left out."
    if found is None:
        return (
            "A drift cannot be told from what the parts differ by: nothing was measured twice by "
            f"the same operator.{note}"
        )
    change, margin = (length(abs(v), study.unit) for v in (found.change, found.margin))
    whose = "an operator's" if len(study.operator_names) > 1 else "the"
    level = f"{100 * CONFIDENCE:g}{JOIN}%"
    if found.shown:
        way = "up" if found.change > 0 else "down"
        return (
            f"Yes: from {whose} first reading to the last the readings drift {way} by {change} "
            f"(±{margin}, {level} confidence; dashed). Look at warming, zero and wear.{note}"
        )
    return (
        f"No drift shows: a straight line changes by {change} from {whose} first reading to the "
        f"last, and scatter alone gives up to {margin} ({level} confidence).{note}"
    )
