"""A CSV file that only grows, each row sealed with the row before it.

The last cell of a row is the SHA-256 (FIPS 180-4), in hexadecimal, of the seal of the row
before it (nothing, for the first row) and the row's other cells as written, joined by line
feeds and encoded as UTF-8. One line of the file is one row: `grr.files.text_and_numbers` lets no
line end into a cell. Columns that this version does not know are kept: those before the hash are
sealed with the rest, those after it are somebody's own and not sealed.

A power cut can leave a last line without its end. It is closed before the next row and never
deleted; its bytes take the place of its cells in the chain, so that it is sealed as well.

What is added at once counts as a whole or not at all. Where that is more than one row, the
first cell of each, its id, ends in its number and their count: ``k3-7.1of4`` … ``k3-7.4of4``.
Rows whose count is not reached were cut off while they were written: kept, reported, and of
no account, like a torn line.
"""

from __future__ import annotations

import contextlib
import csv
import io
import re
import threading
import uuid
from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from datetime import UTC, datetime
from functools import lru_cache
from hashlib import sha256
from pathlib import Path
from typing import Any, Generic, TypeVar

from grr.files import disk
from grr.files.allowed_files import LARGEST_RECORD, regular_file
from grr.files.text_and_numbers import from_cell, to_cell
from grr.model.errors import StudyError
from grr.model.record import AlteredRow

Row = TypeVar("Row", bound=Any)

_BYTE_ORDER_MARK = b"\xef\xbb\xbf"  # tells spreadsheets that the text is UTF-8

_SEAL_LENGTH = 64

#: Columns behind the others in the readings of a study with several places or gauges, in no
#: other file: those without them stay as they are, byte for byte.
FURTHER = ("place", "gauge")

#: The end of the id of a row that was written together with others.
_ONE_OF_SEVERAL = re.compile(r"(.*)\.([1-9]\d*)of([1-9]\d*)", re.DOTALL)


@dataclass(frozen=True)
class Line:
    """One line of the file: its number in a spreadsheet, its cells' text, and its seal.

    ``cells`` is None for a line that does not count: torn off while it was written, or one of
    several that were not all written.
    """

    number: int
    cells: tuple[str, ...] | None
    seal: str
    unbroken: bool


@dataclass(frozen=True)
class _Head:
    """Which cells of a line are known, where its hash stands, and how many cells it has."""

    known: int
    hash_at: int
    width: int

    @classmethod
    def of(cls, names: Sequence[str], columns: Sequence[str]) -> _Head | None:
        """Return what a first line says; None where it is not the head of such a file."""
        known = len(columns)
        if list(names[:known]) != list(columns) or "hash" not in names[known:]:
            return None
        if tuple(names[known : known + len(FURTHER)]) == FURTHER:
            known += len(FURTHER)
        return cls(known, list(names).index("hash", known), len(names))


def seal(previous: str, cells: Sequence[str]) -> str:
    """Return the seal of a row of written cells that follows a row sealed ``previous``."""
    return sha256("\n".join([previous, *cells]).encode("utf-8")).hexdigest()


def read_lines(path: Path, columns: Sequence[str]) -> list[Line]:
    """Return every line under the head; an empty list where there is no file.

    Raises
    ------
    StudyError
        The first line is not the head of such a file, or the file cannot be read.
    """
    try:
        content = regular_file(path, LARGEST_RECORD).read_bytes()
    except FileNotFoundError:
        return []
    except OSError as error:
        raise StudyError(
            f"The file cannot be read: {error.strerror or error}",
            "Close it in other programs and check that you may read it",
            file=path.name,
        ) from error
    return lines_in(content, columns, path.name)


def lines_in(content: bytes, columns: Sequence[str], name: str) -> list[Line]:
    """Return every line under the head of such a file, by what it holds; see `read_lines`."""
    return list(_lines_in(content, tuple(columns), name))


@lru_cache(maxsize=4)
def _lines_in(content: bytes, columns: tuple[str, ...], name: str) -> tuple[Line, ...]:
    """Return the lines of a file's content; kept, as several checks ask for the same ones."""
    if any(_head(head).startswith(content) for head in (columns, (*columns, *FURTHER))):
        return ()  # empty, or torn off while the head was written
    raw_lines = content.removeprefix(_BYTE_ORDER_MARK).split(b"\n")
    if raw_lines[-1] == b"":
        raw_lines.pop()
    head = _Head.of(_cells(raw_lines[0]), columns) if raw_lines else None
    if head is None:
        raise StudyError(
            "The file was not begun by this tool's entry form",
            "Collect into a new study folder, or import this file with grr.read_readings",
            file=name,
            row=1,
        )
    lines: list[Line] = []
    previous = ""
    for number, raw in enumerate(raw_lines[1:], start=2):
        line = _line(number, raw, previous, head)
        lines.append(line)
        previous = line.seal
    return tuple(_without_cut_off(lines))


def ids_of_one_write(identifier: str, rows: int) -> list[str]:
    """Return the ids of rows that are written at once; one row alone has the id as it is."""
    if rows == 1:
        return [identifier]
    return [f"{identifier}.{number}of{rows}" for number in range(1, rows + 1)]


_ONE_OF = re.compile(r"\.[1-9]\d*(of[1-9]\d*)?")


def is_of_one_write(row: str, identifier: str) -> bool:
    """Tell whether the id of a row is among `ids_of_one_write`, whatever their count.

    Also ``k3-7.2``, as the second number of a block was called before there was a count.
    """
    if not row.startswith(identifier):
        return False
    return row == identifier or bool(_ONE_OF.fullmatch(row, len(identifier)))


def _without_cut_off(lines: list[Line]) -> list[Line]:
    """Return the lines, those of no account whose write did not reach its count.

    Where rows were altered, which their seals tell, nothing is concluded from a count.
    """
    counted = list(lines)
    start = 0
    while start < len(lines):
        name, number, count = _one_of_several(lines[start])
        end = start + 1
        if number == 1:
            while end < len(lines) and _one_of_several(lines[end]) == (
                name,
                end - start + 1,
                count,
            ):
                end += 1
            altered = any(not line.unbroken for line in lines[start : end + 1])
            if end - start < count and not altered:
                counted[start:end] = [replace(line, cells=None) for line in lines[start:end]]
        start = end
    return counted


def _one_of_several(line: Line) -> tuple[str, int, int]:
    found = _ONE_OF_SEVERAL.fullmatch(line.cells[0]) if line.cells else None
    return (found[1], int(found[2]), int(found[3])) if found else ("", 0, 0)


def _head(columns: Sequence[str]) -> bytes:
    return _BYTE_ORDER_MARK + (",".join([*columns, "hash"]) + "\n").encode("utf-8")


def _line(number: int, raw: bytes, previous: str, head: _Head) -> Line:
    written = _cells(raw)
    if len(written) != head.width or len(written[head.hash_at]) != _SEAL_LENGTH:
        torn = sha256(previous.encode("utf-8") + b"\n" + _without_close(raw)).hexdigest()
        return Line(number, None, torn, True)
    cells, stored = written[: head.hash_at], written[head.hash_at]
    unbroken = stored == seal(previous, cells)
    return Line(number, tuple(map(from_cell, cells[: head.known])), stored, unbroken)


def _cells(raw: bytes) -> list[str]:
    text = raw.decode("utf-8", errors="replace").removesuffix("\r").replace("\0", "�")
    try:
        return next(csv.reader([text]), [])
    except csv.Error:
        return []  # a stray line end, say: no line that this tool wrote


def _without_close(raw: bytes) -> bytes:
    """Return the bytes that were torn off, without the quotation mark that closed them."""
    raw = raw.removesuffix(b"\r")
    return raw.removesuffix(b'"') if raw.count(b'"') % 2 == 0 and raw.endswith(b'"') else raw


def first_altered(path: Path, columns: Sequence[str]) -> AlteredRow | None:
    """Return the first row that is not as it was written, or None.

    Rows cut off at the end leave no trace in the file itself: compare the last seal with
    the one on the report.
    """
    lines = read_lines(path, columns)
    for line, before in zip(lines, [None, *lines], strict=False):
        if line.unbroken:
            continue
        if before is not None and before.cells is None:
            return AlteredRow(
                before.number,
                "this row is incomplete and does not fit the row after it",
            )
        return AlteredRow(
            line.number,
            "this row was changed, or rows before it were added, removed or moved",
        )
    return None


class ChainedFile:
    """The writing end of such a file; safe to call from several threads.

    Parameters
    ----------
    path : Path
        Created with the first row.
    columns : sequence of str
        The head, without the column ``hash``.
    further : bool
        Whether a new file has the columns `FURTHER` too.

    Attributes
    ----------
    lines : list of Line
        What the file holds, torn lines included.
    """

    def __init__(self, path: Path, columns: Sequence[str], *, further: bool = False) -> None:
        self.path = path
        self.columns = tuple(columns)
        self._begun_with = (*columns, *FURTHER) if further else self.columns
        self._guard = threading.RLock()
        self.lines: list[Line] = []
        self._state: tuple[int, int] | None = None  # when the lines were read
        self._synced: tuple[int, int] | None = None  # when the disk confirmed them
        self._length_before = 0
        self.refresh()

    def refresh(self) -> bool:
        """Read the file again where another program changed it; tell whether it did.

        Raises
        ------
        StudyError
            The file held rows and is gone, or it is no longer such a file.
        """
        with self._guard:
            state = self._on_disk()
            if state is None and self.lines:
                raise StudyError(
                    "The file is gone, and it held rows",
                    "Put it back (look in the recycle bin), then send the reading again",
                    file=self.path.name,
                ) from FileNotFoundError(self.path.name)
            if state == self._state:
                return False
            self.lines = read_lines(self.path, self.columns)
            self._state = state
            return True

    def _on_disk(self) -> tuple[int, int] | None:
        try:
            status = self.path.stat()
        except FileNotFoundError:
            return None
        return status.st_size, status.st_mtime_ns

    @property
    def last_seal(self) -> str:
        """The seal of the last row, its hash in the report; "" where there is none."""
        return self.lines[-1].seal if self.lines else ""

    def write(self, rows: Sequence[Sequence[str]]) -> list[Line]:
        """Write rows of text; they are on the disk when this returns.

        Raises
        ------
        StudyError
            They could not be written, and none of them is there; or they are there and the
            disk does not confirm it, which the words say.
        """
        new: list[Line] = []
        try:
            with self._guard, disk.writing(self.path.parent):
                self.refresh()
                beginning, head = self._beginning()
                new, content = self._sealed(rows, head)
                self._length_before = disk.append(self.path, beginning + content)
                self.lines += new  # interrupted before the next step they are read again
                self._state = self._synced = self._on_disk()
        except OSError as error:
            raise self._refusal(error, new) from error
        return new

    def _refusal(self, error: OSError, new: list[Line]) -> StudyError:
        """Return what to say of a write that failed, by what the file holds now."""
        with contextlib.suppress(StudyError, OSError):
            self.refresh()
            if new and self.last_seal == new[-1].seal:
                return StudyError(
                    "The disk does not confirm what was written, and it cannot be taken back: it "
                    "stands in the file",
                    "Check the disk and the network; do not enter it again",
                    file=self.path.name,
                )
        return disk.not_written(error, self.path)

    def take_back(self) -> None:
        """Cut off what `write` added last, where what belongs to it could not be written.

        Raises
        ------
        StudyError
            It stands in the file still.
        """
        try:
            with self._guard:
                disk.cut_back(self.path, self._length_before)
        except OSError as error:
            raise StudyError(
                "A part of it was written and cannot be taken back",
                "Look at the list of readings before it is done again",
                file=self.path.name,
            ) from error

    def sync(self) -> None:
        """Wait until every row is on the disk, those of a program that was stopped as well.

        Raises
        ------
        StudyError
            The disk does not confirm it.
        """
        with self._guard:
            self.refresh()
            if self._synced == self._state:
                return
            try:
                disk.sync(self.path)
            except OSError as error:
                raise disk.not_written(error, self.path) from error
            self._synced = self._state

    def _beginning(self) -> tuple[bytes, _Head]:
        """Return the head of a new file, or what closes the torn last line of an old one.

        With it, what the first line says.
        """
        width = len(self._begun_with) + 1
        own, text = _Head(width - 1, width - 1, width), _head(self._begun_with)
        try:
            content = self.path.read_bytes()
        except FileNotFoundError:
            return text, own
        if text.startswith(content):
            return text[len(content) :], own
        first = content.removeprefix(_BYTE_ORDER_MARK).split(b"\n", 1)[0]
        head = _Head.of(_cells(first), self.columns) or own
        if content.endswith(b"\n"):
            return b"", head
        torn = content.split(b"\n")[-1]
        return (b'"' if torn.count(b'"') % 2 else b"") + b"\n", head

    def _sealed(self, rows: Sequence[Sequence[str]], head: _Head) -> tuple[list[Line], bytes]:
        number = self.lines[-1].number if self.lines else 1
        previous = self.last_seal
        unknown = [""] * (head.hash_at - head.known)
        beyond = [""] * (head.width - head.hash_at - 1)
        lines: list[Line] = []
        buffer = io.StringIO(newline="")
        writer = csv.writer(buffer, lineterminator="\n")
        for offset, given in enumerate(rows, start=1):
            row = given[: head.known]
            if any(given[head.known :]):
                raise StudyError(
                    "This record was begun without places and gauges, and takes none now",
                    "Plan a new study for them",
                    file=self.path.name,
                )
            cells = [*map(to_cell, row), *unknown]
            previous = seal(previous, cells)
            writer.writerow([*cells, previous, *beyond])
            lines.append(Line(number + offset, tuple(row), previous, True))
        return lines, buffer.getvalue().encode("utf-8")


def now() -> str:
    """Return the time as the files hold it: ISO 8601, UTC, milliseconds."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_id() -> str:
    """Return an identifier that no other row has."""
    return uuid.uuid4().hex[:12]


class SealedRows(ChainedFile, Generic[Row]):
    """The writing end of a file of rows of one kind; safe to call from several threads."""

    def __init__(
        self, path: str | Path, kind: type[Row], columns: Sequence[str], *, further: bool = False
    ) -> None:
        self._kind = kind
        self._made: tuple[list[Line], list[Row | None]] = ([], [])
        super().__init__(Path(path), columns, further=further)

    @property
    def rows(self) -> list[Row]:
        """Every row on the disk, oldest first."""
        with self._guard:
            self.refresh()
            lines, made = self._made
            if lines is not self.lines:  # read again
                lines, made = self._made = (self.lines, [])
            new = lines[len(made) :]
            made += [None if line.cells is None else self._kind(*line.cells) for line in new]
            return [row for row in made if row is not None]

    def of_message(self, identifier: str) -> list[Row]:
        """Return the rows that were written under this identifier, oldest first."""
        return [row for row in self.rows if is_of_one_write(row.id, identifier)]

    def _added(self, rows: Sequence[Row], identifier: str) -> list[Row]:
        """Write several rows at once, with ids of one write and the time where they have none."""
        ids = ids_of_one_write(identifier or new_id(), len(rows))
        new = [
            replace(row, id=name, time=row.time or now())
            for row, name in zip(rows, ids, strict=True)
        ]
        self.write([astuple(row) for row in new])
        return new
