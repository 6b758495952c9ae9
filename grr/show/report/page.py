"""The frame of the report: style for screen and paper, figures, headings."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from grr.wording.tables import FAINT, FONT, INK, LINE

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Width of a figure in px: it fits A4 and Letter with a margin of 15 mm.
FIGURE_WIDTH = 680

_STYLE = f"""
:root {{ color-scheme: light; }}
body {{ font: 15px/1.5 {FONT}; color: {INK}; background: #fff; margin: 0 auto; padding: 24px;
  max-width: 860px; }}
h1 {{ font-size: 26px; line-height: 1.25; margin: 0 0 8px; overflow-wrap: anywhere; }}
h2 {{ font-size: 20px; margin: 34px 0 8px; padding-top: 10px; border-top: 2px solid {INK}; }}
h3 {{ font-size: 16px; margin: 20px 0 4px; }}
p, li, td, th, dd {{ overflow-wrap: anywhere; }}
table {{ max-width: 100%; }}
thead {{ display: table-header-group; }}
tr, figure, .together {{ break-inside: avoid; }}
h1, h2, h3, caption {{ break-after: avoid; }}
figure {{ margin: 18px 0; width: {FIGURE_WIDTH}px; max-width: 100%; overflow-x: auto; }}
details {{ margin: 6px 0; }}
summary {{ cursor: pointer; }}
dl {{ display: grid; grid-template-columns: minmax(130px, 220px) 1fr; gap: 2px 16px;
  margin: 8px 0; }}
dt {{ color: {FAINT}; }}
dd {{ margin: 0; }}
.example {{ border: 2px dashed {INK}; padding: 8px 14px; font-weight: 600; }}
.formula {{ font-family: 'DejaVu Sans Mono', Consolas, monospace; font-size: 13px; }}
.sign td {{ height: 46px; vertical-align: bottom; border-bottom: 1px solid {INK}; }}
.small, .small td, .small th {{ font-size: 12px; }}
.hash {{ font-family: 'DejaVu Sans Mono', Consolas, monospace; font-size: 12px; }}
hr {{ border: 0; border-top: 1px solid {LINE}; }}
@page {{ margin: 15mm; }}
@media print {{
  body {{ padding: 0; max-width: none; font-size: 13px; }}
  .new-page {{ break-before: page; }}
  * {{ -webkit-print-color-adjust: exact; print-color-adjust: exact; }}
}}
"""
#: Nothing may be fetched: the page must read the same in ten years and without a network.
_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'; img-src data: blob:"
)


def whole_page(title: str, body: str, *, with_figures: bool) -> str:
    """Return the page; the title is escaped, the body is HTML already."""
    script = f"<script>{_plotly_script()}</script>" if with_figures else ""
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{_STYLE}</style>{script}</head>"
        f"<body><main>{body}</main></body></html>\n"
    )


def _plotly_script() -> str:
    from plotly.offline import get_plotlyjs

    return str(get_plotlyjs())


def figure_html(figure: Figure) -> str:
    """Return a figure with its text alternative; drawn when the page is opened."""
    meta = figure.layout.meta
    figure.update_layout(width=FIGURE_WIDTH, autosize=False)
    # "<" could end the script early, whatever a part or operator is called.
    data = figure.to_json().replace("<", "\\u003c")
    name = escape(str(meta["id"]))
    return (
        f'<figure><div id="{name}" role="img" aria-label="{escape(str(meta["alt"]))}"></div>'
        f"<script>(f => Plotly.newPlot('{name}', f.data, f.layout, "
        f"{{displayModeBar: false, staticPlot: true}}))({data})</script></figure>"
    )


def section(title: str, *parts: str, new_page: bool = False) -> str:
    """Return a section with an escaped heading."""
    opening = '<section class="new-page">' if new_page else "<section>"
    return f"{opening}<h2>{escape(title)}</h2>{''.join(parts)}</section>"


def facts_list(entries: list[tuple[str, str]]) -> str:
    """Return names and values; entries without a value are left out."""
    shown = "".join(
        f"<dt>{escape(name)}</dt><dd>{escape(value)}</dd>" for name, value in entries if value
    )
    return f"<dl>{shown}</dl>"
