"""Which files may be opened: only ordinary ones of a bounded size.

A pipe or a device would be waited for, or read, without an end.
"""

from __future__ import annotations

import os
import stat
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from grr.model.errors import StudyError

Got = TypeVar("Got")

#: How long a file that another program reads or replaces may hold this one up.
_SECONDS_TO_FREE = 2.0
#: The largest file of a study that is written here, in bytes: a million readings and more.
LARGEST_RECORD = 500_000_000
#: The largest file of settings, in bytes; a full ``study.toml`` has some thousands.
LARGEST_SETTINGS = 1_000_000


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
