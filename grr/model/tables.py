"""Plain tables: aligned text for a terminal, HTML with inline styles for a notebook."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from html import escape

WIDTH = 80
#: Letters that a first column may have before the heads beside it are broken.
ROOM = 30
INK = "#1b1f24"
FAINT = "#57606a"
LINE = "#d0d7de"
FONT = "system-ui,'Segoe UI','DejaVu Sans',sans-serif"


def text_table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Return rows of text under a head; the first column to the left, others to the right.

    Where the table would be wider than a terminal the first column is wrapped; before it
    gets narrower than `ROOM`, heads are broken over lines, those first that stand out
    most from what is under them.
    """
    columns = list(zip(*([head, *rows]), strict=True))
    widths = [max(len(cell) for cell in column) for column in columns]
    _narrow_heads(widths, head, columns)
    rest = sum(widths[1:]) + 2 * (len(widths) - 1)
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


def paragraph(text: str, indent: str = "") -> str:
    """Return prose wrapped to the width of a terminal."""
    return textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=indent)


def bullet(text: str) -> str:
    """Return one wrapped entry of a list."""
    return textwrap.fill(text, WIDTH, initial_indent="- ", subsequent_indent="  ")


def html_table(
    head: Sequence[str], rows: Sequence[Sequence[str]], *, caption: str = "", left: int = 1
) -> str:
    """Return an HTML table; every cell is escaped, the first ``left`` columns left-aligned."""
    line = f"border-bottom:1px solid {LINE};padding:5px 12px"

    def cell(tag: str, text: str, column: int, extra: str = "") -> str:
        side = "left" if column < left else "right"
        scope = ' scope="col"' if tag == "th" else ""
        return f'<{tag}{scope} style="text-align:{side};{line}{extra}">{escape(text)}</{tag}>'

    top = "".join(
        cell("th", text, i, f";color:{FAINT};font-weight:600") for i, text in enumerate(head)
    )
    body = "".join(
        "<tr>" + "".join(cell("td", text, i) for i, text in enumerate(row)) + "</tr>"
        for row in rows
    )
    title = (
        f'<caption style="text-align:left;font-weight:600;padding:4px 0;color:{INK}">'
        f"{escape(caption)}</caption>"
        if caption
        else ""
    )
    return (
        f'<table style="border-collapse:collapse;font:14px {FONT};color:{INK};'
        f'font-variant-numeric:tabular-nums;background:#fff;margin:6px 0">'
        f"{title}<thead><tr>{top}</tr></thead><tbody>{body}</tbody></table>"
    )


def html_prose(*paragraphs: str) -> str:
    """Return paragraphs of escaped prose."""
    style = f"font:15px/1.5 {FONT};color:{INK};max-width:72ch;margin:6px 0"
    return "".join(f'<p style="{style}">{escape(text)}</p>' for text in paragraphs)


def html_list(items: Sequence[str]) -> str:
    """Return a list of escaped sentences; "" where there are none."""
    if not items:
        return ""
    style = f"font:15px/1.5 {FONT};color:{INK};max-width:72ch;margin:4px 0;padding-left:22px"
    return f'<ul style="{style}">' + "".join(f"<li>{escape(text)}</li>" for text in items) + "</ul>"


def html_heading(text: str, level: int = 3) -> str:
    """Return an escaped heading."""
    return (
        f'<h{level} style="font:600 {20 if level == 3 else 16}px {FONT};color:{INK};'
        f'margin:14px 0 4px">{escape(text)}</h{level}>'
    )


def html_folded(summary: str, content: str) -> str:
    """Return HTML content that opens on request under a summary."""
    return (
        f'<details style="margin:6px 0;font:15px {FONT};color:{INK}">'
        f'<summary style="cursor:pointer">{escape(summary)}</summary>{content}</details>'
    )


def html_callout(title: str, entries: Sequence[tuple[str, str]], *, colour: str) -> str:
    """Return a block with a coloured edge: a title, then entries with a bold beginning."""
    items = "".join(
        f'<li style="margin:3px 0"><b>{escape(place)}</b> · {escape(text)}</li>'
        for place, text in entries
    )
    return (
        f'<div style="border-left:5px solid {colour};padding:6px 14px;margin:8px 0;'
        f'font:15px/1.45 {FONT};color:{INK};max-width:76ch;background:#fff">'
        f'<div style="font-weight:600;color:{colour}">{escape(title)}</div>'
        f'<ul style="margin:4px 0;padding-left:20px">{items}</ul></div>'
    )


def html_banner(text: str, *, colour: str) -> str:
    """Return a decision in large type on its colour."""
    return (
        f'<div style="background:{colour};color:#fff;font:700 26px {FONT};padding:14px 20px;'
        f'border-radius:4px;margin:8px 0;max-width:960px">{escape(text)}</div>'
    )


def html_page(title: str, body: str) -> str:
    """Return a whole page of HTML; ``body`` is HTML already, the title is escaped."""
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="generator" content="grr">'
        f"<title>{escape(title)}</title></head>"
        f'<body style="max-width:960px;margin:24px auto;padding:0 16px;font:15px/1.5 {FONT};'
        f'color:{INK}"><h1 style="font:600 26px {FONT}">{escape(title)}</h1>{body}</body></html>\n'
    )
