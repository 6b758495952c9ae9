"""A PDF of the report, printed by a browser that is installed already."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from functools import partial
from pathlib import Path

from grr.files.disk import not_written, write_bytes
from grr.model.errors import StudyError

_NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
_WINDOWS = (
    r"Google\Chrome\Application\chrome.exe",
    r"Chromium\Application\chrome.exe",
    r"Microsoft\Edge\Application\msedge.exe",
)
_MAC = (
    "Google Chrome.app/Contents/MacOS/Google Chrome",
    "Chromium.app/Contents/MacOS/Chromium",
    "Microsoft Edge.app/Contents/MacOS/Microsoft Edge",
)
_SECONDS = 60


def find_browser() -> str | None:
    """Return the path of an installed Chromium, Chrome or Edge; None where there is none."""
    for name in _NAMES:
        found = shutil.which(name)
        if found:
            return found
    places: list[Path] = []
    if sys.platform == "win32":
        roots = [os.environ.get(n) for n in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA")]
        places = [Path(root) / name for root in roots if root for name in _WINDOWS]
    elif sys.platform == "darwin":
        places = [Path("/Applications") / name for name in _MAC]
    return next((str(path) for path in places if path.exists()), None)


def print_pdf(page: str, path: Path, date: str) -> None:
    """Write a page of HTML as a PDF, dated ``date`` so that it is the same on every run.

    Raises
    ------
    StudyError
        No browser is installed, or it printed nothing.
    """
    browser = find_browser()
    if browser is None:
        raise StudyError(
            "A PDF needs an installed Chromium, Chrome or Edge, and none was found",
            "Install one, or write the report as .html and print it from any browser",
            file=path,
        )
    try:
        content = _printed(browser, page, path)
    except OSError as error:  # the disk for temporary files is full, say
        raise not_written(error, path) from error
    write_bytes(path, _dated(content, date))


def _printed(browser: str, page: str, path: Path) -> bytes:
    with tempfile.TemporaryDirectory(prefix="grr_pdf_", ignore_cleanup_errors=True) as folder:
        source, target = Path(folder) / "report.html", Path(folder) / "report.pdf"
        source.write_text(page, encoding="utf-8")
        command = [
            browser,
            "--headless",
            "--disable-gpu",
            "--no-first-run",
            "--disable-background-networking",
            f"--user-data-dir={Path(folder) / 'profile'}",
            "--no-pdf-header-footer",
            "--generate-pdf-document-outline",
            f"--print-to-pdf={target}",
            source.as_uri(),
        ]
        if hasattr(os, "geteuid") and os.geteuid() == 0:
            command.insert(1, "--no-sandbox")
        try:
            done = subprocess.run(command, capture_output=True, timeout=_SECONDS, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise _not_printed(browser, path, str(error)) from error
        if not target.exists():
            raise _not_printed(browser, path, done.stderr.decode("utf-8", "replace")[-200:])
        return target.read_bytes()


def _not_printed(browser: str, path: Path, why: str) -> StudyError:
    return StudyError(
        f"{Path(browser).name} printed no PDF: {' '.join(why.split())}",
        "Write the report as .html and print it from a browser",
        file=path,
    )


def _dated(content: bytes, date: str) -> bytes:
    """Return the PDF dated ``date`` and with grr as its creator, nothing moved by a byte.

    The creator of a PDF is what made the document that it was converted from
    (ISO 32000-1, table 317).
    """
    stamp = f"D:{date.replace('-', '')}000000+00'00'".encode()
    for names, new in ((b"CreationDate|ModDate", stamp), (b"Creator", b"grr")):
        text = rb"(/(?:%s) \()((?:\\.|[^\\)])*)\)" % names
        content = re.sub(text, partial(_in_its_room, new), content)
    return content


def _in_its_room(new: bytes, match: re.Match[bytes]) -> bytes:
    """Return what was matched with another text in it, as long as the old one."""
    room = len(match[2])
    return match[1] + new[:room].ljust(room, b" ") + b")"
