"""Tables fit the terminal, and HTML shows text as it was written."""

from __future__ import annotations

from grr.model import tables

HOSTILE = '<script>alert(1)</script> & "quotes"'


def test_text_table_fits_80_columns_and_keeps_every_cell() -> None:
    head = ["Source", "spread", "share"]
    rows = [["a very long name of a source that goes on " * 3, "1200 µm", "15.0 %"], ["b", "", "x"]]
    text = tables.text_table(head, rows)
    assert max(map(len, text.splitlines())) <= 80
    assert "1200 µm" in text
    assert text.replace("\n  ", " ").count("very long name") == 3


def test_a_long_head_is_broken_before_the_first_column() -> None:
    head = ["Source", "spread (5.15\u00a0sd)", "of tolerance", "of total", "share of variance"]
    rows = [["GRR measuring system", "62 µin", "15.5 %", "10.8 %", "1.2 %"]]
    lines = tables.text_table(head, rows).splitlines()
    assert max(map(len, lines)) <= 80
    assert lines[0].split() == ["share", "of"]
    assert lines[1].split()[-1] == "variance"
    assert lines[-1].startswith("GRR measuring system  ")


def test_html_is_escaped_everywhere() -> None:
    html = "".join(
        [
            tables.html_table([HOSTILE], [[HOSTILE]], caption=HOSTILE),
            tables.html_prose(HOSTILE),
            tables.html_list([HOSTILE]),
            tables.html_heading(HOSTILE),
            tables.html_callout(HOSTILE, [(HOSTILE, HOSTILE)], colour="#000000"),
            tables.html_banner(HOSTILE, colour="#000000"),
            tables.html_folded(HOSTILE, ""),
        ]
    )
    assert "<script" not in html
    assert html.count("&lt;script&gt;") == 11
    assert tables.html_list([]) == ""
