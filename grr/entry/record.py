"""What the files of a study say so far: a snapshot of the journal and the events."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from grr.entry.places import Place, place_of
from grr.files.events import Event
from grr.files.journal import JournalRow

#: Begins the reason of a reading that raised a question when it arrived.
ASKED = "asked: "


class Record:
    """The state of a collection, worked out from its two files and nothing else.

    Attributes
    ----------
    rows, events : list
        As on the disk.
    at : dict
        Place → its readings that nothing voids, the first one being the one that counts.
    """

    def __init__(self, rows: Sequence[JournalRow], events: Sequence[Event]) -> None:
        self.rows = list(rows)
        self.events = list(events)
        voided = {row.voids for row in rows if row.voids}
        self.at: dict[Place, list[JournalRow]] = {}
        for row in rows:
            if row.reading and row.id not in voided:
                self.at.setdefault(place_of(row), []).append(row)
        for readings in self.at.values():
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

    def open_questions(self) -> list[JournalRow]:
        """Return the readings whose question has not been answered, oldest first."""
        answered = {event.name for event in self.events if event.kind == "question"}
        last = [rows[-1] for rows in self.at.values()]
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
        """When something was last written in the session now open."""
        if self.session is None:
            return None
        session = self.session.session
        # Of each file the last row, not the latest time: the clock may have been set back.
        times = [event.time for event in self.events if event.session == session][-1:]
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
