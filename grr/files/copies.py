"""Copies of a study: those that other programs leave beside the record, and one made on purpose.

A folder that is synchronised between two machines keeps both versions of a file that both have
changed, the second under a name such as ``readings-BENCH2.csv``. Its readings are in nobody's
study until someone looks.
"""

from __future__ import annotations

import hashlib
import io
import zipfile
from dataclasses import dataclass
from pathlib import Path

from grr.files.allowed_files import target_file
from grr.files.contradictions import KEPT
from grr.files.disk import LOCK, write_bytes, writing
from grr.files.journal import is_journal_file, read_journal
from grr.files.study_file import STUDY_FILE
from grr.model.errors import StudyError
from grr.model.record import StrayFile
from grr.model.values import a_path

_ENDINGS = (".csv", ".txt", ".tsv", ".xlsx", ".xlsm", ".zip")
_OWN = ("readings.csv", "events.csv", STUDY_FILE, "readings.xlsx")


def stray_files(folder: Path) -> tuple[StrayFile, ...]:
    """Return what may be other copies of a study's files beside them, by name."""
    try:
        names = sorted(path.name for path in folder.iterdir() if path.is_file())
    except OSError:
        return ()
    strays = [name for name in names if _is_stray(name)]
    return tuple(StrayFile(name, _readings_only_in(folder / name, folder)) for name in strays)


def _is_stray(name: str) -> bool:
    """Whether a name is that of one of the study's files with something added.

    ``readings-BENCH2.csv``, ``readings (1).csv``, ``events_conflict.csv``, ``study 2.toml``.
    """
    small = name.lower()
    return small not in _OWN and any(
        small.startswith(own.partition(".")[0]) and small.endswith(f".{own.partition('.')[2]}")
        for own in _OWN
    )


def _readings_only_in(copy: Path, folder: Path) -> int | None:
    """Return how many readings a copy of the record holds that the record does not."""
    record = folder / "readings.csv"
    own = [folder / name for name in _OWN]
    try:
        if copy.read_bytes() in [file.read_bytes() for file in own if file.is_file()]:
            return 0
        if not is_journal_file(copy) or not is_journal_file(record):
            return None
        there, here = read_journal(copy), read_journal(record)
    except (OSError, StudyError):
        return None
    return int((there["reading"].notna() & ~there["hash"].isin(here["hash"])).sum())


@dataclass(frozen=True)
class KeptFile:
    """A file whose readings were taken: its name in the study's folder, and its hash."""

    name: str
    sha256: str


def keep_file(folder: Path, name: str, content: bytes) -> KeptFile:
    """Keep a file whose readings a study takes, under a name that its content gives.

    Raises
    ------
    StudyError
        It could not be written.
    """
    sha256 = hashlib.sha256(content).hexdigest()
    ending = Path(name).suffix.lower()
    kept = f"{KEPT}{sha256[:12]}{ending if ending in _ENDINGS else ''}"
    write_bytes(folder / kept, content)
    return KeptFile(kept, sha256)


def backup(
    folder: str | Path, target: str | Path | None = None, *, overwrite: bool = False
) -> Path:
    """Write everything in a study folder into one zip archive, and read it back to compare.

    Parameters
    ----------
    folder : str or path
    target : str or path, optional
        Ends in .zip; the folder's name with it, beside the folder, by default.
    overwrite : bool
        Whether a file that is there may be replaced.

    Returns
    -------
    Path
        The archive; the same contents give the same bytes.

    Raises
    ------
    StudyError
        The folder is no study, the archive is there already or lies in the folder, or what was
        read back is not what the folder holds.
    """
    folder = a_path(folder)
    if not (folder / STUDY_FILE).is_file():
        raise StudyError(
            "This is no study folder: it holds no study.toml", "Name a study folder", file=folder
        )
    beside = folder.resolve()
    archive = beside.with_name(f"{beside.name}.zip") if target is None else a_path(target)
    archive = target_file(archive, ".zip", overwrite=overwrite)
    if beside in archive.resolve().parents:
        raise StudyError(
            "The backup would lie in the folder that it backs up",
            "Name a place outside, on another disk if you can",
            file=archive,
        )
    with writing(folder):  # no reading is written meanwhile
        contents = contents_of(folder)
    write_bytes(archive, zipped(contents))
    _compare(archive, contents)
    return archive


def contents_of(folder: Path) -> dict[str, bytes]:
    """Return every file in a study folder, its name from there → its bytes.

    Raises
    ------
    StudyError
        One of them cannot be read.
    """
    try:
        return {
            path.relative_to(folder).as_posix(): path.read_bytes()
            for path in sorted(folder.rglob("*"))
            if path.is_file() and path.name != LOCK and not path.name.startswith(".collecting.")
        }
    except OSError as error:
        raise StudyError(
            f"A file of the study cannot be read: {error.strerror or error}",
            "Close it in other programs and do it again",
            file=folder,
        ) from error


def zipped(contents: dict[str, bytes]) -> bytes:
    """Return an archive; the same contents give the same bytes."""
    buffer = io.BytesIO()
    with zipfile.ZipFile(buffer, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, content in contents.items():
            entry = zipfile.ZipInfo(name, (1980, 1, 1, 0, 0, 0))
            entry.external_attr = 0o644 << 16
            archive.writestr(entry, content, zipfile.ZIP_DEFLATED)
    return buffer.getvalue()


def _compare(archive: Path, contents: dict[str, bytes]) -> None:
    """Refuse an archive that does not give back, from the disk, what was put in."""
    try:
        with zipfile.ZipFile(archive) as kept:
            found = {name: hashlib.sha256(kept.read(name)).digest() for name in kept.namelist()}
    except (OSError, zipfile.BadZipFile):
        found = {}
    if found != {name: hashlib.sha256(content).digest() for name, content in contents.items()}:
        raise StudyError(
            "The backup does not give back what was put into it",
            "Check the disk, and make it again in another place",
            file=archive,
        )
