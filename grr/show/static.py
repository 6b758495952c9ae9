"""`grr.show.figure_svg`: any figure of this project as a drawing that needs no browser."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from grr.model.html_blocks import FONT, INK
from grr.show import svg, template
from grr.show.axes import graduations, round_step, tick_text
from grr.show.svg import Words, escaped, mark, text_width, words

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Width of a drawing in px: it fits A4 and Letter with a margin of 15 mm.
WIDTH = 680.0
_EDGE = 6.0
#: Height of the line that says what the bars are made of.
_KEY = 26.0


@dataclass(frozen=True)
class _Frame:
    """Where the drawing lies in the picture, and its scales."""

    left: float
    right: float
    top: float
    bottom: float
    x: Scale
    y: dict[str, Scale]

    def px_x(self, value: float, ref: str) -> float:
        if ref == "paper":
            return self.left + value * (self.right - self.left)
        return self.x.at(value)

    def px_y(self, value: float, ref: str) -> float:
        if ref == "paper":
            return self.bottom - value * (self.bottom - self.top)
        return self.y[ref].at(value)


def figure_svg(figure: Figure, *, width: float = WIDTH, suffix: str = "") -> str:
    """Return the drawing of a figure as SVG text, without its question and answer.

    These are in ``figure.layout.meta`` and belong above the drawing, as text.

    Parameters
    ----------
    figure : plotly Figure
        From a function of `grr.show`; other figures use what is not drawn here.
    width : float
        In px.
    suffix : str
        Put behind the drawing's id, to tell two of one kind on one page apart.

    Notes
    -----
    Texts are measured by an average letter, so labels have a little more room than on the
    screen. Needs neither a browser nor a script, and the same figure gives the same text.
    """
    content = with_stacked_bars(with_days_as_numbers(figure.to_plotly_json()))
    layout, data = content["layout"], content["data"]
    meta = layout["meta"]
    name = f"{meta['id']}-still{suffix}"
    frame, height = _frame(layout, width)
    spare = _lacking(layout, frame, width)
    if spare > 0.0:
        frame, height = _frame(layout, width, spare)
    clip = f"{name}-clip"
    x_settings = settings_of(layout, "xaxis")
    pieces = [
        f'<clipPath id="{clip}"><rect x="{frame.left:.2f}" y="{frame.top - 1:.2f}" '
        f'width="{frame.right - frame.left:.2f}" height="{frame.bottom - frame.top + 2:.2f}"/>'
        "</clipPath>"
    ]
    for axis, scale in frame.y.items():
        settings = settings_of(layout, _layout_key(axis))
        pieces += grid(settings, scale, (frame.left, frame.right))
    shapes = layout.get("shapes", ())
    pieces += [_shape(shape, frame, clip) for shape in shapes if shape.get("layer") == "below"]
    for number, trace in enumerate(data):
        drawn = trace_svg(
            trace,
            frame.x,
            frame.y[trace.get("yaxis", "y")],
            f"{name}-{number}",
            layout.get("bargap", 0.2),
        )
        if drawn:
            inside = "" if trace.get("cliponaxis") is False else f' clip-path="url(#{clip})"'
            pieces.append(f"<g{inside}>{''.join(drawn)}</g>")
    pieces += [_shape(shape, frame, clip) for shape in shapes if shape.get("layer") != "below"]
    pieces += x_axis(x_settings, frame.x, frame.bottom, (width, height))
    for axis, scale in frame.y.items():
        pieces += y_axis(settings_of(layout, _layout_key(axis)), scale, frame.left)
    for note in layout.get("annotations", ()):
        pieces += _note(note, frame)
    if layout.get("showlegend"):
        pieces += _legend(data, name, frame.left, height)
        height += _KEY
    alt = escaped(str(meta["alt"]))
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{escape(name)}" role="img" '
        f'aria-label="{alt}" viewBox="0 0 {width:g} {height:g}" width="{width:g}" '
        f'height="{height:g}" style="max-width:100%;height:auto;background:#ffffff" '
        f'font-family="{escape(FONT)}">{"".join(pieces)}</svg>'
    )


def _layout_key(axis: str) -> str:
    """Return "yaxis2" for "y2"."""
    return f"{axis[0]}axis{axis[1:]}"


def _lacking(layout: Mapping[str, Any], frame: _Frame, width: float) -> float:
    """Return by how much the frame must be narrower to hold the labels that start in it."""
    lacking = []
    for note in layout.get("annotations", ()):
        if note.get("xref", "x") == "x" and note.get("xanchor") == "left":
            size = float(note.get("font", {}).get("size", template.SMALL))
            start = frame.px_x(float(note["x"]), "x") + float(note.get("xshift", 0.0))
            over = start + words(note["text"]).width(size) - width
            # A label moves by its share of what the frame loses.
            share = (start - frame.left) / (frame.right - frame.left)
            lacking.append(over / max(share, 0.3))
    return min(max(lacking, default=0.0), 0.3 * width)


def _frame(layout: Mapping[str, Any], width: float, spare: float = 0.0) -> tuple[_Frame, float]:
    """Return the frame, and the height of the whole picture.

    ``spare`` px are kept free to the right of it.
    """
    margin = layout["margin"]
    names = ["y", *(key.replace("axis", "") for key in layout if key.startswith("yaxis"))]
    y_settings = {axis: settings_of(layout, _layout_key(axis)) for axis in sorted(set(names))}
    left = max(float(margin["l"]), *map(room_left_of, y_settings.values())) + _EDGE
    right = width - max(float(margin["r"]), _EDGE) - spare
    title = layout["title"]
    head = template.head_height(title["text"], title["subtitle"]["text"])
    top = float(margin["t"]) - head + _EDGE
    inner = float(layout["height"]) - float(margin["t"]) - float(margin["b"])
    bottom = top + inner
    x_settings = settings_of(layout, "xaxis")
    below = room_below(x_settings, right - left)
    start, end = x_settings.get("range") or (0.0, 1.0)
    x = Scale(float(start), float(end), left, right)
    y = {}
    for axis, settings in y_settings.items():
        low, high = settings.get("domain", (0.0, 1.0))
        start, end = settings.get("range") or (0.0, 1.0)
        ends = (bottom - low * inner, bottom - high * inner)
        y[axis] = Scale(float(start), float(end), *ends)
    return _Frame(left, right, top, bottom, x, y), bottom + below + _EDGE


def _shape(shape: Mapping[str, Any], frame: _Frame, clip: str) -> str:
    """Return a line or a rectangle, cut at the frame where it is placed by values."""
    x_ref, y_ref = shape.get("xref", "x"), shape.get("yref", "y")
    x0, x1 = (frame.px_x(float(shape[key]), x_ref) for key in ("x0", "x1"))
    y0, y1 = (frame.px_y(float(shape[key]), y_ref) for key in ("y0", "y1"))
    style = shape.get("line", {})
    edge = float(style.get("width", 2.0))
    stroke = f' stroke="{style.get("color", INK)}" stroke-width="{edge:g}"' if edge else ""
    stroke += DASHES[style.get("dash", "solid")]
    if (seen := float(shape.get("opacity", 1.0))) != 1.0:
        stroke += f' opacity="{seen:g}"'
    if "paper" not in (x_ref, y_ref):
        stroke += f' clip-path="url(#{clip})"'
    if shape["type"] == "line":
        return f'<line x1="{x0:.2f}" y1="{y0:.2f}" x2="{x1:.2f}" y2="{y1:.2f}"{stroke}/>'
    return (
        f'<rect x="{min(x0, x1):.2f}" y="{min(y0, y1):.2f}" width="{abs(x1 - x0):.2f}" '
        f'height="{abs(y1 - y0):.2f}" fill="{shape.get("fillcolor", "none")}"{stroke}/>'
    )


def _legend(data: Sequence[Mapping[str, Any]], name: str, left: float, top: float) -> list[str]:
    """Return a line that names the traces, each beside a sample of its look."""
    pieces = []
    for number, trace in enumerate(data):
        style = trace["marker"]
        pieces.append(svg.box((left, top + 5.0, 18.0, 13.0), str(style["color"])))
        if (style.get("pattern") or {}).get("shape"):
            pieces.append(svg.box((left, top + 5.0, 18.0, 13.0), f"url(#{name}-{number})"))
        shown = words(str(trace["name"]))
        pieces += shown.draw(left + 24.0, top + 11.5, size=template.SMALL, anchor="start")
        left += 48.0 + text_width(str(trace["name"]), template.SMALL)
    return pieces


def _note(note: Mapping[str, Any], frame: _Frame) -> list[str]:
    font = note.get("font", {})
    x = frame.px_x(float(note["x"]), note.get("xref", "x")) + float(note.get("xshift", 0.0))
    # Plotly counts a shift upwards, a drawing downwards.
    y = frame.px_y(float(note["y"]), note.get("yref", "y")) - float(note.get("yshift", 0.0))
    return words(note["text"]).draw(
        x,
        y,
        size=float(font.get("size", template.SMALL)),
        anchor={"left": "start", "right": "end"}.get(note.get("xanchor", "center"), "middle"),
        valign=note.get("yanchor", "middle"),
        colour=str(font.get("color", INK)),
        ground=str(note.get("bgcolor", "")),
    )


#: Slant of labels that would run into each other, and its cosine and sine.
SLANT, COS, SIN = 38.0, 0.79, 0.62
#: Distance of a label from its axis in px.
GAP = 8.0
#: Least room between two labels in px.
LABELS_APART = 9.0


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
    return {**template.AXIS, **layout.get(name, {})}


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
    widest = max((t.label.width(template.SMALL) for t in ticks_of(settings)), default=0.0)
    title = 1.6 * template.TEXT_SIZE if title_of(settings) else 0.0
    return widest + GAP + title + (4.0 if widest else 0.0)


def ticks_along(settings: Mapping[str, Any], width: float) -> tuple[list[Tick], bool]:
    """Return the graduations of a horizontal axis so many px long, and whether labels slant.

    Where labels would meet, names are slanted and every other number is left out.
    """
    ticks = sorted(ticks_of(settings), key=lambda tick: tick.value)
    low, high = sorted(settings["range"])
    while True:
        named = [tick for tick in ticks if tick.label.width(template.SMALL)]
        places = [(tick.value - low) / (high - low) * width for tick in named]
        apart = min((b - a for a, b in pairwise(places)), default=width)
        widest = max((t.label.width(template.SMALL) for t in named), default=0.0)
        if widest <= apart - LABELS_APART:
            return ticks, False
        if not all(map(_says_its_value, named)):
            return ticks, True
        zero = next((i for i, tick in enumerate(named) if tick.value == 0.0), 0)
        ticks = named[zero % 2 :: 2]


def _says_its_value(tick: Tick) -> bool:
    """Tell whether a label is the number at which it stands, not a name."""
    said = "".join(run.text for line in tick.label.lines for run in line).replace("−", "-")
    try:
        return math.isclose(float(said), tick.value, rel_tol=0.01, abs_tol=1e-9)
    except ValueError:
        return False


def room_below(settings: Mapping[str, Any], width: float) -> float:
    """Return the height in px that a horizontal axis so many px long needs."""
    if settings.get("visible") is False:
        return 0.0
    ticks, slanted = ticks_along(settings, width)
    tall = max((t.label.height(template.SMALL) for t in ticks), default=0.0)
    if slanted:
        tall = max(SIN * t.label.width(template.SMALL) + template.SMALL for t in ticks)
    title = 0.0
    if title_of(settings):
        title = words(title_of(settings)).height(template.TEXT_SIZE) + 0.6 * template.TEXT_SIZE
    return GAP + tall + title


def x_axis(
    settings: Mapping[str, Any], scale: Scale, y: float, size: tuple[float, float]
) -> list[str]:
    """Return a horizontal axis at a height; its title is at the foot of a picture of a size."""
    if settings.get("visible") is False:
        return []
    pieces = []
    colour = str(settings["linecolor"])
    if settings["showline"]:
        pieces.append(svg.line((scale.start, y, scale.end, y), colour))
    ticks, slanted = ticks_along(settings, abs(scale.end - scale.start))
    for tick in ticks:
        x = scale.at(tick.value)
        if settings["ticks"]:
            pieces.append(svg.line((x, y, x, y + float(settings["ticklen"])), colour))
        if slanted:
            pieces += tick.label.draw(
                x + 3.0, y + GAP + 4.0, size=template.SMALL, anchor="end", turned=-SLANT
            )
        else:
            pieces += tick.label.draw(x, y + GAP, size=template.SMALL, valign="top")
    if title_of(settings):
        title = words(title_of(settings))
        half = min(title.width(template.TEXT_SIZE), size[0]) / 2.0
        # One that is wider than the frame keeps within the picture.
        middle = max(min((scale.start + scale.end) / 2.0, size[0] - half), half)
        pieces += title.draw(middle, size[1] - 2.0, size=template.TEXT_SIZE, valign="bottom")
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
        pieces += tick.label.draw(x - GAP, y, size=template.SMALL, anchor="end")
    if title_of(settings):
        at = (template.TEXT_SIZE * 0.8, (scale.start + scale.end) / 2.0)
        pieces += words(title_of(settings)).draw(*at, size=template.TEXT_SIZE, turned=-90.0)
    return pieces


def grid(settings: Mapping[str, Any], scale: Scale, ends: tuple[float, float]) -> list[str]:
    """Return the lines of a vertical axis across the figure, where it has such."""
    if not settings["showgrid"]:
        return []
    heights = [scale.at(tick.value) for tick in ticks_of(settings)]
    return [svg.line((ends[0], y, ends[1], y), str(settings["gridcolor"])) for y in heights]


#: Steps of graduations in months and in days, and how many graduations there may be.
_MONTHS, _DAYS, _MOST = (1, 2, 3, 6, 12, 24, 60, 120), (1, 2, 7, 14), 8
#: A shorter span gets graduations of days.
_SHORT = 60


def with_days_as_numbers(content: dict[str, Any]) -> dict[str, Any]:
    """Return a figure whose horizontal axis of dates is one of numbers; another as it is.

    Parameters
    ----------
    content : dict
        Data and layout of a plotly figure, a copy that may be changed.
    """
    layout = content["layout"]
    axis = layout.get("xaxis", {})
    if axis.get("type") != "date":
        return content
    axis["range"] = [_number(day) for day in axis["range"]]
    axis["tickvals"], axis["ticktext"] = _graduations(*axis["range"])
    for trace in content["data"]:
        trace["x"] = [_number(day) for day in trace["x"]]
    for shape in layout.get("shapes", ()):
        if shape.get("xref") != "paper":
            shape["x0"], shape["x1"] = _number(shape["x0"]), _number(shape["x1"])
    for note in layout.get("annotations", ()):
        if note.get("xref") != "paper":
            note["x"] = _number(note["x"])
    return content


def _number(day: str) -> float:
    return float(dt.date.fromisoformat(day[:10]).toordinal())


def _graduations(low: float, high: float) -> tuple[list[float], list[str]]:
    if high - low < _SHORT:
        step = next((s for s in _DAYS if (high - low) / s <= _MOST), _DAYS[-1])
        days = [dt.date.fromordinal(n) for n in range(int(low), int(high) + 1, step) if n >= low]
        return [float(day.toordinal()) for day in days], [f"{day:%Y-%m-%d}" for day in days]
    months = (high - low) / 30.44
    step = next((s for s in _MONTHS if months / s <= _MOST), _MONTHS[-1])
    first = dt.date.fromordinal(int(low))
    count = (first.year * 12 + first.month - 1) // step * step
    turns = [
        dt.date(number // 12, number % 12 + 1, 1)
        for number in range(count, count + int(months) + 2 * step, step)
    ]
    inside = [day for day in turns if low <= day.toordinal() <= high]
    return [float(day.toordinal()) for day in inside], [f"{day:%Y-%m}" for day in inside]


DASHES = {
    "solid": "",
    "dash": ' stroke-dasharray="7 5"',
    "dot": ' stroke-dasharray="2 4"',
    "dashdot": ' stroke-dasharray="8 4 2 4"',
    "longdash": ' stroke-dasharray="14 5"',
}
_NO_COLOUR = "#444444"


def trace_svg(trace: Mapping[str, Any], x: Scale, y: Scale, name: str, spare: float) -> list[str]:
    """Return one trace as pieces of SVG.

    Parameters
    ----------
    trace : mapping
        A plotly trace of type scatter or bar, lying.
    x, y : Scale
    name : str
        Names a hatching; different for every trace of a page.
    spare : float
        The gap between bars as a share of their distance.
    """
    if trace["type"] == "bar":
        return _bars(trace, x, y, name, spare)
    points = [
        None if a is None or b is None else (x.at(float(a)), y.at(float(b)))
        for a, b in zip(trace["x"], trace["y"], strict=True)
    ]
    pieces = []
    mode = trace.get("mode", "lines")
    if trace.get("fill") == "toself":
        pieces += _filled(trace, points, name)
    if "lines" in mode:
        pieces += _line(trace.get("line", {}), points)
    if "error_y" in trace:
        pieces += _error_bars(trace, x, y)
    if "markers" in mode:
        pieces += _marks(trace.get("marker", {}), points)
    return pieces


def _path(points: Sequence[tuple[float, float] | None]) -> str:
    """Return a path that is broken where a point is missing."""
    steps, pen_up = [], True
    for point in points:
        if point is not None:
            steps.append(f"{'M' if pen_up else 'L'}{point[0]:.2f} {point[1]:.2f}")
        pen_up = point is None
    return " ".join(steps)


def _line(style: Mapping[str, Any], points: Sequence[tuple[float, float] | None]) -> list[str]:
    width = float(style.get("width", 2.0))
    path = _path(points)
    if width == 0.0 or not path:
        return []
    dash = DASHES[style.get("dash", "solid")]
    colour = style.get("color", _NO_COLOUR)
    return [f'<path d="{path}" fill="none" stroke="{colour}" stroke-width="{width:g}"{dash}/>']


def _filled(
    trace: Mapping[str, Any], points: Sequence[tuple[float, float] | None], name: str
) -> list[str]:
    path = _path(points)
    pieces = [f'<path d="{path} Z" fill="{trace.get("fillcolor", "none")}"/>']
    hatching = hatched(trace.get("fillpattern") or {}, name)
    return [*pieces, hatching, f'<path d="{path} Z" fill="url(#{name})"/>'] if hatching else pieces


def hatched(pattern: Mapping[str, Any], name: str) -> str:
    """Return a hatching to fill shapes with; "" where there is none."""
    shape, size = pattern.get("shape"), float(pattern.get("size", 8))
    if not shape:
        return ""
    lean = -45 if shape == "\\" else 45
    width = 1.4 * size * float(pattern.get("solidity", 0.3))
    colour = f'stroke="{pattern["fgcolor"]}" stroke-width="{width:g}"'
    lines = f'<line x1="0" y1="0" x2="0" y2="{size:g}" {colour}/>'
    if shape == "x":
        lines += f'<line x1="0" y1="0" x2="{size:g}" y2="0" {colour}/>'
    return (
        f'<pattern id="{name}" width="{size:g}" height="{size:g}" patternUnits="userSpaceOnUse" '
        f'patternTransform="rotate({lean})">{lines}</pattern>'
    )


def _error_bars(trace: Mapping[str, Any], x: Scale, y: Scale) -> list[str]:
    """Return what lies above and below each mark, as a line with a stroke across its ends."""
    style = trace["error_y"]
    colour, thick, half = style["color"], float(style["thickness"]), float(style["width"])
    pieces = []
    for index, (a, b) in enumerate(zip(trace["x"], trace["y"], strict=True)):
        up = _each(style.get("array", style.get("value")), index)
        down = _each(style.get("arrayminus", up), index)
        if None in (a, b, up, down):
            continue
        at, ends = x.at(float(a)), [y.at(float(b) + float(up)), y.at(float(b) - float(down))]
        pieces.append(svg.line((at, ends[0], at, ends[1]), colour, thick))
        pieces += [svg.line((at - half, end, at + half, end), colour, thick) for end in ends]
    return pieces


def _marks(style: Mapping[str, Any], points: Sequence[tuple[float, float] | None]) -> list[str]:
    edge = style.get("line", {})
    pieces = []
    for index, point in enumerate(points):
        if point is None:
            continue
        symbol = str(_each(style.get("symbol", "circle"), index))
        fill = str(_each(style.get("color", _NO_COLOUR), index))
        opened = symbol.endswith("open")
        width = float(_each(edge.get("width", 1.0 if opened else 0.0), index))
        pieces.append(
            mark(
                symbol,
                *point,
                size=float(_each(style.get("size", 6.0), index)),
                fill=fill,
                edge=fill if opened else str(_each(edge.get("color", _NO_COLOUR), index)),
                edge_width=width,
            )
        )
    seen = float(style.get("opacity", 1.0))
    return pieces if seen == 1.0 else [f'<g opacity="{seen:g}">', *pieces, "</g>"]


def with_stacked_bars(content: dict[str, Any]) -> dict[str, Any]:
    """Return a figure whose stacked bars begin where the ones before them end.

    Parameters
    ----------
    content : dict
        Data and layout of a plotly figure, a copy that may be changed.
    """
    if content["layout"].get("barmode") != "stack":
        return content
    ends: dict[float, float] = {}
    for trace in content["data"]:
        if trace["type"] == "bar":
            trace["base"] = [ends.get(at, 0.0) for at in trace["y"]]
            for at, base, length in zip(trace["y"], trace["base"], trace["x"], strict=True):
                ends[at] = base + (length or 0.0)
    return content


def _bars(trace: Mapping[str, Any], x: Scale, y: Scale, name: str, spare: float) -> list[str]:
    style = trace.get("marker", {})
    edge = style.get("line", {})
    hatching = hatched(style.get("pattern") or {}, name)
    pieces = [hatching] if hatching else []
    for index, (length, at) in enumerate(zip(trace["x"], trace["y"], strict=True)):
        if length is None:
            continue
        base = float(_each(trace.get("base", 0.0), index) or 0.0)
        left, right = sorted((x.at(base), x.at(base + float(length))))
        half = float(_each(trace.get("width", 1.0 - spare), index)) / 2.0
        top, bottom = sorted((y.at(float(at) - half), y.at(float(at) + half)))
        outline = (
            f' stroke="{_each(edge.get("color", _NO_COLOUR), index)}" '
            f'stroke-width="{_each(edge["width"], index)}"'
            if edge.get("width")
            else ""
        )
        place = (
            f'<rect x="{left:.2f}" y="{top:.2f}" width="{right - left:.2f}" '
            f'height="{bottom - top:.2f}"'
        )
        pieces.append(f'{place} fill="{_each(style.get("color", _NO_COLOUR), index)}"{outline}/>')
        if hatching:
            pieces.append(f'{place} fill="url(#{name})"/>')
    seen = float(trace.get("opacity", style.get("opacity", 1.0)))
    return pieces if seen == 1.0 else [f'<g opacity="{seen:g}">', *pieces, "</g>"]


def _each(value: Any, index: int) -> Any:
    """Return the entry of a list, or the one value that holds for all."""
    return value[index] if isinstance(value, (list, tuple)) else value
