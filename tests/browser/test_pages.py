"""The pages without code: one's own study, from an empty folder to a filed report."""

from __future__ import annotations

import json
import random
import re
from contextlib import suppress
from urllib.error import HTTPError

import pytest
from bench import PICTURES, Bench

from grr.files.study_file import read_settings
from grr.files.verify import verify_folder
from grr.lab import START_PAGE
from grr.questions.planning import part_codes
from grr.shipped import put_into

NAME = "Spigot 12.7 f7"
FOLDER = "studies/Spigot_12.7_f7"
PEOPLE = ("Wanda", "Ilse", "Omar")
FIELDS = {
    "lower": "12.666",
    "upper": "12.684",
    "resolution": "0.0001",
    "operators": ", ".join(PEOPLE),
    "parts": "5",
    "trials": "2",
}
#: Words of the demo studies: their people, sizes and titles.
OF_DEMOS = re.compile(r"EXAMPLE|invented|dowel|Ilka|Jonas|Miro|10\.006|demo", re.IGNORECASE)


@pytest.fixture
def visit(lab, window):
    """Opens pages in one window, and notes every request that it makes."""
    put_into(lab.folder)
    (lab.folder / "chosen_study.txt").unlink(missing_ok=True)
    page = window()
    page.asked = []
    page.on("request", lambda request: page.asked.append(request.url))

    def open_page(path):
        separator = "&" if "?" in path else "?"
        page.goto(f"{lab.address}/{path}{separator}token={lab.token}")
        shown(page)
        return page

    yield open_page
    outside = [url for url in page.asked if not url.startswith((lab.address, "data:", "blob:"))]
    assert outside == []


def shown(page):
    """Wait until a page has run."""
    page.wait_for_selector("#working", state="detached", timeout=60_000)


def press(page, words):
    """Press a button of the foot; wait for the page that it leads to."""
    page.locator(".foot .button").filter(has_text=words).click()
    page.wait_for_load_state()
    shown(page)


def words_of(page):
    """Return the visible words, after looking for what no page may show."""
    text = page.locator("body").inner_text()
    assert page.locator(".jp-InputArea, .jp-CodeCell, .highlight").count() == 0
    assert "Traceback" not in text
    assert "grr." not in text
    assert page.locator("[role=alert].grr-card").count() == 0
    return text


def seen(page, name):
    """Keep a picture where a folder for them is named."""
    if PICTURES is not None:
        page.screenshot(path=PICTURES / f"page_{name}.png")


def plan(page):
    """Make a study of one's own on the start page, and fill in its plan."""
    page.fill("#new", NAME)
    page.keyboard.press("Enter")
    page.wait_for_url("**/1_plan.ipynb?new=*")
    shown(page)
    page.wait_for_selector("#grr-title", timeout=60_000)
    assert page.input_value("#grr-title") == NAME
    for key, answer in FIELDS.items():
        page.fill(f"#grr-{key}", answer)
        page.keyboard.press("Tab")
    page.locator(".grr-study .card").first.click()  # these are all who will ever measure
    page.wait_for_function("!document.querySelector('.grr-study [aria-invalid]')")
    page.locator(".grr-study .bar button.primary").click()
    page.wait_for_selector(".grr-study a.primary")


def measure(page, lab):
    """Type every reading, as a gauge does; return the form's bench."""
    settings = read_settings(lab.folder / FOLDER)
    bench = Bench(lab, page, FOLDER)
    bench.codes = part_codes(settings.plan.parts, settings.plan.seed)
    sizes = {part: 12.6685 + 0.003 * number for number, part in enumerate(settings.plan.parts)}
    page.wait_for_selector(".grr-entry[data-role]", timeout=60_000)
    for number, operator in enumerate(PEOPLE):
        bench.begin(operator)
        for count in range(10):
            bench.wait("document.activeElement.matches('.grr-entry input.field')")
            part = bench.due()
            noise = random.Random(f"{part} {operator} {count // 5}").gauss(0.0, 0.0006)
            page.wait_for_timeout(1100)  # nobody measures faster
            bench.type(f"{sizes[part] + noise:.4f}")
            if bench.form(".question").is_visible():  # the same as before, say: it is what it is
                bench.command("k")
                bench.wait("f.querySelector('.question').hidden")
        bench.stage("zero")
        page.keyboard.type("0.0000")
        page.keyboard.press("Enter")
        bench.stage("finished" if number == 2 else "operator")
    return bench


def test_a_study_of_ones_own_from_an_empty_folder_to_a_filed_report(lab, visit):
    page = visit(START_PAGE)
    assert "EXAMPLE" in words_of(page)  # the examples are there, and called so
    seen(page, "start")
    plan(page)
    assert NAME in page.locator(".band").inner_text()
    assert not OF_DEMOS.search(words_of(page))
    seen(page, "plan")
    page.locator(".grr-study a.primary").click()  # start measuring
    page.wait_for_url("**/2_collect.ipynb*")
    shown(page)
    bench = measure(page, lab)
    assert len(bench.standing()) == 30
    seen(page, "measure")
    page.locator(".scale a").filter(has_text="Check").click()
    page.wait_for_url("**/3_check.ipynb*")
    shown(page)
    assert "30 readings" in page.locator(".band").inner_text()
    for step, words in (("check", "See the answer"), ("answer", "")):
        assert not OF_DEMOS.search(words_of(page))
        seen(page, step)
        if words:
            press(page, words)
    decision = page.locator("h1").inner_text()
    assert re.match("USE|DO NOT USE|NOT DECIDED YET", decision)
    assert page.locator(".ruler svg[role=img]").count() == 1
    page.locator(".scale a").filter(has_text="Improve").click()
    page.wait_for_url("**step=improve*")
    shown(page)
    assert not OF_DEMOS.search(words_of(page))
    seen(page, "improve")
    press(page, "File the report")
    assert not (lab.folder / FOLDER / "report.html").exists()
    press(page, "Write the report")
    assert not OF_DEMOS.search(words_of(page))
    seen(page, "file")
    report = (lab.folder / FOLDER / "report.html").read_text(encoding="utf-8")
    assert decision in report
    assert NAME in report
    with page.expect_popup() as popup:
        page.locator(".foot .primary").click()
    assert NAME in popup.value.locator("h1").inner_text()
    page = visit(START_PAGE)
    row = page.locator(".studies li").filter(has_text=NAME)
    assert decision in row.inner_text()
    assert verify_folder(lab.folder / FOLDER)


def test_every_step_of_an_example_is_called_so_and_stays_in_one_screen(lab, visit):
    for size in ((1366, 768), (1366, 640), (1024, 768)):
        page = visit("voila/render/notebooks/4_judge.ipynb?study=demo_data/dowel_pin")
        page.set_viewport_size({"width": size[0], "height": size[1]})
        assert "EXAMPLE" in page.locator(".band").inner_text()
        seen(page, f"example_{size[0]}x{size[1]}")
        assert page.evaluate("document.documentElement.scrollHeight") <= size[1]
        assert page.evaluate("document.documentElement.scrollWidth") <= size[0]
        foot = page.locator(".foot").bounding_box()
        last = page.locator(".three").bounding_box()
        assert last["y"] + last["height"] <= foot["y"] + 1


def test_a_refusal_is_one_card_and_the_studies_are_one_click_away(lab, visit):
    page = visit("voila/render/notebooks/4_judge.ipynb?study=studies/not_there")
    card = page.locator("[role=alert]")
    assert card.count() == 1
    assert "This study is not there yet" in card.inner_text()
    assert "Traceback" not in page.locator("body").inner_text()
    page.locator(".band .back").click()
    page.wait_for_url("**/0_start_here.ipynb")


def test_an_address_cannot_name_a_folder_elsewhere(lab, visit):
    outside = lab.folder.parent / "elsewhere"
    outside.mkdir(exist_ok=True)
    for name in ("../elsewhere", "studies/../../elsewhere", "studies/..", "/etc"):
        page = visit(f"voila/render/notebooks/4_judge.ipynb?study={name}")
        assert "elsewhere" not in page.locator("body").inner_text()


def test_the_kernel_of_a_page_that_is_left_ends(lab, visit):
    page = visit("voila/render/notebooks/3_check.ipynb?study=demo_data/dowel_pin")
    settings = page.locator("#jupyter-config-data").text_content()
    kernel = json.loads(settings)["kernelId"]
    assert kernel in {one["id"] for one in lab.ask("kernels")}
    page.goto("about:blank")
    for _ in range(100):
        with suppress(HTTPError):  # a list that is asked for while a kernel goes
            if kernel not in {one["id"] for one in lab.ask("kernels")}:
                return
        page.wait_for_timeout(100)
    pytest.fail("the kernel goes on")
