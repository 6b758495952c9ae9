"""What a screen shows of a collection: plain data, the same for the form and the terminal."""

from __future__ import annotations

from datetime import datetime
from itertools import takewhile
from typing import Any

from grr.entry import sessions
from grr.entry.collecting import (
    ASKED,
    FROM_SHEET,
    GAP_MINUTES,
    NOTED,
    WAITS,
    Collecting,
    ReadingsSoFar,
    order_of,
)
from grr.entry.corrections import CAUSES
from grr.entry.job import Place, place_of
from grr.entry.sessions import COOL_MINUTES
from grr.entry.taking import RIGHT_AFTER
from grr.files.copies import stray_files
from grr.files.journal import JournalRow
from grr.files.verify import seal_now
from grr.model.record import SHEET

#: So many places ahead are told, for numbers that arrive before the last one is saved.
AHEAD = 40


def view(work: Collecting) -> dict[str, Any]:
    """Return everything that the screen shows now."""
    record = work.record
    places = work.places(record)
    session = record.session
    operator = session.value if session else ""
    own = [place for place in places if place.operator == operator]
    parts = list(dict.fromkeys(place.part for place in places))
    due = work.due(record)
    stage = work.stage(record)
    changes = any(event.name == "done" for event in record.in_session("checklist"))
    return {
        "study": work.job.key,
        "title": work.job.settings.title,
        "unit": work.job.settings.unit,
        "facts": _facts(work),
        "stage": stage,
        "operator": operator,
        "from_sheet": bool(session and session.reason == FROM_SHEET),
        "place": _place(due, own),
        "labels": {part: work.label(record, part) for part in parts},
        "ahead": [place.as_list for place in _ahead(work, record, due)],
        "then_method": _then_method(work, record, due),
        "done": sum(place in record.at for place in own),
        "total": len(own),
        "all_done": sum(place in record.at for place in places),
        "all_total": len(places),
        "saved_at": _local(record.rows[-1].time)[11:16] if record.rows else "",
        "operators": _operators(places, record),
        "parts": parts,
        "question": open_question(work, record),
        "compared": _compared(record),
        "causes": list(CAUSES),
        "again": record.taken_again,
        "checklist": [item.as_dict() for item in sessions.questions(work, record)]
        if stage in ("checklist", "again")
        else [],
        "cool_minutes": COOL_MINUTES if work.job.methods and changes else 0,
        "gap_minutes": GAP_MINUTES,
        "torn_rows": list(work.journal.torn_rows),
        "beside": copies_beside(work),
        "closed": _closed(work, record) if stage == "operator" else {},
        "opened": record.opened,
        "finished": _finished(work, record) if stage == "finished" else {},
    }


def _facts(work: Collecting) -> list[str]:
    facts, limits = work.job.settings.facts, work.job.limits_in_words
    gauge = facts.get("gauge_number")
    told = [str(facts.get("characteristic", "")), f"limits {limits}" if limits else ""]
    told += [f"gauge {gauge}" if gauge else "", str(facts.get("measuring_place", ""))]
    return [text for text in told if text]


def _place(place: Place | None, own: list[Place]) -> dict[str, Any] | None:
    if place is None:
        return None
    trials = max((p.trial for p in own), default=place.trial)
    return {
        "part": place.part,
        "trial": place.trial,
        "trials": trials,
        "method": place.with_what,
        "place": place.place,
        "gauge": place.gauge,
        "operator": place.operator,
        "key": place.as_list,
    }


def _ahead(work: Collecting, record: ReadingsSoFar, due: Place | None) -> list[Place]:
    """Return the places after the one due that are measured in the same way."""
    if due is None:
        return []
    left = [p for p in work.open_places(record, due.operator) if p != due]
    return list(takewhile(lambda place: place.with_what == due.with_what, left[:AHEAD]))


def _then_method(work: Collecting, record: ReadingsSoFar, due: Place | None) -> str:
    """Return what the operator measures with later, in another way or with another gauge."""
    if due is None:
        return ""
    left = work.open_places(record, due.operator)
    others = (place.with_what for place in left if place.with_what != due.with_what)
    return next(others, "")


def _operators(places: list[Place], record: ReadingsSoFar) -> list[dict[str, Any]]:
    names = dict.fromkeys(place.operator for place in places)
    return [
        {
            "name": name,
            "done": sum(p in record.at for p in places if p.operator == name),
            "total": sum(p.operator == name for p in places),
        }
        for name in names
    ]


def open_question(work: Collecting, record: ReadingsSoFar) -> dict[str, Any] | None:
    """Return the question that waits for an answer in the open session, oldest first."""
    for row in work.questions_of_session(record):
        words = row.reason.removeprefix(ASKED)
        return {
            "id": row.id,
            "words": words.split("; "),
            "place": place_of(row).as_list,
            "twice": RIGHT_AFTER in words,
            "waits": row in record.waiting,
            # A slip may be seen; what bounced is the reading before it.
            "typed": row.raw.strip() if row in record.waiting and RIGHT_AFTER not in words else "",
        }
    return None


def _compared(record: ReadingsSoFar) -> dict[str, Any] | None:
    """Return the reading just measured again whose first value counts, for naming a cause."""
    measured = record.last_measured()
    if not measured:
        return None
    rows = record.at.get(place_of(measured[-1]), [])
    if len(rows) < 2 or order_of(rows[-1]) != order_of(measured[-1]):
        return None
    return {"id": rows[0].id, "place": place_of(rows[0]).as_list}


def copies_beside(work: Collecting) -> list[str]:
    """Return in sentences what lies beside the record and may be another copy of it."""
    return [
        f"Look first, before anyone measures again: beside the readings lies {stray}."
        for stray in stray_files(work.job.folder)
    ]


def _closed(work: Collecting, record: ReadingsSoFar) -> dict[str, str]:
    """Return whose session was closed last, and the seal to write down; nothing before that."""
    last = record.last_session
    return {} if last is None else {"operator": last.value, "seal": seal_now(work.job.folder)}


def _finished(work: Collecting, record: ReadingsSoFar) -> dict[str, Any]:
    standing = record.standing
    voided = sum(bool(row.reading) and row.id in record.voided for row in record.rows)
    return {
        "readings": len(standing),
        "again": record.taken_again,
        "voided": voided,
        "sessions": record.sessions_begun,
        "seal": seal_now(work.job.folder),
        "from": _local(standing[0].time) if standing else "",
        "to": _local(standing[-1].time) if standing else "",
    }


def readings_list(work: Collecting) -> dict[str, Any]:
    """Return the readings for the list, newest first; values only where they may be seen.

    They are hidden until the study is complete or was opened on purpose, so that nobody knows
    an earlier reading of a part that is measured once more. Shown are those that tell nothing
    of that: slips and what took their place, numbers set right, and what is typed from paper.
    """
    record = work.record
    seen = record.opened or work.stage(record) == "finished"
    rows = [row for row in record.rows if row.reading]
    rows.sort(key=order_of, reverse=True)
    return {"seen": seen, "rows": [_listed(work, row, record, seen) for row in rows]}


def _listed(work: Collecting, row: JournalRow, record: ReadingsSoFar, seen: bool) -> dict[str, Any]:
    state, gone = _state(row, record)
    may_be_seen = seen or row.source == SHEET or _tells_nothing(row, record)
    at = place_of(row)
    return {
        "id": row.id,
        "order": row.order,
        "place": at.as_list,
        "part": work.label(record, row.part),
        "trial": row.trial,
        "method": ", ".join(one for one in (at.place, at.with_what) if one),
        "operator": row.operator,
        "session": row.session,
        "time": _local(row.time),
        "value": row.reading if may_be_seen else "",
        "state": state,
        "gone": gone,
        "note": row.note,
    }


def _tells_nothing(row: JournalRow, record: ReadingsSoFar) -> bool:
    """Whether this is a slip, or one of the two values of a number that was set right."""
    slips = {other.voids for other in record.rows if other.reason == WAITS}
    if row.id in slips and RIGHT_AFTER not in row.reason:
        return True
    before = record.row(row.voids) if row.voids else None
    after = [other for other in record.rows if other.voids == row.id and other.reading]
    pairs = [(before, row), *((row, other) for other in after)]
    return any(
        old is not None and old.reading != new.reading and RIGHT_AFTER not in old.reason
        for old, new in pairs
    )


def _state(row: JournalRow, record: ReadingsSoFar) -> tuple[str, bool]:
    """Return what became of a reading, and whether it is out of the study for good."""
    if row in record.waiting:
        return "waits for an answer", False
    if row.id not in record.voided:
        first = record.at[place_of(row)][0].id == row.id
        return ("counts" if first else "measured again"), False
    by = next(other for other in reversed(record.rows) if other.voids == row.id)
    if by.reading and by.reason == NOTED:
        return "before its note", True
    if by.reading:
        return ("kept" if by.reading == row.reading else "replaced"), True
    return f"taken out: {by.reason}", True


def _local(time: str) -> str:
    return datetime.fromisoformat(time).astimezone().strftime("%Y-%m-%d %H:%M:%S") if time else ""
