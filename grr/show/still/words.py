"""The texts of a figure as lines of an SVG drawing."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass
from html import unescape

from grr.model.tables import INK
from grr.show import svg

#: Mean width of a letter and height of a line, in sizes of the type. DejaVu Sans is the
#: widest of the typefaces in use; a narrower one leaves a little more white.
LETTER, LINE = 0.6, 1.3
_PIECES = re.compile(r"(<br>|</?b>|</?span[^>]*>)")
_COLOUR = re.compile(r"color:\s*([^;\"]+)")


@dataclass(frozen=True)
class Run:
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
        box = []
        if ground:
            # A typeface is mostly narrower than measured, and the box must not hide much.
            wide = 0.92 * self.width(size)
            left = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[anchor]
            box = [svg.box((left - 1.0, top + 1.0, wide + 2.0, tall - 2.0), ground)]
        return box + [
            svg.runs(
                [(run.text, run.bold, run.colour) for run in line],
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
