"""What the walks through the pages share: waiting, pressing, and what no page may show."""

from __future__ import annotations

import json
import os
import re
import signal
from pathlib import Path

from bench import PICTURES

#: Words of the demo studies: their people, sizes and titles.
OF_DEMOS = re.compile(r"EXAMPLE|invented|dowel|Ilka|Jonas|Miro|10\.006|demo", re.IGNORECASE)
#: Counts keys and clicks of a window as they arrive, whatever page is open.
COUNTING = """
const count = (what) => { sessionStorage[what] = 1 + Number(sessionStorage[what] ?? 0); };
addEventListener("keydown", (event) => event.isTrusted && count("keys"), true);
addEventListener("pointerdown", (event) => event.isTrusted && count("clicks"), true);
"""


def shown(page):
    """Wait until a page has run."""
    page.wait_for_selector("#working", state="detached", timeout=90_000)


def arrived(page, address):
    """Wait until a page has come in place of the one before, and has run."""
    page.wait_for_url(address, timeout=60_000)
    page.wait_for_load_state()
    shown(page)


def press(page, words):
    """Press a button of the foot; wait for the page that it leads to."""
    page.locator(".foot .button").filter(has_text=words).click()
    page.wait_for_load_state()
    shown(page)


def words_of(page, *, own=False):
    """Return the visible words, after looking for what no page may show."""
    text = page.locator("body").inner_text()
    assert page.locator(".jp-InputArea, .jp-CodeCell, .highlight").count() == 0
    assert "Traceback" not in text
    assert "grr." not in text
    assert "JavaScript Error" not in text
    assert page.locator("[role=alert].grr-card").count() == 0
    if own:
        found = OF_DEMOS.search(text)
        assert found is None, found
    return text


def seen(page, name):
    """Keep a picture where a folder for them is named."""
    if PICTURES is not None:
        page.wait_for_timeout(300)
        page.screenshot(path=PICTURES / f"page_{name}.png")


def tab_to(page, selector, most=60):
    """Go on with the Tab key until something has the keyboard."""
    for _ in range(most):
        if page.evaluate("(what) => document.activeElement?.matches(what)", selector):
            return
        page.keyboard.press("Tab")
    raise AssertionError(f"the Tab key does not reach {selector}")


def kernel_of(page):
    """Return the id of the kernel that a page works with."""
    return json.loads(page.locator("#jupyter-config-data").text_content())["kernelId"]


def kill(kernel):
    """Kill the process of a kernel."""
    for entry in Path("/proc").iterdir():
        try:
            command = (entry / "cmdline").read_bytes() if entry.name.isdigit() else b""
        except OSError:
            continue
        if kernel.encode() in command:
            os.kill(int(entry.name), signal.SIGKILL)
            return
    raise AssertionError("the kernel has no process")
