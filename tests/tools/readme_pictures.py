"""Make the pictures of README.md from the demo study, in a headless browser.

    python tests/tools/readme_pictures.py

The entry form is photographed by the browser tests (GRR_PICTURES); the verdict and the
report are opened as pages.
"""

from __future__ import annotations

import datetime as dt
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from playwright.sync_api import Page, sync_playwright
from plotly.io import to_html

import grr
from grr.wording.tables import html_page

TOP = Path(__file__).parents[2]
PICTURES = TOP / "tests" / "pictures"
DAY = dt.date(2026, 3, 4)
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def entry_picture() -> None:
    """Photograph the entry form while it waits for a reading."""
    with tempfile.TemporaryDirectory() as folder:
        subprocess.run(
            [sys.executable, "-m", "pytest", "-q", "tests/browser/test_entry_looks.py"],
            cwd=TOP,
            env={**os.environ, "GRR_PICTURES": folder},
            check=True,
        )
        shutil.copyfile(Path(folder) / "measure-1366.png", PICTURES / "entry.png")


def photograph(page: Page, source: Path, target: str, height: int) -> None:
    """Open a page and keep what fits on the screen."""
    page.set_viewport_size({"width": 1000, "height": height})
    page.goto(source.as_uri())
    page.wait_for_timeout(2000)
    page.screenshot(path=PICTURES / target)


def main() -> None:
    """Make all three pictures."""
    PICTURES.mkdir(exist_ok=True)
    study = grr.open_study(TOP / "demo_data" / "dowel_pin")
    result = grr.anova(study)
    ruler = to_html(grr.show.tolerance_ruler(result), full_html=False, include_plotlyjs=True)
    with tempfile.TemporaryDirectory() as name, sync_playwright() as playwright:
        folder = Path(name)
        judge = folder / "judge.html"
        verdict = grr.verdict(result)._repr_html_()
        judge.write_text(html_page("Judge", verdict + ruler), encoding="utf-8")
        grr.report(study, folder / "report.html", date=DAY, prepared_by="Ilka (invented)")
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=ARGUMENTS
        )
        page = browser.new_page()
        photograph(page, judge, "judge.png", 1250)
        photograph(page, folder / "report.html", "report.png", 1150)
        browser.close()
    entry_picture()


if __name__ == "__main__":
    main()
