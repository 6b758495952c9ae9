"""One JupyterLab for all browser tests, and a Chromium to look at it with."""

from __future__ import annotations

import importlib.util
import json
import secrets
import shutil
import signal
import socket
import subprocess
import sys
import tarfile
import time
import urllib.request
from dataclasses import dataclass
from pathlib import Path

import nbformat
import pytest

sys.path.insert(0, str(Path(__file__).parent))

CHROMIUM = Path("/usr/bin/chromium")
#: The accessibility checker, fetched with npm.
AXE = "axe-core@4"
ARGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


@dataclass
class Lab:
    """A running JupyterLab; ``folder`` is its root."""

    address: str
    token: str
    folder: Path

    def notebook(self, name: str, *cells: str) -> str:
        """Write a notebook of code cells and return its address in the browser."""
        book = nbformat.v4.new_notebook(
            cells=[nbformat.v4.new_code_cell(cell, id=f"cell-{n}") for n, cell in enumerate(cells)],
            metadata={"kernelspec": {"name": "python3", "display_name": "Python 3"}},
        )
        nbformat.write(book, self.folder / name)
        return self.page(name)

    def page(self, name: str) -> str:
        """Return the address of a notebook in the folder."""
        return f"{self.address}/lab/tree/{name}?reset&token={self.token}"

    def ask(self, path: str, method: str = "GET") -> object:
        """Ask the server's own interface."""
        request = urllib.request.Request(
            f"{self.address}/api/{path}",
            method=method,
            headers={"Authorization": f"token {self.token}"},
        )
        with urllib.request.urlopen(request, timeout=20) as answer:
            content = answer.read()
        return json.loads(content) if content else None

    def wait_for_kernel(self, name: str, since: str = "") -> None:
        """Wait until the kernel of a notebook has nothing to do, and has done something since."""
        for _ in range(300):
            for session in self.ask("sessions"):
                kernel = session["kernel"]
                idle = kernel["execution_state"] == "idle" and kernel["last_activity"] > since
                if session["path"] == name and idle:
                    return
            time.sleep(0.1)
        raise TimeoutError(f"no idle kernel for {name}")

    def stop_kernels(self) -> None:
        """Stop the kernels of all notebooks."""
        for session in self.ask("sessions"):
            self.ask(f"sessions/{session['id']}", "DELETE")


@pytest.fixture(scope="session")
def lab(tmp_path_factory):
    """A JupyterLab on a free port, with settings and data of its own."""
    from grr.lab import server_environment, write_settings

    home = tmp_path_factory.mktemp("jupyter")
    folder = tmp_path_factory.mktemp("lab")
    write_settings(home / "bench")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    token = secrets.token_hex(16)
    environment = server_environment(home / "bench", token) | {
        "JUPYTER_CONFIG_DIR": str(home / "config"),
        "JUPYTER_DATA_DIR": str(home / "data"),
        "IPYTHONDIR": str(home / "ipython"),
    }
    command = [
        *(sys.executable, "-m", "jupyterlab", "--ip=127.0.0.1", f"--port={port}"),
        *("--ServerApp.port_retries=0", "--allow-root", "--no-browser"),
        f"--ServerApp.root_dir={folder}",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
        "--ServerApp.terminals_enabled=False",
    ]
    log = (home / "log.txt").open("wb")
    server = subprocess.Popen(command, env=environment, stdout=log, stderr=log, cwd=folder)
    running = Lab(f"http://127.0.0.1:{port}", token, folder)
    try:
        _wait_until_up(running, server, home / "log.txt")
        yield running
    finally:
        server.send_signal(signal.SIGTERM)
        try:
            server.wait(timeout=15)
        except subprocess.TimeoutExpired:
            server.kill()
            server.wait()
        log.close()


def _wait_until_up(running: Lab, server: subprocess.Popen, log: Path) -> None:
    for _ in range(240):
        if server.poll() is not None:
            break
        try:
            running.ask("status")
            return
        except OSError:
            time.sleep(0.25)
    pytest.fail(f"JupyterLab did not start:\n{log.read_text(encoding='utf-8')[-3000:]}")


@pytest.fixture(scope="session")
def chromium():
    """A headless Chromium."""
    if importlib.util.find_spec("playwright") is None:
        pytest.skip("the package playwright is not installed")
    if not CHROMIUM.exists():
        pytest.skip(f"there is no {CHROMIUM}")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=str(CHROMIUM), args=ARGS)
        yield browser
        browser.close()


@pytest.fixture
def window(chromium):
    """Makes browser windows that share nothing; ``size`` is (width, height)."""
    contexts = []

    def open_window(size=(1366, 768)):
        context = chromium.new_context(viewport={"width": size[0], "height": size[1]})
        contexts.append(context)
        return context.new_page()

    yield open_window
    for context in contexts:
        context.close()


@pytest.fixture
def new_bench(lab, window):
    """Makes a study to collect and a browser window; see `Bench`."""
    from bench import Bench

    yield lambda name, size=(1366, 768), **how: Bench(lab, window(size), name, **how)
    lab.stop_kernels()


@pytest.fixture
def visit(lab, window):
    """Opens pages in one window, which asks nobody else for anything."""
    from pages import COUNTING, shown

    from grr.shipped import put_into

    put_into(lab.folder)
    (lab.folder / "chosen_study.txt").unlink(missing_ok=True)
    page = window()
    page.add_init_script(COUNTING)
    asked = []
    page.context.on("request", lambda request: asked.append(request.url))

    def open_page(path):
        separator = "&" if "?" in path else "?"
        page.goto(f"{lab.address}/{path}{separator}token={lab.token}")
        shown(page)
        return page

    yield open_page
    outside = [url for url in asked if not url.startswith((lab.address, "data:", "blob:"))]
    assert outside == []


@pytest.fixture(scope="session")
def axe(tmp_path_factory) -> str:
    """The accessibility checker's script, from npm; skips where it cannot be had."""
    npm = shutil.which("npm")
    if npm is None:
        pytest.skip("there is no npm to fetch axe-core with")
    folder = tmp_path_factory.mktemp("axe")
    try:
        subprocess.run([npm, "pack", AXE], cwd=folder, check=True, capture_output=True, timeout=60)
    except (subprocess.CalledProcessError, subprocess.TimeoutExpired):
        pytest.skip("axe-core cannot be fetched from npm")
    with tarfile.open(next(folder.glob("axe-core-*.tgz"))) as package:
        script = package.extractfile("package/axe.min.js")
        assert script is not None
        return script.read().decode("utf-8")
