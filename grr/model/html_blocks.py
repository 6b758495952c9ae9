"""Blocks as HTML for a notebook: inline styles only, every text escaped."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

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

INK = "#1b1f24"
FAINT = "#57606a"
LINE = "#d0d7de"
FONT = "system-ui,'Segoe UI','DejaVu Sans',sans-serif"


def as_html(blocks: Sequence[Block]) -> str:
    """Return blocks as HTML."""
    return "".join(block_html(block) for block in blocks)


def block_html(block: Block) -> str:
    """Return one block as HTML; "" where a notebook shows nothing of it."""
    match block:
        case Prose(paragraphs):
            style = f"font:15px/1.5 {FONT};color:{INK};max-width:72ch;margin:6px 0"
            return "".join(f'<p style="{style}">{escaped(text)}</p>' for text in paragraphs)
        case Bullets(items, numbered):
            return _list(items, "ol" if numbered else "ul") if items else ""
        case Heading(text, level):
            size = 20 if level == 3 else 16
            return (
                f'<h{level} style="font:600 {size}px {FONT};color:{INK};margin:14px 0 4px">'
                f"{escaped(text)}</h{level}>"
            )
        case Banner(mark, text, colour, sentence):
            under = f'<div style="font:400 16px {FONT}">{escaped(sentence)}</div>'
            return (
                f'<div style="background:{colour};color:#fff;font:700 26px {FONT};'
                f'padding:14px 20px;border-radius:4px;margin:8px 0;max-width:960px">'
                f"{escaped(f'{mark} {text}')}{under if sentence else ''}</div>"
            )
        case Table():
            return _table(block)
        case Facts(entries):
            rows = [(name, value) for name, value in entries if value]
            return _table(Table(["", ""], rows, left=2), head=False) if rows else ""
        case Formulas(lines):
            style = f"font:14px/1.6 {FONT};color:{INK};margin:2px 0 2px 16px"
            return "".join(f'<p style="{style}">{escaped(line)}</p>' for line in lines)
        case Callout(title, entries, colour):
            return _callout(title, entries, colour)
        case Fold(summary, blocks):
            return (
                f'<details style="margin:6px 0;font:15px {FONT};color:{INK}">'
                f'<summary style="cursor:pointer">{escaped(summary)}</summary>'
                f"{as_html(blocks)}</details>"
            )
        case Picture():
            return ""


def escaped(text: str) -> str:
    """Return text as HTML.

    A dollar sign stands in an element of its own: JupyterLab would typeset what stands
    between two of them as mathematics.
    """
    return escape(text).replace("$", "<span>$</span>")


def _list(items: Sequence[str], tag: str) -> str:
    style = f"font:15px/1.5 {FONT};color:{INK};max-width:72ch;margin:4px 0;padding-left:22px"
    entries = "".join(f"<li>{escaped(text)}</li>" for text in items)
    return f'<{tag} style="{style}">{entries}</{tag}>'


def _table(table: Table, *, head: bool = True) -> str:
    line = f"border-bottom:1px solid {LINE};padding:5px 12px"

    def cell(tag: str, text: str, column: int, extra: str = "") -> str:
        side = "left" if column < table.left else "right"
        scope = ' scope="col"' if tag == "th" else ""
        return f'<{tag}{scope} style="text-align:{side};{line}{extra}">{escaped(text)}</{tag}>'

    top = "".join(
        cell("th" if text else "td", text, i, f";color:{FAINT};font-weight:600")
        for i, text in enumerate(table.head)
    )
    body = "".join(
        "<tr>" + "".join(cell("td", text, i) for i, text in enumerate(row)) + "</tr>"
        for row in table.rows
    )
    title = (
        f'<caption style="text-align:left;font-weight:600;padding:4px 0;color:{INK}">'
        f"{escaped(table.caption)}</caption>"
        if table.caption
        else ""
    )
    heads = f"<thead><tr>{top}</tr></thead>" if head else ""
    return (
        f'<table style="border-collapse:collapse;font:14px {FONT};color:{INK};'
        f'font-variant-numeric:tabular-nums;background:#fff;margin:6px 0">'
        f"{title}{heads}<tbody>{body}</tbody></table>"
    )


def _callout(title: str, entries: Sequence[tuple[str, str]], colour: str) -> str:
    items = "".join(
        f'<li style="margin:3px 0"><b>{escaped(place)}</b> · {escaped(text)}</li>'
        for place, text in entries
    )
    return (
        f'<div style="border-left:5px solid {colour};padding:6px 14px;margin:8px 0;'
        f'font:15px/1.45 {FONT};color:{INK};max-width:76ch;background:#fff">'
        f'<div style="font-weight:600;color:{colour}">{escaped(title)}</div>'
        f'<ul style="margin:4px 0;padding-left:20px">{items}</ul></div>'
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
