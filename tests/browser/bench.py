"""A study folder, its notebook, and the entry form in a browser window."""

from __future__ import annotations

import os
from pathlib import Path

from grr.files.folder import new_study_folder
from grr.files.journal import read_journal
from grr.model.record import standing_readings
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance
from grr.questions.planning import part_codes

SEED = 7
#: Lets a test type faster than anyone can measure.
UNHURRIED = "import grr.formulas.data_checks as p; p.FASTEST_SECONDS = 0.0\n"
CELL = """\
import os, pathlib, grr
pathlib.Path('{name}.pid').write_text(str(os.getpid()))
grr.collect('{name}')"""

PICTURES = Path(os.environ["GRR_PICTURES"]) if "GRR_PICTURES" in os.environ else None


class Bench:
    """Someone who types readings into the form, with the keyboard alone where possible."""

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
        more_cells=(),
        notebook=True,
        limits=(10.006, 10.012),
        resolution=0.0001,
        title="Dowel pin 10 m5 (invented)",
    ):
        self.lab, self.page, self.name = lab, page, name
        self.folder = lab.folder / name
        labels = tuple(f"P{number}" for number in range(1, parts + 1))
        self.codes = part_codes(labels, SEED)
        if not self.folder.exists():
            new_study_folder(
                self.folder,
                title=title,
                unit="mm",
                resolution=resolution,
                tolerance=Tolerance(*limits),
                facts={
                    "characteristic": "diameter",
                    "gauge_number": "M-07",
                    "measuring_place": "5 mm from the chamfer",
                },
                plan=Plan(labels, operators, trials, methods, seed=SEED),
            )
            if not notebook:
                return
            cell = CELL.format(name=name)
            lab.notebook(f"{name}.ipynb", cell if hurried else UNHURRIED + cell, *more_cells)

    def open(self, *, run=True):
        """Open the notebook and run its first cell."""
        self.page.goto(self.lab.page(f"{self.name}.ipynb"))
        self.page.wait_for_selector(".jp-Notebook:visible .jp-CodeCell", timeout=60_000)
        self.lab.wait_for_kernel(f"{self.name}.ipynb")
        if run:
            self.run_cell()

    def run_cell(self, number=0):
        """Run a cell; wait for the form where it is the first one."""
        cell = self.page.locator(".jp-Notebook:visible .jp-CodeCell").nth(number)
        cell.locator(".cm-content").click()
        self.page.keyboard.press("Control+Enter")
        if number == 0:
            self.page.wait_for_selector(".grr-entry[data-role]", timeout=60_000)

    def save(self):
        """Save the notebook, so that its outputs outlive the window."""
        file = self.lab.folder / f"{self.name}.ipynb"
        self.page.click('.jp-Toolbar:visible [data-command="docmanager:save"]')
        for _ in range(50):
            if "widget-view" in file.read_text(encoding="utf-8"):
                return
            self.page.wait_for_timeout(100)
        raise TimeoutError("the notebook was not saved")

    def form(self, selector=""):
        return self.page.locator(f".grr-entry {selector}".strip())

    def wait(self, condition, timeout=15_000):
        """Wait for a condition on the form, written in JavaScript with ``f`` as the form."""
        form = "const f = document.querySelector('.grr-entry');"
        self.page.wait_for_function(
            f"() => {{ {form} return f && ({condition}); }}", timeout=timeout
        )

    def stage(self, name):
        self.wait(f"f.dataset.stage === '{name}'")

    def begin(self, operator="Ann"):
        self.form(".choice").filter(has_text=operator).click()
        self.checklist()

    def checklist(self):
        """Answer with the keyboard alone: Space picks, Enter goes on."""
        self.stage("checklist")
        self.wait("document.activeElement.matches('.grr-entry .checklist input')")
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
        self.wait("document.activeElement.matches('.grr-entry input.field')")

    def saved(self):
        return int(self.form().get_attribute("data-saved") or 0)

    def type(self, *texts, wait=True):
        """Type numbers as a gauge does, each followed by Enter."""
        for text in texts:
            before = self.saved() if wait else 0
            self.page.keyboard.type(text)
            self.page.keyboard.press("Enter")
            if wait:
                self.wait(f"Number(f.dataset.saved ?? 0) > {before}")

    def by_hand(self, text):
        """Type a number as a person does, key after key."""
        before = self.saved()
        self.page.keyboard.type(text, delay=45)
        self.page.keyboard.press("Enter")
        self.wait(f"Number(f.dataset.saved ?? 0) > {before}")

    def command(self, letter):
        """Give a command with the keyboard: a letter and Enter."""
        self.page.keyboard.type(letter)
        self.page.keyboard.press("Enter")

    def on_the_tag(self):
        """Return what the tag says: a code, as a helper hands out the parts."""
        return self.form(".part").inner_text()

    def due(self):
        """Return the part that the tag asks for."""
        parts = {code: part for part, code in self.codes.items()}
        return parts[self.on_the_tag()]

    @property
    def field_has_focus(self):
        return self.page.evaluate("document.activeElement?.matches('.grr-entry input.field')")

    def journal(self):
        return read_journal(self.folder / "readings.csv")

    def standing(self):
        return standing_readings(self.journal())

    def picture(self, name):
        """Save a picture where the environment variable GRR_PICTURES names a folder."""
        if PICTURES is not None:
            PICTURES.mkdir(parents=True, exist_ok=True)
            self.page.wait_for_timeout(900)  # let the flash fade
            self.page.screenshot(path=str(PICTURES / f"{name}.png"))
