"""`grr lab`: JupyterLab on the guided notebooks, bound to this machine."""

from __future__ import annotations

import importlib.util
import os
import secrets
import socket
import subprocess
import sys
import tempfile
from pathlib import Path

from grr.lab_settings import write_settings
from grr.model.errors import StudyError
from grr.model.rounding import counted
from grr.shipped import PutResult, put_into

FIRST_NOTEBOOK = "notebooks/0_start_here.ipynb"


def run_lab(folder: Path, *, port: int | None = None, browser: bool = True) -> int:
    """Fill the working folder, start JupyterLab on the first notebook, and wait for it.

    Parameters
    ----------
    folder : Path
        Working folder; made where it does not exist.
    port : int, optional
        A free one by default.
    browser : bool
        Whether to open a browser where there is one.

    Returns
    -------
    int
        JupyterLab's exit status.

    Raises
    ------
    StudyError
        JupyterLab is missing, or the folder cannot be written.
    """
    if importlib.util.find_spec("jupyterlab") is None:
        raise StudyError(
            "JupyterLab is not installed in this Python", "Run: python -m pip install jupyterlab"
        )
    folder = folder.resolve()
    put = put_into(folder)
    _trust_notebooks([folder / name for name in (*put.added, *put.renewed)])
    port = port or _free_port()
    token = secrets.token_hex(16)
    address = f"http://127.0.0.1:{port}/lab/tree/{FIRST_NOTEBOOK}?token={token}"
    with tempfile.TemporaryDirectory(prefix="grr_lab_") as settings:
        write_settings(Path(settings))
        environment = dict(os.environ)
        path = environment.get("JUPYTER_CONFIG_PATH")
        environment["JUPYTER_CONFIG_PATH"] = os.pathsep.join(filter(None, (settings, path)))
        environment["JUPYTER_TOKEN"] = token
        print(opening_words(folder, address, put), flush=True)
        server = subprocess.Popen(_command(folder, port, browser), env=environment)
        try:
            return server.wait()
        except KeyboardInterrupt:
            server.terminate()
            server.wait()
            print("\nJupyterLab has stopped. Nothing that was saved is lost.")
            return 0


def _command(folder: Path, port: int, browser: bool) -> list[str]:
    command = [
        sys.executable,
        "-m",
        "jupyterlab",
        "--ip=127.0.0.1",
        f"--port={port}",
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={folder}",
        f"--LabApp.default_url=/lab/tree/{FIRST_NOTEBOOK}",
        "--LabApp.news_url=None",
        "--LabApp.check_for_updates_class=jupyterlab.handlers.announcements.NeverCheckForUpdate",
        "--ServerApp.terminals_enabled=False",
        "--LabApp.extension_manager=readonly",
        "--log-level=ERROR",
    ]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        command.append("--allow-root")
    if not browser or not _has_browser():
        command.append("--no-browser")
    return command


def opening_words(folder: Path, address: str, put: PutResult) -> str:
    """Return what the terminal says: the address, and what to do next."""
    lines = [f"Working folder: {folder}"]
    if put.kept:
        lines.append(
            f"Kept as you changed them: {counted(len(put.kept), 'file')} "
            "(delete one to get the shipped one back)."
        )
    lines += [
        "",
        "1. Open this address in a browser on this machine:",
        f"   {address}",
        "2. Work through the notebook that opens; run each cell with Shift+Enter.",
        "3. To stop, press Ctrl+C here. Your readings stay in the working folder.",
    ]
    return "\n".join(lines)


def _has_browser() -> bool:
    import webbrowser

    try:
        webbrowser.get()
    except webbrowser.Error:
        return False
    return sys.platform in {"win32", "darwin"} or bool(
        os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def _trust_notebooks(files: list[Path]) -> None:
    """Sign notebooks as they were put here, so that their stored pictures are shown."""
    import nbformat
    from nbformat.sign import NotebookNotary

    notary = NotebookNotary()  # type: ignore[no-untyped-call]
    for path in files:
        if path.suffix != ".ipynb":
            continue
        try:
            notebook = nbformat.read(path, as_version=4)  # type: ignore[no-untyped-call]
            notary.sign(notebook)  # type: ignore[no-untyped-call]
        except (OSError, ValueError) as error:
            print(f"{path.name} could not be marked as trusted: {error}", file=sys.stderr)
