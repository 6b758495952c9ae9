"""One writer at a time in a study folder, whichever program it is."""

from __future__ import annotations

import errno
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from grr.files.disk_errors import not_written
from grr.model.errors import StudyError

LOCK = ".writing.lock"
_SECONDS = 20.0


@contextmanager
def writing(folder: Path) -> Iterator[None]:
    """Keep other programs from writing into a study folder meanwhile; may be nested.

    Raises
    ------
    StudyError
        Another program keeps writing, or the folder cannot be written to.
    """
    # One lock a folder for the whole process, so that it may be taken again by its holder.
    lock = FileLock(folder / LOCK, is_singleton=True)
    try:
        if not folder.is_dir():
            raise FileNotFoundError(errno.ENOENT, "No such folder")  # a lock would make it anew
        lock.acquire(timeout=_SECONDS)
    except Timeout:
        raise StudyError(
            "Another program is writing into this study", "Wait for it, then try again", file=folder
        ) from None
    except OSError as error:
        raise not_written(error, folder) from error
    try:
        yield
    finally:
        lock.release()
