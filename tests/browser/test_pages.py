"""The pages without code: examples, refusals, addresses, and kernels that end."""

from __future__ import annotations

import json
from contextlib import suppress
from urllib.error import HTTPError

import pytest
from pages import seen


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
