"""``grr lab`` starts pages and JupyterLab on this machine only, with its token."""

from __future__ import annotations

import contextlib
import http.client
import json
import os
import re
import signal
import socket
import subprocess
import sys
import urllib.parse
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from grr.cli import main
from grr.lab import FIRST_NOTEBOOK, START_PAGE, bench_settings, opening_words, write_settings
from grr.shipped import PutResult


def test_opening_words_say_what_to_do_in_three_steps() -> None:
    words = opening_words(Path("/work"), "http://127.0.0.1:1/lab", PutResult((), (), ("a",)))
    assert [line[:2] for line in words.splitlines() if line[:1].isdigit()] == ["1.", "2.", "3."]
    assert "http://127.0.0.1:1/lab" in words
    assert "1 file" in words


@contextlib.contextmanager
def lab(place: Path, *options: str, home: Path | None = None) -> Iterator[list[str]]:
    """Run ``grr lab`` in a folder; give the lines that it prints up to the address."""
    environment = dict(os.environ)
    if home is None:
        environment["JUPYTER_CONFIG_DIR"] = str(place / "config")
        environment["JUPYTER_DATA_DIR"] = str(place / "data")
    else:
        for name in ("JUPYTER_CONFIG_DIR", "JUPYTER_DATA_DIR", "XDG_CONFIG_HOME"):
            environment.pop(name, None)
        environment |= dict.fromkeys(("HOME", "USERPROFILE", "APPDATA"), str(home))
    command = [sys.executable, "-m", "grr.cli", "lab", str(place / "work folder"), "--no-browser"]
    with (place / "errors.txt").open("w", encoding="utf-8") as errors:
        server = subprocess.Popen(
            [*command, *options],
            stdout=subprocess.PIPE,
            stderr=errors,
            text=True,
            encoding="utf-8",
            env=environment,
        )
    try:
        assert server.stdout is not None
        lines = []
        for line in server.stdout:
            lines.append(line)
            if "http://" in line:
                break
        yield lines
    finally:
        server.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(30)
        server.kill()
        server.wait()
        if server.stdout is not None:
            server.stdout.close()


def ask(address: str, path: str) -> int:
    """Return the status of one request, made once: whoever is told an address may use it."""
    connection = http.client.HTTPConnection(urllib.parse.urlsplit(address).netloc, timeout=30)
    try:
        connection.request("GET", path)
        return connection.getresponse().status
    finally:
        connection.close()


def address_in(lines: list[str]) -> str:
    return re.findall(r"http://\S+", "".join(lines))[-1]


by_signal = pytest.mark.skipif(sys.platform == "win32", reason="stops the server by a signal")


@by_signal
def test_the_address_is_printed_when_the_server_listens(tmp_path: Path) -> None:
    with lab(tmp_path) as lines:
        address = address_in(lines)
        assert address.startswith("http://127.0.0.1:")
        assert f"/{START_PAGE}?" in address
        token = address.split("token=")[1]
        assert len(token) == 32
        assert ask(address, f"/api/contents/{FIRST_NOTEBOOK}?token={token}") == 200
        assert ask(address, "/api/contents") == 403
        assert ask(address, f"/{START_PAGE}") in (302, 403)
        work = tmp_path / "work folder"
        assert (work / FIRST_NOTEBOOK).exists()
        assert (work / "demo_data" / "dowel_pin" / "study.toml").exists()
    assert (tmp_path / "errors.txt").read_text(encoding="utf-8") == ""


@by_signal
def test_a_taken_port_and_a_home_that_cannot_be_written(tmp_path: Path) -> None:
    home = tmp_path / "no folder"
    home.write_text("in the place of a home folder", encoding="utf-8")
    with socket.create_server(("127.0.0.1", 0)) as other:
        taken = other.getsockname()[1]
        with lab(tmp_path, "--port", str(taken), home=home) as lines:
            assert lines[0].startswith(f"Port {taken} ")
            address = address_in(lines)
            assert f":{taken}/" not in address
            token = address.split("token=")[1]
            assert ask(address, f"/api/contents/{FIRST_NOTEBOOK}?token={token}") == 200
    assert (tmp_path / "errors.txt").read_text(encoding="utf-8") == ""


@pytest.mark.parametrize("port", ["0", "-1", "65536", "99999"])
def test_a_port_that_is_none(tmp_path: Path, capsys: pytest.CaptureFixture[str], port: str) -> None:
    assert main(["lab", str(tmp_path / "work"), f"--port={port}"]) == 2
    assert "65535" in capsys.readouterr().err
    assert not (tmp_path / "work").exists()


def test_a_server_that_does_not_start_is_told_in_one_sentence(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("JUPYTER_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "data"))
    failing = [sys.executable, "-c", "raise SystemExit('no kernel was found')"]
    monkeypatch.setattr("grr.lab._command", lambda *_: failing)
    assert main(["lab", str(tmp_path / "work")]) == 2
    message = capsys.readouterr().err
    assert "no kernel was found" in message
    assert message.count("\n") == 1


def switched_off() -> list[dict[str, Any]]:
    return list(bench_settings()["@jupyterlab/shortcuts-extension:shortcuts"]["shortcuts"])


def test_no_key_of_a_gauge_is_a_command_of_the_notebook() -> None:
    off = {(shortcut["command"], *shortcut["keys"]) for shortcut in switched_off()}
    assert ("kernelmenu:restart", "0", "0") in off
    assert ("kernelmenu:interrupt", "I", "I") in off
    assert ("notebook:delete-cell", "D", "D") in off
    assert ("notebook:enter-edit-mode", "Enter") in off
    assert {("notebook:change-cell-to-heading-1", "1"), ("notebook:cut-cell", "X")} <= off


def test_what_needs_ctrl_or_moves_about_stays() -> None:
    keys = {key for shortcut in switched_off() for key in shortcut["keys"]}
    assert not any("Accel" in key or "Ctrl" in key or "Arrow" in key for key in keys)
    assert "Shift Enter" not in keys
    assert "Escape" not in keys
    assert all(shortcut["disabled"] for shortcut in switched_off())


def test_nothing_asks_for_the_network(tmp_path: Path) -> None:
    write_settings(tmp_path)
    text = (tmp_path / "labconfig" / "default_setting_overrides.json").read_text(encoding="utf-8")
    assert json.loads(text)["@jupyterlab/apputils-extension:notification"] == {
        "fetchNews": "false",
        "checkForUpdates": False,
    }


def test_messages_of_a_form_take_no_subshell() -> None:
    settings = bench_settings()["@jupyterlab/apputils-extension:kernels-settings"]
    assert settings == {"commsOverSubshells": "disabled"}
