"""Make the pictures of README.md: two pages without code, and the report.

    python tests/tools/readme_pictures.py

The pages are those of a working folder made by ``grr lab``, as a user sees them.
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
    lines = (re.search(r"(http\S+)/voila/.*token=(\w+)", line) for line in server.stdout)
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


def open_page(page: Page, address: str, token: str, asked: str) -> None:
    """Open a page without code and wait until it stands still."""
    page.set_viewport_size({"width": 1366, "height": 768})
    page.goto(f"{address}/voila/render/notebooks/{asked}&token={token}")
    page.wait_for_timeout(8000)


def entry_picture(page: Page) -> None:
    """Go as far as the first part to measure."""
    page.locator(".grr-entry .choice").first.click()
    page.wait_for_selector(".grr-entry .checklist")
    for answer in CHECKLIST:
        page.wait_for_timeout(500)
        if answer == "Space":
            page.keyboard.press("Space")
        elif answer:
            page.keyboard.type(answer)
        page.keyboard.press("Enter")
    page.wait_for_selector(".grr-entry input.field")
    page.wait_for_timeout(1500)  # let the flash fade
    page.screenshot(path=PICTURES / "entry.png")


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
            example = "study=demo_data/dowel_pin_handheld"
            open_page(page, address, token, f"4_judge.ipynb?step=answer&{example}")
            page.screenshot(path=PICTURES / "answer.png")
            study = Path(name) / "work" / "studies" / "collar"
            shutil.copytree(TOP / "demo_data" / "dowel_pin", study)
            (study / "readings.csv").unlink()
            (study / "events.csv").unlink(missing_ok=True)
            open_page(page, address, token, "2_collect.ipynb?step=measure&study=studies/collar")
            entry_picture(page)
        browser.close()


if __name__ == "__main__":
    main()
