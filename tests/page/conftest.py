"""Reports of the demo studies, each written once."""

from __future__ import annotations

import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parent))

from html_page import DAY, Page

import grr
from grr.shipped import shipped_folder


@pytest.fixture(scope="session")
def demo_page(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], Page]:
    """The report of a demo study as a page."""
    folder = tmp_path_factory.mktemp("reports")

    @cache
    def page(name: str) -> Page:
        study = grr.open_study(shipped_folder("demo_data") / name)
        path = grr.report(
            study, folder / f"{name}.html", date=DAY, prepared_by="A. Person", revision="C"
        )
        return Page(path.read_text(encoding="utf-8"))

    return page
