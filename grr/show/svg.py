"""Pieces of a drawing in SVG: lines, boxes, marks and texts."""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape, unescape
from typing import NamedTuple

from grr.model.html_blocks import INK
from grr.model.plain_text import without_steering


def runs(
    pieces: Sequence[tuple[str, bool, str]],
    x: float,
    y: float,
    *,
    anchor: str = "start",
    size: float = 12,
    colour: str = INK,
    turned: float = 0.0,
    about: tuple[float, float] = (0.0, 0.0),
) -> str:
    """Return one line of text in pieces, each with its own weight and colour ("": the line's).

    ``turned`` are degrees around the point ``about``. Everything is escaped.
    """
    style = ""
    if len(pieces) == 1 and pieces[0][1]:
        style += ' font-weight="600"'
    if turned:
        style += f' transform="rotate({turned:g} {about[0]:.2f} {about[1]:.2f})"'
    fill = (pieces[0][2] if len(pieces) == 1 else "") or colour
    inner = escaped(pieces[0][0]) if len(pieces) == 1 else "".join(map(_run, pieces))
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}" font-size="{size:g}"'
        f'{style} fill="{fill}">{inner}</text>'
    )


def escaped(words: str) -> str:
    """Return a text as it stands in a drawing: no tags, and no marks that turn its direction."""
    return escape(without_steering(words))


def _run(piece: tuple[str, bool, str]) -> str:
    words, bold, colour = piece
    weight = ' font-weight="600"' if bold else ""
    fill = f' fill="{colour}"' if colour else ""
    return f"<tspan{weight}{fill}>{escaped(words)}</tspan>"


def line(ends: tuple[float, float, float, float], colour: str = INK, width: float = 1.0) -> str:
    """Return a straight line from (x1, y1) to (x2, y2)."""
    x1, y1, x2, y2 = ends
    return (
        f'<line x1="{x1:.2f}" y1="{y1:.2f}" x2="{x2:.2f}" y2="{y2:.2f}" stroke="{colour}" '
        f'stroke-width="{width:g}"/>'
    )


def box(place: tuple[float, float, float, float], fill: str, edge: str = "none") -> str:
    """Return a rectangle at (x, y) with a width and a height."""
    x, y, width, height = place
    return (
        f'<rect x="{x:.2f}" y="{y:.2f}" width="{max(width, 0.0):.2f}" height="{height:.2f}" '
        f'fill="{fill}" stroke="{edge}"/>'
    )


#: Strokes that have no inside: where they begin and end, in half sizes.
_STROKES = {
    "line-ew": ((-1.4, 0.0), (1.4, 0.0)),
    "line-ns": ((0.0, -1.4), (0.0, 1.4)),
}


def _star(points: int, inner: float) -> tuple[tuple[float, float], ...]:
    """Return a star, or a regular polygon where ``inner`` is 0; the first point is on top."""
    corners = []
    for index in range(points):
        for radius, offset in ((1.0, 0.0), (inner, 180.0 / points)):
            if radius:
                angle = math.radians(-90.0 + 360.0 * index / points + offset)
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


#: Mean width of a letter and height of a line, in sizes of the type. DejaVu Sans is the
#: widest of the typefaces in use; a narrower one leaves a little more white.
LETTER, LINE = 0.6, 1.3
_PIECES = re.compile(r"(<br>|</?b>|</?span[^>]*>)")
_COLOUR = re.compile(r"color:\s*([^;\"]+)")


class Run(NamedTuple):
    """Text of one look; the colour is "" where it is that of the whole."""

    text: str
    bold: bool
    colour: str


@dataclass(frozen=True)
class Words:
    """Lines of text, each of runs."""

    lines: tuple[tuple[Run, ...], ...]

    def width(self, size: float) -> float:
        """Return about how wide the longest line is, in px."""
        return max(
            sum(text_width(run.text, size * (1.08 if run.bold else 1.0)) for run in line)
            for line in self.lines
        )

    def height(self, size: float) -> float:
        """Return the height of all lines in px."""
        return len(self.lines) * LINE * size

    def draw(
        self,
        x: float,
        y: float,
        *,
        size: float,
        anchor: str = "middle",
        valign: str = "middle",
        colour: str = INK,
        ground: str = "",
        turned: float = 0.0,
    ) -> list[str]:
        """Return the lines at a place: ``y`` is their top, middle or bottom.

        ``ground`` is the colour of a box behind them, so that they can be read over what is
        drawn there.
        """
        tall = self.height(size)
        top = {"top": y, "middle": y - tall / 2.0, "bottom": y - tall}[valign]
        ground_box = []
        if ground:
            # A typeface is mostly narrower than measured, and the box must not hide much.
            wide = 0.92 * self.width(size)
            left = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
            ground_box = [box((left - 1.0, top + 1.0, wide + 2.0, tall - 2.0), ground)]
        return ground_box + [
            runs(
                line,
                x,
                top + (index + 0.78) * LINE * size,
                anchor=anchor,
                size=size,
                colour=colour,
                turned=turned,
                about=(x, y),
            )
            for index, line in enumerate(self.lines)
        ]


def words(text: str) -> Words:
    """Return the text of a figure, in plotly's markup, as plain lines.

    Line breaks, bold and colours are all that the figures of this project use.
    """
    lines: list[list[Run]] = [[]]
    bold, colour = False, ""
    for piece in _PIECES.split(text):
        if piece == "<br>":
            lines.append([])
        elif piece in ("<b>", "</b>"):
            bold = piece == "<b>"
        elif piece.startswith("</span"):
            colour = ""
        elif piece.startswith("<span"):
            found = _COLOUR.search(piece)
            colour = found.group(1) if found else ""
        elif piece:
            lines[-1].append(Run(unescape(piece), bold, colour))
    return Words(tuple(map(tuple, lines)))


def text_width(text: str, size: float) -> float:
    """Return about how wide a text is, in px."""
    letters = sum(
        0.0 if unicodedata.combining(c) else 1.75 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )
    return letters * LETTER * size
