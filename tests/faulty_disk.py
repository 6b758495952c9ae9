"""A disk for tests that fails, is interrupted, or stops at any one step of what is written.

It takes the place of the module ``os`` in `grr.files.disk`, through which everything is
written. A step is a file opened to be written, a write, a sync, a cut, a file moved into
place or removed. What was not synced when the power was cut is lost, or a part of it is.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

#: Locks are the system's and are gone with the process.
LOCKS = (".writing.lock", ".collecting.lock")
#: What a step does: fails once; fails, and all after it; the user stops the kernel; the process
#: is killed before the step, or in the middle of it (of a write, that is); the power is cut.
FAILS, FAILS_ON, INTERRUPTED = "fails", "fails from then on", "interrupted"
KILLED, KILLED_WITHIN, POWER_CUT = "killed", "killed within", "power cut"


class StoppedError(BaseException):
    """The process is no more; nothing it does afterwards reaches the disk."""


class FaultyDisk:
    """The module ``os`` with a fault at one step; a folder is watched for what is synced.

    ``before`` is the disk of the process that was killed: what that one did not sync counts.
    """

    def __init__(
        self, folder: Path, how: str = "", at: int = 0, before: FaultyDisk | None = None
    ) -> None:
        self.folder = folder
        self.how = how
        self.at = at
        self.steps: list[str] = []
        self._stopped = False
        self._handles = [os.open(path, os.O_RDONLY) for path in _files(folder)]
        self._names = self._current_names()  # on the disk: name → number of the file
        self._synced = {_number(path): path.read_bytes() for path in _files(folder)}
        if before is not None:
            self._names, self._synced = before._names, dict(before._synced)

    def __getattr__(self, name: str) -> object:
        return getattr(os, name)

    @contextmanager
    def at_work(self) -> Iterator[FaultyDisk]:
        """Let everything that grr writes meanwhile go to this disk."""
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("grr.files.disk.os", self)
            yield self

    # The steps

    def open(self, path: Path, flags: int, mode: int = 0o777) -> int:
        if not flags & (os.O_RDWR | os.O_WRONLY):
            self._step("")
            return os.open(path, flags, mode)
        self._step(f"open {Path(path).suffix}")
        new = not Path(path).exists()
        handle = os.open(path, flags, mode)
        self._handles.append(os.dup(handle))  # no later file gets its number
        if new:
            self._synced[os.fstat(handle).st_ino] = b""
        return handle

    def write(self, handle: int, content: bytes) -> int:
        self._step("write", lambda: os.write(handle, content[: len(content) // 2]))
        return os.write(handle, content)

    def fsync(self, handle: int) -> None:
        number = os.fstat(handle).st_ino
        if number == self.folder.stat().st_ino:
            self._step("sync folder")
            self._names = self._current_names()
        else:
            self._step("sync")
            path = next(path for path in _files(self.folder) if _number(path) == number)
            self._synced[number] = path.read_bytes()

    def ftruncate(self, handle: int, length: int) -> None:
        self._step("cut")
        os.ftruncate(handle, length)

    def replace(self, source: Path, target: Path) -> None:
        self._step("move")
        Path(source).replace(target)

    def unlink(self, path: Path) -> None:
        self._step("remove")
        Path(path).unlink()

    def _step(self, name: str, half: object = None) -> None:
        if self._stopped:
            raise StoppedError
        if not name:
            return
        self.steps.append(name)
        here = len(self.steps)
        if here == self.at or (self.how == FAILS_ON and here > self.at > 0):
            if callable(half) and self.how != KILLED and here == self.at:
                half()
            if self.how in (FAILS, FAILS_ON):
                raise OSError(errno.EIO, "The disk does not answer")
            if self.how == INTERRUPTED:
                raise KeyboardInterrupt
            self._stopped = True
            raise StoppedError

    # The power is cut

    def states_after_power_cut(self) -> Iterator[dict[str, bytes]]:
        """Give what the folder may hold when the power is back: name → content.

        New names are there or not; of what was added to a file and not synced nothing, all
        or any piece from its beginning is there; a cut that was not synced is done or not.
        """
        now = {_number(path): path.read_bytes() for path in _files(self.folder)}
        given = []
        for names in (self._names, self._current_names()):
            kept: dict[int, list[bytes]] = {}
            for name, number in names.items():
                synced = self._synced.get(number, b"")
                grown = _beginnings(synced, now.get(number, synced))
                kept[number] = [grown[0], grown[-1]] if name.endswith(".new") else grown
            for which in range(max(map(len, kept.values()), default=0)):
                state = {
                    name: kept[number][min(which, len(kept[number]) - 1)]
                    for name, number in names.items()
                }
                if state not in given:
                    given.append(state)
                    yield state

    def let_go(self) -> None:
        for handle in self._handles:
            os.close(handle)

    def _current_names(self) -> dict[str, int]:
        return {path.name: _number(path) for path in _files(self.folder)}


def put_back(folder: Path, state: dict[str, bytes]) -> None:
    """Make a folder hold these files and no others."""
    for path in _files(folder):
        path.unlink()
    for name, content in state.items():
        (folder / name).write_bytes(content)


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in _files(folder)}


def _files(folder: Path) -> list[Path]:
    return [path for path in sorted(folder.iterdir()) if path.name not in LOCKS]


def _number(path: Path) -> int:
    return path.stat().st_ino


def _beginnings(synced: bytes, now: bytes) -> list[bytes]:
    """Return what may be left of a file: in the middle of each line, before and after its end."""
    if not now.startswith(synced):
        return [synced, now]
    added = now[len(synced) :]
    ends = [place + 1 for place, byte in enumerate(added) if byte == ord("\n")]
    cuts = {0, 1, *ends, *(end - 1 for end in ends)}
    cuts |= {(one + other) // 2 for one, other in zip([0, *ends], ends, strict=False)}
    return [synced + added[:cut] for cut in sorted(cuts) if cut <= len(added)]
