"""What a result says, once, in blocks; writers turn them into text, HTML and pages.

A result names its blocks in `blocks()`, see `grr.model.printed`. `grr.model.text_blocks` writes
them for 80 columns, `grr.model.html_blocks` for a notebook, `grr.page` for the report. No result
writes HTML.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from plotly.graph_objects import Figure


@dataclass(frozen=True)
class Prose:
    """Paragraphs."""

    paragraphs: Sequence[str]


@dataclass(frozen=True)
class Bullets:
    """A list of sentences, numbered where their order counts; nothing where there are none."""

    items: Sequence[str]
    numbered: bool = False


@dataclass(frozen=True)
class Heading:
    """A heading; level 3 is the larger one of a result, 4 the smaller."""

    text: str
    level: int = 4


@dataclass(frozen=True)
class Banner:
    """A decision in large type, on its colour; the mark says it without colour."""

    mark: str
    text: str
    colour: str
    sentence: str = ""


@dataclass(frozen=True)
class Table:
    """Rows of cells, already text.

    Parameters
    ----------
    head : sequence of str
    rows : sequence of sequences of str
    caption : str
    left : int
        How many columns from the left hold words; the others hold numbers.
    narrow : int, optional
        How many columns from the left a terminal of 80 columns shows; all by default.
    """

    head: Sequence[str]
    rows: Sequence[Sequence[str]]
    caption: str = ""
    left: int = 1
    narrow: int | None = None


@dataclass(frozen=True)
class Facts:
    """Names and values; those without a value are left out."""

    entries: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Formulas:
    """Lines of formulas, with their numbers filled in."""

    lines: Sequence[str]


@dataclass(frozen=True)
class Callout:
    """Sentences that want to be seen: a title, then entries with their place first."""

    title: str
    entries: Sequence[tuple[str, str]]
    colour: str


@dataclass(frozen=True)
class Fold:
    """Blocks that open on request; ``brief`` leaves them out of the terminal."""

    summary: str
    blocks: Sequence[Block]
    brief: bool = False


@dataclass(frozen=True)
class Picture:
    """A figure of `grr.show`, drawn when a page needs it; notebooks show figures by themselves."""

    draw: Callable[[], Figure]


Block = Prose | Bullets | Heading | Banner | Table | Facts | Formulas | Callout | Fold | Picture
