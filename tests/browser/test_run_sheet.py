"""The run sheet as a browser prints it."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import grr


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_one_page_an_operator_and_trial(window, tmp_path: Path, paper: str) -> None:
    plan = grr.plan_study(
        22,
        ["Ann", "Ben", "N" * 120],
        2,
        title="Dowel pins " * 8,
        gauge="MIC-0412",
        unit="mm",
        tolerance=grr.Tolerance(10.006, 10.012),
        resolution=0.0001,
    )
    _, page_file, key_file = plan.save(tmp_path)
    for file, pages in ((page_file, 6), (key_file, 1)):
        page = window()
        page.goto(file.as_uri())
        printed = page.pdf(format=paper)
        assert len(re.findall(rb"/Type\s*/Page\b", printed)) == pages


def test_nothing_sticks_out_of_the_page(window, tmp_path: Path) -> None:
    plan = grr.plan_study(["P" * 90, "Q <i>"], ["N" * 200], 1, ["m" * 90, "hand"], title="T" * 300)
    page = window((760, 900))
    page.goto(plan.save(tmp_path, coded=False)[1].as_uri())
    assert page.evaluate("document.documentElement.scrollWidth <= window.innerWidth")
    assert page.locator("i").count() == 0
