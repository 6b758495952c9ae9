"""Replacing a small file so that a power cut leaves the old one or the new one whole."""

from __future__ import annotations

import os
from pathlib import Path

from grr.files.disk_errors import not_written


def write_whole(path: Path, text: str) -> None:
    """Write a text file beside its place and move it there in one step.

    Raises
    ------
    StudyError
        It could not be written; the file that was there is unchanged.
    """
    beside = path.with_name(f".{path.name}.new")
    try:
        with beside.open("w", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        beside.unlink(missing_ok=True)
        raise not_written(error, path) from error
