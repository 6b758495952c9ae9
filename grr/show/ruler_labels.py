"""The words on the tolerance ruler: limits, zones of doubt, the space between, the parts."""

from __future__ import annotations

from typing import Any

from grr.model.rounding import figures, length, with_unit
from grr.model.study import Study
from grr.show import theme
from grr.show.ruler_layout import LETTER, NARROW, RulerLayout
from grr.show.ruler_words import limit_text
from grr.show.scale import fine_scale

#: Heights above the foot of the ruler, which is 1 high: of its labels and of its lines.
PARTS_AT, PARTS_NAME_AT, REACH_AT, REACH_NAME_AT, LIMIT_TOP, TOP = 1.12, 1.22, 1.66, 1.74, 2.1, 2.62


def ruler_labels(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    """Return every label on the ruler."""
    return [*_limit_names(study, place), *_zone_names(study, place), *_lane_names(study, place)]


def _limit_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    tolerance = study.tolerance
    assert tolerance is not None
    named = [("lower limit", tolerance.lower), ("upper limit", tolerance.upper)]
    given = [(name, value) for name, value in named if value is not None]
    return [
        theme.note(
            f"{name}\n{limit_text(study, value)}",
            theme.one(at),
            LIMIT_TOP,
            yanchor="bottom",
            bold=True,
            **_outward(place, name == "lower limit", 130.0),
        )
        for (name, value), at in zip(given, place.limits, strict=True)
    ]


def _zone_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    text = f"doubt ±{with_unit(figures(place.half), fine_scale(study).unit)}"
    return [
        theme.note(
            text,
            theme.one(limit),
            REACH_NAME_AT,
            yanchor="bottom",
            font={"color": theme.WARNING, "size": theme.SMALL},
            bgcolor="rgba(255,255,255,0.85)",
            **_outward(
                place,
                index == 0 and len(place.limits) == 2,
                8 + LETTER * len(text.split("\n", maxsplit=1)[0]),
            ),
        )
        for index, limit in enumerate(place.limits)
    ]


def _outward(place: RulerLayout, lower: bool, pixels: float) -> dict[str, Any]:
    """Return where a label hangs: over its limit, or outward where two would meet."""
    gap = (place.end - place.start) / place.span * NARROW
    if len(place.limits) == 1 or gap > pixels:
        return {"xanchor": "center"}
    return {"xanchor": "right" if lower else "left", "xshift": -4 if lower else 4}


def _lane_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    """Return the words inside the ruler and above it, where they fit."""
    notes = []
    if len(place.limits) == 2:
        words = "clear of doubt"
        if place.clear / place.span * NARROW > LETTER * len(words):
            middle = theme.one((place.start + place.end) / 2.0)
            notes.append(theme.note(words, middle, 0.62, font={"color": "#00664A", "size": 14}))
    elif place.half < abs(place.mean):
        away = length(abs(place.mean) / fine_scale(study).factor, study.unit, 3)
        notes.append(
            theme.note(
                f"mean to limit {away}",
                theme.one(place.mean / 2.0),
                0.47,
                yanchor="bottom",
                font={"color": theme.ROLES["part"], "size": theme.SMALL},
                bgcolor="rgba(247,244,236,0.9)",
            )
        )
    notes.append(_parts_name(place))
    return notes


def _parts_name(place: RulerLayout) -> dict[str, Any]:
    """Return what the marks above the ruler are, near the middle of them."""
    inside = [at for at in place.parts.tolist() if place.low <= at <= place.high]
    hidden = len(place.parts) - len(inside)
    text = "the parts measured" + (f"; {hidden} beyond the picture" if hidden else "")
    half = 0.5 * (LETTER * len(text) + 8) / NARROW * place.span
    middle = sum(inside) / len(inside) if inside else place.low
    return theme.note(
        text,
        theme.one(min(max(middle, place.low + half), place.high - half)),
        PARTS_NAME_AT,
        yanchor="bottom",
        font={"color": theme.ROLES["part"], "size": theme.SMALL},
        bgcolor="rgba(255,255,255,0.85)",
    )
