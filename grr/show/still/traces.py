"""The traces of a figure: lines, filled shapes, marks and bars."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from grr.show.still.axes import Scale
from grr.show.still.marks import mark

DASHES = {"dash": ' stroke-dasharray="7 5"', "dot": ' stroke-dasharray="2 4"', "solid": ""}
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
