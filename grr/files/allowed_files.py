"""Which files may be opened, what they may be called, and which may be replaced.

Opened is only an ordinary file of a bounded size: a pipe or a device would be waited for, or
read, without an end. A new file gets a name that every system takes, so that a study can be
passed on. An output replaces a file that grr made, and nothing else unless told to.

How grr knows its own files: a page of HTML names grr as its generator, a PDF as its creator,
a workbook as its author and as the last one who saved it; JSON begins with the name of the
format; the table of many studies begins with its columns.
"""

from __future__ import annotations

import os
import re
import stat
import time
import zipfile
from collections.abc import Callable, Iterable
from os import PathLike
from pathlib import Path
from typing import TypeVar

from grr.model.errors import StudyError
from grr.model.values import a_path

Got = TypeVar("Got")

#: How long a file that another program reads or replaces may hold this one up.
_SECONDS_TO_FREE = 2.0
#: The largest file of a study that is written here, in bytes: a million readings and more.
LARGEST_RECORD = 500_000_000
#: The largest file of settings, in bytes; a full ``study.toml`` has some thousands.
LARGEST_SETTINGS = 1_000_000
#: Stands in every working folder that ``grr lab`` has filled, and lists what was put there.
WORKING_FOLDER_MARK = ".grr_put_here.json"


def regular_file(path: str | os.PathLike[str], largest: int | None = None) -> Path:
    """Return the path of a file that may be opened.

    Parameters
    ----------
    path : str or path
        A link to a file is followed.
    largest : int, optional
        So many bytes at most.

    Raises
    ------
    StudyError
        It is a folder, a pipe, a device or a socket, or it is too large.
    OSError
        It is not there, or may not be looked at; the one who opens it says so in its words.
    """
    status = os.stat(path)  # noqa: PTH116 - takes a device's name on Windows as well
    if stat.S_ISDIR(status.st_mode):
        raise StudyError("This is a folder, not a file", "Name a file in it", file=path)
    if not stat.S_ISREG(status.st_mode):
        raise StudyError(
            "This is a pipe or a device, not a file on the disk",
            "Save what it holds as a file, and name that",
            file=path,
        )
    if largest is not None and status.st_size > largest:
        raise StudyError(
            f"The file is larger than the {largest / 1e6:g} MB that are read here",
            "Check that it is the right file",
            file=path,
            value=f"{status.st_size / 1e6:.1f} MB",
        )
    return Path(path)


def once_free(use: Callable[[], Got]) -> Got:
    """Read or replace a small file; on Windows wait a moment while another program does.

    Raises
    ------
    OSError
        It is still not free, or cannot be used at all.
    """
    given_up = time.monotonic() + _SECONDS_TO_FREE
    while True:
        try:
            return use()
        except PermissionError:
            if os.name != "nt" or time.monotonic() > given_up:
                raise
        time.sleep(0.02)


def refuse_irregular(path: Path) -> None:
    """Refuse a file, or a folder of files, where one is not an ordinary file.

    Raises
    ------
    StudyError
        See `regular_file`.
    """
    for file in path.rglob("*") if path.is_dir() else (path,):
        if not file.is_dir():
            regular_file(file)


_FORBIDDEN = re.compile(r'[<>:"/\\|?*\x00-\x1f]')
#: Devices of Windows, whatever ending follows (Microsoft: Naming Files, Paths, and Namespaces).
_DEVICE = re.compile(
    r"(con|prn|aux|nul|conin\$|conout\$|(com|lpt)[0-9¹²³])\s*(\..*)?", re.IGNORECASE
)


def legal_name(name: str) -> bool:
    """Whether Windows takes the name of a file or folder as well."""
    return not (_FORBIDDEN.search(name) or _DEVICE.fullmatch(name) or name.endswith((".", " ")))


def refuse_bad_name(path: Path) -> None:
    """Refuse to make a file or folder whose name some systems do not take.

    Parameters
    ----------
    path : Path
        What is there already keeps its name.

    Raises
    ------
    StudyError
        A name that is still to be made is not legal on Windows.
    """
    new = [one.name for one in (path, *path.parents) if one.name and not one.exists()]
    for name in new:
        if name != ".." and not legal_name(name):
            raise StudyError(
                "A file or folder cannot have this name on every system",
                'Leave out < > : " / \\ | ? * and a dot or space at the end, and names such as '
                "CON, NUL and COM1",
                value=name,
            )


#: Files of a study folder that only grr itself writes, or that hold its readings.
STUDY_FILES = ("study.toml", "readings.csv", "readings.xlsx", "events.csv")
#: The head of the table of many studies, after the column that names the study.
TABLE_COLUMNS = ("parts", "operators", "trials", "readings", "mean", "estimator")

_HEAD = 65_536
_LARGEST_PROPERTIES = 100_000
_GENERATOR = b'<meta name="generator" content="grr">'


def safe_target(
    path: str | PathLike[str],
    *,
    inputs: Iterable[str | PathLike[str] | None] = (),
    overwrite: bool = False,
) -> Path:
    """Return the path of an output that may be written there.

    Parameters
    ----------
    path : str or path
        The file to be written.
    inputs : iterable of str or path
        Files and folders that the same command reads; None is skipped.
    overwrite : bool
        Whether a file that grr did not make may be replaced.

    Raises
    ------
    StudyError
        There is no such folder, or no such name on every system; or the output would replace
        an input, a file of a study, a folder, a pipe or a device, or (unless ``overwrite``) a
        file that grr did not make.
    """
    target = a_path(path)

    def refused(problem: str, remedy: str = "Give the output another name") -> StudyError:
        return StudyError(problem, remedy, file=target)

    refuse_bad_name(target)
    # Where links lead; unlike Path.resolve it takes links that lead round in a circle.
    real = Path(os.path.realpath(target))
    if not os.fspath(path) or target.is_dir():
        raise refused(
            "The output needs the name of a file, and this is a folder",
            "Put the name of a file behind it",
        )
    if not target.parent.is_dir():
        words = "Make the folder, or choose another place"
        raise refused("The folder to write into does not exist", words)
    in_study = any((folder / STUDY_FILES[0]).exists() for folder in real.parents)
    beside_study = (real.parent / STUDY_FILES[0]).exists()
    if beside_study and real.name.casefold() in STUDY_FILES:
        raise refused("The output would take the place of a file of the study")
    if not os.path.lexists(target):
        return target
    if not real.exists():
        raise refused("The output is a link that leads nowhere", "Name a file")
    if not stat.S_ISREG(real.stat().st_mode):
        raise refused("The output would replace a pipe or a device", "Name a file on the disk")
    if any(_is_read_from(real, Path(one)) for one in inputs if one is not None):
        raise refused("The output would replace what this command reads")
    if made_by_grr(real):
        return target
    if in_study:
        problem = "The output would replace a file of a study that grr did not write as an output"
        raise refused(problem)
    if not overwrite:
        raise refused(
            "There is a file already that grr did not make",
            "Give the output another name, or replace the file with --force "
            "(in Python: overwrite=True)",
        )
    return target


def _is_read_from(target: Path, source: Path) -> bool:
    """Whether an output is an input, or lies in a folder of inputs and is no earlier output."""
    if source.is_dir():
        inside = target.is_relative_to(os.path.realpath(source))
        return inside and not made_by_grr(target)
    try:
        return source.samefile(target)
    except OSError:
        return False


def made_by_grr(path: Path) -> bool:
    """Whether a file says that grr wrote it, and that nobody saved it since."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
        if head.startswith(b"PK"):
            return _workbook_made_by_grr(path)
    except (OSError, zipfile.BadZipFile, KeyError, ValueError, NotImplementedError):
        return False
    if head.startswith(b"%PDF"):
        return re.search(rb"/Creator \(grr *\)", head) is not None
    if head.startswith(b"{"):
        return re.match(rb'\{\s*"format": "grr ', head) is not None
    if head[:15].lower() == b"<!doctype html>":
        return _GENERATOR in head
    columns = head.partition(b"\n")[0].decode("utf-8", errors="replace").split(",")
    return tuple(columns[1 : 1 + len(TABLE_COLUMNS)]) == TABLE_COLUMNS and columns[-1] == "error"


def _workbook_made_by_grr(path: Path) -> bool:
    with zipfile.ZipFile(path) as archive:
        entry = archive.getinfo("docProps/core.xml")
        if entry.file_size > _LARGEST_PROPERTIES:
            return False
        properties = archive.read(entry)
    return b">grr</dc:creator>" in properties and b">grr</cp:lastModifiedBy>" in properties


def target_file(path: str | PathLike[str], *endings: str, overwrite: bool = False) -> Path:
    """Return the path of a file to write; it has one of the endings, and may be written there.

    Raises
    ------
    StudyError
        Another ending, or see `safe_target`.
    """
    target = a_path(path)
    if target.suffix.lower() not in endings:
        raise StudyError(
            f"This is written as {' or '.join(endings)}",
            f"Give the file the ending {' or '.join(endings)}",
            file=target,
        )
    return safe_target(target, overwrite=overwrite)
