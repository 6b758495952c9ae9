"""The frame of the report: one page of HTML that fetches nothing and runs nothing."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from html import escape
from typing import TYPE_CHECKING

from grr.model import tables
from grr.model.errors import StudyError
from grr.page.style import STYLE
from grr.show.static import figure_svg

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: No script at all, and nothing from elsewhere: the page reads the same in ten years.
POLICY = "default-src 'none'; style-src 'unsafe-inline'"
#: Marks that turn the direction of a text around, and controls: people's names bring them.
_STEERING = dict.fromkeys(
    [*range(0x202A, 0x202F), *range(0x2066, 0x206A), *range(0x80, 0xA0), 0x7F, 0x200E, 0x200F]
    + [code for code in range(0x20) if chr(code) not in "\t\n"]
)
#: Sizes of paper that a PDF can be printed on.
PAPERS = {"A4": "A4", "Letter": "letter"}


def whole_page(title: str, body: str, *, foot: str, paper: str = "") -> str:
    """Return the page; the title is escaped, the body is HTML already.

    Marks that would turn the direction of the text are left out, whoever wrote them.

    Parameters
    ----------
    foot : str
        Stands at the foot of every printed page; letters, digits and plain signs only.
    paper : str
        One of `PAPERS`; "" leaves the choice to whoever prints.
    """
    size = f"size: {PAPERS[paper]};" if paper else ""
    pages = (
        f'@page {{ {size} @bottom-left {{ content: "{foot}"; font: 10px {tables.FONT}; '
        f"color: {tables.FAINT}; }} }}"
    )
    page = (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="generator" content="grr">'
        f'<meta http-equiv="Content-Security-Policy" content="{POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{pages}</style></head>"
        f"<body><main>{body}</main></body></html>\n"
    )
    return page.translate(_STEERING)


def section(title: str, *parts: str, name: str, new_page: bool = False) -> str:
    """Return a numbered part of the report under a heading."""
    classes = "part new-page" if new_page else "part"
    return (
        f'<section class="{classes}" id="{escape(name)}"><h2>{escape(title)}</h2>'
        f"{''.join(parts)}</section>"
    )


def heading(text: str) -> str:
    """Return a heading within a part."""
    return f"<h3>{escape(text)}</h3>"


def figure_block(figure: Figure, *, suffix: str = "") -> str:
    """Return a figure: its question as a heading, the answer as text, the drawing.

    Parameters
    ----------
    figure : plotly Figure
    suffix : str
        Tells figures of one kind apart: letters and digits.
    """
    question = heading(str(figure.layout.meta["question"]))
    return f'<div class="figure">{question}{drawing(figure, suffix)}</div>'


def drawing(figure: Figure, suffix: str = "") -> str:
    """Return the answer and the drawing of a figure, without its question."""
    meta = figure.layout.meta
    answer = f"<p>{escape(str(meta['answer']))}</p>"
    if not figure.data:
        return answer
    return answer + figure_svg(figure, suffix=suffix)


def folded(summary: str, content: str) -> str:
    """Return content under a summary; printed open, see `unfolded`."""
    return f"<details><summary>{escape(summary)}</summary>{content}</details>"


def unfolded(html: str) -> str:
    """Return HTML with everything that can be unfolded open, as paper needs it.

    What people wrote is escaped, so that "<details" is always the report's own.
    """
    return html.replace("<details", "<details open")


def raised(html: str) -> str:
    """Return HTML of a notebook with its smaller headings one level up, as a part needs them."""
    return html.replace("<h4", "<h3").replace("</h4>", "</h3>")


def facts_list(entries: Sequence[tuple[str, str]], *, short: bool = False) -> str:
    """Return names and values; entries without a value are left out."""
    shown = "".join(
        f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in entries if value
    )
    return f'<dl class="short">{shown}</dl>' if short else f"<dl>{shown}</dl>"


def formulas(lines: Sequence[str]) -> str:
    """Return lines of formulas."""
    return "".join(f'<p class="formula">{escape(line)}</p>' for line in lines)


def or_reason(make: Callable[[], str], before: str = "Not possible: ") -> str:
    """Return what is made, or the sentence that says why it cannot be."""
    try:
        return make()
    except StudyError as error:
        return tables.html_prose(f"{before}{_lower(error.problem)}. {error.remedy}.")


def _lower(text: str) -> str:
    """Return a sentence to go on with: its first letter small, unless it is a symbol's."""
    return text[:1].lower() + text[1:] if text[1:2].islower() or text[1:2] == " " else text
