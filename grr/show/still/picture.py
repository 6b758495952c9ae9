"""`grr.show.figure_svg`: any figure of this project as a drawing that needs no browser."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from grr.model.tables import FONT, INK
from grr.show import svg, theme
from grr.show.still import axes
from grr.show.still.axes import Scale
from grr.show.still.dates import with_days_as_numbers
from grr.show.still.traces import DASHES, trace_svg, with_stacked_bars
from grr.show.still.words import text_width, words

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
    x_settings = axes.settings_of(layout, "xaxis")
    pieces = [
        f'<clipPath id="{clip}"><rect x="{frame.left:.2f}" y="{frame.top - 1:.2f}" '
        f'width="{frame.right - frame.left:.2f}" height="{frame.bottom - frame.top + 2:.2f}"/>'
        "</clipPath>"
    ]
    for axis, scale in frame.y.items():
        settings = axes.settings_of(layout, _layout_key(axis))
        pieces += axes.grid(settings, scale, (frame.left, frame.right))
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
    pieces += axes.x_axis(x_settings, frame.x, frame.bottom, height)
    for axis, scale in frame.y.items():
        pieces += axes.y_axis(axes.settings_of(layout, _layout_key(axis)), scale, frame.left)
    for note in layout.get("annotations", ()):
        pieces += _note(note, frame)
    if layout.get("showlegend"):
        pieces += _legend(data, name, frame.left, height)
        height += _KEY
    alt = escape(str(meta["alt"]))
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
            size = float(note.get("font", {}).get("size", theme.SMALL))
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
    y_settings = {axis: axes.settings_of(layout, _layout_key(axis)) for axis in sorted(set(names))}
    left = max(float(margin["l"]), *map(axes.room_left_of, y_settings.values())) + _EDGE
    right = width - max(float(margin["r"]), _EDGE) - spare
    title = layout["title"]
    head = theme.head_height(title["text"], title["subtitle"]["text"])
    top = float(margin["t"]) - head + _EDGE
    inner = float(layout["height"]) - float(margin["t"]) - float(margin["b"])
    bottom = top + inner
    x_settings = axes.settings_of(layout, "xaxis")
    below = axes.room_below(x_settings, right - left)
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
        pieces += shown.draw(left + 24.0, top + 11.5, size=theme.SMALL, anchor="start")
        left += 48.0 + text_width(str(trace["name"]), theme.SMALL)
    return pieces


def _note(note: Mapping[str, Any], frame: _Frame) -> list[str]:
    font = note.get("font", {})
    x = frame.px_x(float(note["x"]), note.get("xref", "x")) + float(note.get("xshift", 0.0))
    # Plotly counts a shift upwards, a drawing downwards.
    y = frame.px_y(float(note["y"]), note.get("yref", "y")) - float(note.get("yshift", 0.0))
    return words(note["text"]).draw(
        x,
        y,
        size=float(font.get("size", theme.SMALL)),
        anchor={"left": "start", "right": "end"}.get(note.get("xanchor", "center"), "middle"),
        valign=note.get("yanchor", "middle"),
        colour=str(font.get("color", INK)),
        ground=str(note.get("bgcolor", "")),
    )
