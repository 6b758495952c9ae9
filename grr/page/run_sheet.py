"""The printable run sheet: one page an operator and trial, with boxes to write in."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

from grr.model.rounding import limits_text, size
from grr.model.tables import FAINT, FONT, INK, LINE
from grr.model.tolerance import Tolerance
from grr.questions.gauge import EXAMPLE

#: Boxes that fit under the head of one page, on A4 and on Letter.
ROWS = 22

_STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ font: 14px/1.35 {FONT}; color: {INK}; background: #fff; margin: 0 auto; padding: 12px;
  max-width: 760px; }}
h1 {{ font-size: 19px; line-height: 1.2; margin: 0 0 2px; overflow-wrap: anywhere; }}
.sheet + .sheet {{ margin-top: 40px; border-top: 1px dashed {FAINT}; padding-top: 20px; }}
.who {{ font-size: 17px; font-weight: 600; margin: 6px 0; overflow-wrap: anywhere; }}
.facts {{ margin: 0; overflow-wrap: anywhere; }}
.example {{ border: 2px dashed {INK}; padding: 2px 8px; font-weight: 600; margin: 0 0 6px; }}
.before {{ display: flex; flex-wrap: wrap; gap: 4px 18px; margin: 6px 0; }}
.before span {{ white-space: nowrap; }}
.line {{ display: inline-block; border-bottom: 1px solid {INK}; width: 76px; height: 18px; }}
.tick {{ display: inline-block; border: 1px solid {INK}; width: 14px; height: 14px;
  vertical-align: -2px; }}
table {{ border-collapse: collapse; width: 100%; table-layout: fixed; }}
th {{ text-align: left; font-weight: 600; color: {FAINT}; padding: 2px 8px; }}
td {{ border: 1px solid {LINE}; padding: 0 8px; height: 30px; overflow-wrap: anywhere; }}
td.write {{ border: 1.5px solid {INK}; }}
.foot {{ display: flex; justify-content: space-between; gap: 20px; color: {FAINT};
  font-size: 12px; margin-top: 6px; }}
.page {{ white-space: nowrap; }}
tr {{ break-inside: avoid; }}
@page {{ margin: 11mm; }}
@media print {{
  body {{ padding: 0; max-width: none; font-size: 13px; }}
  .sheet {{ break-after: page; }}
  .sheet:last-child {{ break-after: auto; }}
  .sheet + .sheet {{ margin-top: 0; border-top: 0; padding-top: 0; }}
}}
"""
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"


@dataclass(frozen=True)
class Heading:
    """What stands on top of every page."""

    title: str = ""
    gauge: str = ""
    unit: str = ""
    tolerance: Tolerance | None = None
    resolution: float | None = None
    place: str = ""
    example: bool = False


@dataclass(frozen=True)
class Round:
    """One operator's way through all parts: one trial by one method."""

    operator: str
    trial: int
    method: str
    orders: tuple[int, ...]
    parts: tuple[str, ...]


def run_sheet_page(heading: Heading, rounds: Sequence[Round]) -> str:
    """Return the run sheet as one HTML document that prints a page an operator and trial.

    A round of more than 22 parts goes over several pages. Nothing is loaded from
    elsewhere, and every text from outside is escaped.
    """
    sheets = [(one, start) for one in rounds for start in range(0, max(1, len(one.parts)), ROWS)]
    pages = [
        _sheet(heading, one, start, f"Page {number} of {len(sheets)}")
        for number, (one, start) in enumerate(sheets, start=1)
    ]
    return _document(f"Run sheet: {heading.title}", pages)


def key_page(heading: Heading, codes: Sequence[tuple[str, str]]) -> str:
    """Return the key sheet as an HTML document: which code is on which part.

    Parameters
    ----------
    heading : Heading
    codes : sequence of (part, code)
    """
    rows = "".join(
        f"<tr><td>{escape(part)}</td><td><b>{escape(code)}</b></td></tr>" for part, code in codes
    )
    body = (
        f'<div class="sheet">{_head(heading)}'
        '<p class="who">Key sheet: stays with the helper who hands out the parts</p>'
        '<p class="facts">Tag each part with its code. The operator sees the code only.</p>'
        f"<table><thead><tr><th>Part</th><th>Code</th></tr></thead><tbody>{rows}</tbody></table>"
        "</div>"
    )
    return _document(f"Key sheet: {heading.title}", [body])


def _sheet(heading: Heading, one: Round, start: int, page: str) -> str:
    method = f", {escape(one.method)}" if one.method else ""
    more = ", continued" if start else ""
    unit = f" ({escape(heading.unit)})" if heading.unit else ""
    rows = "".join(
        f'<tr><td>{order}</td><td><b>{escape(part)}</b></td><td class="write"></td>'
        '<td class="write"></td></tr>'
        for order, part in list(zip(one.orders, one.parts, strict=True))[start : start + ROWS]
    )
    before = "" if start else _before(heading)
    return (
        f'<div class="sheet">{_head(heading)}'
        f'<p class="who">{escape(one.operator)}, trial {one.trial}{method}{more}</p>{before}'
        '<table><colgroup><col style="width:9%"><col style="width:21%"><col style="width:30%">'
        "<col></colgroup>"
        f"<thead><tr><th>No.</th><th>Part</th><th>Reading{unit}</th><th>Note</th></tr></thead>"
        f"<tbody>{rows}</tbody></table>"
        '<div class="foot"><span>Measure in this order. Do not look at earlier readings. Cross '
        "out a slip so that it stays legible; say why in the note.</span>"
        f'<span class="page">{page}</span></div></div>'
    )


def _head(heading: Heading) -> str:
    facts = [
        f"Gauge: {heading.gauge or '________________'}",
        f"Unit: {heading.unit or 'not stated'}",
        f"Tolerance: {limits_text(heading.tolerance, heading.resolution, heading.unit)}",
    ]
    if heading.resolution is not None:
        facts.append(f"Last digit: {size(heading.resolution, heading.resolution, heading.unit)}")
    if heading.place:
        facts.append(f"Measure at: {heading.place}")
    example = f'<p class="example">{escape(EXAMPLE)}</p>' if heading.example else ""
    return (
        f"{example}<h1>{escape(heading.title or 'Gauge study')}</h1>"
        f'<p class="facts">{escape(" · ".join(facts))}</p>'
    )


def _before(heading: Heading) -> str:
    unit = f" {escape(heading.unit)}" if heading.unit else ""
    line = '<span class="line"></span>'
    written = "".join(f"<span>{name} {line}</span>" for name in ("Date", "From", "To", "Room °C"))
    zero = "".join(f"<span>Zero {when} {line}{unit}</span>" for when in ("before", "after"))
    ticks = "".join(
        f'<span><span class="tick"></span> {name}</span>'
        for name in ("faces and parts clean", "gauge and parts at room temperature")
    )
    rows = (written, f"{zero}<span>Held in {line}</span>", ticks)
    return "".join(f'<div class="before">{row}</div>' for row in rows)


def _document(title: str, pages: Sequence[str]) -> str:
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="generator" content="grr">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style></head>"
        f"<body><main>{''.join(pages)}</main></body></html>\n"
    )
