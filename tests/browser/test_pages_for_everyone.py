"""Every page with a study of one's own: for a screen reader, and on small screens."""

from __future__ import annotations

import random

import pytest
from pages import seen, shown, words_of

from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.table_grid import TableRoles, file_table, look_at_table
from grr.files.folder import new_study_folder
from grr.files.gauge_folder import take_block_readings, write_gauge
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

PEOPLE = ("Anke Lindqvist", "Bodo", "Carla")
SIZES = ((1366, 768), (1366, 640), (1024, 768))
#: Name of a page → its notebook and what its address asks for.
PAGES = {
    "start": "0_start_here.ipynb",
    "plan-new": "1_plan.ipynb?new=Bolt 6 g6",
    "plan": "1_plan.ipynb?step=plan&study=studies/planned",
    "plan-sheets": "1_plan.ipynb?step=print&study=studies/planned",
    "measure-who": "2_collect.ipynb?step=measure&study=studies/planned",
    "measured": "2_collect.ipynb?step=measure&study=studies/sleeve",
    "check": "3_check.ipynb?step=check&study=studies/sleeve",
    "check-look": "3_check.ipynb?step=check&study=studies/slip",
    "check-fix": "3_check.ipynb?step=check&study=studies/factor",
    "answer": "4_judge.ipynb?step=answer&study=studies/sleeve",
    "answer-narrow": "4_judge.ipynb?step=answer&study=studies/narrow",
    "answer-wide": "4_judge.ipynb?step=answer&study=studies/wide",
    "answer-fix": "4_judge.ipynb?step=answer&study=studies/factor",
    "answer-numbers": "4_judge.ipynb?step=answer&numbers=1&study=studies/sleeve",
    "improve": "4_judge.ipynb?step=improve&study=studies/narrow",
    "file-before": "4_judge.ipynb?step=file&study=studies/sleeve",
    "file": "4_judge.ipynb?step=file&write=html&study=studies/narrow",
    "operators": "6_which_operator_needs_what.ipynb",
    "two-ways": "7_stand_or_handheld.ipynb",
    "qualify": "8_qualify_a_micrometer.ipynb",
    "gauge-new": "8_qualify_a_micrometer.ipynb?new=M 7",
    "gauge-who": "8_qualify_a_micrometer.ipynb?gauge=gauges/begun",
    "gauge-fit": "8_qualify_a_micrometer.ipynb?gauge=gauges/read",
    "gauge-watch": "9_keep_watching.ipynb?gauge=gauges/watched",
    "keep-watching": "9_keep_watching.ipynb",
    "all-gauges": "10_all_our_gauges.ipynb",
}
#: The one screen: nothing may lie below its fold.
ONE_SCREEN = ("check", "check-look", "check-fix", "answer", "answer-narrow", "answer-wide", "file")
ONE_SCREEN += ("gauge-new", "gauge-who", "gauge-fit")
#: A notebook for the engineer, with prose about code.
PROSE = ("all-gauges",)
NAMELESS = """() => [...document.querySelectorAll('input, select, button, a, summary, iframe')]
  .filter((node) => node.checkVisibility() && node.tabIndex >= 0 && !node.closest('.modebar'))
  .filter((node) => !(node.innerText?.trim() || node.ariaLabel || node.title
    || node.labels?.length))
  .map((node) => node.outerHTML.slice(0, 90))"""
#: What reaches beyond the window, and words that do not fit where they stand.
CUT = """() => [...document.querySelectorAll('#rendered_cells *, .foot *, .band *, .scale *')]
  .filter((node) => node.checkVisibility())
  .filter((node) => !node.closest('.unseen, .scroll, svg, iframe, .prose, .js-plotly-plot'))
  .filter((node) => !node.closest('.words') && getComputedStyle(node).clipPath === 'none')
  .filter((node) => node.getBoundingClientRect().right > innerWidth + 1
    || (node.matches('button, .button, h1, h2, h3, p, b, span, label, small, td, th')
      && node.clientWidth > 0 && node.scrollWidth > node.clientWidth + 2
      && getComputedStyle(node).textOverflow !== 'ellipsis'))
  .map((node) => `${node.tagName}: ${node.textContent.trim().slice(0, 60)}`)"""


def filed(folder, scatter, *, spoilt=None):
    """Make a study whose readings were taken from a table; ``spoilt`` changes one of them."""
    rng = random.Random(folder.name)
    new_study_folder(
        folder,
        title=f"Sleeve 8.2 in its {folder.name} state",
        unit="mm",
        resolution=0.001,
        tolerance=Tolerance(8.2, 8.25),
        operators_are="fixed",
        facts={"gauge_number": "B-5"},
        plan=Plan(tuple(map(str, range(1, 11))), PEOPLE, 3, seed=5),
    )
    if scatter is None:
        return
    lines = ["part,operator,trial,reading"]
    for trial in (1, 2, 3):
        for who, offset in zip(PEOPLE, (0.0, 0.2, -1.5), strict=True):
            for part in range(1, 11):
                value = 8.201 + 0.0045 * part + scatter * (offset + rng.gauss(0, 1))
                if (part, who, trial) == (4, "Bodo", 2) and spoilt:
                    value = spoilt(value)
                lines.append(f"{part},{who},{trial},{value:.3f}")
    content = "\n".join(lines).encode()
    work = Collecting(open_job(folder))
    found = look_at_table(work, "", content, TableRoles(pasted=True))
    kept = frozenset(mark["key"] for mark in found["marks"])
    roles = TableRoles(tuple(found["roles"]), found["heads"], pasted=True, kept=kept)
    work.ownership.take()
    file_table(work, "", content, roles)
    work.ownership.release()


@pytest.fixture(scope="module")
def studies(lab):
    """Studies of one's own in every state."""
    place = lab.folder / "studies"
    filed(place / "planned", None)
    filed(place / "sleeve", 0.0002)
    filed(place / "narrow", 0.0011)
    filed(place / "wide", 0.004)
    filed(place / "slip", 0.0004, spoilt=lambda value: value + 0.012)
    filed(place / "factor", 0.0004, spoilt=lambda value: value * 10)


@pytest.fixture(scope="module")
def gauges(lab):
    """Gauges of one's own: one whose blocks are to be read, one that is read and watched."""
    sizes = (2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0)
    blocks = tuple(
        CalibratedBlock(f"{size:g}", size + 0.00004, 0.00012, 2.0, "2026-05-04", "K-2207")
        for size in sizes
    )
    rng = random.Random("blocks")
    for name in ("begun", "read", "watched"):
        facts = GaugeFacts(
            f"M {name}",
            resolution=0.001,
            lower=12.88,
            upper=12.92,
            mpe=0.002,
            pitch=0.5,
            blocks=blocks,
            standard="12.9",
        )
        folder = lab.folder / "gauges" / name
        write_gauge(folder, facts)
        if name == "begun":
            continue
        many = [("12.9", f"{12.9 + rng.gauss(0, 0.0006):.3f}", "") for _ in range(25)]
        few = [
            (block.name, f"{block.size + rng.gauss(0.0002, 0.0006):.3f}", "")
            for _ in range(5)
            for block in blocks
        ]
        days = [
            ("12.9", f"{12.9 + rng.gauss(0, 0.0006):.3f}", f"2026-{month:02}-05T08:00:00Z")
            for month in range(1, 11)
        ]
        for purpose, rows in (("reference", many), ("range", few), ("check", days)):
            take_block_readings(folder, purpose, rows, who="Bodo", identifier=purpose)


@pytest.mark.usefixtures("studies", "gauges")
@pytest.mark.parametrize("name", PAGES)
def test_everybody_can_use_every_page(visit, axe, name):
    page = visit(f"voila/render/notebooks/{PAGES[name]}")
    forms = {"plan": "#grr-title", "measure": ".grr-entry[data-role]"}
    form = forms.get(name.split("-")[0].removesuffix("d")) if name != "plan-sheets" else None
    if name.startswith("gauge-"):
        form = {"fit": ".asked", "new": ".blocks", "who": ".who"}.get(name[6:], ".chart svg")
    if form:
        page.wait_for_selector(form, timeout=60_000)
    if name not in PROSE:
        words_of(page)
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = true; })")
    page.evaluate(axe)
    off = {"rules": {"heading-order": {"enabled": name not in PROSE}}}
    found = page.evaluate("(off) => axe.run(document, off)", off)
    assert len(found["passes"]) > 10
    worse = [(one["id"], [n["html"][:160] for n in one["nodes"]]) for one in found["violations"]]
    assert worse == []
    assert page.evaluate(NAMELESS) == []
    page.evaluate("document.querySelectorAll('details').forEach((one) => { one.open = false; })")
    for width, height in SIZES:
        page.set_viewport_size({"width": width, "height": height})
        page.wait_for_timeout(300)
        seen(page, f"{name}_{width}x{height}")
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        assert page.evaluate(CUT) == []
        if name in ONE_SCREEN:
            assert page.evaluate("document.documentElement.scrollHeight") <= height


@pytest.mark.usefixtures("studies")
def test_a_study_is_copied_with_its_people_parts_and_plan(lab, visit):
    page = visit("voila/render/notebooks/0_start_here.ipynb")
    page.fill("#new", "Sleeve, bore")
    page.select_option("select[name=like]", "studies/planned")
    page.locator("#new").press("Enter")
    page.wait_for_url("**/1_plan.ipynb?new=*")
    shown(page)
    page.wait_for_selector("#grr-title", timeout=60_000)
    assert page.input_value("#grr-title") == "Sleeve, bore"
    assert page.input_value("#grr-operators") == ", ".join(PEOPLE)
    assert (page.input_value("#grr-parts"), page.input_value("#grr-trials")) == ("10", "3")
    page.get_by_role("button", name="Take out Bodo").click()
    assert page.input_value("#grr-operators") == "Anke Lindqvist, Carla"
    page.locator(".grr-study .bar button.primary").click()
    page.wait_for_selector(".grr-study a.primary")
    assert (lab.folder / "studies" / "Sleeve_bore" / "study.toml").exists()
