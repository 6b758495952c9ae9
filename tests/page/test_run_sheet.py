"""The printable run sheet."""

from __future__ import annotations

import re
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
    numbers = tuple(range(1, parts + 1))
    return [Round(operator, 2, "stand", numbers, tuple(f"P{n}" for n in numbers))]


def test_every_page_says_what_is_measured() -> None:
    heading = SheetHead(
        "Pins", "MIC-7", "mm", grr.Tolerance(10.006, 10.012), 0.0001, "5 mm from the chamfer"
    )
    page = run_sheet_page(heading, [*rounds(10), *rounds(10, "Ben")])
    sheets = page.split('<div class="sheet">')[1:]
    assert len(sheets) == 2
    for sheet, operator in zip(sheets, ("Ann", "Ben"), strict=True):
        said = " ".join(Text(sheet).words).replace("\u00a0", " ")
        for words in ("Pins", "MIC-7", "mm", "10.0060 to 10.0120 mm", "0.0001", "5 mm from"):
            assert words in said
        assert f"{operator}, trial 2, stand" in said and "of 2" in said
        assert sheet.count('class="write"') == 20


def test_many_parts_go_over_several_pages() -> None:
    page = run_sheet_page(SheetHead(), rounds(2 * ROWS + 1))
    assert page.count('<div class="sheet">') == 3
    assert page.count("continued") == 2
    assert page.count('class="write"') == 2 * (2 * ROWS + 1)


def test_pages_break_in_print_and_load_nothing() -> None:
    page = run_sheet_page(SheetHead(), rounds(5))
    assert "break-after: page" in page and "@page" in page
    assert not re.search(r"(src|href)=|https?:|<script|@import|url\(", page)


@pytest.mark.parametrize("text", [*HOSTILE_PARTS, *HOSTILE_OPERATORS])
def test_text_from_outside_stays_text(text: str) -> None:
    heading = SheetHead(text, text, "mm", None, None, text)
    page = run_sheet_page(heading, [Round(text, 1, text, (1,), (text,))])
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
    assert page.count("EXAMPLE") == 2
