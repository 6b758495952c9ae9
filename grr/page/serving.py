"""How the notebooks become pages: one warm kernel, the cells of one step, no outside request.

`grr lab` names these in the settings of the server that it starts. A page is a notebook that
Voilà renders: code hidden, cells run on opening.
"""

from __future__ import annotations

import asyncio
from pathlib import Path
from typing import Any

from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from tornado.ioloop import IOLoop

#: The name of the template in ``jupyter/voila/templates``.
TEMPLATE = "grr"
#: The kernels that show an error as a card, see `grr.page.error_cards`.
OURS = (None, "", "python3")
#: What a page loads besides Voilà itself: forms and figures.
_FRONT_ENDS = [
    "@jupyter-widgets/jupyterlab-manager",
    "@voila-dashboards/widgets-manager8",
    "anywidget",
    "jupyterlab-plotly",
]
_CARDS = ["--IPKernelApp.extra_extensions=grr.page.error_cards"]
#: What a page needs anyway, loaded before somebody asks for it.
_WARMING = "import grr.page.screens, grr.page.frame"


class WarmKernels(AsyncMappingKernelManager):  # type: ignore[misc]  # partly untyped
    """The server's kernels, and one more that waits with the package loaded for the next page.

    A page gets the one that waits, with its folder and its environment; then another is
    started. A notebook in JupyterLab gets a kernel of its own, as ever.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._waiting: asyncio.Task[str] | None = None
        self._waiting_id = ""
        IOLoop.current().add_callback(self._warm_one, "notebooks")

    def _warm_one(self, path: str) -> None:
        self._waiting = asyncio.ensure_future(self._warmed(path))

    async def start_kernel(self, **options: Any) -> str:
        """Return the id of a kernel; for a page, of the one that waited."""
        environment = options.get("env") or {}
        for_page = str(environment.get("SERVER_SOFTWARE", "")).startswith("voila/")
        if options.get("kernel_name") in OURS:
            options.setdefault("extra_arguments", _CARDS)
        if not for_page:
            return str(await super().start_kernel(**options))
        waiting, self._waiting = self._waiting, None
        try:
            found = await waiting if waiting else await super().start_kernel(**options)
            if waiting:
                await self._told(found, _moving(self.cwd_for_path(options["path"]), environment))
        except Exception:  # it died while it waited
            found = await super().start_kernel(**options)
        self._waiting_id = ""
        self._warm_one(options["path"])
        return str(found)

    async def _warmed(self, path: str) -> str:
        await asyncio.sleep(0.5)  # the page that is being opened comes first
        found = str(await super().start_kernel(path=path, extra_arguments=_CARDS))
        self._waiting_id = found
        await self._told(found, _WARMING)
        return found

    async def _told(self, kernel_id: str, code: str) -> None:
        """Run a line in a kernel, and wait until it has run."""
        client = self.get_kernel(kernel_id).client()
        client.start_channels()
        try:
            await client.wait_for_ready(timeout=60)
            reply = await client.execute(code, silent=True, reply=True, timeout=60)
            if reply["content"]["status"] != "ok":
                raise RuntimeError(f"a kernel could not be prepared: {reply['content']}")
        finally:
            client.stop_channels()

    async def cull_kernel_if_idle(self, kernel_id: str) -> None:
        """End a kernel that nobody looks at any longer, but not the one that waits."""
        if kernel_id != self._waiting_id:
            await super().cull_kernel_if_idle(kernel_id)


def _moving(folder: str, environment: dict[str, str]) -> str:
    plain = {str(name): str(value) for name, value in environment.items()}
    return f"import os\nos.chdir({folder!r})\nos.environ.update({plain!r})"


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
            "jpserver_extensions": {"voila.server_extension": True},
            "kernel_manager_class": "grr.page.serving.WarmKernels",
        },
        "MappingKernelManager": {
            "cull_idle_timeout": 600,
            "cull_interval": 60,
            "cull_connected": False,
        },
    }
