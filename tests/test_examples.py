"""Every public name has an example, and every example and document runs as it stands."""

from __future__ import annotations

import datetime
import doctest
import re
import shutil
import sys
from pathlib import Path

import pandas as pd
import pytest

import grr
from grr.shipped import shipped_folder

sys.path.insert(0, str(Path(__file__).parent / "tools"))
from write_documents import MADE

NAMES = [name for name in dir(grr) if not name.startswith("_") and name != "show"]
DOCS = Path(grr.__file__).parent / "docs"
#: The reference is made from the docstrings, which run by name.
PAGES = sorted(page for page in DOCS.glob("*.md") if page.name not in MADE)
WORDS = {"grr": grr, "pd": pd, "datetime": datetime}


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a folder to work in, with the demonstration data in it and beside it."""
    outer = tmp_path_factory.mktemp("examples")
    inner = outer / "work"
    for place in (outer, inner):
        shutil.copytree(shipped_folder("demo_data"), place / "demo_data")
    return inner


def run(test: doctest.DocTest) -> None:
    told: list[str] = []
    runner = doctest.DocTestRunner(optionflags=doctest.NORMALIZE_WHITESPACE)
    failed, tried = runner.run(test, out=told.append)
    assert not failed, "".join(told)
    assert tried


@pytest.mark.parametrize("name", NAMES)
def test_a_public_name_has_an_example_that_runs(
    name: str, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    finder = doctest.DocTestFinder(exclude_empty=True)
    tests = [t for t in finder.find(getattr(grr, name), name, globs=dict(WORDS)) if t.examples]
    assert any(test.name == name for test in tests), f"{name} has no example"
    for test in tests:
        run(test)


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.stem)
def test_a_document_runs_from_top_to_bottom(
    page: Path, folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    text = re.sub(r"^```.*$", "", page.read_text(encoding="utf-8"), flags=re.MULTILINE)
    test = doctest.DocTestParser().get_doctest(text, dict(WORDS), page.stem, str(page), 0)
    if test.examples:
        run(test)


@pytest.mark.parametrize("name", MADE)
def test_a_document_says_what_the_docstrings_say(name: str) -> None:
    made = (DOCS / name).read_text(encoding="utf-8")
    assert made == MADE[name](), "Run: python tests/tools/write_documents.py"
