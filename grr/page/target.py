"""Where a report or an export is written."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from grr.model.errors import StudyError
from grr.model.rounding import listed
from grr.model.values import a_path


def target_file(path: str | PathLike[str], *endings: str) -> Path:
    """Return the path of a file to write; it has one of the endings, and its folder exists.

    Raises
    ------
    StudyError
        Another ending, or no such folder.
    """
    target = a_path(path)
    if target.suffix.lower() not in endings:
        raise StudyError(
            f"This is written as {' or '.join(endings)}",
            f"Give the file the ending {listed(endings)}".replace(" and ", " or "),
            file=target,
        )
    if not target.parent.is_dir():
        raise StudyError(
            "The folder to write into does not exist",
            "Make the folder, or choose another place",
            file=target,
        )
    return target
