"""The form of a new study: every contradiction stands at its field, and nothing is clipped."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from grr.files.study_file import read_settings

CELL = "import grr\ngrr.study_form('studies/shaft')"
PICTURES = Path(os.environ["GRR_PICTURES"]) if "GRR_PICTURES" in os.environ else None
NAMELESS = """() => [...document.querySelectorAll('.grr-study :is(input, select, button, a)')]
  .filter((node) => node.checkVisibility())
  .filter((node) => !(node.innerText?.trim() || node.ariaLabel || node.labels?.length))
  .map((node) => node.outerHTML.slice(0, 90))"""
CUT = """() => { const form = document.querySelector('.grr-study');
  const edge = form.getBoundingClientRect().right + 1;
  return [...form.querySelectorAll('*')].filter((node) => node.checkVisibility())
    .filter((node) => node.getBoundingClientRect().right > edge
      || (node.matches('button, h3, p, b, span, label, small')
        && node.clientWidth > 0 && node.scrollWidth > node.clientWidth + 2))
    .map((node) => `${node.tagName}: ${node.textContent.slice(0, 40)}`); }"""


@pytest.fixture
def page(lab, window):
    (lab.folder / "demo_data").mkdir(exist_ok=True)
    lab.notebook("plan.ipynb", CELL)
    page = window()
    page.goto(lab.page("plan.ipynb"))
    page.wait_for_selector(".jp-Notebook:visible .jp-CodeCell", timeout=60_000)
    lab.wait_for_kernel("plan.ipynb")
    page.locator(".jp-Notebook:visible .jp-CodeCell .cm-content").first.click()
    page.keyboard.press("Control+Enter")
    try:
        page.wait_for_selector("#grr-title", timeout=20_000)
    finally:
        picture(page, "plan-opened")
    yield page
    lab.stop_kernels()


def picture(page, name):
    if PICTURES is not None:
        page.wait_for_timeout(500)
        page.screenshot(path=str(PICTURES / f"{name}.png"))


def test_a_new_study_with_every_contradiction(page, lab):
    folder = lab.folder / "studies" / "shaft"
    primary = page.locator(".grr-study .bar button.primary")
    assert page.locator(".grr-study input[type=radio]:checked").count() == 0
    picture(page, "plan-empty")
    primary.click()
    page.wait_for_function(
        "document.querySelector('.grr-study .sentence').textContent.includes('5 fields')"
    )
    assert not folder.exists()
    assert page.evaluate("document.activeElement.id") == "grr-title"
    for key, text in (
        ("title", "Shaft 20 f7 (invented)"),
        ("lower", "19.980"),
        ("upper", "19993"),
        ("resolution", "1"),
        ("operators", "Ravi; Lena; Tom"),
        ("parts", "1"),
        ("gauge_number", "M-21"),
    ):
        page.fill(f"#grr-{key}", text)
    page.keyboard.press("Tab")
    wrong = {
        "upper": "A point missing?",
        "operators": "One person, or three?",
        "parts": "two parts at least",
    }
    for key, words in wrong.items():
        page.wait_for_function(
            f"document.querySelector('#grr-{key}-wrong').textContent.includes('{words}')"
        )
        assert page.get_attribute(f"#grr-{key}", "aria-invalid") == "true"
    picture(page, "plan-contradictions")
    assert page.evaluate(CUT) == []
    page.click("#grr-upper-wrong button")
    page.wait_for_function(
        "document.querySelector('#grr-resolution-wrong').textContent.includes('whole tolerance')"
    )
    assert page.input_value("#grr-upper") == "19.993"
    page.click("#grr-resolution-wrong button")
    page.click("#grr-operators-wrong button")
    page.fill("#grr-parts", "10")
    page.keyboard.press("Tab")
    page.wait_for_function(
        "document.querySelector('.grr-study .chance b').textContent !== '? of 20'"
    )
    primary.click()
    page.wait_for_function(
        "document.querySelector('.grr-study .sentence').textContent.includes('1 field')"
    )
    assert not folder.exists()  # who will ever measure has no default
    page.locator(".grr-study .card").nth(1).click()
    page.wait_for_selector("#grr-people:visible")
    page.fill("#grr-people", "2")
    page.keyboard.press("Tab")
    page.wait_for_function(
        "document.querySelector('#grr-people-wrong').textContent.includes('More than the 3')"
    )
    page.fill("#grr-people", "7")
    page.keyboard.press("Tab")
    page.wait_for_function("!document.querySelector('.grr-study [aria-invalid]')")
    picture(page, "plan-chance")
    assert page.evaluate(CUT) == []
    assert page.evaluate(NAMELESS) == []
    primary.click()
    page.wait_for_function(
        "document.querySelector('.grr-study .sentence').textContent.startsWith('Saved')"
    )
    settings = read_settings(folder)
    assert (settings.tolerance.lower, settings.tolerance.upper) == (19.98, 19.993)
    assert settings.resolution == 0.001
    assert settings.plan.operators == ("Ravi", "Lena", "Tom")
    assert settings.operators_are == 7
    assert "2_collect" in page.get_attribute(".grr-study a.primary", "href")
    picture(page, "plan-saved")
    with page.expect_popup() as opened:
        page.get_by_text("Key for the helper").click()
    sheet = opened.value
    assert len(sheet.locator("tr").all()) == 11
    assert "must not see it" in sheet.locator("body").inner_text()
