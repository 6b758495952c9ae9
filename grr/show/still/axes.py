"""The axes of a figure: scales, graduations, their labels, and the room that these need."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

from grr.show import svg, theme
from grr.show.scale import graduations, round_step, tick_text
from grr.show.still.words import Words, words

#: Slant of labels that would run into each other, and its cosine and sine.
SLANT, COS, SIN = 38.0, 0.79, 0.62
#: Distance of a label from its axis in px.
GAP = 8.0


@dataclass(frozen=True)
class Scale:
    """From a value on an axis to px."""

    low: float
    high: float
    start: float
    end: float

    def at(self, value: float) -> float:
        """Return where a value is drawn."""
        share = (value - self.low) / (self.high - self.low)
        return self.start + share * (self.end - self.start)


@dataclass(frozen=True)
class Tick:
    """A graduation and its label."""

    value: float
    label: Words


def settings_of(layout: Mapping[str, Any], name: str) -> dict[str, Any]:
    """Return the settings of an axis, those of the template where the figure has none."""
    return {**theme.AXIS, **layout.get(name, {})}


def ticks_of(settings: Mapping[str, Any]) -> list[Tick]:
    """Return the graduations within the range of an axis; round ones where none are given."""
    if settings.get("visible") is False:
        return []
    low, high = sorted(settings["range"])
    if "tickvals" in settings:
        values = [float(value) for value in settings["tickvals"]]
        texts = settings.get("ticktext") or [f"{value:g}" for value in values]
    else:
        step = round_step((high - low) / settings.get("nticks", 6))
        if settings.get("tickformat") == "d":
            step = max(step, 1.0)
        values = graduations(low, high, step)
        texts = [tick_text(value, step) for value in values]
    suffix = settings.get("ticksuffix", "")
    edge = 1e-9 * (high - low)
    return [
        Tick(value, words(f"{text}{suffix}"))
        for value, text in zip(values, texts, strict=True)
        if low - edge <= value <= high + edge
    ]


def title_of(settings: Mapping[str, Any]) -> str:
    """Return the title of an axis; "" where it has none."""
    if settings.get("visible") is False:
        return ""
    return str(settings.get("title", {}).get("text") or "")


def room_left_of(settings: Mapping[str, Any]) -> float:
    """Return the width in px that a vertical axis needs."""
    widest = max((t.label.width(theme.SMALL) for t in ticks_of(settings)), default=0.0)
    title = 1.6 * theme.TEXT_SIZE if title_of(settings) else 0.0
    return widest + GAP + title + (4.0 if widest else 0.0)


def slanted(settings: Mapping[str, Any], width: float) -> bool:
    """Tell whether the labels of a horizontal axis so many px long would meet."""
    ticks = ticks_of(settings)
    low, high = sorted(settings["range"])
    places = sorted((tick.value - low) / (high - low) * width for tick in ticks)
    apart = min((b - a for a, b in pairwise(places)), default=width)
    return max((t.label.width(theme.SMALL) for t in ticks), default=0.0) > apart - 2.0


def room_below(settings: Mapping[str, Any], width: float) -> float:
    """Return the height in px that a horizontal axis so many px long needs."""
    if settings.get("visible") is False:
        return 0.0
    ticks = ticks_of(settings)
    tall = max((t.label.height(theme.SMALL) for t in ticks), default=0.0)
    if slanted(settings, width):
        tall = max(SIN * t.label.width(theme.SMALL) + theme.SMALL for t in ticks)
    title = 1.9 * theme.TEXT_SIZE if title_of(settings) else 0.0
    return GAP + tall + title


def x_axis(settings: Mapping[str, Any], scale: Scale, y: float, bottom: float) -> list[str]:
    """Return a horizontal axis at a height; its title ends at ``bottom``."""
    if settings.get("visible") is False:
        return []
    pieces = []
    colour = str(settings["linecolor"])
    if settings["showline"]:
        pieces.append(svg.line((scale.start, y, scale.end, y), colour))
    slant = slanted(settings, abs(scale.end - scale.start))
    for tick in ticks_of(settings):
        x = scale.at(tick.value)
        if settings["ticks"]:
            pieces.append(svg.line((x, y, x, y + float(settings["ticklen"])), colour))
        if slant:
            pieces += tick.label.draw(
                x + 3.0, y + GAP + 4.0, size=theme.SMALL, anchor="end", turned=-SLANT
            )
        else:
            pieces += tick.label.draw(x, y + GAP, size=theme.SMALL, valign="top")
    if title_of(settings):
        middle = (scale.start + scale.end) / 2.0
        title = words(title_of(settings))
        pieces += title.draw(middle, bottom - 2.0, size=theme.TEXT_SIZE, valign="bottom")
    return pieces


def y_axis(settings: Mapping[str, Any], scale: Scale, x: float) -> list[str]:
    """Return a vertical axis at a place."""
    if settings.get("visible") is False:
        return []
    pieces = []
    colour = str(settings["linecolor"])
    if settings["showline"]:
        pieces.append(svg.line((x, scale.start, x, scale.end), colour))
    for tick in ticks_of(settings):
        y = scale.at(tick.value)
        if settings["ticks"]:
            pieces.append(svg.line((x - float(settings["ticklen"]), y, x, y), colour))
        pieces += tick.label.draw(x - GAP, y, size=theme.SMALL, anchor="end")
    if title_of(settings):
        at = (theme.TEXT_SIZE * 0.8, (scale.start + scale.end) / 2.0)
        pieces += words(title_of(settings)).draw(*at, size=theme.TEXT_SIZE, turned=-90.0)
    return pieces


def grid(settings: Mapping[str, Any], scale: Scale, ends: tuple[float, float]) -> list[str]:
    """Return the lines of a vertical axis across the figure, where it has such."""
    if not settings["showgrid"]:
        return []
    heights = [scale.at(tick.value) for tick in ticks_of(settings)]
    return [svg.line((ends[0], y, ends[1], y), str(settings["gridcolor"])) for y in heights]
