"""The look of the report, on the screen and on paper."""

from __future__ import annotations

from grr.model.tables import FAINT, FONT, INK, LINE

MONO = "'DejaVu Sans Mono', Consolas, Menlo, monospace"

STYLE = f"""
:root {{ color-scheme: light; }}
* {{ box-sizing: border-box; }}
body {{ font: 15px/1.5 {FONT}; color: {INK}; background: #fff; margin: 0 auto; padding: 24px;
  max-width: 800px; counter-reset: part; }}
h1 {{ font-size: 24px; line-height: 1.25; margin: 0 0 6px; overflow-wrap: anywhere; }}
h2 {{ font-size: 20px; line-height: 1.3; margin: 36px 0 10px; padding-top: 8px;
  border-top: 2px solid {INK}; overflow-wrap: anywhere; }}
.part > h2::before {{ counter-increment: part; content: counter(part) "\\2002"; }}
h3 {{ font: 600 16px/1.35 {FONT} !important; margin: 20px 0 4px !important;
  overflow-wrap: anywhere; }}
h4 {{ font: 600 15px/1.35 {FONT} !important; margin: 14px 0 2px !important; }}
.front h2 {{ font-size: 16px; border: 0; padding: 0; margin: 14px 0 2px; }}
p, li, dd, dt, summary {{ overflow-wrap: anywhere; }}
p {{ margin: 6px 0; max-width: 76ch; }}
table {{ max-width: 100%; }}
td[style*="left"], th[scope="row"] {{ overflow-wrap: anywhere; min-width: 8ch; }}
td, th {{ vertical-align: top; }}
thead {{ display: table-header-group; }}
table, tr, svg, dl.short, dt, dd, .figure, .banner {{ break-inside: avoid; }}
p, li {{ orphans: 2; widows: 2; }}
h1, h2, h3, h4, caption, summary, h2 + p, h3 + p {{ break-after: avoid; }}
.figure {{ margin: 22px 0; }}
.figure h3 {{ margin-top: 0 !important; }}
svg {{ max-width: 100%; }}
details {{ margin: 6px 0; }}
summary {{ cursor: pointer; font-weight: 600; }}
dl {{ display: grid; grid-template-columns: minmax(120px, 230px) 1fr; gap: 2px 16px;
  margin: 8px 0; }}
dl.short {{ grid-template-columns: repeat(2, auto 1fr); gap: 1px 12px; font-size: 13px; }}
dt {{ color: {FAINT}; }}
dd {{ margin: 0; }}
nav {{ font-size: 14px; margin: 18px 0 0; }}
nav ol {{ margin: 4px 0; padding-left: 24px; columns: 2; }}
a {{ color: #00527a; }}
.banner {{ color: #fff; border-radius: 4px; padding: 10px 18px; margin: 8px 0; }}
.banner strong {{ display: block; font: 700 24px/1.25 {FONT}; }}
.two {{ display: grid; grid-template-columns: 3fr 2fr; gap: 0 24px; }}
.how {{ font-size: 13px; margin: 0; }}
.how summary {{ font-weight: 400; color: #00527a; text-decoration: underline; }}
.example {{ border: 2px dashed {INK}; padding: 5px 12px; font-weight: 600; max-width: none; }}
.formula {{ font: 13px/1.5 {MONO}; margin: 4px 0; max-width: none; }}
.hash {{ font: 12px/1.5 {MONO}; overflow-wrap: anywhere; }}
.faint {{ color: {FAINT}; }}
.kicker {{ color: {FAINT}; margin: 0; font-size: 13px; }}
.sign td, .sign th {{ height: 44px; vertical-align: bottom; }}
.readings {{ border-collapse: collapse; font: 13px {FONT}; font-variant-numeric: tabular-nums;
  margin: 6px 0 14px; }}
.readings caption {{ text-align: left; font-weight: 600; padding: 4px 0; }}
.readings th, .readings td {{ padding: 3px 6px; border-bottom: 1px solid {LINE};
  text-align: right; white-space: nowrap; }}
.readings thead th {{ color: {FAINT}; font-weight: 600; }}
.readings .first {{ text-align: left; }}
.readings .next {{ border-left: 2px solid {LINE}; }}
.readings thead .who {{ text-align: left; color: {INK}; }}
@media screen and (max-width: 720px) {{
  body {{ padding: 12px; }}
  .two, dl, dl.short, nav ol {{ display: block; columns: 1; }}
  table {{ display: block; overflow-x: auto; }}
}}
@page {{ margin: 12mm 15mm 14mm; @bottom-right {{ content: counter(page) " / " counter(pages);
  font: 10px {FONT}; color: {FAINT}; }} }}
@media print {{
  body {{ padding: 0; max-width: none; font-size: 12px; line-height: 1.4; }}
  p, li, dd, dt, .sentence {{ font-size: 12px !important; line-height: 1.4 !important; }}
  td, th, caption {{ font-size: 11.5px !important; }}
  td[style], th[style] {{ padding: 3px 9px !important; }}
  h1 {{ font-size: 20px; }}
  h2 {{ font-size: 17px; margin-top: 26px; }}
  h3 {{ font-size: 14px !important; }}
  h4 {{ font-size: 12.5px !important; }}
  .front h2 {{ font-size: 13px; margin: 6px 0 0; }}
  .front td[style], .front th[style] {{ padding: 2px 9px !important; }}
  .formula, .hash {{ font-size: 10.5px !important; }}
  .readings th, .readings td {{ font-size: 10.5px !important; padding: 2px 5px; }}
  .banner {{ padding: 7px 16px; margin: 5px 0; }}
  .banner strong {{ font-size: 20px; }}
  p, ul {{ max-width: none !important; }}
  p {{ margin: 3px 0 !important; }}
  li {{ margin: 0 !important; }}
  .front p, .front li, .front dd, .front dt, .front .sentence {{ font-size: 11.5px !important; }}
  .front svg {{ max-height: 41mm; }}
  .front.methods svg {{ max-height: 42mm; }}
  .front dl.short {{ gap: 0 12px; margin: 2px 0; }}
  .figure svg {{ width: 545px; }}
  .example {{ padding: 2px 12px; }}
  ul {{ margin: 2px 0 !important; }}
  .figure {{ margin: 14px 0; }}
  svg {{ max-height: 225mm; }}
  nav, .how {{ display: none; }}
  .new-page {{ break-before: page; }}
  .new-page > h2 {{ margin-top: 0; }}
  details::details-content {{ content-visibility: visible; block-size: auto; }}
  * {{ -webkit-print-color-adjust: exact; print-color-adjust: exact; }}
}}
"""
