"""Where a report or an export is written."""

from __future__ import annotations

from os import PathLike
from pathlib import Path

from grr.files.allowed_files import safe_target
from grr.model.errors import StudyError
from grr.model.rounding import listed
from grr.model.values import a_path


def target_file(path: str | PathLike[str], *endings: str, overwrite: bool = False) -> Path:
    """Return the path of a file to write; it has one of the endings, and may be written there.

    Raises
    ------
    StudyError
        Another ending, or see `grr.files.allowed_files.safe_target`.
    """
    target = a_path(path)
    if target.suffix.lower() not in endings:
        raise StudyError(
            f"This is written as {' or '.join(endings)}",
            f"Give the file the ending {listed(endings)}".replace(" and ", " or "),
            file=target,
        )
    return safe_target(target, overwrite=overwrite)
