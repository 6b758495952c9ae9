"""How the notebooks become pages: the cells of one step, and no outside request.

`grr lab` names these in the settings of the server that it starts. A page is a notebook that
Voilà renders: code hidden, cells run on opening.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

#: The name of the template in ``jupyter/voila/templates``.
TEMPLATE = "grr"
#: What a page loads besides Voilà itself: forms and figures.
_FRONT_ENDS = [
    "@jupyter-widgets/jupyterlab-manager",
    "@voila-dashboards/widgets-manager8",
    "anywidget",
    "jupyterlab-plotly",
]


def cells_of_the_page(request: Any, notebook: Any, cwd: str) -> Any:
    """Return the notebook with the cells that its page shows, below the frame.

    Where cells bear the name of a step as a tag, the page is those cells; which step, its
    address says: ``?step=improve``, else the first in the notebook. A notebook without such
    tags is shown whole.
    """
    _ = request.xsrf_token  # sets the cookie without which the page may not end its kernel
    tags = [tag for cell in notebook.cells for tag in cell.metadata.get("tags", [])]
    step = request.get_argument("step", tags[0] if tags else "")
    if step in tags:
        notebook.cells = [c for c in notebook.cells if step in c.metadata.get("tags", [])]
    name = Path(request.request.path).name
    code = "\n".join(cell.source for cell in notebook.cells if cell.cell_type == "code")
    of_examples = "demo_data/" in code
    frame = type(notebook)(
        cell_type="code",
        id="frame",
        execution_count=None,
        metadata=type(notebook)(),
        outputs=[],
        source=f"import grr.page.frame\n"
        f"grr.page.frame.show_frame({step!r}, {name!r}, {of_examples!r})",
    )
    notebook.cells.insert(0, frame)
    return notebook


def page_without_requests(page_config: dict[str, Any], **_: Any) -> dict[str, Any]:
    """Return the page's settings without the address from which mathematics would be fetched."""
    return {**page_config, "fullMathjaxUrl": "", "mathjaxUrl": ""}


def page_settings() -> str:
    """Return the settings of the pages, as the file ``voila.py`` holds them."""
    return (
        "from grr.page.serving import TEMPLATE, cells_of_the_page, page_without_requests\n\n"
        "c = get_config()\n"
        "c.VoilaConfiguration.template = TEMPLATE\n"
        "c.VoilaConfiguration.prelaunch_hook = cells_of_the_page\n"
        "c.VoilaConfiguration.page_config_hook = page_without_requests\n"
        f"c.VoilaConfiguration.extension_allowlist = {_FRONT_ENDS!r}\n"
        'c.VoilaConfiguration.allow_template_override = "NO"\n'
        'c.VoilaConfiguration.allow_theme_override = "NO"\n'
    )


def server_settings() -> dict[str, Any]:
    """Return the settings of the server: pages beside JupyterLab, and kernels that end.

    A kernel that no window is connected to ends after ten minutes; one with an open page
    never does.
    """
    return {
        "ServerApp": {
            # No language is looked up, and no other program asked where its servers lie.
            "jpserver_extensions": {"voila.server_extension": True, "jupyter_lsp": False},
            "kernel_manager_class": "grr.page.warm_kernels.WarmKernels",
        },
        "MappingKernelManager": {
            "cull_idle_timeout": 600,
            "cull_interval": 60,
            "cull_connected": False,
        },
    }
