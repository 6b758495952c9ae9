"""The marks of a figure: circles, diamonds, strokes and so on, around a point."""

from __future__ import annotations

import math
from collections.abc import Sequence

#: Strokes that have no inside: where they begin and end, in half sizes.
_STROKES = {
    "line-ew": ((-1.4, 0.0), (1.4, 0.0)),
    "line-ns": ((0.0, -1.4), (0.0, 1.4)),
}


def _star(points: int, inner: float, turn: float = -90.0) -> tuple[tuple[float, float], ...]:
    """Return a star, or a regular polygon where ``inner`` is 0; the first point is on top."""
    corners = []
    for index in range(points):
        for radius, offset in ((1.0, 0.0), (inner, 180.0 / points)):
            if radius:
                angle = math.radians(turn + 360.0 * index / points + offset)
                corners.append((radius * math.cos(angle), radius * math.sin(angle)))
    return tuple(corners)


def _turned(corners: Sequence[tuple[float, float]], degrees: float) -> list[tuple[float, float]]:
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return [(x * c - y * s, x * s + y * c) for x, y in corners]


_ARM = 0.38
_CROSS = (
    (-_ARM, -1.2), (_ARM, -1.2), (_ARM, -_ARM), (1.2, -_ARM), (1.2, _ARM), (_ARM, _ARM),
    (_ARM, 1.2), (-_ARM, 1.2), (-_ARM, _ARM), (-1.2, _ARM), (-1.2, -_ARM), (-_ARM, -_ARM),
)  # fmt: skip
_TRIANGLE = ((0.0, -1.1), (1.15, 0.75), (-1.15, 0.75))
#: Corners of each shape around 0, in half sizes; y points down.
_SHAPES: dict[str, Sequence[tuple[float, float]]] = {
    "square": ((-0.95, -0.95), (0.95, -0.95), (0.95, 0.95), (-0.95, 0.95)),
    "diamond": ((0.0, -1.3), (1.3, 0.0), (0.0, 1.3), (-1.3, 0.0)),
    "diamond-wide": ((0.0, -1.0), (1.4, 0.0), (0.0, 1.0), (-1.4, 0.0)),
    "triangle-up": _TRIANGLE,
    "triangle-right": _turned(_TRIANGLE, 90.0),
    "triangle-down": _turned(_TRIANGLE, 180.0),
    "triangle-left": _turned(_TRIANGLE, 270.0),
    "star-triangle-up": [(1.5 * x, 1.5 * y) for x, y in _star(3, 0.3)],
    "pentagon": [(1.1 * x, 1.1 * y) for x, y in _star(5, 0.0)],
    "hexagram": [(1.35 * x, 1.35 * y) for x, y in _star(6, 0.577)],
    "cross": _CROSS,
    "x": _turned(_CROSS, 45.0),
}


def mark(
    symbol: str, x: float, y: float, *, size: float, fill: str, edge: str, edge_width: float
) -> str:
    """Return one mark around a point.

    Raises
    ------
    KeyError
        No figure of this project uses a mark of this name.
    """
    half = size / 2.0
    stroke = f' stroke="{edge}" stroke-width="{edge_width:g}"' if edge_width else ""
    if symbol in ("circle", "circle-open"):
        inside = "none" if symbol.endswith("open") else fill
        return f'<circle cx="{x:.2f}" cy="{y:.2f}" r="{half:g}" fill="{inside}"{stroke}/>'
    if symbol in _STROKES:
        (x1, y1), (x2, y2) = _STROKES[symbol]
        return (
            f'<path d="M{x + half * x1:.2f} {y + half * y1:.2f} L{x + half * x2:.2f} '
            f'{y + half * y2:.2f}" fill="none"{stroke}/>'
        )
    corners = " L".join(f"{x + half * cx:.2f} {y + half * cy:.2f}" for cx, cy in _SHAPES[symbol])
    return f'<path d="M{corners} Z" fill="{fill}"{stroke}/>'
