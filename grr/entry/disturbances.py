"""What happens while measuring: someone falls ill, a part is dropped, someone peeks."""

from __future__ import annotations

from grr.entry.corrections import voiding
from grr.entry.desk import Desk, Outcome
from grr.entry.record import Record
from grr.model.errors import StudyError
from grr.model.values import article, spelling


def add(desk: Desk, what: str, name: str) -> Outcome:
    """Add an "operator" or a "part" to the plan.

    Raises
    ------
    StudyError
        It has no name, or the name is taken.
    """
    with desk.writing() as record:
        name = _new_name(desk, record, what, name)
        desk.log(record, "added", name=what, value=name)
        return Outcome("done", f"Added: {what} {name}.")


def withdraw(
    desk: Desk, what: str, name: str, reason: str, *, replacement: str = "", drop: bool = False
) -> Outcome:
    """Take an operator or a part out of the plan; the readings so far stay.

    Parameters
    ----------
    desk : Desk
    what : {"operator", "part"}
    name, reason : str
    replacement : str
        A name of its own for the part that takes the place, where there is one.
    drop : bool
        Whether the readings taken so far are voided.

    Raises
    ------
    StudyError
        There is nothing of that name, no reason is given, or the replacement's name is taken.
    """
    with desk.writing() as record:
        if name not in {getattr(place, what) for place in desk.places(record)}:
            raise StudyError(f"The plan has no {what} of that name", "Pick one", value=name)
        if not reason.strip():
            raise StudyError("No reason is given", "Write what happened in a few words")
        if replacement:
            replacement = _new_name(desk, record, what, replacement)
        reason = reason.strip()
        taken = [row for rows in record.at.values() for row in rows if getattr(row, what) == name]
        dropped = [voiding(row, reason) for row in taken] if drop else []
        gone = {"name": what, "old": name, "value": replacement, "reason": reason}
        events = [desk.event(record, "withdrawn", **gone)]
        session = record.session
        if what == "operator" and session is not None and session.value == name:
            events.append(desk.event(record, "session", name="end", value=name, reason=reason))
        desk.file(dropped, events)
        return Outcome("done", f"Withdrawn: {what} {name}.")


def show_earlier_readings(desk: Desk) -> Outcome:
    """End blindness on purpose; this is logged, and said in the report."""
    with desk.writing() as record:
        if not record.opened:
            desk.log(record, "opened", reason="earlier readings shown on request")
        return Outcome("done", "Earlier readings are shown; this is logged.")


def _new_name(desk: Desk, record: Record, what: str, name: str) -> str:
    name = " ".join(name.split())
    if not name:
        raise StudyError(f"The {what} has no name", "Enter a name")
    taken = {getattr(place, what) for place in (*desk.job.places, *desk.places(record))}
    taken |= {event.old for event in record.events if event.kind == "withdrawn"}
    if spelling(name) in set(map(spelling, taken)):
        raise StudyError(
            f"There is {article(what)} {what} of this name, or there was one",
            "Give a name that was not used yet",
            value=name,
        )
    return name
