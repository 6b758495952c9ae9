"""The server's kernels: one waits with the package loaded, so that a page is up at once."""

from __future__ import annotations

import asyncio
import contextlib
import time
from queue import Empty
from typing import Any

from jupyter_client.asynchronous.client import AsyncKernelClient
from jupyter_server.services.kernels.kernelmanager import AsyncMappingKernelManager
from tornado.ioloop import IOLoop

#: The kernels that show an error as a card, see `grr.page.error_cards`.
OURS = (None, "", "python3")
_CARDS = ["--IPKernelApp.extra_extensions=grr.page.error_cards"]
#: What every page needs, loaded before somebody asks for it.
_WARMING = "import grr.page.screens, grr.page.frame"
#: What forms need besides, and one frame that nobody sees: the first takes a tenth of a second.
_FULLY = (
    "import grr.entry.study_form, grr.entry.widget, grr.page.more_pages\n"
    "grr.page.frame.frame_html('', '', None)"
)
#: So many seconds the next kernel waits: the page that is being opened comes first.
BEHIND = 0.5


class QuickClient(AsyncKernelClient):
    """A client that is ready as soon as it hears an answer of its own.

    The general one listens for stragglers besides, a fifth of a second each time.
    """

    async def wait_for_ready(self, timeout: float | None = None) -> None:
        """Return when the kernel answers and what it sends is heard."""
        last = time.monotonic() + (timeout or 60.0)
        asked = set()
        while time.monotonic() < last and await self.is_alive():
            asked.add(self.kernel_info())
            with contextlib.suppress(Empty):  # not connected yet, or busy
                while True:
                    heard = await self.get_iopub_msg(timeout=0.05)
                    if heard["parent_header"].get("msg_id") in asked:
                        return
        raise RuntimeError("the kernel does not answer")


class WarmKernels(AsyncMappingKernelManager):  # type: ignore[misc]  # partly untyped
    """The server's kernels, and one more that waits with the package loaded for the next page.

    A page gets the one that waits, with its folder and its environment; then another is
    started. A notebook in JupyterLab gets a kernel of its own, as ever.
    """

    def __init__(self, **options: Any) -> None:
        super().__init__(**options)
        self._waiting: asyncio.Task[str] | None = None
        self._waiting_id = ""
        IOLoop.current().add_callback(self._warm_one, "notebooks", 0.0, _WARMING)

    def _warm_one(self, path: str, seconds: float, code: str) -> None:
        self._waiting = asyncio.ensure_future(self._warmed(path, seconds, code))

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
        self._warm_one(options["path"], BEHIND, f"{_WARMING}\n{_FULLY}")
        return str(found)

    async def _warmed(self, path: str, seconds: float, code: str) -> str:
        await asyncio.sleep(seconds)
        found = str(await super().start_kernel(path=path, extra_arguments=_CARDS))
        self._waiting_id = found
        await self._told(found, code)
        return found

    async def _told(self, kernel_id: str, code: str) -> None:
        """Run a line in a kernel, and wait until it has run."""
        kernel = self.get_kernel(kernel_id)
        kernel.client_factory = QuickClient
        client = kernel.client()
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
