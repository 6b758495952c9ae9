"""Writing to the disk: whatever grr puts into a file goes through here.

A file that only grows gets each addition in one piece, and is cut back where that fails; any
other file is replaced in one step. Both are on the disk when the function returns, with the
file's name in its folder. What the operating system says of a failure is put in shop language.
"""

from __future__ import annotations

import contextlib
import errno
import logging
import os
import secrets
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from filelock import FileLock, Timeout

from grr.files.allowed_files import once_free, refuse_bad_name
from grr.model.errors import StudyError

LOG = logging.getLogger("grr")
LOCK = ".writing.lock"
_SECONDS = 20.0

_BINARY = getattr(os, "O_BINARY", 0)  # Windows would change line ends
#: What systems and network shares say that cannot sync a folder.
_NO_FOLDER_SYNC = (errno.EINVAL, errno.ENOTSUP, errno.EBADF, errno.EACCES, errno.EPERM)


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
    except Timeout as error:
        raise StudyError(
            "Another program is writing into this study", "Wait for it, then try again", file=folder
        ) from error
    except OSError as error:
        raise not_written(error, folder) from error
    try:
        yield
    finally:
        lock.release()


def append(path: Path, content: bytes) -> int:
    """Add to the end of a file, in one piece; return how long the file was before.

    Where this fails, or is interrupted, the file is cut back to that length. That may fail
    too: look at the file.

    Raises
    ------
    OSError
        Not all of it is on the disk.
    """
    handle = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | _BINARY, 0o666)
    try:
        before = os.fstat(handle).st_size
        try:
            _write(handle, content)
            os.fsync(handle)
            if before == 0:
                _sync_folder(path.parent)
        except BaseException:
            with contextlib.suppress(OSError):
                os.ftruncate(handle, before)
                os.fsync(handle)
            raise
        return before
    finally:
        os.close(handle)


def cut_back(path: Path, length: int) -> None:
    """Cut a file back to an earlier length.

    Raises
    ------
    OSError
        It may be longer still.
    """
    handle = os.open(path, os.O_RDWR | _BINARY)
    try:
        os.ftruncate(handle, length)
        os.fsync(handle)
    finally:
        os.close(handle)


def sync(path: Path) -> None:
    """Wait until all that a file holds is on the disk, whoever wrote it.

    Raises
    ------
    OSError
        It is not.
    """
    handle = os.open(path, os.O_RDWR | _BINARY)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    _sync_folder(path.parent)


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
        there is unchanged. Where only the folder could not be synced the new file is there,
        and the words say so.
    """
    beside = path.with_name(f".{secrets.token_hex(8)}.new")  # no two writers share it
    try:
        refuse_bad_name(path)
        if path.exists() and not os.access(path, os.W_OK):
            raise PermissionError(errno.EACCES, "The file is read-only")
        try:
            handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL | _BINARY, 0o666)
            try:
                _write(handle, content)
                os.fsync(handle)
            finally:
                os.close(handle)
            # All that writes is called by os here.
            once_free(lambda: os.replace(beside, path))  # noqa: PTH105
        except BaseException:
            remove(beside)
            raise
    except OSError as error:
        raise not_written(error, path) from error
    LOG.info("written: %s, %d bytes", path, len(content))
    try:
        _sync_folder(path.parent)
    except OSError as error:
        raise StudyError(
            "The new file is there, and the disk does not confirm it",
            "Check the disk and the network, look at the file, then do it again",
            file=path.name,
        ) from error


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


def remove(path: Path) -> None:
    """Remove a file where it is there and the system lets us."""
    with contextlib.suppress(OSError):
        os.unlink(path)  # noqa: PTH108


def not_written(error: OSError, path: Path) -> StudyError:
    """Return the refusal to show for a write that failed; nothing counts as saved."""
    code = error.errno
    if code in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG):
        problem = "The disk is full"
        remedy = "Free some space, then do it again; what was there before is unchanged"
    elif code == errno.EROFS:
        problem = "The folder is read-only"
        remedy = "Move the study to a folder that you may write to"
    elif isinstance(error, PermissionError):
        problem = "The file is held open by another program, or it is read-only"
        remedy = "Close it in the spreadsheet program, or ask for the right to write to the folder"
    elif isinstance(error, FileNotFoundError):
        problem = "The folder is gone"
        remedy = "Put the folder or the drive back, then do it again"
    else:
        problem = f"The file cannot be written: {error.strerror or error}"
        remedy = "Check the name, the disk and the folder, then do it again"
    return StudyError(problem, remedy, file=path.name)


def _write(handle: int, content: bytes) -> None:
    left = memoryview(content)
    while left:
        left = left[os.write(handle, left) :]


def _sync_folder(folder: Path) -> None:
    """Make new names in a folder durable, on systems that can open and sync one."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in _NO_FOLDER_SYNC:
            raise
    finally:
        os.close(handle)
