"""The notebooks and demo studies that come with the package."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from grr.files.allowed_files import WORKING_FOLDER_MARK
from grr.files.disk import write_bytes, write_whole
from grr.model.errors import StudyError

_FOLDERS = ("notebooks", "demo_data")
_LEFT_OUT = {".ipynb_checkpoints", "__pycache__"}


def shipped_folder(name: str) -> Path:
    """Return where the shipped ``notebooks`` or ``demo_data`` are: the wheel, or the checkout."""
    package = Path(__file__).parent
    installed = package / f"_{name}"
    return installed if installed.is_dir() else package.parent / name


@dataclass(frozen=True)
class PutResult:
    """What `put_into` did: file names relative to the working folder."""

    added: tuple[str, ...]
    renewed: tuple[str, ...]
    kept: tuple[str, ...]


def put_into(folder: Path) -> PutResult:
    """Copy notebooks and demo studies into a working folder, keeping what a person changed.

    A file that is not there is added. One that is still as it was put there is renewed
    when the package brings another; one that a person changed is kept. Notebooks come
    without outputs, so that what is shown was computed there; running one is no change.

    Raises
    ------
    StudyError
        The folder cannot be written.
    """
    manifest_file = folder / WORKING_FOLDER_MARK
    added, renewed, kept = [], [], []
    try:
        folder.mkdir(parents=True, exist_ok=True)
        known = _read_manifest(manifest_file)
        for name, source in _files():
            target = folder / name
            new = _digest(source)
            if not target.exists():
                added.append(name)
            elif _digest(target) == new:
                known[name] = new
                continue
            elif known.get(name) in (_digest(target), _digest_of_all(target)):
                renewed.append(name)
            else:
                kept.append(name)
                continue
            target.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(target, _without_outputs(source))
            known[name] = new
        (folder / "studies").mkdir(exist_ok=True)
        write_whole(manifest_file, json.dumps(known, indent=1, sort_keys=True))
    except OSError as error:
        raise StudyError(
            f"The working folder cannot be written: {error.strerror or error}",
            "Name a folder in which you may write: grr lab FOLDER",
            file=folder,
        ) from error
    return PutResult(tuple(added), tuple(renewed), tuple(kept))


def _files() -> list[tuple[str, Path]]:
    found = []
    for name in _FOLDERS:
        top = shipped_folder(name)
        for path in sorted(top.rglob("*")):
            inside = path.relative_to(top)
            hidden = any(part.startswith(".") for part in inside.parts)
            wanted = path.is_file() and path.suffix != ".py" and not hidden
            if wanted and not _LEFT_OUT.intersection(inside.parts):
                found.append((f"{name}/{inside.as_posix()}", path))
    return found


def _read_manifest(path: Path) -> dict[str, str]:
    if not path.exists():
        return {}
    try:
        content = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return {}
    return dict(content) if isinstance(content, dict) else {}


def _without_outputs(path: Path) -> bytes:
    """Return what a working folder gets of a file: of a notebook all but what its cells showed."""
    book = _notebook(path)
    if book is None:
        return path.read_bytes()
    for cell in book["cells"]:
        if cell["cell_type"] == "code":
            cell |= {"outputs": [], "execution_count": None}
    return (json.dumps(book, indent=1, ensure_ascii=False) + "\n").encode()


def _digest(path: Path) -> str:
    """Return the fingerprint of a file; of a notebook, that of what its cells say."""
    book = _notebook(path)
    if book is None:
        return _digest_of_all(path)
    cells = [
        (cell["cell_type"], "".join(cell["source"]), cell.get("metadata", {}).get("tags", []))
        for cell in book["cells"]
    ]
    return hashlib.sha256(json.dumps(cells).encode()).hexdigest()


def _digest_of_all(path: Path) -> str:
    """Return the fingerprint of a whole file, by which earlier versions noted notebooks too."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def _notebook(path: Path) -> dict[str, Any] | None:
    """Return a notebook as it is stored; None for any other file, and for a broken one."""
    if path.suffix != ".ipynb":
        return None
    try:
        book = json.loads(path.read_text(encoding="utf-8"))
        whole = all({"cell_type", "source"} <= cell.keys() for cell in book["cells"])
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return None
    return dict(book) if whole else None
