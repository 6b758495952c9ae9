"""Two halves of a study, taken on two computers, become one: `grr merge`.

The merged folder begins with the record of the first half, row for row, so that its hashes and
its seal still hold. The rows of the second half follow, sealed anew; its own record lies beside
them as it was, in an archive whose hash is on record, and `grr.files.contradictions` compares the
two. Where the halves are copies of one folder, what both hold stands once.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import astuple, dataclass, replace
from pathlib import Path

from grr.files import events, journal
from grr.files.chained_file import ChainedFile, Line, new_id, now, read_lines
from grr.files.contradictions import KEPT
from grr.files.copies import contents_of, keep_file, zipped
from grr.files.disk import made_folder, remove, write_bytes, writing
from grr.files.events import ANCHOR, FORM, IMPORTED_FILE, Event
from grr.files.folder import EVENTS_FILE, READINGS_FILE, refuse_a_study
from grr.files.journal import JournalRow
from grr.files.study_file import STUDY_FILE, by_key, read_settings, settings_text
from grr.files.verify import differences, verify_folder
from grr.model.errors import StudyError
from grr.model.rounding import counted, listed
from grr.model.values import a_path


@dataclass(frozen=True)
class Merged:
    """What `merge` made.

    Attributes
    ----------
    folder : Path
    rows : tuple of int
        How many rows came from the first and from the second half.
    sessions : tuple of (str, str)
        Sessions of the second half that have another number now: the old one, the new one.
    archive : str
        The file in the folder that holds the second half as it was.
    seal : str
        Of the merged folder.
    """

    folder: Path
    rows: tuple[int, int]
    sessions: tuple[tuple[str, str], ...]
    archive: str
    seal: str


def merge(first: str | Path, second: str | Path, target: str | Path) -> Merged:
    """Write a new study folder that holds the readings of two halves of one study.

    Parameters
    ----------
    first, second : str or path
        Study folders with the same settings, whose readings were taken with the entry form.
        They are not changed.
    target : str or path
        A folder that holds no study.

    Raises
    ------
    StudyError
        The halves are not of one study, a record was altered, a session is open, a place was
        measured in both, or the folder cannot be written.
    """
    one, two, folder = a_path(first), a_path(second), a_path(target)
    _refuse_same_places(one, two, folder)
    for half in (one, two):
        read_settings(half)  # refuses a folder that is no study
    with writing(one), writing(two):  # no reading is written meanwhile
        halves = _Half(one), _Half(two)
        _refuse_other_settings(one, two)
        files = contents_of(one), contents_of(two)
    joined = _Joined(*halves)
    joined.refuse_conflicts()
    folder = made_folder(folder)
    with writing(folder):
        refuse_a_study(folder)
        try:
            archive = _write(folder, two.resolve().name, joined, *files)
            found = verify_folder(folder)
            if not found.unaltered:
                raise StudyError(
                    f"The merged record does not hold together: {found}",
                    "Keep the two folders as they are",
                    file=folder,
                )
        except BaseException:
            for path in (*(folder / name for name in _RECORD), *folder.glob(f"{KEPT}*")):
                remove(path)
            raise
    counts = len(_rows(halves[0].lines)), len(joined.readings)
    return Merged(folder, counts, tuple(joined.renumbered.items()), archive, found.record.seal)


_RECORD = (READINGS_FILE, EVENTS_FILE, STUDY_FILE)


def _write(
    folder: Path, name: str, joined: _Joined, one: dict[str, bytes], two: dict[str, bytes]
) -> str:
    """Write the merged folder from the files of both; return what the second half is kept in."""
    kept = {key: content for key, content in (two | one).items() if key.startswith(KEPT)}
    record = {key: one[key] for key in (READINGS_FILE, EVENTS_FILE) if key in one}
    for key, content in (kept | record).items():
        write_bytes(folder / key, content)
    archive = keep_file(folder, f"{name}.zip", zipped(two))
    readings = ChainedFile(folder / READINGS_FILE, journal.WRITTEN)
    readings.write([astuple(row) for row in joined.readings])
    source = Event(kind=IMPORTED_FILE, name=archive.name, old=name, value=archive.sha256)
    state = Event(
        kind=ANCHOR, name=READINGS_FILE, old=str(len(readings.lines)), value=readings.last_seal
    )
    ours = [replace(event, id=new_id(), time=now()) for event in (source, state)]
    ChainedFile(folder / EVENTS_FILE, events.WRITTEN).write(
        [astuple(event) for event in (*joined.events(readings.lines), *ours)]
    )
    write_bytes(folder / STUDY_FILE, one[STUDY_FILE])  # last: half a study is none
    return archive.name


class _Half:
    """The record of one half, whole and with no session open."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        if not journal.is_journal_file(folder / READINGS_FILE):
            raise StudyError(
                "This half holds no readings that were taken with the entry form",
                "Put plain tables together in one table instead",
                file=folder,
            )
        if not verify_folder(folder).unaltered:
            raise StudyError(
                "The record of this half is not as it was written",
                "See what was changed, and put it on record: grr verify FOLDER",
                file=folder,
            )
        self.lines = read_lines(folder / READINGS_FILE, journal.WRITTEN)
        self.event_lines = read_lines(folder / EVENTS_FILE, events.WRITTEN)
        self.events = _events(self.event_lines)
        turns = {event.session: event.name for event in self.events if event.kind == "session"}
        for session, last in turns.items():
            if last == "start":
                raise StudyError(
                    f"Session {session} of this half is still open",
                    "Close it in the form or with grr collect, then merge again",
                    file=folder,
                )

    @property
    def anchored(self) -> bool:
        """Whether the record says from its beginning how many rows it held."""
        return any(event.kind == FORM for event in self.events)


class _Joined:
    """What the second half adds to the first."""

    def __init__(self, one: _Half, two: _Half) -> None:
        self._one, self._two = one, two
        self._shared = _common(one.lines, two.lines)
        shared = _common(one.event_lines, two.event_lines)
        self._new_events = _events(two.event_lines[shared:])
        self._both = _rows(one.lines[: self._shared])
        self._mine = _rows(one.lines[self._shared :])
        theirs = _rows(two.lines[self._shared :])
        self.renumbered = _renumbered(
            [*(e.session for e in self._new_events), *(row.session for row in theirs)],
            kept={e.session for e in _events(one.event_lines[:shared])},
            used={e.session for e in one.events} | {row.session for row in _rows(one.lines)},
        )
        held, before = _highest(self._both), _highest(_rows(one.lines))
        self.readings = [
            replace(
                row,
                session=self.renumbered.get(row.session, row.session),
                order=_moved(row.order, held, before - held),
            )
            for row in theirs
        ]

    def refuse_conflicts(self) -> None:
        """Refuse what was measured, or corrected, in both halves, each without the other."""
        mine, theirs = self._mine, self.readings
        if not theirs:
            raise StudyError(
                "The second half holds no reading that the first does not",
                "Go on with the first folder",
                file=self._two.folder,
            )
        again = {row.id for row in mine} & {row.id for row in theirs}
        if again:
            raise StudyError(
                f"The first folder holds {counted(len(again), 'row')} of the second already",
                "They were merged before: go on with the first folder",
                file=self._two.folder,
            )
        voided = {row.voids for row in (*self._both, *mine, *theirs)}
        standing = {row.where: row for row in mine if row.reading and row.id not in voided}
        conflicts = [
            (standing[row.where], row)
            for row in theirs
            if row.reading and row.id not in voided and row.where in standing
        ]
        if conflicts:
            first, other = conflicts[0]
            where = f"part {first.part}, operator {first.operator}, trial {first.trial}" + (
                f", method {first.method}" if first.method else ""
            )
            more = f" and {counted(len(conflicts) - 1, 'place')} more" if conflicts[1:] else ""
            raise StudyError(
                f"Both halves measured {where}: {first.reading} and {other.reading}{more}",
                "Take one of the readings out where it does not count (undo it in its folder's "
                "form), then merge again",
                file=self._two.folder,
            )
        corrected = ({row.voids for row in mine} & {row.voids for row in theirs}) - {""}
        if corrected:
            raise StudyError(
                f"Both halves corrected {counted(len(corrected), 'reading')} that they share",
                "Nothing here can tell which correction counts: correct it in one half only",
                file=self._two.folder,
            )
        if self._one.anchored and not self._two.anchored:
            raise StudyError(
                "The second half was begun by version 0.1.0, which anchored nothing",
                "Name it first, and the other one second",
                file=self._two.folder,
            )

    def events(self, lines: Sequence[Line]) -> list[Event]:
        """Return the events of the second half as they stand behind those of the first.

        Parameters
        ----------
        lines : sequence of Line
            The merged readings, which the anchors are to fit.
        """
        found = []
        for event in self._new_events:
            session = self.renumbered.get(event.session, event.session)
            told = replace(event, session=session)
            if event.kind == ANCHOR and event.old.isdecimal():
                count = self._count_now(int(event.old))
                seal = lines[count - 1].seal if count else ""
                told = replace(told, old=str(count), value=seal)
            found.append(told)
        return found

    def _count_now(self, count: int) -> int:
        """Return how many rows stand, merged, where the second half held ``count`` lines."""
        if count <= self._shared:
            return count
        return len(self._one.lines) + len(_rows(self._two.lines[self._shared : count]))


def _common(one: Sequence[Line], two: Sequence[Line]) -> int:
    """Return how many first lines are the same: a seal stands for all lines up to its own."""
    same = 0
    for here, there in zip(one, two, strict=False):
        if here.seal != there.seal:
            break
        same += 1
    return same


def _rows(lines: Sequence[Line]) -> list[JournalRow]:
    """Return the rows of a record, without lines that were torn off."""
    return [JournalRow(*line.cells) for line in lines if line.cells is not None]


def _events(lines: Sequence[Line]) -> list[Event]:
    return [Event(*line.cells) for line in lines if line.cells is not None]


def _renumbered(names: Sequence[str], *, kept: set[str], used: set[str]) -> dict[str, str]:
    """Return session of the second half → its new number, counted on from those of the first."""
    last = max((int(name) for name in used if name.isdecimal()), default=0)
    new = [name for name in dict.fromkeys(names) if name.isdecimal() and name not in kept]
    numbers = {name: str(last + place) for place, name in enumerate(new, start=1)}
    return {name: number for name, number in numbers.items() if name != number}


def _highest(rows: Sequence[JournalRow]) -> int:
    return max((int(row.order) for row in rows if row.order.isdecimal()), default=0)


def _moved(order: str, shared: int, by: int) -> str:
    """Return the number of a measurement, behind those of the first half where it is new."""
    return str(int(order) + by) if order.isdecimal() and int(order) > shared else order


def _refuse_same_places(one: Path, two: Path, target: Path) -> None:
    places = [path.resolve() for path in (one, two, target)]
    for number, place in enumerate(places):
        if any(place == other or other in place.parents for other in places[:number]):
            raise StudyError(
                "The two halves and the new folder must be three folders, none inside another",
                "Name a new folder beside them",
                file=place,
            )


def _refuse_other_settings(one: Path, two: Path) -> None:
    found = differences(*(by_key(settings_text(read_settings(folder))) for folder in (one, two)))
    if found:
        raise StudyError(
            "The folders are not two halves of one study, since study.toml differs: "
            f"{listed([str(change) for change in found], 3)}",
            "Make both the same, and put the change on record: grr record FOLDER --by NAME "
            "--reason WHY",
            file=two / STUDY_FILE,
        )
