"""`grr.show.gauge_label`: a label to print and keep with the gauge."""

from __future__ import annotations

from dataclasses import dataclass
from html import escape
from pathlib import Path

from grr.files.allowed_files import safe_target
from grr.files.disk import write_whole
from grr.model.names import shortened
from grr.model.rounding import limits_text
from grr.model.settings import CLOSED_FACES
from grr.model.tables import FONT
from grr.questions.qualify import Qualification
from grr.questions.verdict import LIKE_THIS, LOOKS, USE

#: Longest text in one line of the label.
LONGEST = 44
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
_BOX = (
    f"font:10.5px/1.3 {FONT};color:#000;background:#fff;border:1.5px solid #000;"
    "width:90mm;min-height:55mm;padding:3mm;box-sizing:border-box"
)
#: A notebook stripes tables and aligns them to the right unless told otherwise.
_CELL = "padding:0 8px 1px 0;text-align:left;vertical-align:top;background:none;border:0"


@dataclass(frozen=True, repr=False)
class GaugeLabel:
    """A label of 90 by 55 mm.

    Attributes
    ----------
    html : str
        The label, with inline styles only.
    lines : tuple of (str, str)
        What stands on it: name and value.
    """

    html: str
    lines: tuple[tuple[str, str], ...]

    def save(self, path: str | Path, *, overwrite: bool = False) -> Path:
        """Write the label as a page to print, and return its path.

        Parameters
        ----------
        path : str or path
        overwrite : bool
            Whether a file that grr did not make may be replaced.

        Raises
        ------
        StudyError
            The file may not be replaced, or cannot be written.
        """
        target = safe_target(path, overwrite=overwrite)
        page = (
            '<!doctype html><html lang="en"><head><meta charset="utf-8">'
            '<meta name="generator" content="grr">'
            f'<meta http-equiv="Content-Security-Policy" content="{_POLICY}">'
            "<title>Gauge label</title><style>@page{margin:10mm}body{margin:0}</style></head>"
            f"<body>{self.html}</body></html>\n"
        )
        write_whole(target, page)
        return target

    def __str__(self) -> str:
        return "\n".join(f"{name}: {value}" for name, value in self.lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return self.html


def gauge_label(page: Qualification) -> GaugeLabel:
    """Make the label of a qualified gauge: what it may measure, and how.

    Parameters
    ----------
    page : Qualification

    Returns
    -------
    GaugeLabel
        Shows in a notebook; ``label.save("label.html")`` writes a page to print.
    """
    mark, _ = LOOKS[page.decision]
    lines = tuple(_lines(page))
    rows = "".join(
        f'<tr style="background:none"><td style="{_CELL};white-space:nowrap">{escape(name)}</td>'
        f'<td style="{_CELL};font-weight:600">{escape(value)}</td></tr>'
        for name, value in lines[1:]
    )
    example = (
        '<div style="border:1px dashed #000;padding:0 4px;margin-bottom:3px">'
        "EXAMPLE: invented readings</div>"
        if page.example
        else ""
    )
    html = (
        f'<div style="{_BOX}">{example}<div style="font-size:15px;font-weight:700">'
        f"{escape(lines[0][1])}</div>"
        f'<div style="font-weight:700;margin:2px 0 4px">{escape(f"{mark} {page.decision}")}</div>'
        f'<table style="border-collapse:collapse;font:inherit">{rows}</table></div>'
    )
    return GaugeLabel(html, lines)


def _lines(page: Qualification) -> list[tuple[str, str]]:
    facts = page.facts
    lines = [("Gauge", shortened(page.gauge or "number not given", LONGEST))]
    lines.append(("for", shortened(page.characteristic or "not given", LONGEST)))
    lines.append(("limits", limits_text(page.tolerance, page.resolution, page.unit)))
    if page.decision in (USE, LIKE_THIS):
        accept = next((c for c in page.conditions if c.startswith("Accept parts by")), "")
        if accept:
            lines.append(("accept", accept.removeprefix("Accept parts by ").rstrip(".")))
    for key, name, unit in (("holding", "hold", ""), ("soak_minutes", "soak", " min")):
        if facts.get(key) not in (None, ""):
            lines.append((name, shortened(f"{facts[key]}{unit}", LONGEST)))
    lines.append(("check zero", shortened(_zero(page), LONGEST + 20)))
    lines.append(("result", f"mean of {page.mean_of}" if page.mean_of > 1 else "one reading"))
    lines.append(("report", shortened(page.report or "not given", LONGEST)))
    until = "by the procedure" if page.valid_until is None else f"{page.valid_until}"
    lines.append(("next check", until))
    return lines


def _zero(page: Qualification) -> str:
    when = str(page.facts.get("zeroed_how_often") or "before use")
    if page.rezero_minutes is not None:
        when = f"every {page.rezero_minutes:g} min"
    if page.facts.get("zeroed_on") in (None, "", CLOSED_FACES):
        return f"{when}, on a part-sized block"
    return when
