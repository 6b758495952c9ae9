"""One window at a time collects into a study folder; another may take over.

Two files lie beside the readings while they are collected. ``.collecting.lock`` is locked
by the system for as long as the kernel lives, so that nothing is left behind when it dies.
``.collecting.owner`` names the window that may write: a window that takes over writes its
own name there, and the other one finds out before its next reading. ``readings.csv`` itself
is never locked.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from pathlib import Path

from filelock import FileLock, Timeout

from grr.files.allowed_files import LARGEST_SETTINGS, once_free, regular_file
from grr.files.chained_file import new_id, now
from grr.files.disk import not_written, remove, write_whole
from grr.model.errors import StudyError

LOCK, OWNER = ".collecting.lock", ".collecting.owner"

#: One lock object a folder for the whole process: a second one would lock the first out.
_locks: dict[Path, FileLock] = {}
#: The names that owners in this process have.
_ours: set[str] = set()


@dataclass(frozen=True)
class Elsewhere:
    """Who collects into the folder now."""

    since: str
    operator: str


class Ownership:
    """The right of one kernel to write into a study folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder.resolve()
        self.name = new_id()
        self._operator = ""
        self._locked_before = False
        _ours.add(self.name)

    def take(self, *, by_force: bool = False) -> Elsewhere | None:
        """Become the owner; return who holds the folder instead, or None.

        Parameters
        ----------
        by_force : bool
            Take over from another window.

        Raises
        ------
        StudyError
            The folder cannot be written to.
        """
        held = self._lock()
        displaced = self._owner().get("name", self.name) not in _ours
        if not by_force and (not held or (displaced and self._locked_before)):
            return self._who() or Elsewhere("", "")
        self._write_owner()
        return None

    def tell_operator(self, operator: str) -> None:
        """Let other windows know who measures here."""
        self._operator = operator
        if self.mine:
            self._write_owner()

    def _lock(self) -> bool:
        """Take the lock where it is free; tell whether this process has it."""
        lock = _locks.setdefault(
            self.folder, FileLock(self.folder / LOCK, thread_local=False, is_singleton=False)
        )
        self._locked_before = lock.is_locked
        try:
            if not lock.is_locked:
                lock.acquire(timeout=0)
        except Timeout:
            return False
        except OSError as error:
            raise not_written(error, self.folder) from error
        return True

    @property
    def mine(self) -> bool:
        """Whether no other window has taken over."""
        owner = self._owner().get("name")
        if owner == self.name:
            self._lock()  # after a take-over the lock becomes free once the other one noticed
        elif owner not in _ours and self.folder in _locks:
            _locks[self.folder].release()
        return owner == self.name

    @property
    def holder(self) -> str:
        """The name of the window that may write; "" where there is none."""
        return self._owner().get("name", "")

    def insist(self) -> None:
        """Refuse to go on where another window has taken over.

        Raises
        ------
        StudyError
            It has.
        """
        if not self.folder.exists():
            raise StudyError(
                "The folder of this study is gone: nothing was written",
                "Bring it back, or make the study again",
                file=str(self.folder),
            )
        if not self.mine:
            raise StudyError(
                "Another window has taken over this study",
                "Go on there, or press “Take over here”; nothing was written from here",
            ) from PermissionError("Another window writes")

    def release(self) -> None:
        """Let others collect into the folder, unless a newer form of this process does."""
        owner = self._owner().get("name")
        if owner != self.name and owner in _ours:
            return
        if owner == self.name:
            remove(self.folder / OWNER)  # while locked: the next owner's name is not removed
        lock = _locks.pop(self.folder, None)
        if lock is not None:
            lock.release()

    def _write_owner(self) -> None:
        text = json.dumps({"name": self.name, "since": now(), "operator": self._operator})
        write_whole(self.folder / OWNER, text)

    def _owner(self) -> dict[str, str]:
        try:
            file = regular_file(self.folder / OWNER, LARGEST_SETTINGS)
            content = json.loads(once_free(lambda: file.read_text(encoding="utf-8")))
        except (OSError, ValueError):
            return {}
        return content if isinstance(content, dict) else {}

    def _who(self) -> Elsewhere | None:
        content = self._owner()
        return Elsewhere(content.get("since", ""), content.get("operator", "")) if content else None
