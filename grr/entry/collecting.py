"""A collection at work: its two files, what they say so far, and what comes next.

No screen and no keyboard here: the form in the notebook and the terminal both work on this.
Taking readings is in `grr.entry.taking`, sessions and checklists in `grr.entry.sessions`,
and what is set right afterwards in `grr.entry.corrections`.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from grr.entry.job import Job, Place, place_of, with_changes
from grr.entry.ownership import Ownership
from grr.files.contradictions import ROWS_TO_ANCHOR
from grr.files.disk import writing
from grr.files.events import ANCHOR, FORM, Event, Events
from grr.files.journal import Journal, JournalRow
from grr.files.study_file import by_key, settings_text
from grr.files.verify import FOUND, ONE_KEY, WHOLE, differences
from grr.model.errors import StudyError
from grr.model.record import FORMAT
from grr.model.settings import Settings
from grr.questions.collection import HELPER

#: Begins the reason of a reading that raised a question when it arrived.
ASKED = "asked: "
#: Reason of the row that takes out a reading that cannot be right, as it arrives: it counts
#: only once somebody says that it is to be kept.
WAITS = "does not count unless it is kept"
#: Reason of the row that says a reading once more with a note.
NOTED = "note"
#: A pause longer than this asks for soak and zero again: a hand has warmed the gauge, or
#: the room has changed (common practice, no source).
GAP_MINUTES = 30.0
#: A step of the clock of the computer, against the time that passed, that is put on record.
CLOCK_JUMP_SECONDS = 2.0
#: What the limits stand on that tell whether a reading can be right.
DRAWING, BLOCK = "the drawing", "the block"
#: Reason of a session in which numbers are typed from paper: no checklist, no times.
FROM_SHEET = "from the filled run sheet"


class ReadingsSoFar:
    """The state of a collection, worked out from its two files and nothing else.

    Attributes
    ----------
    rows, events : list
        As on the disk.
    at : dict
        Place → its readings that nothing voids, the first one being the one that counts.
    waiting : list
        Readings that cannot be right and that nobody has kept, replaced or put aside yet.
    """

    def __init__(self, rows: Sequence[JournalRow], events: Sequence[Event]) -> None:
        self.rows = list(rows)
        self.events = list(events)
        voided = {row.voids for row in rows if row.voids}
        put_aside = {row.voids for row in rows if row.voids and row.reason != WAITS}
        self.waiting = [r for r in rows if r.reading and r.id in voided and r.id not in put_aside]
        self.at: dict[Place, list[JournalRow]] = {}
        for row in rows:
            if row.reading and row.id not in voided:
                self.at.setdefault(place_of(row), []).append(row)
        for readings in self.at.values():
            if len(readings) > 1:
                readings.sort(key=order_of)
        self.voided = voided

    @property
    def standing(self) -> list[JournalRow]:
        """The readings that count, in the order in which they were taken."""
        return sorted((rows[0] for rows in self.at.values()), key=order_of)

    @property
    def taken_again(self) -> int:
        """How many readings were measured again and do not count."""
        return sum(len(rows) - 1 for rows in self.at.values())

    def row(self, identifier: str) -> JournalRow | None:
        """Return the row with this id."""
        return next((row for row in self.rows if row.id == identifier), None)

    def counts(self, row: JournalRow) -> bool:
        """Whether nothing voids this reading."""
        return bool(row.reading) and row.id not in self.voided

    def may_be_answered(self, row: JournalRow) -> bool:
        """Whether this reading counts, or would if it were kept."""
        return self.counts(row) or row in self.waiting

    def open_questions(self) -> list[JournalRow]:
        """Return the readings whose question has not been answered, oldest first."""
        answered = {event.name for event in self.events if event.kind == "question"}
        last = [*(rows[-1] for rows in self.at.values()), *self.waiting]
        return sorted(
            (row for row in last if row.reason.startswith(ASKED) and row.id not in answered),
            key=order_of,
        )

    @property
    def session(self) -> Event | None:
        """The event that began the session now open, or None."""
        for event in reversed(self.events):
            if event.kind == "session":
                return event if event.name == "start" else None
        return None

    @property
    def last_session(self) -> Event | None:
        """The event that began the latest session, open or ended."""
        begun = [e for e in self.events if e.kind == "session" and e.name == "start"]
        return begun[-1] if begun else None

    @property
    def sessions_begun(self) -> int:
        """How many sessions were begun."""
        return sum(event.kind == "session" and event.name == "start" for event in self.events)

    def in_session(self, kind: str) -> list[Event]:
        """Return the events of a kind in the session now open."""
        if self.session is None:
            return []
        return [e for e in self.events if e.kind == kind and e.session == self.session.session]

    @property
    def opened(self) -> bool:
        """Whether earlier readings were shown on purpose."""
        return any(event.kind == "opened" for event in self.events)

    @property
    def last_activity(self) -> datetime | None:
        """When something was last done in the session now open."""
        if self.session is None:
            return None
        session = self.session.session
        # Of each file the last row, not the latest time: the clock may have been set back.
        done = [e.time for e in self.events if e.session == session and e.kind != "clock"]
        times = done[-1:]
        times += [row.time for row in self.rows if row.session == session][-1:]
        return max((datetime.fromisoformat(time) for time in times), default=None)

    def last_measured(self) -> list[JournalRow]:
        """Return the readings of the session now open as they arrived, oldest first."""
        session = self.session
        rows = [r for r in self.rows if session and r.session == session.session and r.reading]
        first: dict[str, JournalRow] = {}
        for row in rows:
            first.setdefault(row.order, row)
        return sorted(first.values(), key=order_of)


def order_of(row: JournalRow) -> int:
    """Return the number of a measurement, for sorting."""
    return int(row.order) if row.order.isdecimal() else 0


@dataclass(frozen=True)
class Outcome:
    """What became of what was sent.

    ``kind`` is "recorded"; "asked" (written down, and a question is open); "again" (measured
    again, the first reading counts); or "done". ``rest`` holds numbers of a block that wait
    until the question is answered.
    """

    kind: str
    words: str
    rows: tuple[JournalRow, ...] = ()
    rest: str = ""


def the_time() -> datetime:
    """Return the time in UTC."""
    return datetime.now(UTC)


class Collecting:
    """A collection in one study folder.

    Parameters
    ----------
    job : Job
    clock : callable
        Gives the time of day, for the files; another one for tests.
    ticks : callable
        Gives seconds that only go on, whatever is done to the clock: how long something took
        is told by these.

    Attributes
    ----------
    journal, events : Journal, Events
        The two files of the collection.
    ownership : Ownership
        Whether this window may write.
    item : str
        What is measured: a part.
    limits_on : str
        What the limits stand on that tell whether a reading can be right.
    same_is_doubtful : bool
        Whether readings that are all the same are asked about, as parts differ.
    """

    item, limits_on, same_is_doubtful = "part", DRAWING, True

    def __init__(
        self,
        job: Job,
        clock: Callable[[], datetime] = the_time,
        ticks: Callable[[], float] = time.monotonic,
    ) -> None:
        self.job = job
        self.clock = clock
        self.ticks = ticks
        self.ownership = Ownership(job.folder)
        plan = job.settings.plan
        further = plan is not None and bool(plan.places or plan.gauges)
        self.journal = Journal(job.folder / "readings.csv", further=further)
        self.events = Events(job.folder / "events.csv")
        self._guard = threading.RLock()
        self._clock_seen = clock(), ticks()
        self._written_at: float | None = None  # in ticks, like the next
        self._measured_at = ("", 0.0)  # with the id of the reading

    @property
    def record(self) -> ReadingsSoFar:
        """The state of the collection, from the disk."""
        return ReadingsSoFar(self.journal.rows, self.events.rows)

    @contextmanager
    def writing(self) -> Iterator[ReadingsSoFar]:
        """Give the record to one thread at a time, and only to the window that may write.

        Raises
        ------
        StudyError
            Another window has taken over, or the folder cannot be written to.
        """
        with self._guard:
            self.ownership.insist()
            with writing(self.job.folder):
                self._log_clock_jump()
                yield self.record

    def file(
        self, rows: Sequence[JournalRow] = (), events: Sequence[Event] = (), identifier: str = ""
    ) -> list[JournalRow]:
        """Write what a message brought: all of it, or where a write fails none of it.

        Parameters
        ----------
        rows : sequence of JournalRow
        events : sequence of Event
            What belongs to the rows.
        identifier : str
            Of the message, for its rows.

        Returns
        -------
        list of JournalRow
            As written; they are on the disk.

        Raises
        ------
        StudyError
            It could not be written.
        """
        kinds = {event.kind for event in self.events.rows}
        new = not self.journal.rows and not kinds & {FORM, "session"}
        written = self.journal.append_all(rows, identifier)
        try:
            form = [self._form(events[0])] if new and events else []
            self.events.append(*form, *events, *self._anchor(events, written))
        except BaseException:
            if written:
                self.journal.take_back()
            raise
        self._written_at = self.ticks()
        return written

    def _form(self, first: Event) -> Event:
        """Return the number of the form of a new record, to stand before its first event."""
        files = f"{self.journal.path.name}, events.csv"
        number = {"kind": FORM, "name": files, "value": str(FORMAT)}
        return Event(time=first.time, session=first.session, **number)

    def _anchor(self, events: Sequence[Event], written: Sequence[JournalRow]) -> list[Event]:
        """Return the state of the readings, where it is to be put among the events.

        When a session starts or ends, when a checklist is done, as after each pause, and every
        `ROWS_TO_ANCHOR` rows.
        """
        turn = [e for e in events if e.kind == "session" or e.name == "done"]
        rows = self.journal.length
        if not turn and (not written or rows - self._anchored() < ROWS_TO_ANCHOR):
            return []
        time = turn[-1].time if turn else stamp(self.clock())
        session = turn[-1].session if turn else written[-1].session
        state = {"name": self.journal.path.name, "old": str(rows), "value": self.journal.last_seal}
        return [Event(time=time, session=session, kind=ANCHOR, **state)]

    def _anchored(self) -> int:
        """Return how many rows the readings held at the last anchor; 0 where there is none."""
        held = [event.old for event in self.events.rows if event.kind == ANCHOR]
        return int(held[-1]) if held and held[-1].isdecimal() else 0

    def _log_clock_jump(self) -> None:
        """Put on record that the clock of the computer was set meanwhile, or that it slept."""
        clock, ticks = self.clock(), self.ticks()
        seen, then = self._clock_seen
        expected = seen + timedelta(seconds=ticks - then)
        if abs((clock - expected).total_seconds()) > CLOCK_JUMP_SECONDS:
            reason = "the clock of the computer was set, or the computer slept"
            jump = {"old": stamp(expected), "value": stamp(clock), "reason": reason}
            self.events.append(self.event(self.record, "clock", **jump))
        self._clock_seen = clock, ticks

    def seconds_since(self, row: JournalRow, ticks: float) -> float | None:
        """Return how long before ``ticks`` a reading was measured.

        None where it was measured later (this one had to wait) or not in this process.
        """
        identifier, at = self._measured_at
        return ticks - at if row.id == identifier and ticks >= at else None

    def measured(self, row: JournalRow, ticks: float) -> None:
        """Remember when a reading was measured."""
        self._measured_at = row.id, ticks

    def places(self, record: ReadingsSoFar) -> list[Place]:
        """Return every place to be measured, in order, with later changes."""
        return with_changes(self.job.places, record.events)

    def places_of(self, record: ReadingsSoFar, operator: str) -> list[Place]:
        """Return the places of one operator, in order."""
        return [place for place in self.places(record) if place.operator == operator]

    def open_places(self, record: ReadingsSoFar, operator: str) -> list[Place]:
        """Return the places of one operator that hold no reading yet, in order."""
        return [place for place in self.places_of(record, operator) if place not in record.at]

    def places_left(self, record: ReadingsSoFar) -> list[Place]:
        """Return the places to measure in the open session, in order.

        Where a plan spreads an operator's trials over sessions, those of one of them only:
        the next begins on another day, with a fresh zero.
        """
        session = record.session
        if session is None:
            return []
        left = self.open_places(record, session.value)
        plan = self.job.settings.plan
        if not left or plan is None or plan.sessions == 1 or session.reason == FROM_SHEET:
            return left
        read = [row for row in record.rows if row.session == session.session and row.reading]
        now = plan.session_of(place_of(read[0]).trial if read else left[0].trial)
        return [place for place in left if plan.session_of(place.trial) == now]

    def questions_of_session(self, record: ReadingsSoFar) -> list[JournalRow]:
        """Return the readings of the open session whose question waits for an answer."""
        session = record.session
        if session is None:
            return []
        return [row for row in record.open_questions() if row.session == session.session]

    def stage(self, record: ReadingsSoFar) -> str:
        """Return what to do now.

        "operator" (pick one), "checklist", "again" (soak and zero, after a gap), "measure",
        "zero" (after the last reading of a session) or "finished".
        """
        session = record.session
        if session is None:
            left = any(place not in record.at for place in self.places(record))
            return "operator" if left else "finished"
        if self.questions_of_session(record):
            return "measure"
        left_here = self.places_left(record)
        if not left_here:
            return "zero"
        if session.reason == FROM_SHEET:
            return "measure"
        done = [event.value for event in record.in_session("checklist") if event.name == "done"]
        if done[-1:] != [left_here[0].with_what]:
            return "checklist"
        return "again" if self._gap(record) else "measure"

    def _gap(self, record: ReadingsSoFar) -> bool:
        """Tell whether nothing was written for long.

        By the clock, which goes on while the computer sleeps, or by the seconds that passed,
        which go on while the clock is set back.
        """
        last = record.last_activity
        if last is None:
            return False
        seconds = (self.clock() - last).total_seconds()
        if self._written_at is not None:
            seconds = max(seconds, self.ticks() - self._written_at)
        return seconds > 60 * GAP_MINUTES

    def doubtful_beyond(self, _place: Place) -> tuple[float | None, float | None]:
        """Return the limits far outside which a reading of a place cannot be right."""
        return self.job.shown_limits

    def due(self, record: ReadingsSoFar) -> Place | None:
        """Return the place that the next number belongs to; None where there is none.

        While a question is open that is the place that it is about.
        """
        if record.session is None:
            return None
        for row in self.questions_of_session(record):
            return place_of(row)
        left = self.places_left(record)
        return left[0] if left else None

    def label(self, record: ReadingsSoFar, part: str) -> str:
        """Return how a part is called on the screen.

        By its code where a helper hands out the parts by the key sheet, so that the operator
        does not know which one it is; by code and name while a filled run sheet is typed in.
        """
        session = record.session
        code = self.job.codes.get(part, "")
        if session is None or not code:
            return part
        if session.reason == FROM_SHEET:
            return f"{code} = {part}"
        given = [e.value for e in record.in_session("checklist") if e.name == "handing_out"]
        return code if given[-1:] == [HELPER] and not record.opened else part

    def named(self, record: ReadingsSoFar, row: JournalRow) -> str:
        """Return the place of a reading in words, with the part as the screen calls it."""
        place = place_of(row)
        return str(replace(place, part=self.label(record, place.part)))

    def reading(self, record: ReadingsSoFar, identifier: str) -> JournalRow:
        """Return a reading that counts, waits or is kept for comparison, by its id.

        Raises
        ------
        StudyError
            There is none.
        """
        row = record.row(identifier)
        if row is None or not record.may_be_answered(row):
            raise StudyError(
                "There is no such reading, or it was voided already", "Look at the list again"
            )
        return row

    def log(self, record: ReadingsSoFar, kind: str, **cells: str) -> None:
        """Write one event of the open session."""
        self.file(events=[self.event(record, kind, **cells)])

    def answer(self, record: ReadingsSoFar, asked: JournalRow, value: str) -> Event:
        """Return the event that answers the question about a reading, not yet written."""
        old = asked.reason.removeprefix(ASKED)
        return self.event(record, "question", name=asked.id, old=old, value=value)

    def event(self, record: ReadingsSoFar, kind: str, **cells: str) -> Event:
        """Return an event of the open session, not yet written."""
        session = record.session
        cells.setdefault("session", session.session if session else "")
        cells.setdefault("entered_by", session.value if session else "")
        return Event(time=stamp(self.clock()), kind=kind, **cells)


def stamp(time: datetime) -> str:
    """Return a time as the files hold it."""
    return time.astimezone(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


# Changes of ``study.toml`` that were made with a text editor are found and logged


def settings_events(settings: Settings, record: ReadingsSoFar) -> list[Event]:
    """Return what to log about the settings when a session or the first reading begins.

    The settings in full the first time and after each change; once there are readings, also
    one event for each key that changed without having been logged by
    `grr.files.folder.change_settings`.
    """
    text = settings_text(settings)
    kept = [event.value for event in record.events if event.kind == WHOLE]
    changes = differences(by_key(kept[-1]), by_key(text)) if kept else []
    if kept and not changes:
        return []
    whole = Event(kind=WHOLE, name="study.toml", value=text)
    if not record.rows:
        return [whole]
    logged = {event.name: event.value for event in record.events if event.kind == ONE_KEY}
    return [
        *(
            Event(kind=ONE_KEY, name=one.key, old=one.old, value=one.new, reason=FOUND)
            for one in changes
            if logged.get(one.key) != one.new
        ),
        whole,
    ]


def log_before_first_reading(work: Collecting, record: ReadingsSoFar, taken: datetime) -> None:
    """Log the settings where they were corrected after the session began."""
    if record.rows:
        return
    session = record.session.session if record.session else ""
    found = settings_events(work.job.settings, record)
    work.file(events=[replace(event, session=session, time=stamp(taken)) for event in found])
