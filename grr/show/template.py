"""The look of every figure: one typeface, one palette, a question and its answer on top."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.model.html_blocks import FAINT, FONT, INK, LINE

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: What plotly would take for markup, a formula or a placeholder, as entities that it draws.
_ENTITIES = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "$": "&#36;", "{": "&#123;", "}": "&#125;"}


def markup(text: str) -> str:
    """Return plain text in which plotly finds nothing to interpret."""
    return "".join(_ENTITIES.get(character, character) for character in text)


#: The Okabe-Ito palette, which colour-blind people can tell apart
#: (Okabe & Ito, Color Universal Design, 2008).
ORANGE, SKY, GREEN, YELLOW = "#E69F00", "#56B4E9", "#009E73", "#F0E442"
BLUE, VERMILLION, PURPLE, BLACK = "#0072B2", "#D55E00", "#CC79A7", "#000000"

#: What a colour stands for, the same in every figure.
ROLES = {
    "EV": SKY,
    "AV": ORANGE,
    "INT": PURPLE,
    "SES": "#8C5A00",
    "GAU": "#5B4A8A",
    "GRR": VERMILLION,
    "PV": BLUE,
    "WPV": "#3F7CA8",
    "TV": FAINT,
    "part": BLUE,
    "doubt": VERMILLION,
    "good": GREEN,
    "band": "#E4E8EC",
    "limit": INK,
}
#: Operators are told apart by shape as well as by colour.
OPERATOR_LOOKS = (
    (BLUE, "circle"),
    (VERMILLION, "diamond"),
    (GREEN, "square"),
    (PURPLE, "triangle-up"),
    (ORANGE, "triangle-down"),
    (SKY, "star-triangle-up"),
    (INK, "x"),
    (BLUE, "pentagon"),
    (VERMILLION, "hexagram"),
    (GREEN, "cross"),
)
TEXT_SIZE, SMALL, TITLE_SIZE, ANSWER_SIZE = 14, 13, 20, 15
#: Longest line of the answer, so that nothing is cut on a page or half a screen.
LINE_LENGTH = 76
TITLE_LENGTH = 56
#: Height of a line of the key under an axis, in px.
KEY_LINE = 20
#: Significant digits of a number in a figure: the same picture on every machine.
DIGITS = 9

#: Dark enough to be read as text, where a colour of the palette would be too pale.
WARNING = "#A63D00"
EXAMPLE = "EXAMPLE: invented readings, not your gauge."
#: Tools of plotly that a still picture has no use for.
TOOLS = ["zoom", "pan", "select", "lasso", "zoomIn", "zoomOut", "autoScale", "resetScale"]

AXIS = {
    "showline": True,
    "linecolor": FAINT,
    "linewidth": 1,
    "ticks": "outside",
    "ticklen": 5,
    "tickcolor": FAINT,
    "showgrid": False,
    "zeroline": False,
    "automargin": True,
    "title": {"font": {"size": TEXT_SIZE, "color": INK}, "standoff": 10},
    "tickfont": {"size": SMALL, "color": INK},
    "fixedrange": True,
}
TEMPLATE: dict[str, Any] = {
    "layout": {
        "font": {"family": FONT, "size": TEXT_SIZE, "color": INK},
        "paper_bgcolor": "#ffffff",
        "plot_bgcolor": "#ffffff",
        "colorway": [BLUE, VERMILLION, GREEN, PURPLE, ORANGE, SKY, INK],
        "xaxis": AXIS,
        "yaxis": AXIS,
        "hoverlabel": {
            "bgcolor": "#ffffff",
            "bordercolor": LINE,
            "font": {"family": FONT, "size": SMALL, "color": INK},
            "align": "left",
            "namelength": -1,
        },
        "annotationdefaults": {"showarrow": False, "font": {"size": SMALL, "color": INK}},
    }
}


def found_or_not(found: Sequence[bool]) -> dict[str, Any]:
    """Return the look of marks of which some were found to be beyond: large diamonds."""
    return {
        "opacity": 1,
        "symbol": ["diamond" if out else "circle" for out in found],
        "size": [12 if out else 8 for out in found],
        "color": [ROLES["doubt" if out else "part"] for out in found],
    }


def rounded(values: Iterable[float] | Any) -> list[float | None]:
    """Return numbers as a figure carries them: 9 significant digits, None where missing.

    What is smaller than 1e-12 of the largest is 0: it is the noise of the arithmetic.
    """
    array = np.atleast_1d(np.asarray(values, dtype=np.float64)).ravel()
    finite = np.isfinite(array)
    noise = 1e-12 * float(np.max(np.abs(array[finite]), initial=0.0))
    return [
        None if not ok else 0.0 if abs(value) <= noise else float(f"{value:.{DIGITS - 1}e}")
        for value, ok in zip(array.tolist(), finite.tolist(), strict=True)
    ]


def one(value: float) -> float | None:
    """Return one number as a figure carries it."""
    return rounded([value])[0]


def lines(text: str, length: int = LINE_LENGTH) -> list[str]:
    """Return plain text in lines of at most so many characters."""
    return textwrap.wrap(text, length)


def wrapped(text: str, length: int = LINE_LENGTH) -> str:
    """Return plain text as lines that plotly draws; nothing in it is taken for markup."""
    return "<br>".join(markup(line) for line in lines(text, length))


def with_key(title: str, key: str, length: int = LINE_LENGTH) -> str:
    """Return the title of a horizontal axis with a key of what is drawn under it.

    Each line takes `KEY_LINE` px of the figure's height and of its lower margin.
    """
    below = [f'<span style="color:{FAINT}">{markup(line)}</span>' for line in lines(key, length)]
    return "<br>".join([title, *below])


def without_key(title: str) -> str:
    """Return the title of an axis without the key under it."""
    return title.partition("<br>")[0]


def note(text: str, x: float | None, y: float | None, **how: Any) -> dict[str, Any]:
    """Return a label at a place in the figure; nothing in its text is taken for markup.

    A line break in the text stays one.
    """
    shown = "<br>".join(markup(line) for line in text.split("\n"))
    bold = how.pop("bold", False)
    return {"text": f"<b>{shown}</b>" if bold else shown, "x": x, "y": y, "showarrow": False, **how}


def draw(
    figure_id: str,
    question: str,
    answer: str,
    *,
    traces: Sequence[dict[str, Any]],
    height: int,
    top: int = 0,
    alt: str = "",
    example: bool = False,
    shapes: Sequence[dict[str, Any]] = (),
    notes: Sequence[dict[str, Any]] = (),
    **layout: Any,
) -> Figure:
    """Return a figure with a question as its title and the answer under it.

    Parameters
    ----------
    figure_id : str
        The same on every run; names the figure in a page (``fig-`` is put before it).
    question, answer : str
        Plain text.
    traces : sequence of dict
        Plotly traces, numbers from `rounded`.
    height : int
        Height in px of the drawing; the room for title and answer is added.
    top : int
        Height in px kept free between the answer and the drawing, for labels.
    alt : str, optional
        What the picture shows, for those who do not see it; the answer where left out.
    example : bool
        Whether the readings are invented; the picture says so then.
    shapes, notes : sequence of dict
        Plotly shapes; labels from `note`.
    **layout
        Plotly layout, axes above all.
    """
    from grr.show.bundle import NotebookFigure

    title, below = wrapped(question, TITLE_LENGTH), wrapped(answer)
    if example:
        below = f'<span style="color:{WARNING}">{EXAMPLE}</span><br>{below}'
    head = head_height(title, below) + top
    margin = {"l": 20, "r": 20, "b": 20, "pad": 0, **layout.pop("margin", {}), "t": head}
    return NotebookFigure(
        data=list(traces),
        layout={
            "template": TEMPLATE,
            "title": {
                "text": title,
                "subtitle": {
                    "text": below,
                    "font": {"size": ANSWER_SIZE, "color": INK, "weight": 400},
                },
                "font": {"size": TITLE_SIZE, "color": INK, "weight": 600},
                "x": 0,
                "xref": "container",
                "xanchor": "left",
                "y": 1,
                "yref": "container",
                "yanchor": "top",
                "pad": {"l": 12, "t": 12 + 8 * title.count("<br>")},
            },
            "height": height + head,
            "margin": margin,
            "showlegend": False,
            "dragmode": False,
            "hovermode": "closest",
            "modebar": {"remove": TOOLS},
            "shapes": list(shapes),
            "annotations": list(notes),
            "meta": {
                "id": f"fig-{figure_id}",
                "question": question,
                "answer": answer,
                "alt": alt or f"{question} {answer}",
            },
            **layout,
        },
    )


def head_height(title: str, below: str) -> int:
    """Return the height in px of question and answer, as plotly draws their lines."""
    return 70 + 36 * title.count("<br>") + 21 * below.count("<br>")


def unanswered(figure_id: str, question: str, why: str) -> Figure:
    """Return a page with the question and what is needed to answer it."""
    return draw(
        figure_id,
        question,
        why,
        traces=[],
        height=20,
        xaxis={"visible": False},
        yaxis={"visible": False},
    )
