"""Make the pictures of README.md: two notebooks in JupyterLab, and the report.

    python tests/tools/readme_pictures.py

The notebooks are opened in a working folder made by ``grr lab``, as a user sees them.
"""

from __future__ import annotations

import datetime as dt
import os
import re
import shutil
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from playwright.sync_api import Page, sync_playwright

import grr

TOP = Path(__file__).parents[2]
PICTURES = TOP / "tests" / "pictures"
DAY = dt.date(2026, 3, 4)
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
#: The checklist of the demo study with the keyboard alone; the temperature is filled in already.
CHECKLIST = ["Space", "Space", "120", "", "Space", "Space", "Space", "0.0000"]


@contextmanager
def lab(folder: Path) -> Iterator[tuple[str, str]]:
    """Start ``grr lab`` and hand out its address and token."""
    own = {name: str(folder / name) for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR")}
    command = [Path(sys.executable).with_name("grr"), "lab", folder / "work", "--no-browser"]
    server = subprocess.Popen(
        command,
        env={**os.environ, **own, "IPYTHONDIR": str(folder / "ipython")},
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        encoding="utf-8",
    )
    assert server.stdout is not None
    lines = (re.search(r"(http\S+)/lab/.*token=(\w+)", line) for line in server.stdout)
    address, token = next(filter(None, lines)).groups()
    try:
        for _ in range(240):
            with suppress(OSError):
                ask(address, token, "status")
                break
            time.sleep(0.25)
        yield address, token
    finally:
        ask(address, token, "shutdown", "POST")
        server.wait()


def ask(address: str, token: str, path: str, method: str = "GET") -> None:
    """Ask the server's own interface."""
    head = {"Authorization": f"token {token}"}
    request = urllib.request.Request(f"{address}/api/{path}", method=method, headers=head)
    urllib.request.urlopen(request, timeout=20).close()


def open_notebook(page: Page, address: str, token: str, name: str) -> None:
    """Open a notebook and wait until it stands still."""
    page.goto(f"{address}/lab/tree/notebooks/{name}.ipynb?reset&token={token}")
    page.wait_for_selector(".jp-Notebook:visible .jp-CodeCell", timeout=60_000)
    page.wait_for_timeout(6000)


def entry_picture(page: Page) -> None:
    """Run the cells of the notebook on collecting, as far as the first part to measure."""
    page.set_viewport_size({"width": 1366, "height": 768})
    press = page.keyboard.press
    for cell in range(2):
        page.locator(".jp-Notebook:visible .jp-CodeCell .cm-content").nth(cell).click()
        press("Control+Enter")
        page.wait_for_timeout(3000)
    page.locator(".grr-entry .choice").first.click()
    page.wait_for_selector(".grr-entry .checklist")
    for answer in CHECKLIST:
        page.wait_for_timeout(500)
        if answer == "Space":
            press("Space")
        elif answer:
            page.keyboard.type(answer)
        press("Enter")
    page.wait_for_selector(".grr-entry input.field")
    page.wait_for_timeout(1500)  # let the flash fade
    page.screenshot(path=PICTURES / "entry.png")


def judge_picture(page: Page) -> None:
    """Show the stored verdict and the ruler under it, without the list of files."""
    page.set_viewport_size({"width": 1100, "height": 1620})
    page.keyboard.press("Control+b")
    page.locator(".jp-Notebook:visible .jp-CodeCell").nth(1).evaluate("e => e.scrollIntoView()")
    page.wait_for_timeout(3000)
    page.screenshot(path=PICTURES / "judge.png")


def report_picture(page: Page, folder: Path) -> None:
    """Show the top of the report's first page."""
    study = grr.open_study(TOP / "demo_data" / "dowel_pin")
    file = grr.report(study, folder / "report.html", date=DAY, prepared_by="Ilka (invented)")
    page.set_viewport_size({"width": 1000, "height": 1150})
    page.goto(file.as_uri())
    page.wait_for_timeout(1000)
    page.screenshot(path=PICTURES / "report.png")


def main() -> None:
    """Make all three pictures."""
    with (
        tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name,
        sync_playwright() as playwright,
    ):
        browser = playwright.chromium.launch(
            executable_path=shutil.which("chromium"), args=ARGUMENTS
        )
        page = browser.new_page()
        report_picture(page, Path(name))
        with lab(Path(name)) as (address, token):
            open_notebook(page, address, token, "4_judge")
            judge_picture(page)
            open_notebook(page, address, token, "2_collect")
            entry_picture(page)
        browser.close()


if __name__ == "__main__":
    main()
