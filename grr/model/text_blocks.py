"""Blocks as text for a terminal of 80 columns."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from grr.model.blocks import (
    Banner,
    Block,
    Bullets,
    Callout,
    Facts,
    Fold,
    Formulas,
    Heading,
    Picture,
    Prose,
    Table,
)

WIDTH = 80
#: Letters that a first column may have before the heads beside it are broken.
ROOM = 30


def as_text(blocks: Sequence[Block]) -> str:
    """Return blocks as text: one empty line between them, none under a heading."""
    lines: list[str] = []
    under_heading = True
    for block in blocks:
        written = block_text(block)
        if not written:
            continue
        if not under_heading:
            lines.append("")
        lines.append(written)
        under_heading = isinstance(block, Heading)
    return "\n".join(lines)


def block_text(block: Block) -> str:
    """Return one block as text; "" where a terminal shows nothing of it."""
    match block:
        case Prose(paragraphs):
            return "\n".join(paragraph(text) for text in paragraphs)
        case Bullets(items, numbered):
            marks = [f"{n}." if numbered else "-" for n in range(1, len(items) + 1)]
            return "\n".join(bullet(text, mark) for text, mark in zip(items, marks, strict=True))
        case Heading(text):
            return paragraph(text)
        case Banner(mark, text, sentence=sentence):
            return "\n".join(
                [paragraph(f"{mark} {text}"), *([paragraph(sentence)] if sentence else [])]
            )
        case Table(head, rows, caption=caption, narrow=narrow):
            table = text_table(head[:narrow], [row[:narrow] for row in rows])
            return f"{caption}\n{table}" if caption else table
        case Facts(entries):
            return "\n".join(hanging(f"{name}: {value}") for name, value in entries if value)
        case Formulas(lines):
            return "\n".join(hanging(line) for line in lines)
        case Callout(title, entries):
            listed = [bullet(f"{place}: {text}") for place, text in entries]
            return "\n".join([paragraph(title), *listed])
        case Fold(summary, blocks, brief):
            return "" if brief else "\n".join([paragraph(summary), as_text(blocks)])
        case Picture():
            return ""


def paragraph(text: str) -> str:
    """Return prose wrapped to the width of a terminal."""
    return _wrapped(text)


def bullet(text: str, mark: str = "-") -> str:
    """Return one wrapped entry of a list."""
    return _wrapped(text, f"{mark} ", " " * (len(mark) + 1))


def hanging(text: str) -> str:
    """Return a line whose continuation is indented."""
    return _wrapped(text, rest="    ")


#: Stands for a space at which no line may end, while a text is wrapped.
_NO_BREAK = "\ue000"


def _wrapped(text: str, first: str = "", rest: str = "") -> str:
    """Return wrapped text; no line ends within a number such as 3.6e-08, 30 % or a date."""
    kept = re.sub(r"(?<=\d) (?=%)", _NO_BREAK, text)
    return textwrap.fill(
        kept, WIDTH, initial_indent=first, subsequent_indent=rest, break_on_hyphens=False
    ).replace(_NO_BREAK, " ")


def text_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows of text under a head; the first column to the left, others to the right.

    Where the table would be wider than a terminal the first column is wrapped; before it
    gets narrower than `ROOM`, heads are broken over lines, those first that stand out
    most from what is under them. A table that is too wide all the same is written row by row.
    """
    columns = list(zip(*([head, *rows]), strict=True))
    widths = [max(len(cell) for cell in column) for column in columns]
    _narrow_heads(widths, head, columns)
    rest = sum(widths[1:]) + 2 * (len(widths) - 1)
    if rest + 12 > WIDTH:
        return _row_by_row(head, rows)
    widths[0] = max(12, min(widths[0], WIDTH - rest))
    heads = [textwrap.wrap(text, width) for text, width in zip(head, widths, strict=True)]
    height = max(map(len, heads))
    tops = [[""] * (height - len(lines)) + lines for lines in heads]
    lines = [_line(cells, widths) for cells in zip(*tops, strict=True)]
    lines.append("─" * min(WIDTH, sum(widths) + 2 * (len(widths) - 1)))
    for row in rows:
        first = textwrap.wrap(row[0], widths[0]) or [""]
        lines.append(_line([first[0], *row[1:]], widths))
        lines += [f"  {line}" for line in first[1:]]
    return "\n".join(lines)


def _row_by_row(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return the first cell of each row, and under it every other that is not empty, named."""
    lines = []
    for first, *others in rows:
        lines += ["", paragraph(first)]
        for name, cell in zip(head[1:], others, strict=True):
            if cell:
                text = f"{name}: {cell}"
                lines.append(_wrapped(text, "  ", "    "))
    return "\n".join(lines[1:])


def _narrow_heads(widths: list[int], head: Sequence[str], columns: Sequence[Sequence[str]]) -> None:
    """Make columns narrower, until the first has room, but not than their cells and words."""
    least = [
        max(map(len, [*text.split(" "), *column[1:]]))
        for text, column in zip(head, columns, strict=True)
    ]
    for i in sorted(range(1, len(widths)), key=lambda i: least[i] - widths[i]):
        too_wide = min(widths[0], ROOM) + sum(widths[1:]) + 2 * (len(widths) - 1) - WIDTH
        widths[i] = max(least[i], widths[i] - max(0, too_wide))


def _line(cells: Sequence[str], widths: Sequence[int]) -> str:
    first, *others = (
        cell.rjust(width) if i else cell.ljust(width)
        for i, (cell, width) in enumerate(zip(cells, widths, strict=True))
    )
    return "  ".join([first, *others]).rstrip()
