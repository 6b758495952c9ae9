"""Blocks are written as text of 80 columns and as escaped HTML."""

from __future__ import annotations

from html.parser import HTMLParser

from grr.model.blocks import (
    Banner,
    Bullets,
    Callout,
    Facts,
    Fold,
    Formulas,
    Heading,
    Prose,
    Table,
)
from grr.model.html import as_html
from grr.model.terminal import as_text

HOSTILE = "<script>alert(1)</script> & $x$ "
EVERY = [
    Banner("●", HOSTILE, "#123456", HOSTILE),
    Prose([HOSTILE * 6, "second"]),
    Heading(HOSTILE),
    Bullets([HOSTILE * 5]),
    Table(["a", "b", "c"], [[HOSTILE, "1", "2"]], caption=HOSTILE, narrow=2),
    Facts([("name", HOSTILE), ("left out", "")]),
    Formulas([HOSTILE * 4]),
    Callout(HOSTILE, [("place", HOSTILE)], "#123456"),
    Fold(HOSTILE, [Prose([HOSTILE])]),
]


class Tags(HTMLParser):
    """Collects the names of the tags."""

    def __init__(self) -> None:
        super().__init__()
        self.names: set[str] = set()

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.names.add(tag)


def test_blocks_as_text() -> None:
    text = as_text(
        [
            Prose(["One.", "Two."]),
            Heading("Why"),
            Bullets(["first", "second"]),
            Table(["name", "wide", "not shown"], [["x", "1", "2"]], narrow=2),
            Fold("More", [Prose(["inside"])]),
            Fold("For the curious", [Prose(["left out"])], brief=True),
            Facts([("Gauge", "M1"), ("Drawing", "")]),
        ]
    )
    assert text == (
        "One.\nTwo.\n\nWhy\n- first\n- second\n\nname          wide\n──────────────────\n"
        "x                1\n\n"
        "More\ninside\n\nGauge: M1"
    )


def test_every_block_fits_80_columns() -> None:
    assert max(map(len, as_text(EVERY).splitlines())) <= 80


def test_every_text_is_escaped() -> None:
    html = as_html(EVERY)
    tags = Tags()
    tags.feed(html)
    assert "script" not in tags.names
    assert "&lt;script&gt;" in html


def test_dollar_signs_are_not_typeset() -> None:
    assert as_html([Prose(["$x$"])]).count("<span>$</span>") == 2
