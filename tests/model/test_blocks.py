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
from grr.model.html_blocks import as_html
from grr.model.text_blocks import as_text, text_table

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


def test_an_order_that_counts_is_numbered() -> None:
    steps = [Bullets(["first", "second"], numbered=True)]
    assert as_text(steps) == "1. first\n2. second"
    assert as_html(steps).startswith("<ol") and as_html(steps).endswith("</ol>")


def test_a_table_too_wide_for_a_terminal_is_written_row_by_row() -> None:
    rows = [["● Bias: pass", "within ±0.60 µm", "w " * 40], ["○ Other", "", "known"]]
    text = as_text([Table(["what", "asked", "found"], rows)])
    first, second = text.split("\n\n")
    assert first.startswith("● Bias: pass\n  asked: within ±0.60 µm\n  found: w w")
    assert second == "○ Other\n  found: known"
    assert max(map(len, text.splitlines())) <= 80


def test_no_line_ends_within_a_number_or_a_date() -> None:
    for start in range(60, 80):
        text = as_text([Prose(["x" * start + " p = 3.6e-08 on 2026-03-31"])])
        assert "3.6e-08" in text and "2026-03-31" in text


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


def test_text_table_fits_80_columns_and_keeps_every_cell() -> None:
    head = ["Source", "spread", "share"]
    rows = [["a very long name of a source that goes on " * 3, "1200 µm", "15.0 %"], ["b", "", "x"]]
    text = text_table(head, rows)
    assert max(map(len, text.splitlines())) <= 80
    assert "1200 µm" in text
    assert text.replace("\n  ", " ").count("very long name") == 3


def test_a_long_head_is_broken_before_the_first_column() -> None:
    head = ["Source", "spread (5.15\u00a0sd)", "of tolerance", "of total", "share of variance"]
    rows = [["GRR measuring system", "62 µin", "15.5 %", "10.8 %", "1.2 %"]]
    lines = text_table(head, rows).splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].split() == ["share", "of"]
    assert lines[1].split()[-1] == "variance"
    assert lines[-1].startswith("GRR measuring system  ")


def test_no_line_ends_between_a_number_and_its_percent_sign() -> None:
    for lead in range(60, 82):
        text = as_text([Prose(["x" * lead + " under 30 % of it"]), Bullets(["y" * lead + " 7 %."])])
        assert not [line for line in text.splitlines() if line.lstrip().startswith("%")]
        assert "30 %" in text and "7 %" in text
