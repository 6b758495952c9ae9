"""Pieces of a drawing in SVG, for pages that are printed without a browser at hand."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from grr.model.tables import FONT, INK

WIDTH = 720


def drawing(figure_id: str, alt: str, height: float, pieces: Sequence[str]) -> str:
    """Return a whole drawing, as wide as its page and with its alternative text."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" id="{escape(figure_id)}" role="img" '
        f'aria-label="{escape(alt)}" viewBox="0 0 {WIDTH} {height:g}" width="100%" '
        f'style="max-width:{WIDTH}px;background:#ffffff" font-family="{escape(FONT)}">'
        f"<title>{escape(alt)}</title>{''.join(pieces)}</svg>"
    )


def text(
    words: str,
    x: float,
    y: float,
    *,
    anchor: str = "start",
    size: float = 12,
    bold: bool = False,
    colour: str = INK,
) -> str:
    """Return one line of text; everything in it is escaped."""
    return runs([(words, bold, "")], x, y, anchor=anchor, size=size, colour=colour)


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
    inner = escape(pieces[0][0]) if len(pieces) == 1 else "".join(map(_run, pieces))
    return (
        f'<text x="{x:.2f}" y="{y:.2f}" text-anchor="{anchor}" font-size="{size:g}"'
        f'{style} fill="{fill}">{inner}</text>'
    )


def _run(piece: tuple[str, bool, str]) -> str:
    words, bold, colour = piece
    weight = ' font-weight="600"' if bold else ""
    fill = f' fill="{colour}"' if colour else ""
    return f"<tspan{weight}{fill}>{escape(words)}</tspan>"


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


def dimension(start: float, end: float, y: float, colour: str) -> str:
    """Return a horizontal dimension line with a tick at each end."""
    ticks = "".join(line((x, y - 5, x, y + 5), colour, 1.4) for x in (start, end))
    return line((start, y, end, y), colour, 1.4) + ticks
