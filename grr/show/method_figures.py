"""Two methods in a picture: `methods_by_part` and `method_rulers`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.html_blocks import FAINT
from grr.model.names import begun, short_names, shortened
from grr.model.rounding import JOIN, length, percent, size
from grr.show import template
from grr.show.axes import box, dots, fine_scale, graduated_axis, path, round_step, upright
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.methods import MethodComparison

QUESTION = "Do both methods read the same parts alike?"
RULERS_QUESTION = "How near to a limit does each tell good from bad?"
ALT_RULERS = "A ruler of the tolerance for each method, with its zones of doubt at the limits."
ALT_PARTS = (
    "One row a part with its mean by either method joined by a line; below, a ruler of the "
    "tolerance for each method with its zones of doubt."
)
#: Height of a row of the parts, and of a ruler with the room above it, in px.
ROW, RULER = 24, 74
#: Baseline and candidate: colour, shape.
LOOKS = ((template.BLUE, "circle"), (template.VERMILLION, "diamond"))
HATCH = ("/", "\\")
KEY = "hatched: where a good part can read bad and a bad one good"
BODY = "#F7F4EC"


@dataclass(frozen=True)
class _Place:
    """Where things stand: the fine unit of the study, from the lower limit (or the mean)."""

    origin: float
    factor: float
    limits: tuple[float, ...]
    lower_only: bool
    low: float
    high: float

    def at(self, value: float) -> float:
        return (value - self.origin) * self.factor

    def ruler(self, which: int) -> float:
        """Return the height of a ruler's lower edge; parts stand at 0, 1, 2 … above."""
        return -(3.0 + 3.0 * which)


def methods_by_part(comparison: MethodComparison) -> Figure:
    """Draw each part's mean by either method, paired, over the tolerance ruler of each.

    Parameters
    ----------
    comparison : MethodComparison

    Returns
    -------
    plotly Figure
        One row a part, the smallest below; a ruler for each method with the zone at each
        limit in which it cannot tell good from bad.
    """
    return _drawn(comparison, parts=True)


def method_rulers(comparison: MethodComparison) -> Figure:
    """Draw the tolerance ruler of each method, one under the other on one scale.

    Parameters
    ----------
    comparison : MethodComparison

    Returns
    -------
    plotly Figure
        The zones at each limit in which a method cannot tell good from bad, at the worst
        point of a session. Without a tolerance, a page that says what is needed.
    """
    if comparison.study.tolerance is None:
        return template.unanswered(
            "method-rulers", RULERS_QUESTION, "The study states no tolerance, so there is no limit."
        )
    return _drawn(comparison, parts=False)


def _drawn(comparison: MethodComparison, *, parts: bool) -> Figure:
    numbers, study = comparison.numbers, comparison.study
    place = _place(comparison, parts=parts)
    order = np.argsort(numbers.by_part[numbers.baseline].to_numpy(), kind="stable").tolist()
    order = order if parts else []
    names = short_names(list(numbers.by_part.index), 12)
    rulers = len(numbers.methods) if place.limits else 0
    room = template.KEY_LINE if rulers else 0
    bottom = place.ruler(rulers - 1) - 0.6 if rulers else -0.8
    return template.draw(
        "methods-by-part" if parts else "method-rulers",
        QUESTION if parts else RULERS_QUESTION,
        _answer(comparison, parts=parts),
        alt=ALT_PARTS if parts else ALT_RULERS,
        example=study.example,
        traces=[
            *(_pairs(comparison, place, order) if parts else []),
            *(t for which in range(rulers) for t in _zones(comparison, place, which)),
        ],
        height=ROW * len(order) + RULER * rulers + (74 if parts else 40) + room,
        top=8,
        shapes=[
            *(_body(place, which) for which in range(rulers)),
            *_limit_lines(place, len(order), rulers),
        ],
        notes=[
            *(_method_names(comparison, len(order)) if parts else []),
            *(_ruler_name(comparison, place, which) for which in range(rulers)),
        ],
        margin={"r": 30, "b": 66 + room},
        xaxis=_axis(comparison, place),
        yaxis={
            "range": [bottom, len(order) + 0.7 if parts else -0.4],
            "tickvals": list(range(len(order))),
            "ticktext": [markup(names[i]) for i in order],
            "title": {"text": "part" if parts else ""},
            "ticks": "",
            "showline": False,
        },
    )


def _place(comparison: MethodComparison, *, parts: bool) -> _Place:
    study, table = comparison.study, comparison.numbers.by_part
    factor = fine_scale(study).factor
    tolerance = study.tolerance
    given = () if tolerance is None else (tolerance.lower, tolerance.upper)
    limits = [limit for limit in given if limit is not None]
    values = table[list(comparison.numbers.methods)].to_numpy()
    origin = limits[0] if limits else float(values.mean())
    shown = (values - origin) * factor
    edges = [(limit - origin) * factor for limit in limits]
    halves = [_half(comparison, name) for name in comparison.numbers.methods]
    ends = [float(shown.min()), float(shown.max())] if parts or len(edges) < 2 else []
    low = min([*ends, *(edge - max(halves) for edge in edges)])
    high = max([*ends, *(edge + max(halves) for edge in edges)])
    pad = 0.04 * (high - low) or 1.0
    lower_only = tolerance is not None and tolerance.upper is None
    return _Place(origin, factor, tuple(edges), lower_only, low - pad, high + pad)


def _half(comparison: MethodComparison, method: str) -> float:
    """Return how far a method's zone of doubt reaches to either side, in the fine unit."""
    zone = comparison.numbers.worst[method].zone
    return 0.0 if math.isnan(zone) else 0.5 * zone * fine_scale(comparison.study).factor


def _pairs(comparison: MethodComparison, place: _Place, order: list[int]) -> list[dict[str, Any]]:
    """Return the line that joins the two means of each part, and the means."""
    table = comparison.numbers.by_part
    columns = [
        [place.at(float(value)) for value in table[name].to_numpy()[order]]
        for name in comparison.numbers.methods
    ]
    x: list[float | None] = []
    y: list[float | None] = []
    for row, ends in enumerate(zip(*columns, strict=True)):
        x += [*template.rounded(ends), None]
        y += [row, row, None]
    return [path(x, y, FAINT, 1.4), *(_means(comparison, order, columns[i], i) for i in (0, 1))]


def _means(
    comparison: MethodComparison, order: list[int], values: list[float], which: int
) -> dict[str, Any]:
    study, name = comparison.study, comparison.numbers.methods[which]
    table = comparison.numbers.by_part
    colour, symbol = LOOKS[which]
    edge = {"color": "#fff", "width": 1}
    return dots(
        template.rounded(values),
        list(range(len(order))),
        {"color": colour, "symbol": symbol, "size": 9, "line": edge},
        [
            f"part {markup(shortened(str(table.index[i]), 40))}<br>{markup(shortened(name, 40))}: "
            f"{markup(size(float(table[name].iloc[i]), study.resolution, study.unit))}"
            for i in order
        ],
    )


def _body(place: _Place, which: int) -> dict[str, Any]:
    """Return the ruler of a method: the tolerance, with one limit as far as the picture goes."""
    at = place.ruler(which)
    start = place.limits[0] if len(place.limits) == 2 or place.lower_only else place.low
    end = place.high if place.lower_only else place.limits[-1]
    return box(template.one(start), template.one(end), BODY, FAINT, bottom=at)


def _zones(comparison: MethodComparison, place: _Place, which: int) -> list[dict[str, Any]]:
    at, half = place.ruler(which), _half(comparison, comparison.numbers.methods[which])
    colour, _ = LOOKS[which]
    reach = markup(length(half / place.factor, comparison.study.unit))
    return [
        {
            "type": "scatter",
            "mode": "lines",
            "x": template.rounded(
                [limit - half, limit + half, limit + half, limit - half, limit - half]
            ),
            "y": [at, at, at + 1.0, at + 1.0, at],
            "fill": "toself",
            "fillcolor": "rgba(255,255,255,0)",
            "fillpattern": {"shape": HATCH[which], "fgcolor": colour, "size": 8, "solidity": 0.25},
            "line": {"color": colour, "width": 1},
            "hoveron": "fills",
            "hoverinfo": "text",
            "text": f"zone of doubt: {reach} to either side",
        }
        for limit in place.limits
    ]


def _limit_lines(place: _Place, rows: int, rulers: int) -> list[dict[str, Any]]:
    """Return the limits through the parts and each ruler, not through a ruler's name."""
    rods = [(place.ruler(which) - 0.6, place.ruler(which) + 1.0) for which in range(rulers)]
    if rows:
        rods.append((-0.4, rows - 0.4))
    return [
        upright(template.one(limit), template.ROLES["limit"], 1.8, ends=rod)
        for limit in place.limits
        for rod in rods
    ]


def _method_names(comparison: MethodComparison, rows: int) -> list[dict[str, Any]]:
    """Return the names of the methods with their marks, above the rows."""
    marks = ("●", "◆")
    return [
        template.note(
            f"{marks[i]} {shortened(name, 24)}",
            0.5,
            rows + 0.1,
            xref="paper",
            xanchor=("right", "left")[i],
            xshift=(-10, 10)[i],
            yanchor="middle",
            bold=True,
            font={"color": LOOKS[i][0], "size": template.TEXT_SIZE},
        )
        for i, name in enumerate(comparison.numbers.methods)
    ]


def _ruler_name(comparison: MethodComparison, place: _Place, which: int) -> dict[str, Any]:
    name = comparison.numbers.methods[which]
    found = comparison.judgements[name].at_worst
    drifts = ", drift included" if comparison.numbers.worst[name].drift > 0.0 else ""
    half = length(_half(comparison, name) / place.factor, comparison.study.unit)
    share = "" if found is None else f": {percent(found.value)} {found.name}"
    return template.note(
        f"{shortened(name, 24)}, doubt ±{half}{drifts}{share}",
        template.one((place.low + place.high) / 2.0),
        place.ruler(which) + 1.1,
        xanchor="center",
        yanchor="bottom",
        font={"color": LOOKS[which][0], "size": template.SMALL},
        bgcolor="rgba(255,255,255,0.85)",
    )


def _axis(comparison: MethodComparison, place: _Place) -> dict[str, Any]:
    study, scale = comparison.study, fine_scale(comparison.study)
    first = "limit" if len(place.limits) == 1 else "lower limit"
    start = f"from the {first}" if place.limits else "from the mean of all readings"
    where = size(place.origin, study.resolution, study.unit).replace("-", "−")
    title = markup(scale.named(f"distance {start} ({where})"))
    return graduated_axis(
        place.low,
        place.high,
        round_step((place.high - place.low) / 9.0),
        template.with_key(title, KEY) if place.limits else title,
    )


def _answer(comparison: MethodComparison, *, parts: bool) -> str:
    numbers, unit = comparison.numbers, comparison.study.unit
    if not parts:
        base, other = (
            f"{shortened(name, 24)} within ±{length(numbers.worst[name].zone / 2.0, unit)}"
            for name in numbers.methods
        )
        return f"{begun(comparison.headline)}. Near a limit {base} and {other} may misjudge a part."
    mean = float(numbers.difference.mean)
    low, high = (float(v) for v in numbers.difference.limits(numbers.level))
    baseline, candidate = (shortened(name, 24) for name in numbers.methods)
    return (
        f"{begun(comparison.headline)}. {begun(candidate)} reads "
        f"{length(abs(mean), unit)} {'lower' if mean < 0 else 'higher'} than {baseline} on average "
        f"(±{length((high - low) / 2, unit)}, {100 * numbers.level:g}{JOIN}% confidence)."
    )
