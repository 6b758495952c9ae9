"""The report in a browser: nothing runs, nothing is fetched, everybody can read it."""

from __future__ import annotations

import datetime as dt
import re
import shutil
import subprocess
from pathlib import Path

import pytest
from hostile_study import FORMULA, IMAGE, LONG, SCRIPT, STYLE, hostile_study

import grr
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
DAY = dt.date(2026, 11, 25)


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    """Reports as files: one hostile, one of a demo study, one of two methods."""
    folder = tmp_path_factory.mktemp("report_pages")
    hostile = hostile_study(folder / "study")
    cover = {
        "prepared_by": SCRIPT,
        "approved_by": IMAGE,
        "revision": FORMULA,
        "supersedes": LONG,
        "deviations": STYLE,
    }
    return {
        "hostile": grr.report(hostile, folder / "hostile.html", date=DAY, **cover),
        "demo": grr.report(
            grr.open_study(DEMO / "dowel_pin_handheld"), folder / "demo.html", date=DAY
        ),
        "methods": grr.report(
            grr.open_study(DEMO / "pins_two_ways"), folder / "methods.html", date=DAY
        ),
    }


@pytest.fixture
def watched(chromium):
    """Opens a file and collects whatever a script could do."""
    contexts = []

    def open_file(path: Path, width: int = 1366):
        context = chromium.new_context(viewport={"width": width, "height": 768}, bypass_csp=True)
        contexts.append(context)
        page = context.new_page()
        page.happened = []
        page.on("dialog", lambda dialog: (page.happened.append("dialog"), dialog.dismiss()))
        page.on("console", lambda message: page.happened.append(message.text))
        page.on("pageerror", lambda error: page.happened.append(str(error)))
        page.on(
            "request",
            lambda request: request.url == path.as_uri() or page.happened.append(request.url),
        )
        page.goto(path.as_uri())
        return page

    yield open_file
    for context in contexts:
        context.close()


@pytest.mark.parametrize("name", ["hostile", "demo", "methods"])
def test_no_script_runs_and_nothing_is_fetched(pages, watched, name):
    # The policy of the page is switched off: what people wrote is harmless without it.
    page = watched(pages[name])
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.mouse.move(300, 300)
    assert page.evaluate("window.hit") is None
    assert page.happened == []
    assert page.evaluate("document.scripts.length") == 0
    assert page.locator("h1").is_visible()
    assert page.locator(".front dl.form dt", has_text="Signed").first.is_visible()


@pytest.mark.parametrize("width", [1366, 400])
@pytest.mark.parametrize("name", ["hostile", "demo", "methods"])
def test_page_is_no_wider_than_the_window(pages, watched, name, width):
    page = watched(pages[name], width)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    cut = page.evaluate(
        """() => [...document.querySelectorAll('td, th, p, li, dd')].filter(
             e => e.scrollWidth > e.clientWidth + 2 && e.clientWidth > 0).length"""
    )
    assert cut == 0


def test_formula_of_a_headline_number_unfolds(pages, watched):
    page = watched(pages["demo"])
    formula = page.locator(".front .formula", has_text="GRR²").first
    assert not formula.is_visible()
    page.locator(".front .how summary").first.click()
    assert formula.is_visible()
    assert "GRR²" in formula.inner_text()


def test_results_in_a_notebook_are_harmless_too(watched, tmp_path):
    study = hostile_study(tmp_path / "study")
    result = grr.anova(study)
    shown = [
        *(result, grr.verdict(result), grr.check(study), result.intervals()),
        *(grr.average_range(study), grr.worked_sheet(study), grr.compare_operators(study)),
        *(grr.misclassification(result), grr.guard_band(result), grr.what_would_help(result)),
    ]
    file = tmp_path / "shown.html"
    html = "".join(one._repr_html_() for one in shown)
    file.write_text(f"<!DOCTYPE html><meta charset='utf-8'>{html}<h1>end</h1>", encoding="utf-8")
    page = watched(file)
    assert page.evaluate("window.hit") is None
    assert page.happened == []
    assert page.locator("h1").is_visible()


@pytest.mark.parametrize("name", ["hostile", "demo", "methods"])
def test_accessibility_checker_finds_nothing_serious(pages, watched, axe, name):
    page = watched(pages[name])
    page.evaluate("document.querySelectorAll('details').forEach(d => d.open = true)")
    page.evaluate(axe)
    found = page.evaluate("axe.run()")
    assert len(found["passes"]) > 15
    worse = [
        (one["id"], one["impact"], one["nodes"][0]["html"][:120])
        for one in found["violations"]
        if one["impact"] in ("moderate", "serious", "critical")
    ]
    assert worse == []


def test_report_prints_on_letter_too(chromium, tmp_path):
    path = grr.report(
        grr.open_study(DEMO / "dowel_pin"), tmp_path / "r.pdf", date=DAY, paper="Letter"
    )
    box = re.search(rb"/MediaBox \[\s*0 0 ([\d.]+) ([\d.]+)\s*\]", path.read_bytes())
    assert [round(float(side)) for side in box.groups()] == [612, 792]
    if shutil.which("pdftotext") is None:
        return
    second = subprocess.run(
        ["pdftotext", "-f", "2", "-l", "2", str(path), "-"], capture_output=True, check=True
    ).stdout.decode("utf-8")
    assert second.startswith("1 Why this decision")
