"""What a notebook is handed: the bundle of plotly's renderer, without what that loads."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from jupyter_client.manager import start_new_kernel
from plotly.graph_objects import Figure
from studies import SHAPES

import grr
from grr.show.bundle import MIME

TESTS = Path(__file__).parents[1]
SHOWN = (
    "import sys; sys.path.insert(0, {tests!r})\n"
    "import grr; from studies import SHAPES\n"
    "figure = grr.show.tolerance_ruler(grr.anova(SHAPES['manual']()))\n"
)


@pytest.fixture(scope="module")
def kernel() -> Any:
    manager, client = start_new_kernel(kernel_name="python3", startup_timeout=120)
    yield client
    client.stop_channels()
    manager.shutdown_kernel(now=True)


def outputs(client: Any, code: str) -> list[dict[str, Any]]:
    """Return the content of every message that running the code shows."""
    found: list[dict[str, Any]] = []

    def keep(message: dict[str, Any]) -> None:
        if message["msg_type"] in {"display_data", "execute_result", "stream", "error"}:
            found.append({"type": message["msg_type"], **message["content"]})

    client.execute_interactive(code, output_hook=keep, timeout=120)
    return found


def test_a_kernel_shows_a_figure_and_loads_no_reader_of_notebooks(kernel: Any) -> None:
    (shown,) = outputs(kernel, SHOWN.format(tests=str(TESTS)) + "figure")
    assert shown["type"] == "display_data"
    assert list(shown["data"]) == [MIME]
    bundle = shown["data"][MIME]
    assert set(bundle) == {"data", "layout"}
    assert "bdata" not in json.dumps(bundle)
    Figure(bundle)  # plotly finds no property that it does not know
    assert bundle["layout"]["meta"]["question"].endswith("?")
    heavy = "{'nbformat', 'jsonschema', 'lark', 'plotly.io._renderers'}"
    (said,) = outputs(kernel, f"print(sorted({heavy} & set(sys.modules)))")
    assert said["text"] == "[]\n"


def test_a_kernel_shows_what_plotlys_renderer_shows(kernel: Any) -> None:
    code = SHOWN.format(tests=str(TESTS))
    (ours,) = outputs(kernel, code + "figure")
    (theirs,) = outputs(kernel, "from plotly.graph_objects import Figure\nFigure(figure)")
    assert theirs["type"] == ours["type"] == "display_data"
    assert json.dumps(theirs["data"]) == json.dumps(ours["data"])


def test_a_renderer_that_was_chosen_is_used(kernel: Any) -> None:
    choose = "import plotly.io\nplotly.io.renderers.default = 'json'\n"
    (shown,) = outputs(kernel, SHOWN.format(tests=str(TESTS)) + choose + "figure")
    assert list(shown["data"]) == ["application/json"]


def test_a_figure_is_plotlys_and_may_be_added_to() -> None:
    figure = grr.show.tolerance_ruler(grr.anova(SHAPES["manual"]()))
    assert isinstance(figure, Figure)
    count = len(figure.data)
    figure.add_scatter(x=np.array([1.0, 2.0]), y=np.array([0.5, 0.5]))
    assert type(figure) is type(figure.update_layout(height=400))
    bundle = json.loads(json.dumps(figure._repr_mimebundle_()))
    assert len(bundle.get(MIME, figure.to_plotly_json())["data"]) == count + 1


@pytest.mark.parametrize("imported", ["", "import IPython\n"])
def test_outside_of_a_notebook_plotly_shows_the_figure(imported: str) -> None:
    script = SHOWN.format(tests=str(TESTS)) + (
        "from grr.show import bundle\n"
        "assert 'plotly.io._renderers' not in sys.modules\n"
        "assert bundle._plotly_renders()\n"
        "import plotly.io\nplotly.io.renderers.render_on_display = False\n"
        "figure._ipython_display_()\n"
    )
    command = [sys.executable, "-c", imported + script]
    done = subprocess.run(command, check=False, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    assert "Figure({" in done.stdout
