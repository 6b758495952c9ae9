"""`grr.show.figure_svg`: any figure of this project as a drawing that needs no browser."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from grr.show import theme
from grr.show.still import axes
from grr.show.still.axes import Scale
from grr.show.still.traces import DASHES, trace_svg
from grr.show.still.words import words
from grr.wording.tables import FONT, INK

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Width of a drawing in px: it fits A4 and Letter with a margin of 15 mm.
WIDTH = 680.0
_EDGE = 6.0


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
    content = figure.to_plotly_json()
    layout, data = content["layout"], content["data"]
    meta = layout["meta"]
    name = f"{meta['id']}-still{suffix}"
    frame, height = _frame(layout, width)
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


def _frame(layout: Mapping[str, Any], width: float) -> tuple[_Frame, float]:
    """Return the frame, and the height of the whole picture."""
    margin = layout["margin"]
    names = ["y", *(key.replace("axis", "") for key in layout if key.startswith("yaxis"))]
    y_settings = {axis: axes.settings_of(layout, _layout_key(axis)) for axis in sorted(set(names))}
    left = max(float(margin["l"]), *map(axes.room_left_of, y_settings.values())) + _EDGE
    right = width - max(float(margin["r"]), _EDGE)
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
