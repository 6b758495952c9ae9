"""Two ways of holding, planned, measured and answered on the pages."""

from __future__ import annotations

import random

from bench import Bench
from pages import press, seen, shown, words_of

import grr
from grr.files.study_file import read_settings
from grr.files.verify import verify_folder
from grr.lab import START_PAGE
from grr.questions.planning import part_codes

NAME = "Bush 25 g6"
FOLDER = "studies/Bush_25_g6"
PEOPLE = ("Tove", "Aziz")
WAYS = ("v-block", "free hand")
SCATTER = {"v-block": 0.0003, "free hand": 0.0030}
FIELDS = {
    "lower": "24.967",
    "upper": "24.993",
    "resolution": "0.0001",
    "operators": ", ".join(PEOPLE),
    "methods": ", ".join(WAYS),
    "parts": "5",
    "trials": "2",
}


def measure(bench):
    """Do what the form asks for until it asks for nothing: people, both ways, zero, readings."""
    page, changes = bench.page, 0
    stages = "['operator', 'checklist', 'measure', 'zero', 'finished']"
    for count in range(200):
        bench.wait(f"{stages}.includes(f.dataset.stage)")
        stage = bench.form().get_attribute("data-stage")
        if stage == "finished":
            return changes
        if stage == "operator":
            bench.form(".choice").first.click()
            bench.checklist()
        elif stage == "checklist":  # the other way: cool down, zero once more
            changes += "Now with" in bench.form().inner_text()
            bench.checklist()
        elif stage == "zero":
            page.keyboard.type("0.0000")
            page.keyboard.press("Enter")
            bench.wait("f.dataset.stage !== 'zero'")
        else:
            bench.wait("document.activeElement.matches('.grr-entry input.field')")
            way = next(one for one in WAYS if one in bench.form(".where").inner_text())
            part = bench.due()
            noise = random.Random(f"{part} {way} {count}").gauss(0.0, SCATTER[way])
            page.wait_for_timeout(1100)  # nobody measures faster
            bench.type(f"{24.973 + 0.003 * int(part) + noise:.4f}")
            if bench.form(".question").is_visible():  # what was read is what it is
                bench.command("k")
                bench.wait("f.querySelector('.question').hidden")
    raise AssertionError("the form does not come to an end")


def test_two_ways_of_ones_own_to_the_recommendation(lab, visit):
    page = visit(START_PAGE)
    page.fill("#new", NAME)
    page.keyboard.press("Enter")
    page.wait_for_url("**/1_plan.ipynb?new=*")
    shown(page)
    page.wait_for_selector("#grr-title", timeout=60_000)
    for key, answer in FIELDS.items():
        page.fill(f"#grr-{key}", answer)
        page.keyboard.press("Tab")
    page.locator(".grr-study .card").first.click()  # these are all who will ever measure
    page.wait_for_function("!document.querySelector('.grr-study [aria-invalid]')")
    page.locator(".grr-study .bar button.primary").click()
    page.wait_for_selector(".grr-study a.primary")
    seen(page, "grips_plan")
    page.locator(".grr-study a.primary").click()
    page.wait_for_url("**/2_collect.ipynb*")
    shown(page)
    plan = read_settings(lab.folder / FOLDER).plan
    assert plan.methods == WAYS
    bench = Bench(lab, page, FOLDER)
    bench.codes = part_codes(plan.parts, plan.seed)
    page.wait_for_selector(".grr-entry[data-role]", timeout=60_000)
    assert measure(bench) >= len(PEOPLE)
    assert len(bench.standing()) == 40
    seen(page, "grips_measured")
    page.locator(".scale a").filter(has_text="Check").click()
    page.wait_for_url("**/3_check.ipynb*")
    shown(page)
    press(page, "See the answer")
    words = words_of(page, own=True)
    found = grr.compare_methods(
        grr.open_study(lab.folder / FOLDER), baseline="v-block", candidate="free hand"
    )
    assert found.recommended == "v-block"
    assert page.locator("h1").inner_text() == found.headline.upper()
    assert page.locator(".way svg[role=img]").count() == 2
    price = f"{found.price}".replace("\u202f", " ").replace("\xa0", " ")
    assert price in words.replace("\u202f", " ").replace("\xa0", " ")
    seen(page, "grips_answer")
    for notebook in ("7_stand_or_handheld", "6_which_operator_needs_what"):
        visit(f"voila/render/notebooks/{notebook}.ipynb")
        page.locator(".studies a").filter(has_text=NAME).click()
        page.wait_for_url("**study=studies*")
        shown(page)
        assert NAME in page.locator(".band").inner_text()
        words_of(page, own=True)
        seen(page, notebook)
    assert "Tove" in page.locator(".people").inner_text()
    assert verify_folder(lab.folder / FOLDER)
