"""Replacing a small file so that a power cut leaves the old one or the new one whole."""

from __future__ import annotations

import contextlib
import errno
import os
import secrets
from pathlib import Path

from grr.files.disk_errors import not_written
from grr.files.names import refuse_bad_name
from grr.model.errors import StudyError


def write_whole(path: Path, text: str) -> None:
    """Write a text file as UTF-8; see `write_bytes`.

    Raises
    ------
    StudyError
        It could not be written; the file that was there is unchanged.
    """
    try:
        content = text.encode("utf-8")
    except UnicodeEncodeError as error:
        raise StudyError(
            "A text holds half a character, which no file can hold",
            "Type the text again",
            file=path.name,
            value=ascii(text[error.start : error.end]),
        ) from None
    write_bytes(path, content)


def write_bytes(path: Path, content: bytes) -> None:
    """Write a file beside its place and move it there in one step.

    Raises
    ------
    StudyError
        Its name is not one for every system, or it could not be written; the file that was
        there is unchanged.
    """
    beside = path.with_name(f".{secrets.token_hex(8)}.new")  # no two writers share it
    try:
        refuse_bad_name(path)
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, "The file is read-only")
        with beside.open("xb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(path)
    except OSError as error:
        raise not_written(error, path) from error
    finally:
        with contextlib.suppress(OSError):
            beside.unlink()


def made_folder(folder: Path) -> Path:
    """Return a folder, made where needed.

    Raises
    ------
    StudyError
        Its name is not one for every system, or it cannot be made.
    """
    try:
        refuse_bad_name(folder)
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise not_written(error, folder) from error
    return folder
