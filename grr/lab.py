"""`grr lab`: the pages, and JupyterLab on the notebooks behind them, bound to this machine."""

from __future__ import annotations

import importlib.util
import json
import os
import secrets
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from grr.model.errors import StudyError
from grr.model.rounding import counted
from grr.shipped import PutResult, put_into

FIRST_NOTEBOOK = "notebooks/0_start_here.ipynb"
#: The start page: that notebook without its code.
START_PAGE = f"voila/render/{FIRST_NOTEBOOK}"
#: How long JupyterLab may take to listen, in seconds; a cold disk needs half a minute.
PATIENCE = 120.0
#: The folder with the template of the pages, as ``JUPYTER_PATH`` wants it.
TEMPLATES = Path(__file__).parent / "page" / "jupyter"

#: What the server's Python runs: JupyterLab without the grammars of internationalised addresses,
#: which no page needs, and which take a second and a half to compile at each start.
_SERVER = """\
import sys
sys.modules["rfc3987_syntax"] = None
from jupyterlab.labapp import main
sys.exit(main())"""

Settings = dict[str, dict[str, Any]]

_MODIFIERS = ("Accel", "Ctrl", "Alt", "Cmd")


def run_lab(folder: Path, *, port: int | None = None, browser: bool = True) -> int:
    """Fill the working folder, start JupyterLab on the first notebook, and wait for it.

    The address is printed when the server listens. What JupyterLab itself would print goes
    into a file, of which the last line is shown where it stops by itself.

    Parameters
    ----------
    folder : Path
        Working folder; made where it does not exist.
    port : int, optional
        A free one by default, and where it is taken.
    browser : bool
        Whether to open a browser where there is one.

    Returns
    -------
    int
        JupyterLab's exit status.

    Raises
    ------
    StudyError
        JupyterLab is missing or does not start, the port is none, or the folder cannot be
        written.
    """
    if importlib.util.find_spec("jupyterlab") is None:
        raise StudyError(
            "JupyterLab is not installed in this Python", "Run: python -m pip install jupyterlab"
        )
    own_port = _port_to_use(port)
    folder = folder.resolve()
    put = put_into(folder)
    if port not in (None, own_port):
        print(f"Port {port} is taken by another program; port {own_port} is used.")
    token = secrets.token_hex(16)
    with tempfile.TemporaryDirectory(prefix="grr_lab_", ignore_cleanup_errors=True) as place:
        private = Path(place)
        write_settings(private)
        environment = server_environment(private, token)
        with (private / "log.txt").open("wb") as log:
            server = subprocess.Popen(
                _command(folder, own_port, browser),
                cwd=folder,  # Python looks for modules there first
                env=environment,
                stdin=subprocess.DEVNULL,
                stdout=log,
                stderr=subprocess.STDOUT,
            )
            try:
                true_port = _when_it_listens(server, private)
                address = f"http://127.0.0.1:{true_port}/{START_PAGE}?token={token}"
                print(opening_words(folder, address, put), flush=True)
                status = server.wait()
            except KeyboardInterrupt:
                print("\nJupyterLab has stopped. Nothing that was saved is lost.")
                return 0
            finally:
                server.terminate()
                server.wait()
        if status:
            print(f"JupyterLab stopped by itself: {_last_line(private)}", file=sys.stderr)
        return status


def _port_to_use(wanted: int | None) -> int:
    """Return the port asked for where it is free, else one that is."""
    if wanted is not None and not 1 <= wanted <= 65535:
        raise StudyError(
            "The port is not a number from 1 to 65535",
            "Leave --port out to get a free one",
            value=wanted,
        )
    for port in (wanted, None):
        with socket.socket() as probe:
            if os.name == "posix":  # a server of ours that has just stopped does not count
                probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            try:
                probe.bind(("127.0.0.1", port or 0))
            except OSError:  # taken, or kept for the system
                continue
            return int(probe.getsockname()[1])
    raise StudyError(
        "This machine has no free port", "Close other programs, or restart the machine"
    )


def server_environment(private: Path, token: str) -> dict[str, str]:
    """Return the environment of the server; what it notes of itself goes to ``private``.

    Its settings are those that `write_settings` put there, and its pages have our template.

    Where the folders that JupyterLab keeps for a person cannot be written, they lie there
    as well: then the layout of the pages is forgotten when it stops, and nothing else.
    """
    from jupyter_core.paths import jupyter_config_dir, jupyter_data_dir

    environment = dict(os.environ)
    path = environment.get("JUPYTER_CONFIG_PATH")
    environment["JUPYTER_CONFIG_PATH"] = os.pathsep.join(filter(None, (str(private), path)))
    path = environment.get("JUPYTER_PATH")
    environment["JUPYTER_PATH"] = os.pathsep.join(filter(None, (str(TEMPLATES), path)))
    environment["JUPYTER_TOKEN"] = token
    environment["JUPYTER_RUNTIME_DIR"] = str(private / "runtime")
    if not all(map(_writable, (jupyter_config_dir(), jupyter_data_dir()))):
        for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "IPYTHONDIR"):
            environment[name] = str(private / name.lower())
            Path(environment[name]).mkdir()
    return environment


def _writable(folder: str) -> bool:
    """Whether a folder can be made and written; asking for permissions tells little."""
    try:
        Path(folder).mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def _when_it_listens(server: subprocess.Popen[bytes], private: Path) -> int:
    """Wait until the server listens where it has noted that it will, and return the port."""
    last = time.monotonic() + PATIENCE
    while time.monotonic() < last:
        for file in (private / "runtime").glob("jpserver-*.json"):
            try:
                port = int(json.loads(file.read_text(encoding="utf-8"))["port"])
                socket.create_connection(("127.0.0.1", port), timeout=1.0).close()
            except (OSError, ValueError, KeyError):
                continue  # the note is being written, or it does not listen yet
            return port
        if server.poll() is not None:
            raise StudyError(
                f"JupyterLab did not start: {_last_line(private)}",
                "Start it once more; if it stays so, install it anew: "
                "python -m pip install --force-reinstall jupyterlab",
            )
        time.sleep(0.05)
    raise StudyError(
        f"JupyterLab did not start within {PATIENCE:.0f} seconds: {_last_line(private)}",
        "Close other programs and start it once more",
    )


def _last_line(private: Path) -> str:
    lines = (private / "log.txt").read_text(encoding="utf-8", errors="replace").split("\n")
    return next((line.strip()[:200] for line in reversed(lines) if line.strip()), "without a word")


def _command(folder: Path, port: int, browser: bool) -> list[str]:
    command = [
        sys.executable,
        "-c",
        _SERVER,
        "--ip=127.0.0.1",
        f"--port={port}",
        "--ServerApp.port_retries=0",
        f"--ServerApp.root_dir={folder}",
        f"--LabApp.default_url=/{START_PAGE}",
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
        "2. Make a study there, or go on with one; each page says what is next.",
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


def write_settings(folder: Path) -> None:
    """Write the settings into a folder that is to be put on ``JUPYTER_CONFIG_PATH``."""
    from grr.page.serving import page_settings, server_settings

    (folder / "labconfig").mkdir(parents=True, exist_ok=True)
    for name, text in (
        ("labconfig/default_setting_overrides.json", json.dumps(bench_settings(), indent=1)),
        ("jupyter_server_config.json", json.dumps(server_settings(), indent=1)),
        ("voila.py", page_settings()),
    ):
        (folder / name).write_text(text, encoding="utf-8", newline="\n")


def bench_settings() -> Settings:
    """Return JupyterLab's settings as ``default_setting_overrides.json`` holds them.

    Nothing asks for the network or puts a question over the page, and a key pressed alone
    is no command of the notebook.
    """
    return {
        "@jupyterlab/apputils-extension:notification": {
            "fetchNews": "false",
            "checkForUpdates": False,
        },
        # A form stays silent after a restart of the kernel where its messages go by subshells.
        "@jupyterlab/apputils-extension:kernels-settings": {"commsOverSubshells": "disabled"},
        "@jupyterlab/shortcuts-extension:shortcuts": {"shortcuts": _switched_off()},
    }


def _switched_off() -> list[dict[str, Any]]:
    """Return every shortcut of the installed JupyterLab that a gauge could type, disabled."""
    return [
        {
            "command": shortcut["command"],
            "keys": shortcut["keys"],
            "selector": shortcut["selector"],
            "disabled": True,
        }
        for shortcut in _shortcuts()
        if _outside_text(shortcut.get("selector", ""))
        and shortcut.get("keys")
        and all(_key_of_a_gauge(key) for key in shortcut["keys"])
    ]


def _outside_text(selector: str) -> bool:
    """Whether a shortcut works while nothing that takes text has the keyboard."""
    return ".jp-mod-commandMode" in selector or ":not(:read-write)" in selector


def _key_of_a_gauge(key: str) -> bool:
    """Whether a key is one that a gauge may send: a character, or Enter, without Ctrl or Alt."""
    *modifiers, last = key.split() or [""]
    if any(modifier in _MODIFIERS for modifier in modifiers):
        return False
    return len(last) == 1 or (last == "Enter" and not modifiers)


def _schemas() -> Path:
    """Return where JupyterLab's schemas lie; asking JupyterLab itself takes a second or two."""
    usual = os.environ.get("JUPYTERLAB_DIR") or Path(sys.prefix, "share", "jupyter", "lab")
    schemas = Path(usual, "schemas")
    if schemas.is_dir():
        return schemas
    from jupyterlab.commands import get_app_dir

    return Path(get_app_dir(), "schemas")


def _shortcuts() -> list[dict[str, Any]]:
    """Return the shortcuts that the installed JupyterLab declares."""
    found: list[dict[str, Any]] = []
    for file in sorted(_schemas().rglob("*.json")):
        schema = json.loads(file.read_text(encoding="utf-8"))
        if isinstance(schema, dict):
            found += schema.get("jupyter.lab.shortcuts", [])
    return found
