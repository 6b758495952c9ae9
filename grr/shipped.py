"""The notebooks and demo studies that come with the package."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

from grr.files.chosen import WORKING_FOLDER_MARK
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
    when the package brings another; one that a person changed is kept.

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
            elif _digest(target) == known.get(name):
                renewed.append(name)
            else:
                kept.append(name)
                continue
            target.parent.mkdir(parents=True, exist_ok=True)
            write_bytes(target, source.read_bytes())
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


def _digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()
