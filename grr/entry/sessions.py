"""Sessions: an operator begins, answers the checklist, measures, checks zero and ends."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from grr.entry import checklist
from grr.entry.desk import FROM_SHEET, Desk, Outcome
from grr.entry.numbers import one_number
from grr.entry.record import Record
from grr.entry.settings_log import settings_events
from grr.model.errors import StudyError
from grr.model.facts import DEVIATION, MASTER


def begin(desk: Desk, operator: str, *, from_sheet: bool = False) -> Outcome:
    """Let an operator of the plan begin, or type in what was written on paper.

    Raises
    ------
    StudyError
        The operator is not in the plan, or another session is open.
    """
    with desk.writing() as record:
        if record.session is not None:
            raise StudyError(f"The session of {record.session.value} is open", "End it first")
        if not desk.places_of(record, operator):
            raise StudyError(
                "This operator is not in the plan",
                "Pick one of the list, or add a new operator",
                value=operator,
            )
        desk.ownership.tell_operator(operator)
        number = str(record.sessions_begun + 1)
        start = desk.event(
            record,
            "session",
            name="start",
            value=operator,
            reason=FROM_SHEET if from_sheet else "",
            session=number,
            entered_by=operator,
        )
        found = [
            replace(event, session=number, time=start.time)
            for event in settings_events(desk.job.settings, record)
        ]
        desk.file(events=[*found, start])
        return Outcome("done", f"{operator} begins.")


def end(desk: Desk, zero: str = "", *, keep_zero: bool = False) -> Outcome:
    """End the session, with what the gauge shows at zero ("" where that was not checked).

    Asks once where the zero is off.

    Raises
    ------
    StudyError
        No session is open, or the zero is no number.
    """
    with desk.writing() as record:
        if record.session is None:
            raise StudyError("No session is open", "Pick the operator to begin one")
        operator = record.session.value
        events = [desk.event(record, "session", name="end", value=operator)]
        if zero.strip():
            number = one_number(zero, desk.job.settings.unit)
            off = number.value - _expected_zero(desk, record, {})
            if not keep_zero and checklist.zero_is_off(off, desk.job.settings.resolution):
                return Outcome(
                    "asked",
                    "The zero is off. Leave the gauge as it is: check it once more and enter "
                    "what it shows, or keep it.",
                )
            on = _zeroed_on(record, {}, desk.job.settings.unit)
            events.insert(0, desk.event(record, "zero", name="after", old=on, value=number.text))
        desk.file(events=events)
        return Outcome("done", f"The session of {operator} is ended.")


def questions(desk: Desk, record: Record) -> list[checklist.Item]:
    """Return the checklist that is due now, with the answers known from the facts."""
    place = desk.due(record)
    return checklist.items(
        desk.job.settings.unit,
        desk.job.settings.facts,
        desk.job.methods,
        place.method if place else "",
        again=desk.stage(record) == "again",
    )


def answer(desk: Desk, answers: Mapping[str, Any], *, keep_zero: bool = False) -> Outcome:
    """Store the checklist; asks once where the zero is off.

    Raises
    ------
    StudyError
        An answer is missing or not of its kind; ``column`` names the question.
    """
    with desk.writing() as record:
        place = desk.due(record)
        method = place.method if place else ""
        unit = desk.job.settings.unit
        kept = checklist.checked_answers(questions(desk, record), answers, method, unit)
        zero = kept.pop("zero")
        on = _zeroed_on(record, kept, unit)
        off = float(zero) - _expected_zero(desk, record, kept)
        if not keep_zero and checklist.zero_is_off(off, desk.job.settings.resolution):
            return Outcome(
                "asked",
                "The zero is off. Set the gauge to zero and enter what it shows, or keep it.",
            )
        name = "again" if desk.stage(record) == "again" else "before"
        events = [desk.event(record, "checklist", name=key, value=kept[key]) for key in kept]
        events.append(desk.event(record, "zero", name=name, old=on, value=zero))
        events.append(desk.event(record, "checklist", name="done", value=method))
        desk.file(events=events)
        return Outcome("done", "Checked.")


def _answers(record: Record, kept: Mapping[str, str]) -> dict[str, str]:
    return {event.name: event.value for event in record.in_session("checklist")} | dict(kept)


def _zeroed_on(record: Record, kept: Mapping[str, str], unit: str) -> str:
    """Return what the zero was checked on, such as "master 10.0000 mm, certificate 17"."""
    answers = _answers(record, kept)
    on = answers.get("zeroed_on", "")
    if on != MASTER:
        return on
    certificate = answers.get("zero_master_certificate", "")
    size = f"{on} {answers.get('zero_master_size', '')} {unit}".strip()
    return f"{size}, certificate {certificate}" if certificate else size


def _expected_zero(desk: Desk, record: Record, kept: Mapping[str, str]) -> float:
    answers = _answers(record, kept)
    absolute = desk.job.settings.facts.get("readings_are") != DEVIATION
    on_master = answers.get("zeroed_on") == MASTER and absolute
    return float(answers["zero_master_size"]) if on_master else 0.0
