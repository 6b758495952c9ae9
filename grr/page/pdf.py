"""A PDF of the report, printed by a browser that is installed already."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

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
_MIME = {".csv": "text/csv", ".toml": "application/toml", ".json": "application/json"}


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


def print_pdf(page: str, path: Path, date: str, attached: Mapping[str, str]) -> None:
    """Write a page of HTML as a PDF, dated ``date`` so that it is the same on every run.

    Parameters
    ----------
    page : str
    path : Path
    date : str
        As in 2026-03-02.
    attached : mapping
        Name of a file → its text; attached to the PDF, to be saved from it.

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
    write_bytes(path, _completed(content, date, attached))


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


def _completed(content: bytes, date: str, attached: Mapping[str, str]) -> bytes:
    """Return the PDF dated ``date``, made by grr, with files attached; always the same bytes.

    The creator of a PDF is what made the document that it was converted from; attached files
    are named in the document's tree of embedded files (ISO 32000-1, table 317 and 7.11.4).
    """
    import pikepdf

    stamp = f"D:{date.replace('-', '')}000000+00'00'"
    with pikepdf.open(io.BytesIO(content)) as pdf:
        pdf.docinfo["/Creator"] = "grr"
        for name in ("/CreationDate", "/ModDate"):
            pdf.docinfo[name] = stamp
        for name, text in attached.items():
            pdf.attachments[name] = pikepdf.AttachedFileSpec(
                pdf,
                text.encode("utf-8"),
                filename=name,
                mime_type=_MIME[Path(name).suffix],
                creation_date=stamp,
                mod_date=stamp,
            )
        _number_nodes(pdf)
        done = io.BytesIO()
        pdf.save(done, deterministic_id=True)
    return done.getvalue()


def _number_nodes(pdf: Any) -> None:
    """Give elements that tags refer to numbers in their order; the browser begins anywhere."""
    found = [place for held in pdf.objects for place in _nodes_in(held)]
    names = sorted({str(held[key]) for held, key in found})
    number = {name: f"node{at:08d}" for at, name in enumerate(names)}
    for held, key in found:
        held[key] = number[str(held[key])]


def _nodes_in(held: Any) -> Iterator[tuple[Any, Any]]:
    """Yield each place in an object of a PDF, and in what it holds itself, that names a node."""
    import pikepdf

    if isinstance(held, pikepdf.Array):
        keys: list[Any] = list(range(len(held)))
    else:
        keys = list(held.keys()) if isinstance(held, pikepdf.Dictionary) else []
    for key in keys:
        value = held[key]
        if isinstance(value, pikepdf.String) and re.fullmatch(r"node\d+", str(value)):
            yield held, key
        elif isinstance(value, (pikepdf.Array, pikepdf.Dictionary)) and not value.is_indirect:
            yield from _nodes_in(value)
