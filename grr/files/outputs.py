"""What an output may replace: a file that grr made, and nothing else unless told to.

How grr knows its own files: a page of HTML names grr as its generator, a PDF as its creator,
a workbook as its author and as the last one who saved it; JSON begins with the name of the
format; the table of many studies begins with its columns.
"""

from __future__ import annotations

import os
import re
import stat
import zipfile
from collections.abc import Iterable
from os import PathLike
from pathlib import Path

from grr.files.names import refuse_bad_name
from grr.model.errors import StudyError
from grr.model.values import a_path

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
    refuse_bad_name(target)
    # Where links lead; unlike Path.resolve it takes links that lead round in a circle.
    real = Path(os.path.realpath(target))
    if not os.fspath(path) or target.is_dir():
        raise StudyError(
            "The output needs the name of a file, and this is a folder",
            "Put the name of a file behind it",
            file=target,
        )
    if not target.parent.is_dir():
        raise StudyError(
            "The folder to write into does not exist",
            "Make the folder, or choose another place",
            file=target,
        )
    in_study = any((folder / STUDY_FILES[0]).exists() for folder in real.parents)
    beside_study = (real.parent / STUDY_FILES[0]).exists()
    if beside_study and real.name.casefold() in STUDY_FILES:
        raise StudyError(
            "The output would take the place of a file of the study",
            "Give the output another name",
            file=target,
        )
    refuse_bad_name(target)
    if not os.path.lexists(target):
        return target
    if not real.exists():
        raise StudyError("The output is a link that leads nowhere", "Name a file", file=target)
    if not stat.S_ISREG(real.stat().st_mode):
        raise StudyError(
            "The output would replace a pipe or a device", "Name a file on the disk", file=target
        )
    if any(_is_read_from(real, Path(one)) for one in inputs if one is not None):
        raise StudyError(
            "The output would replace what this command reads",
            "Give the output another name",
            file=target,
        )
    if made_by_grr(real):
        return target
    if in_study:
        raise StudyError(
            "The output would replace a file of a study that grr did not write as an output",
            "Give the output another name",
            file=target,
        )
    if not overwrite:
        raise StudyError(
            "There is a file already that grr did not make",
            "Give the output another name, or replace the file with --force "
            "(in Python: overwrite=True)",
            file=target,
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
