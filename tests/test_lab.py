"""``grr lab`` starts JupyterLab on this machine only, with its token, on the first notebook."""

from __future__ import annotations

import contextlib
import http.client
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from grr.lab import FIRST_NOTEBOOK, opening_words
from grr.shipped import PutResult


def test_opening_words_say_what_to_do_in_three_steps() -> None:
    words = opening_words(Path("/work"), "http://127.0.0.1:1/lab", PutResult((), (), ("a",)))
    assert [line[:2] for line in words.splitlines() if line[:1].isdigit()] == ["1.", "2.", "3."]
    assert "http://127.0.0.1:1/lab" in words
    assert "Kept as you changed them: 1 file" in words


@pytest.fixture
def running(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[Path, str]]:
    monkeypatch.setenv("JUPYTER_CONFIG_DIR", str(tmp_path / "config"))
    monkeypatch.setenv("JUPYTER_DATA_DIR", str(tmp_path / "data"))
    work = tmp_path / "work folder"
    command = [sys.executable, "-m", "grr.cli", "lab", str(work), "--no-browser"]
    server = subprocess.Popen(command, stdout=subprocess.PIPE, text=True, encoding="utf-8")
    try:
        assert server.stdout is not None
        for line in server.stdout:
            found = re.search(r"http://\S+", line)
            if found:
                yield work, found.group()
                break
    finally:
        server.send_signal(signal.SIGINT)
        with contextlib.suppress(subprocess.TimeoutExpired):
            server.wait(20)
        server.kill()
        server.wait()
        if server.stdout is not None:
            server.stdout.close()


def ask(address: str, path: str) -> int:
    host = re.sub(r"^http://([^/]+)/.*$", r"\1", address)
    for _ in range(120):
        connection = http.client.HTTPConnection(host, timeout=10)
        try:
            connection.request("GET", path)
            return connection.getresponse().status
        except ConnectionRefusedError:
            time.sleep(0.5)
        finally:
            connection.close()
    raise AssertionError("JupyterLab did not start within a minute")


@pytest.mark.skipif(sys.platform == "win32", reason="stops the server by a signal")
def test_it_runs(running: tuple[Path, str]) -> None:
    work, address = running
    assert address.startswith("http://127.0.0.1:")
    assert f"/lab/tree/{FIRST_NOTEBOOK}" in address
    token = address.split("token=")[1]
    assert len(token) == 32
    assert ask(address, f"/api/contents/{FIRST_NOTEBOOK}?token={token}") == 200
    assert ask(address, "/api/contents") == 403
    assert (work / FIRST_NOTEBOOK).exists()
    assert (work / "demo_data" / "dowel_pin" / "study.toml").exists()
