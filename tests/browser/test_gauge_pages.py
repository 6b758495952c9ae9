"""A micrometer of one's own, qualified and watched on the pages."""

from __future__ import annotations

import itertools
import random
import re
from dataclasses import replace

import pytest
from pages import OF_DEMOS, kernel_of, kill, seen, shown
from studies import invented

import grr
from grr.files.gauge_folder import block_readings, read_gauge
from grr.files.study_file import read_settings
from grr.files.verify import verify_folder
from grr.model.tolerance import Tolerance

NAME, FOLDER = "D 14", "gauges/D_14"
FACTS = {"resolution": "0.0001", "lower": "7.991", "upper": "8.021", "mpe": "2", "pitch": "0.5"}
#: Name, calibrated size in mm, U in µm, day, certificate.
BLOCKS = [
    ("8", "8.00004", "0.06", "2026-02-11", "C-1182"),
    ("closed", "0", "0", "", ""),
    ("2.5", "2.49998", "0.06", "2026-02-11", "C-1182"),
    ("5.1", "5.10002", "0.06", "2026-02-11", "C-1182"),
    ("10.3", "10.30001", "0.06", "2026-02-11", "C-1182"),
    ("25", "24.99996", "0.10", "2026-02-11", "C-1182"),
]
SIZES = {name: float(size) for name, size, *_ in BLOCKS}


def wait(page, script):
    page.wait_for_function(script, timeout=60_000)


def told(page):
    return page.locator(".grr-gauge .told").inner_text()


def button(page, words):
    page.locator(".grr-gauge .bar button").filter(has_text=words).click()


def read(page, text):
    """Type a reading as a gauge does; wait until it is on the disk."""
    page.wait_for_timeout(600)  # sooner than a hand it would be asked about
    done = page.get_attribute(".grr-gauge", "data-done")
    page.keyboard.type(text)
    page.keyboard.press("Enter")
    wait(page, f"document.querySelector('.grr-gauge').dataset.done !== '{done}'")


def begin(page, name):
    """Say who reads, and answer the checklist, with the keyboard alone."""
    page.wait_for_selector("input.who", timeout=60_000)
    page.fill("input.who", name)
    page.keyboard.press("Enter")
    page.wait_for_selector(".checklist")
    for answer in ("40", "20.3", "0.0000"):
        wait(page, "document.activeElement.closest('.checklist')")
        page.keyboard.type(answer)
        page.keyboard.press("Enter")
    page.wait_for_selector("input.reading")


def size_of(block, count):
    noise = random.Random(f"{block} {count}").gauss(0.0001, 0.0002)
    return f"{SIZES[block] + noise:.4f}"


@pytest.fixture
def parts(lab):
    """A study on real parts, as the study form and the entry form leave it."""
    folder = lab.folder / "studies" / "spindles"
    if not folder.exists():
        study = invented(
            10,
            ("Runa", "Sol", "Idris"),
            3,
            sd=(0.004, 0.0002, 0.0003),
            middle=8.006,
            tolerance=Tolerance(7.991, 8.021),
            title="Spindles",
        )
        grr.save_study(replace(study, operators="fixed"), folder)
    assert read_settings(folder).title == "Spindles"
    return "studies/spindles"


def test_a_micrometer_of_ones_own_is_qualified_and_watched(lab, visit, parts):
    page = visit("voila/render/notebooks/8_qualify_a_micrometer.ipynb")
    page.fill("#new", NAME)
    page.keyboard.press("Enter")
    page.wait_for_url("**new=D*")
    shown(page)
    page.wait_for_selector("#grr-gauge-title", timeout=60_000)
    assert page.input_value("#grr-gauge-title") == NAME
    for key, text in {**FACTS, "resolution": "1"}.items():
        page.fill(f"#grr-gauge-{key}", text)
    page.select_option("#grr-gauge-study", parts)
    page.get_by_text("One more block").click()
    rows = page.locator(".blocks tbody tr")
    for row, block in zip(rows.all(), BLOCKS, strict=True):
        for key, text in zip(
            ("name", "size", "expanded", "calibrated", "certificate"), block, strict=True
        ):
            row.locator(f"[data-block={key}]").fill(text)
    rows.first.locator("[type=radio]").check()
    button(page, "Save")
    wait(page, "document.querySelector('.told').textContent.includes('coarser')")
    assert page.get_attribute("#grr-gauge-resolution", "aria-invalid") == "true"
    assert not (lab.folder / FOLDER).exists()  # refused, nothing is written
    page.fill("#grr-gauge-resolution", FACTS["resolution"])
    seen(page, "gauge_facts")
    button(page, "Save")
    page.wait_for_selector("input.who")
    facts = read_gauge(lab.folder / FOLDER)
    assert [one.name for one in facts.blocks] == [name for name, *_ in BLOCKS]
    assert facts.block("8").expanded == pytest.approx(0.00006)
    assert (facts.standard, facts.study, facts.mpe) == ("8", parts, pytest.approx(0.002))

    begin(page, "Runa")
    page.keyboard.type("80.0003")  # a slip is asked about; it counts only when it is kept
    page.keyboard.press("Enter")
    page.wait_for_selector(".wrong[role=alert]")
    assert block_readings(lab.folder / FOLDER, "reference").empty
    seen(page, "gauge_slip")
    page.keyboard.type("r")  # a gauge's number answers only where somebody says so
    page.keyboard.press("Enter")
    for count in range(25):
        wait(page, "document.activeElement.matches('input.reading')")
        read(page, size_of("8", count))  # the first one is the slip typed again
        if count == 3:
            button(page, "Undo")
            wait(page, "document.querySelector('.told').textContent.includes('Undone')")
            read(page, size_of("8", count))
    for count in range(30):
        block = page.locator(".tag-block").inner_text()
        wait(page, "document.activeElement.matches('input.reading')")
        if count == 12:  # the page goes on by itself when its kernel is killed
            kill(kernel_of(page))
            page.keyboard.type(size_of(block, count))
            page.keyboard.press("Enter")
            page.wait_for_selector(".saving:not([hidden])", timeout=30_000)
            seen(page, "gauge_killed")
            page.wait_for_event("load", timeout=120_000)
            shown(page)
            page.wait_for_selector("input.reading", timeout=60_000)
            wait(page, "document.querySelector('.grr-gauge').dataset.done === '13'")
            seen(page, "gauge_read")
            continue
        read(page, size_of(block, count))
    assert len(block_readings(lab.folder / FOLDER, "reference")) == 25
    assert len(block_readings(lab.folder / FOLDER, "range")) == 30

    button(page, "Is it fit?")
    page.wait_for_selector(".asked", timeout=60_000)
    before = page.locator(".whole b").inner_text()
    assert page.locator(".asked tbody tr").count() == 7
    page.fill("#grr-line-zero", "0.5")
    page.keyboard.press("Tab")
    wait(page, f"document.querySelector('.whole b').textContent !== '{before}'")
    page.fill("#grr-line-room", "2")
    page.keyboard.press("Enter")
    wait(page, "!document.querySelector('.told').textContent")
    page.wait_for_timeout(1500)
    facts = read_gauge(lab.folder / FOLDER)
    assert facts.lines["zero"] == pytest.approx(0.0005)
    # 0.5 µm rectangular, at the budget's k, of the 4.5 µm allowed: 0.5/√3·2/4.5 = 13 %.
    zero = page.locator("tr").filter(has=page.locator("#grr-line-zero"))
    assert re.search(r"1[23]\s%", zero.locator(".takes").inner_text())
    words = page.locator("body").inner_text()
    assert page.locator(".decision").inner_text() == "USE LIKE THIS"
    assert "Traceback" not in words
    assert "grr." not in words
    assert OF_DEMOS.search(words) is None
    assert page.evaluate("document.documentElement.scrollWidth") <= 1366
    seen(page, "gauge_fit")

    button(page, "File it")
    page.wait_for_selector(".bar button.primary:has-text('Open and print')", timeout=30_000)
    report = (lab.folder / FOLDER / "report.html").read_text(encoding="utf-8")
    assert NAME in report
    assert "USE LIKE THIS" in report

    button(page, "Keep watching")
    page.wait_for_url("**/9_keep_watching.ipynb*")
    shown(page)
    page.wait_for_selector("input.reading", timeout=60_000)  # Runa goes on
    page.get_by_text("Earlier checks", exact=True).click()
    lines = [f"2026-{month:02}-03 {size_of('8', month)}" for month in range(1, 12)]
    page.fill("textarea", "\n".join(lines))
    page.get_by_text("File them").click()
    page.wait_for_selector(".chart svg", timeout=30_000)
    page.locator("input.reading").fill("8.0002")
    page.keyboard.press("Enter")
    wait(page, "document.querySelector('.told').textContent.includes('recorded')")
    assert "11 before it" in page.locator(".says").inner_text()  # 12 checks in all
    seen(page, "gauge_watch")
    checks = block_readings(lab.folder / FOLDER, "check")
    assert (len(checks), checks["reading"].iloc[-1]) == (12, 8.0002)
    assert verify_folder(lab.folder / FOLDER).unaltered
    page = visit("voila/render/notebooks/9_keep_watching.ipynb")
    assert NAME in page.locator(".studies").inner_text()
    seen(page, "gauges")


def test_a_table_of_many_studies_is_dropped_on_the_page_of_all_gauges(lab, visit):
    page = visit("voila/render/notebooks/10_all_our_gauges.ipynb")
    page.wait_for_selector(".grr-drop textarea", timeout=60_000)
    words = page.locator("body").inner_text()
    assert "What is each gauge good for?" in words
    assert OF_DEMOS.search(words) is None
    head = "study,part,operator,trial,reading,lower,upper"
    rows = []
    for name, sd in (("ring A", 0.001), ("ring B", 0.02)):
        draws = random.Random(name)
        for part, who, trial in itertools.product(range(1, 7), ("Eyo", "Lin"), (1, 2)):
            reading = 20 + part / 100 + draws.gauss(0.0, sd)
            rows.append(f"{name},{part},{who},{trial},{reading:.4f},19.95,20.15")
    file = lab.folder / "rings.csv"
    file.write_text("part,reading\n1,2\n", encoding="utf-8")
    page.set_input_files(".grr-drop input[type=file]", file)
    page.wait_for_selector(".grr-drop [role=alert]", timeout=30_000)  # refused in a sentence
    assert not list((lab.folder / "tables").glob("*"))
    file.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    page.set_input_files(".grr-drop input[type=file]", file)
    page.wait_for_url("**table=rings.csv*", timeout=60_000)
    shown(page)
    words = page.locator("body").inner_text()
    assert "2 studies" in words
    first = page.locator(".many tbody tr").first.inner_text()
    assert "ring B" in first
    assert "DO NOT USE" in first
    seen(page, "all_gauges_table")
