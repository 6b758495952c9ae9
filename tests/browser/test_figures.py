"""A figure in JupyterLab: drawn by the browser from the bundle that the package hands over."""

from __future__ import annotations

from pathlib import Path

TESTS = Path(__file__).parents[1]
CELL = f"""import sys; sys.path.insert(0, {str(TESTS)!r})
import grr
from studies import SHAPES
figure = grr.show.tolerance_ruler(grr.anova(SHAPES["manual"]()))
figure"""


def test_a_figure_is_drawn_in_a_notebook(lab, window) -> None:
    page = window()
    page.goto(lab.notebook("figure.ipynb", CELL), timeout=120_000)
    cell = page.locator(".jp-CodeCell .cm-content").first
    cell.wait_for(timeout=120_000)
    lab.wait_for_kernel("figure.ipynb")
    cell.click()
    page.keyboard.press("Control+Enter")
    drawing = page.locator(".jp-OutputArea .js-plotly-plot svg.main-svg").first
    drawing.wait_for(timeout=120_000)
    title = page.locator(".js-plotly-plot .gtitle").first
    assert title.text_content().startswith("How near to a limit")
    place = drawing.bounding_box()
    assert place["width"] > 500
    assert place["height"] > 250
    assert page.locator(".js-plotly-plot .scatterlayer .trace").count() >= 4
    lab.stop_kernels()
