"""The picture of readings against certainty, and the printable run sheet."""

from __future__ import annotations

import re
from functools import cache
from html.parser import HTMLParser
from itertools import pairwise

import pytest
from studies import HOSTILE_OPERATORS, HOSTILE_PARTS

import grr
from grr.page.run_sheet import ROWS, Heading, Round, key_page, run_sheet_page
from grr.show.planning_figures import certainty_bought


@cache
def comparison(operators_are: str = "random") -> grr.DesignComparison:
    return grr.compare_designs(
        64, operators_are=operators_are, studies=100, progress=False, most_operators=6
    )


def test_lines_go_up_and_stay_within_the_budget() -> None:
    found = comparison()
    figure = certainty_bought(found)
    assert len(figure.data) == 4  # 2, 3, 4 and 6 operators
    for line in figure.data:
        assert list(line.y) == sorted(line.y)
        assert list(line.x) == sorted(set(line.x)) and max(line.x) <= 64
    best = 100 * found.table["decides"].max()
    assert max(max(line.y) for line in figure.data) <= best + 1e-6


def test_the_answer_names_the_best_design() -> None:
    found = comparison()
    best = found.table.iloc[0]
    answer = certainty_bought(found).layout.meta["answer"]
    assert f"{best['parts']:.0f} parts × {best['operators']:.0f} operators" in answer
    assert "Three operators come to" in answer
    assert "Three operators" not in certainty_bought(comparison("fixed")).layout.meta["answer"]


def test_labels_do_not_overlap() -> None:
    for kind in ("random", "fixed"):
        figure = certainty_bought(comparison(kind))
        names = [note for note in figure.layout.annotations if "operator" in note.text]
        heights = sorted(note.y for note in names)
        assert len(heights) == len(figure.data)
        assert all(b - a > 6.0 for a, b in pairwise(heights))
        assert heights[-1] <= 103.0


def test_the_same_figure_every_time() -> None:
    one, two = certainty_bought(comparison()), certainty_bought(comparison())
    assert one.to_json() == two.to_json()
    assert one.layout.meta["id"] == "fig-certainty-bought"


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
    heading = Heading(
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
    page = run_sheet_page(Heading(), rounds(2 * ROWS + 1))
    assert page.count('<div class="sheet">') == 3
    assert page.count("continued") == 2
    assert page.count('class="write"') == 2 * (2 * ROWS + 1)


def test_pages_break_in_print_and_load_nothing() -> None:
    page = run_sheet_page(Heading(), rounds(5))
    assert "break-after: page" in page and "@page" in page
    assert not re.search(r"(src|href)=|https?:|<script|@import|url\(", page)


@pytest.mark.parametrize("text", [*HOSTILE_PARTS, *HOSTILE_OPERATORS])
def test_text_from_outside_stays_text(text: str) -> None:
    heading = Heading(text, text, "mm", None, None, text)
    page = run_sheet_page(heading, [Round(text, 1, text, (1,), (text,))])
    key = key_page(heading, [(text, "KX")])
    allowed = set(
        Text(run_sheet_page(Heading(), rounds(1)) + key_page(Heading(), [("a", "b")])).tags
    )
    for one in (page, key):
        seen = Text(one)
        assert set(seen.tags) <= allowed
        assert text in "".join(seen.words)


def test_an_example_is_stamped_on_every_page() -> None:
    page = run_sheet_page(Heading(example=True), [*rounds(3), *rounds(3, "Ben")])
    assert page.count("EXAMPLE") == 2
