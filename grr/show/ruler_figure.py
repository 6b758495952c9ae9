"""`grr.show.tolerance_ruler`: the tolerance as a ruler, with the zones of doubt at its limits."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.names import clean, shortened
from grr.model.rounding import size
from grr.model.study import Study
from grr.model.tables import FAINT, INK
from grr.questions.result import GaugeResult
from grr.show import theme
from grr.show.axes import doubt_zone
from grr.show.markup import markup
from grr.show.ruler_labels import LIMIT_TOP, PARTS_AT, REACH_AT, TOP, ruler_labels
from grr.show.ruler_layout import RulerLayout, number_labels, ruler_layout
from grr.show.ruler_words import (
    axis_title,
    confidence_reach,
    reach_text,
    ruler_alt,
    ruler_answer,
)
from grr.show.scale import fine_scale

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "How near to a limit can this gauge tell good from bad?"
GRADUATION = {"fine": 0.1, "half": 0.17, "numbered": 0.26}
HATCH = ("/", "\\")


def tolerance_ruler(result: GaugeResult) -> Figure:
    """Draw the tolerance to scale as a ruler, with the spread of measuring at each limit.

    A part whose size is exactly a limit reads anywhere in the zone drawn there: half the
    spread to either side. Within it this gauge cannot tell good from bad.

    Parameters
    ----------
    result : GaugeResult

    Returns
    -------
    plotly Figure
        Without a tolerance, a page that says what is needed.
    """
    study = result.study
    if study.tolerance is None:
        return theme.unanswered(
            "tolerance-ruler",
            QUESTION,
            "No tolerance was given, so nothing can be said about good and bad parts. Give the "
            "lower limit, the upper limit or both.",
        )
    place = ruler_layout(result)
    scale = fine_scale(study)
    bound = confidence_reach(result)
    return theme.draw(
        "tolerance-ruler",
        QUESTION,
        ruler_answer(result, place, bound),
        example=study.example,
        alt=ruler_alt(result, place),
        traces=[
            *_zones(result, place),
            _marks(place),
            *_reaches(place, bound),
            *([_distance(place)] if len(place.limits) == 1 else []),
            _parts(study, place),
        ],
        height=262,
        shapes=[_body(place), *_limit_lines(place)],
        notes=ruler_labels(study, place),
        margin={"l": 24, "r": 24, "b": 70},
        xaxis={
            "range": [theme.one(place.low), theme.one(place.high)],
            "tickvals": theme.rounded(place.numbered) if place.numbered else [],
            "ticktext": number_labels(place.origin, place.numbered, place.step, scale.factor),
            "ticks": "",
            "showline": False,
            "title": {"text": axis_title(study) if place.numbered else ""},
        },
        yaxis={"range": [0.0, TOP], "visible": False},
    )


def _body(place: RulerLayout) -> dict[str, Any]:
    """Return the ruler; without a second limit it goes on past the picture."""
    beyond = place.span if len(place.limits) == 1 else 0.0
    lower_only = place.start == place.limits[0]
    return {
        "type": "rect",
        "x0": theme.one(place.start - (0.0 if lower_only else beyond)),
        "x1": theme.one(place.end + (beyond if lower_only else 0.0)),
        "y0": 0,
        "y1": 1,
        "fillcolor": "#F7F4EC",
        "line": {"color": FAINT, "width": 1},
        "layer": "below",
    }


def _marks(place: RulerLayout) -> dict[str, Any]:
    """Return the graduations as one broken line."""
    x: list[float | None] = []
    y: list[float | None] = []
    for at in place.fine:
        ratio = at / place.step * 2.0
        kind = "fine"
        if math.isclose(ratio, round(ratio), abs_tol=1e-6):
            kind = "half" if round(ratio) % 2 else "numbered"
        x += [theme.one(at), theme.one(at), None]
        y += [0.0, GRADUATION[kind], None]
    return {
        "type": "scatter",
        "mode": "lines",
        "x": x,
        "y": y,
        "line": {"color": INK, "width": 1},
        "hoverinfo": "skip",
    }


def _zones(result: GaugeResult, place: RulerLayout) -> list[dict[str, Any]]:
    text = (
        "zone of doubt: a part on the limit reads anywhere in here<br>"
        f"{markup(reach_text(result))} to either side"
    )
    return [
        doubt_zone(limit - place.half, limit + place.half, text, hatch)
        for limit, hatch in zip(place.limits, HATCH, strict=False)
    ]


def _reaches(place: RulerLayout, bound: float | None) -> list[dict[str, Any]]:
    """Return the reach of each zone as a dimension line; dotted on to the bound."""
    colour = theme.ROLES["doubt"]
    traces = []
    for limit in place.limits:
        traces.append(_dimension(limit - place.half, limit + place.half, REACH_AT, colour))
        if bound is not None:
            ends = [max(limit - bound, place.low), min(limit + bound, place.high)]
            dotted = _dimension(ends[0], ends[1], REACH_AT, colour) | {"mode": "lines"}
            traces.append(dotted | {"line": {"color": colour, "width": 1.2, "dash": "dot"}})
    return traces


def _distance(place: RulerLayout) -> dict[str, Any]:
    """Return the distance from the mean to the only limit as a dimension line."""
    return _dimension(place.mean, 0.0, 0.42, theme.ROLES["part"])


def _dimension(start: float, end: float, height: float, colour: str) -> dict[str, Any]:
    return {
        "type": "scatter",
        "mode": "lines+markers",
        "x": theme.rounded([start, end]),
        "y": [height, height],
        "line": {"color": colour, "width": 1.6},
        "marker": {"symbol": "line-ns", "size": 11, "line": {"color": colour, "width": 1.6}},
        "hoverinfo": "skip",
    }


def _limit_lines(place: RulerLayout) -> list[dict[str, Any]]:
    return [
        {
            "type": "line",
            "x0": theme.one(limit),
            "x1": theme.one(limit),
            "y0": 0,
            "y1": LIMIT_TOP,
            "line": {"color": theme.ROLES["limit"], "width": 2},
        }
        for limit in place.limits
    ]


def _parts(study: Study, place: RulerLayout) -> dict[str, Any]:
    factor = fine_scale(study).factor
    shown = [
        (name, at)
        for name, at in zip(study.parts, place.parts.tolist(), strict=True)
        if place.low <= at <= place.high
    ]
    return {
        "type": "scatter",
        "mode": "markers",
        "x": theme.rounded([at for _, at in shown]),
        "y": [PARTS_AT] * len(shown),
        "marker": {
            "symbol": "triangle-down",
            "size": 10,
            "color": theme.ROLES["part"],
            "opacity": 0.75,
            "line": {"color": "#ffffff", "width": 1},
        },
        "hoverinfo": "text",
        "hovertext": [
            f"part {markup(shortened(clean(name), 80))}<br>mean "
            f"{markup(size(place.origin + at / factor, study.resolution, study.unit))}"
            for name, at in shown
        ],
    }
