"""What a report shows besides the blocks of results: its template writes these too."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from grr.model.blocks import Block, Formulas, Prose
from grr.model.errors import StudyError

if TYPE_CHECKING:
    from plotly.graph_objects import Figure


@dataclass(frozen=True)
class KeyNumber:
    """A number that matters: what it is, its value and interval, and how it is computed."""

    label: str
    value: str
    interval: str = ""
    formulas: Formulas = field(default_factory=lambda: Formulas(()))


@dataclass(frozen=True)
class KeyNumbers:
    """The numbers that matter as a table; ``interval`` heads the last column.

    ``by`` heads the first where they were not calculated as usual.
    """

    interval: str
    rows: Sequence[KeyNumber]
    by: str = ""


@dataclass(frozen=True)
class ReadingsTable:
    """Readings, parts down, under each operator the trials.

    Parameters
    ----------
    caption : str
    operators : sequence of str
    trials : sequence of int
    rows : sequence of (str, sequence of sequences of str)
        A part, and its readings by operator and trial.
    """

    caption: str
    operators: Sequence[str]
    trials: Sequence[int]
    rows: Sequence[tuple[str, Sequence[Sequence[str]]]]


@dataclass(frozen=True)
class Columns:
    """Blocks beside each other; on paper one side may go on under the other.

    ``apart`` where each side keeps its column: the same is said of two things.
    """

    left: Sequence[PageBlock]
    right: Sequence[PageBlock]
    apart: bool = False


@dataclass(frozen=True)
class Form:
    """Names and values; one without a value is a line to fill in by hand."""

    entries: Sequence[tuple[str, str]]


@dataclass(frozen=True)
class Drawing:
    """A figure without its question and answer, which the page has said in its own words."""

    draw: Callable[[], Figure]


@dataclass(frozen=True)
class Verbatim:
    """Lines as they are, of a file or ``taken`` in this order; on paper in columns."""

    text: str
    name: str = "verbatim"


PageBlock = Block | KeyNumbers | ReadingsTable | Columns | Form | Drawing | Verbatim


def or_reason(
    make: Callable[[], Sequence[PageBlock]], before: str = "Not possible: "
) -> Sequence[PageBlock]:
    """Return what is made, or the sentence that says why it cannot be."""
    try:
        return make()
    except StudyError as error:
        return [Prose([f"{before}{_lower(error.problem)}. {error.remedy}."])]


def _lower(text: str) -> str:
    """Return a sentence to go on with: its first letter small, unless it is a symbol's."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text
