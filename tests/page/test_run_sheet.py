"""The printable run sheet."""

from __future__ import annotations

import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from studies import HOSTILE_OPERATORS, HOSTILE_PARTS

import grr
from grr.model.plain_text import without_steering
from grr.page.run_sheet import ROWS, Round, SheetHead, key_page, run_sheet_page


class Text(HTMLParser):
    """What a reader sees, and the tags used."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self.tags.append(tag)

    def handle_data(self, data: str) -> None:
        self.words.append(data)


def rounds(parts: int, operator: str = "Ann") -> list[Round]:
    return [Round(operator, 2, "stand", [(n, f"P{n}", "") for n in range(1, parts + 1)])]


def papers(page: str) -> list[str]:
    return page.split('<section class="paper">')[1:]


def test_every_paper_says_what_is_measured() -> None:
    heading = SheetHead(
        "Pins", "MIC-7", "mm", grr.Tolerance(10.006, 10.012), 0.0001, "5 mm from the chamfer"
    )
    page = run_sheet_page(heading, [*rounds(10), *rounds(10, "Ben"), *rounds(10, "Cem")])
    first, last = papers(page)  # two rounds of ten parts share a paper
    for paper, operators in ((first, ("Ann", "Ben")), (last, ("Cem",))):
        said = " ".join(Text(paper).words).replace("\u00a0", " ")
        for words in ("Pins", "MIC-7", "mm", "10.0060 to 10.0120 mm", "0.0001", "5 mm from"):
            assert words in said
        for operator in operators:
            assert f"{operator} · trial 2 of 2 · stand" in said
        assert paper.count('class="write"') == 10 * len(operators) and "of 2" in said


def test_a_box_for_each_digit_and_nothing_printed_beforehand() -> None:
    tolerance = grr.Tolerance(10.006, 10.012)
    for heading, wanted in (
        (SheetHead(tolerance=tolerance, resolution=0.0001), (2, 4, False)),
        (SheetHead(tolerance=grr.Tolerance(None, 0.5004), resolution=0.00005), (1, 5, False)),
        (SheetHead(tolerance=grr.Tolerance(-0.006, 0.012), resolution=0.0001), (1, 4, True)),
        (SheetHead(tolerance=grr.Tolerance(0.006, 0.020), resolution=0.0001), (1, 4, True)),
        (SheetHead(tolerance=grr.Tolerance(10.006, 10.012)), None),
        (SheetHead(resolution=0.0001), None),
    ):
        assert heading.boxes == wanted
        row = run_sheet_page(heading, rounds(1)).split('class="write">')[1].split("</td>")[0]
        whole, decimals, signed = wanted or (0, 0, False)
        assert row.count("<i></i>") == whole + decimals
        assert row.count('class="sign"') == signed
        assert "".join(Text(row).words).strip() == ("." if wanted else "")


def test_short_rounds_share_a_paper_and_long_ones_go_over_several() -> None:
    assert len(papers(run_sheet_page(SheetHead(), rounds(5) * 6))) == 2
    page = run_sheet_page(SheetHead(), rounds(2 * ROWS + 1))
    assert len(papers(page)) == 3
    assert page.count("continued") == 2
    assert page.count('class="write"') == 2 * ROWS + 1
    long = run_sheet_page(SheetHead(), rounds(5, "N" * 120) * 2)
    assert len(papers(long)) == 2  # its head takes several lines


def test_the_session_is_named_where_there_are_several() -> None:
    one, two = rounds(5)[0], replace(rounds(5)[0], session=2)
    assert "· session 2" in run_sheet_page(SheetHead(), [one, two])
    assert "· session" not in run_sheet_page(SheetHead(), [one, one])


def test_pages_break_in_print_and_load_nothing() -> None:
    page = run_sheet_page(SheetHead(), rounds(5))
    assert "break-after: page" in page and "@page" in page
    assert not re.search(r"(src|href)=|https?:|<script|@import|url\(", page)


@pytest.mark.parametrize("text", [*HOSTILE_PARTS, *HOSTILE_OPERATORS])
def test_text_from_outside_stays_text(text: str) -> None:
    heading = SheetHead(text, text, "mm", None, None, text)
    page = run_sheet_page(heading, [Round(text, 1, text, [(1, text, "")])])
    key = key_page(heading, [(text, "KX")])
    allowed = set(
        Text(run_sheet_page(SheetHead(), rounds(1)) + key_page(SheetHead(), [("a", "b")])).tags
    )
    for one in (page, key):
        seen = Text(one)
        assert set(seen.tags) <= allowed
        assert without_steering(text) in "".join(seen.words)
        assert not set("\u202a\u202b\u202d\u202e") & set(one)


def test_an_example_is_stamped_on_every_page() -> None:
    page = run_sheet_page(SheetHead(example=True), [*rounds(3), *rounds(3, "Ben")])
    assert page.count("EXAMPLE") == len(papers(page)) == 1
