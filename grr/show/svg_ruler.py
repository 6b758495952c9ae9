"""`grr.show.tolerance_ruler_svg`: the tolerance ruler as a drawing that needs no browser."""

from __future__ import annotations

import math

from grr.model.tables import FAINT
from grr.questions.result import GaugeResult
from grr.show import svg, theme
from grr.show.ruler_layout import RulerLayout, number_labels, ruler_layout
from grr.show.ruler_words import axis_title, limit_text, reach_text, ruler_alt
from grr.show.scale import fine_scale

#: Margins to the left and right; heights of the ruler's edges, the parts and the reaches.
MARGIN, BODY_TOP, BODY_END, PARTS, REACH = 14.0, 108.0, 168.0, 98.0, 62.0
HATCH = "grr-doubt"


def tolerance_ruler_svg(result: GaugeResult) -> str:
    """Return the drawing of `tolerance_ruler` as SVG text.

    Parameters
    ----------
    result : GaugeResult

    Raises
    ------
    StudyError
        The study has no tolerance.
    """
    place = ruler_layout(result)
    return svg.drawing(
        "fig-tolerance-ruler-print",
        ruler_alt(result, place),
        226,
        [
            _hatches(),
            _body(place),
            *_zones(result, place),
            *_graduations(result, place),
            *_parts(place),
            *_limits(result, place),
        ],
    )


def _x(place: RulerLayout, at: float) -> float:
    inside = min(max(at, place.low), place.high)
    return MARGIN + (inside - place.low) / place.span * (svg.WIDTH - 2.0 * MARGIN)


def _hatches() -> str:
    """Return two hatchings that lean against each other, for zones that meet."""
    patterns = "".join(
        f'<pattern id="{HATCH}-{index}" width="8" height="8" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({angle})"><line x1="0" y1="0" x2="0" y2="8" '
        f'stroke="{theme.ROLES["doubt"]}" stroke-width="2.4"/></pattern>'
        for index, angle in enumerate((45, -45))
    )
    return f"<defs>{patterns}</defs>"


def _body(place: RulerLayout) -> str:
    left, right = _x(place, place.start), _x(place, place.end)
    return svg.box((left, BODY_TOP, right - left, BODY_END - BODY_TOP), "#F7F4EC", FAINT)


def _zones(result: GaugeResult, place: RulerLayout) -> list[str]:
    pieces = []
    words = f"doubt {reach_text(result)}"
    for index, limit in enumerate(place.limits):
        left, right = _x(place, limit - place.half), _x(place, limit + place.half)
        size = (left, BODY_TOP, right - left, BODY_END - BODY_TOP)
        pieces += [
            svg.box(size, f"url(#{HATCH}-{index})", theme.ROLES["doubt"]),
            svg.dimension(left, right, REACH, theme.ROLES["doubt"]),
            _over_limit(place, index, words, REACH - 9, colour=theme.WARNING),
        ]
    return pieces


def _over_limit(
    place: RulerLayout, index: int, words: str, y: float, *, colour: str, bold: bool = False
) -> str:
    """Return a label over a limit; beside it, outward, where two would meet."""
    x, anchor = _x(place, place.limits[index]), "middle"
    gap = _x(place, place.end) - _x(place, place.start)
    if len(place.limits) == 2 and gap < 140.0:
        anchor = ("end", "start")[index]
    return svg.text(words, x, y, anchor=anchor, colour=colour, bold=bold)


def _graduations(result: GaugeResult, place: RulerLayout) -> list[str]:
    pieces = []
    for at in place.fine:
        halves = 2.0 * at / place.step
        whole = math.isclose(halves, round(halves), abs_tol=1e-6)
        height = (16.0 if round(halves) % 2 == 0 else 10.0) if whole else 6.0
        x = _x(place, at)
        pieces.append(svg.line((x, BODY_END, x, BODY_END - height)))
    scale = fine_scale(result.study)
    labels = number_labels(place.origin, place.numbered, place.step, scale.factor)
    for at, label in zip(place.numbered, labels, strict=True):
        for row, words in enumerate(label.split("<br>")):
            y = BODY_END + 15 + 15 * row
            pieces.append(svg.text(words, _x(place, at), y, anchor="middle"))
    words = axis_title(result.study)
    middle = svg.WIDTH / 2
    return [*pieces, svg.text(words, middle, BODY_END + 52, anchor="middle", colour=FAINT)]


def _parts(place: RulerLayout) -> list[str]:
    shown = [at for at in place.parts.tolist() if place.low <= at <= place.high]
    marks = [
        f'<path d="M{x - 5:.2f} {PARTS:.2f} L{x + 5:.2f} {PARTS:.2f} L{x:.2f} {PARTS + 8:.2f} Z" '
        f'fill="{theme.ROLES["part"]}" fill-opacity="0.8"/>'
        for x in (_x(place, at) for at in shown)
    ]
    if not shown:
        return []
    middle = _x(place, sum(shown) / len(shown))
    words = "the parts measured"
    colour = theme.ROLES["part"]
    inside = min(max(middle, 70.0), svg.WIDTH - 70.0)
    return [*marks, svg.text(words, inside, PARTS - 6, anchor="middle", colour=colour)]


def _limits(result: GaugeResult, place: RulerLayout) -> list[str]:
    tolerance = result.study.tolerance
    assert tolerance is not None
    pairs = [("lower limit", tolerance.lower), ("upper limit", tolerance.upper)]
    given = [(name, value) for name, value in pairs if value is not None]
    pieces = []
    for index, (name, value) in enumerate(given):
        x = _x(place, place.limits[index])
        ink = theme.ROLES["limit"]
        pieces += [
            svg.line((x, BODY_END, x, REACH - 6), ink, 2.0),
            _over_limit(place, index, name, 16, colour=ink, bold=True),
            _over_limit(place, index, limit_text(result.study, value), 32, colour=ink, bold=True),
        ]
    return pieces
