"""`grr.show.in_order`: the readings in the order in which they were taken."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.formulas.operator_comparison import from_part_mean
from grr.model.errors import StudyError
from grr.model.names import shortened
from grr.model.rounding import JOIN, counted, length, listed, size
from grr.model.study import Cube, Study
from grr.model.tables import INK, LINE
from grr.questions.drift import Drift, drift
from grr.show import theme
from grr.show.lanes import Lanes, lanes_for
from grr.show.markup import markup
from grr.show.scale import fine_scale

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
    found = _drift(study)
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


def _drift(study: Study) -> Drift | str:
    """Return what `grr.drift` finds, or why it cannot tell."""
    try:
        return drift(study, level=CONFIDENCE)
    except StudyError as error:
        return error.problem


def _with_order(study: Study) -> Study | None:
    """Return the study with the order of its readings; None where it was not recorded."""
    table = study.readings
    if "order" in table and table["order"].notna().any():
        return study
    if "time" in table and table["time"].notna().any():
        return replace(study, readings=table.assign(order=table["time"].rank(method="first")))
    return None


def _lane(
    study: Study, lanes: Lanes, lane: int, drawn: tuple[Array, Array], found: Drift | str
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
    line = _dashes(found, cube, lane, places, values)
    if line is not None:
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


def _dashes(
    found: Drift | str, cube: Cube, lane: int, places: NDArray[np.intp], values: Array
) -> Array | None:
    """Return the fitted drift through an operator's readings, session by session.

    None where this operator's readings do not drift.
    """
    if isinstance(found, str):
        return None
    numbers, operator = found.numbers, cube.operators[lane]
    (method,) = numbers.methods
    if operator not in numbers.drifters(method) or len(values) < 2:
        return None
    taken = numbers.taken.table
    rows = taken[taken["operator"] == operator].set_index(["part", "trial"])
    rows = rows.loc[[(cube.parts[part], cube.trials[trial]) for part, trial in places.tolist()]]
    line = numbers.fitted(method, operator, rows["since"].to_numpy(dtype=np.float64))
    session = rows["sitting"].to_numpy()
    for one in np.unique(session):
        own = session == one
        line[own] += values[own].mean() - line[own].mean()
    return line


def _answer(study: Study, found: Drift | str, left_out: int) -> str:
    note = ""
    if len(study.operator_names) > 1:
        note = " A change between two operators' sessions cannot be told from the operators."
    if left_out:
        note += f" {counted(left_out, 'reading')} without a place in the order left out."
    if isinstance(found, str):
        return f"A drift cannot be told: {found[0].lower()}{found[1:]}.{note}"
    (shown,) = found.numbers.methods.values()
    if found.numbers.drifters(shown.method):
        return (
            f"Yes: {found.headline[0].lower()}{found.headline[1:]} Dashed: the drift. Look at "
            f"warming, zero and wear.{note}"
        )
    if found.sudden:
        return (
            f"Yes: {listed(found.sudden)}. Look at zero, setting and room. Beside that no drift "
            f"shows.{note}"
        )
    most = max(abs(float(v)) for v in shown.slope.limits(CONFIDENCE)) * shown.span
    if most == 0.0:
        return f"No drift shows: the readings repeat to the last digit.{note}"
    return (
        f"No drift shows while measuring: over a session it is at most "
        f"{length(most, study.unit)} ({100 * CONFIDENCE:g}{JOIN}% confidence).{note}"
    )
