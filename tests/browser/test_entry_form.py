"""The entry form in a real browser on a running JupyterLab."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

from grr.files.journal import read_journal, standing_readings

STUDY = """\
title = "Dowel pin 10 m5 (invented)"
unit = "mm"
resolution = 0.0001
tolerance = {{lower = 10.006, upper = 10.012}}

[facts]
characteristic = "diameter"
gauge_number = "M-07"
measuring_place = "5 mm from the chamfer"

[plan]
parts = [{parts}]
operators = [{operators}]
trials = {trials}
methods = [{methods}]
seed = 7
"""
#: Lets tests type faster than anyone can measure.
UNHURRIED = "import grr.numerics.plausibility as p; p.FASTEST_SECONDS = 0.0; "


def names(items):
    return ", ".join(json.dumps(item) for item in items)


class Bench:
    """A study folder, its notebook, and the form in a browser window."""

    def __init__(
        self,
        lab,
        page,
        name,
        *,
        parts=10,
        operators=("Ann", "Ben", "Eva"),
        trials=2,
        methods=(),
        hurried=False,
    ):
        self.lab, self.page, self.name = lab, page, name
        self.folder = lab.folder / name
        self.folder.mkdir()
        text = STUDY.format(
            parts=names(f"P{number}" for number in range(1, parts + 1)),
            operators=names(operators),
            trials=trials,
            methods=names(methods),
        )
        (self.folder / "study.toml").write_text(text, encoding="utf-8")
        start = "" if hurried else UNHURRIED
        self.address = lab.notebook(
            f"{name}.ipynb", f"{start}import grr\nform = grr.collect('{name}')\nform"
        )

    def open(self):
        self.page.goto(self.address)
        self.page.wait_for_selector(".jp-Notebook:visible .jp-CodeCell", timeout=60_000)
        self.lab.wait_for_kernel(f"{self.name}.ipynb")
        self.run_cell()

    def run_cell(self):
        self.page.click(".jp-Notebook:visible .jp-CodeCell .cm-content")
        self.page.keyboard.press("Control+Enter")
        self.page.wait_for_selector(".grr-entry[data-role]", timeout=60_000)

    def form(self, selector=""):
        return self.page.locator(f".grr-entry {selector}".strip())

    def begin(self, operator="Ann"):
        self.form(
            ".choice",
        ).filter(has_text=operator).click()
        self.checklist()

    def checklist(self):
        """Answer with the keyboard alone: Space picks, Enter goes on."""
        self.page.wait_for_selector(".grr-entry .checklist")
        press = self.page.keyboard.press
        for key in ("Space", "Enter", "Space", "Enter"):  # handed out by a helper; clean
            press(key)
        for text in ("90", "20.3"):
            self.page.keyboard.type(text)
            press("Enter")
        for key in ("Space", "Enter") * 3:  # how held, zero on closed faces, as in measuring
            press(key)
        self.page.keyboard.type("0.0000")
        press("Enter")
        self.page.wait_for_selector(".grr-entry[data-stage=measure]")

    def type(self, *texts, wait=True):
        for text in texts:
            before = self.saved()
            self.page.keyboard.type(text)
            self.page.keyboard.press("Enter")
            if wait:
                self.page.wait_for_function(
                    "n => Number(document.querySelector('.grr-entry').dataset.saved ?? 0) > n",
                    arg=before,
                )

    def saved(self):
        return int(self.form().get_attribute("data-saved") or 0)

    def journal(self):
        return read_journal(self.folder / "readings.csv")

    def standing(self):
        return standing_readings(self.journal())


PICTURES = Path(os.environ["GRR_PICTURES"]) if "GRR_PICTURES" in os.environ else None


def picture(page, name):
    """Save a picture where the environment variable GRR_PICTURES names a folder."""
    if PICTURES is not None:
        PICTURES.mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(PICTURES / f"{name}.png"))


@pytest.mark.parametrize("size", [(1366, 768), (1024, 768)], ids=["pc", "tablet"])
def test_pictures_of_every_page(lab, window, size):
    tag = f"{size[0]}"
    bench = Bench(lab, window(size), f"pictures-{tag}", parts=3, operators=("Ann",), trials=2)
    page = bench.page
    bench.open()
    picture(page, f"operator-{tag}")
    bench.form(".choice").first.click()
    page.wait_for_selector(".grr-entry .checklist")
    picture(page, f"checklist-{tag}")
    bench.checklist()
    picture(page, f"measure-{tag}")
    bench.type("10.0071")
    page.wait_for_timeout(900)
    picture(page, f"recorded-{tag}")
    bench.type("100.0820")
    page.wait_for_timeout(1000)
    picture(page, f"question-{tag}")
    bench.type("10.0082")
    page.wait_for_timeout(1000)
    picture(page, f"again-{tag}")
    page.keyboard.type("abc")
    page.keyboard.press("Enter")
    page.wait_for_timeout(1200)
    picture(page, f"refused-{tag}")
    page.keyboard.type("l")
    page.keyboard.press("Enter")
    page.wait_for_selector(".grr-entry table")
    picture(page, f"list-{tag}")
    page.keyboard.press("Escape")
    page.keyboard.type("a")
    page.keyboard.press("Enter")
    page.wait_for_selector(".grr-entry .tools-list")
    picture(page, f"more-{tag}")
    page.keyboard.press("Escape")
    page.click(".jp-Notebook:visible .jp-CodeCell .cm-content")
    page.wait_for_selector(".grr-entry.lost")
    picture(page, f"lost-{tag}")
    page.click(".grr-entry .cover")
    bench.type("10.0093", "10.0074", "10.0085", "10.0096")
    page.wait_for_selector(".grr-entry[data-stage=zero]")
    picture(page, f"zero-{tag}")
    page.keyboard.type("0.0001")
    page.keyboard.press("Enter")
    page.wait_for_selector(".grr-entry[data-stage=finished]")
    picture(page, f"finished-{tag}")
