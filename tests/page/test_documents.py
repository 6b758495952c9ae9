"""The documents are found by words, and open as pages without the network."""

from __future__ import annotations

import re
import webbrowser
from pathlib import Path

import pytest

import grr
from grr.cli import main
from grr.page import documents


@pytest.mark.parametrize(
    ("words", "first"),
    [
        (["guard", "band"], "guard band"),
        (["ndc"], "ndc"),
        (["sqlite"], "From a database"),
        (["seal"], "What it proves"),
        (["appraiser"], "operator"),
        (["compare_methods"], "compare_methods"),
        (["PRÜFER"], "A wide table of pandas"),
    ],
)
def test_words_find_the_part_that_is_about_them(words: list[str], first: str) -> None:
    found = documents.found_by(words)
    assert first in [section.heading for section in found[:2]]


def test_words_that_no_document_has_are_refused() -> None:
    with pytest.raises(grr.StudyError, match="No document"):
        documents.found_by(["xyzzy"])


def test_pages_lead_to_each_other_and_nowhere_else(tmp_path: Path) -> None:
    index = documents.write_pages(tmp_path)
    pages = {page.name: page.read_text(encoding="utf-8") for page in tmp_path.glob("*.html")}
    for text in pages.values():
        for link in re.findall(r'(?:href|src)="([^"]*)"', text):
            assert (tmp_path / link).is_file()
    assert set(re.findall(r'href="([^"]*)"', pages[index.name])) == set(pages) - {index.name}
    for section in documents.sections()[1:]:
        (anchor,) = documents.anchors([section.heading])
        if section.heading != section.title:
            assert f'id="{anchor}"' in pages[f"{section.document}.html"]


def test_every_document_is_listed() -> None:
    there = {page.stem for page in documents.FOLDER.glob("*.md")}
    assert there == set(documents.NAMES)


def test_help_opens_the_part_that_was_asked_for(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    opened: list[str] = []
    monkeypatch.setattr(webbrowser, "open", lambda address: opened.append(address) or True)
    assert main(["help", "from", "a", "database"]) == 0
    assert opened[0].endswith("many_studies.html#from-a-database")
    assert "browser" in capsys.readouterr().out
    assert main(["help", "--no-browser", "seal"]) == 0
    assert len(opened) == 1
    assert main(["help", "xyzzy"]) == 2
