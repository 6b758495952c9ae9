"""Sessions: an operator begins, answers the checklist, measures, checks zero and ends."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any

from grr.entry.collecting import FROM_SHEET, Collecting, Outcome, ReadingsSoFar, settings_events
from grr.entry.entered_numbers import one_number
from grr.files.verify import seal_now
from grr.model.errors import StudyError
from grr.model.facts import CLOSED_FACES, DEVIATION, HOLDINGS, MASTER
from grr.questions.collection import HELPER


def begin(work: Collecting, operator: str, *, from_sheet: bool = False) -> Outcome:
    """Let an operator of the plan begin, or type in what was written on paper.

    Raises
    ------
    StudyError
        The operator is not in the plan, or another session is open.
    """
    with work.writing() as record:
        if record.session is not None:
            raise StudyError(f"The session of {record.session.value} is open", "End it first")
        if not work.places_of(record, operator):
            raise StudyError(
                "This operator is not in the plan",
                "Pick one of the list, or add a new operator",
                value=operator,
            )
        work.ownership.tell_operator(operator)
        number = str(record.sessions_begun + 1)
        start = work.event(
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
            for event in settings_events(work.job.settings, record)
        ]
        work.file(events=[*found, start])
        return Outcome("done", f"{operator} begins.")


def end(work: Collecting, zero: str = "", *, keep_zero: bool = False) -> Outcome:
    """End the session, with what the gauge shows at zero ("" where that was not checked).

    Asks once where the zero is off.

    Raises
    ------
    StudyError
        No session is open, or the zero is no number.
    """
    with work.writing() as record:
        if record.session is None:
            raise StudyError("No session is open", "Pick the operator to begin one")
        operator = record.session.value
        events = [work.event(record, "session", name="end", value=operator)]
        if zero.strip():
            number = one_number(zero, work.job.settings.unit)
            off = number.value - _expected_zero(work, record, {})
            if not keep_zero and zero_is_off(off, work.job.settings.resolution):
                return Outcome(
                    "asked",
                    "The zero is off. Leave the gauge as it is: check it once more and enter "
                    "what it shows, or keep it.",
                )
            on = _zeroed_on(record, {}, work.job.settings.unit)
            events.insert(0, work.event(record, "zero", name="after", old=on, value=number.text))
        work.file(events=events)
        seal = seal_now(work.job.folder)
        return Outcome("done", f"The session of {operator} is ended. Write down its seal: {seal}")


def questions(work: Collecting, record: ReadingsSoFar) -> list[Item]:
    """Return the checklist that is due now, with the answers known from the facts."""
    place = work.due(record)
    return checklist_items(
        work.job.settings.unit,
        work.job.settings.facts,
        work.job.methods,
        place.method if place else "",
        again=_again(work, record),
    )


def _again(work: Collecting, record: ReadingsSoFar) -> bool:
    """Whether soak and zero only are asked: after a gap, or where the next gauge is taken up."""
    done = any(event.name == "done" for event in record.in_session("checklist"))
    return work.stage(record) == "again" or (done and not work.job.methods)


def answer(work: Collecting, answers: Mapping[str, Any], *, keep_zero: bool = False) -> Outcome:
    """Store the checklist; asks once where the zero is off.

    Raises
    ------
    StudyError
        An answer is missing or not of its kind; ``column`` names the question.
    """
    with work.writing() as record:
        place = work.due(record)
        method = place.method if place else ""
        unit = work.job.settings.unit
        kept = checked_answers(questions(work, record), answers, method, unit)
        zero = kept.pop("zero")
        on = _zeroed_on(record, kept, unit)
        off = float(zero) - _expected_zero(work, record, kept)
        if not keep_zero and zero_is_off(off, work.job.settings.resolution):
            return Outcome(
                "asked",
                "The zero is off. Set the gauge to zero and enter what it shows, or keep it.",
            )
        name = "again" if _again(work, record) else "before"
        events = [work.event(record, "checklist", name=key, value=kept[key]) for key in kept]
        events.append(work.event(record, "zero", name=name, old=on, value=zero))
        done = place.with_what if place else ""
        events.append(work.event(record, "checklist", name="done", value=done))
        work.file(events=events)
        return Outcome("done", "Checked.")


def _answers(record: ReadingsSoFar, kept: Mapping[str, str]) -> dict[str, str]:
    return {event.name: event.value for event in record.in_session("checklist")} | dict(kept)


def _zeroed_on(record: ReadingsSoFar, kept: Mapping[str, str], unit: str) -> str:
    """Return what the zero was checked on, such as "master 10.0000 mm, certificate 17"."""
    answers = _answers(record, kept)
    on = answers.get("zeroed_on", "")
    if on != MASTER:
        return on
    certificate = answers.get("zero_master_certificate", "")
    size = f"{on} {answers.get('zero_master_size', '')} {unit}".strip()
    return f"{size}, certificate {certificate}" if certificate else size


def _expected_zero(work: Collecting, record: ReadingsSoFar, kept: Mapping[str, str]) -> float:
    answers = _answers(record, kept)
    absolute = work.job.settings.facts.get("readings_are") != DEVIATION
    on_master = answers.get("zeroed_on") == MASTER and absolute
    return float(answers["zero_master_size"]) if on_master else 0.0


# The checklist: what is asked before the first reading of a session, and again after a gap


#: How long a gauge lies on the plate between two ways of holding (common practice, no source).
COOL_MINUTES = 10
#: Off zero by more last digits than this: set it again, or keep it on purpose.
ZERO_DIGITS = 2

ALONE = "I take them myself"


@dataclass(frozen=True)
class Item:
    """One question of the checklist; ``kind`` is yes_no, number, choice or text."""

    key: str
    question: str
    kind: str
    help: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    answer: str = ""

    def as_dict(self) -> dict[str, object]:
        """Return the item as the form shows it."""
        return asdict(self)


_ITEMS = (
    Item(
        "handing_out",
        "Who hands out the parts?",
        "choice",
        "Yourself: the report says “not blind”.",
        choices=(HELPER, ALONE),
    ),
    Item("faces_cleaned", "Measuring faces and parts wiped clean?", "yes_no"),
    Item(
        "soak_minutes",
        "Gauge and parts side by side in this room for",
        "number",
        "",
        "min",
    ),
    Item("room_temperature", "Room temperature", "number", "", "°C"),
    Item("holding", "How do you hold the gauge?", "choice", choices=HOLDINGS),
    Item("zeroed_on", "Zero checked on", "choice", choices=(CLOSED_FACES, MASTER)),
    Item("zero_master_size", "Size of the master", "number"),
    Item("zero_master_certificate", "Its certificate", "text"),
    Item(
        "zero_orientation",
        "Gauge held as in measuring while zero was checked?",
        "yes_no",
    ),
    Item("zero", "What does the gauge show at zero?", "number", "Press the gauge's button here."),
)
_AGAIN = ("soak_minutes", "room_temperature", "zero")
#: Questions that may be left without an answer.
OPTIONAL = ("zero_master_size", "zero_master_certificate", "room_temperature")


def checklist_items(
    unit: str,
    facts: Mapping[str, object],
    methods: Sequence[str],
    method: str,
    *,
    again: bool = False,
) -> list[Item]:
    """Return the questions, with the answers that the study's facts already give.

    Where the plan compares ways of holding the gauge, the holding method is one of the
    plan's, and must be the one of the readings that follow.
    """
    return [
        _with_known_answer(item, unit, facts, methods, method)
        for item in _ITEMS
        if not again or item.key in _AGAIN
    ]


def _with_known_answer(
    item: Item, unit: str, facts: Mapping[str, object], methods: Sequence[str], method: str
) -> Item:
    if item.kind == "number" and item.unit == "":
        item = replace(item, unit=unit)
    if item.key == "holding" and method:
        return replace(item, choices=tuple(methods), answer=method)
    known = facts.get(item.key, "")
    if item.key == "soak_minutes" or isinstance(known, bool):
        return item
    return replace(item, answer=str(known))


def checked_answers(
    asked: Sequence[Item], answers: Mapping[str, object], method: str, unit: str
) -> dict[str, str]:
    """Return the answers as they are stored.

    Raises
    ------
    StudyError
        An answer is missing or is not of its kind, or the gauge is held in another way
        than the readings that follow are planned for; ``column`` is the key of the question.
    """
    kept: dict[str, str] = {}
    for item in asked:
        text = str(answers.get(item.key, "")).strip()
        kept[item.key] = checked_answer(item, text, unit)
    if kept.get("zeroed_on") == MASTER and not kept.get("zero_master_size"):
        raise StudyError(
            "The master has no size", "Enter the size on its certificate", column="zero_master_size"
        )
    if method and kept.get("holding", method) != method:
        raise StudyError(
            f"The next readings are planned with: {method}",
            f"Hold the gauge that way, or let someone do the part with: {kept['holding']}",
            column="holding",
        )
    return kept


def choices_of(item: Item) -> tuple[str, ...]:
    """Return the answers to pick from; none where it is a number or text."""
    return ("yes", "no") if item.kind == "yes_no" else item.choices


def checked_answer(item: Item, text: str, unit: str) -> str:
    """Return the answer to one question as it is stored; see `checked_answers`."""
    if text == "":
        if item.key in OPTIONAL:
            return ""
        raise StudyError(f"“{item.question}” has no answer", "Answer it", column=item.key)
    if item.kind == "yes_no" and text not in ("yes", "no"):
        raise StudyError(f"“{item.question}” is yes or no", "Answer it", column=item.key)
    if item.kind == "choice" and text not in item.choices:
        raise StudyError(
            f"“{item.question}” has no such answer",
            f"Use one of: {', '.join(item.choices)}",
            column=item.key,
            value=text,
        )
    if item.kind == "number":
        length = item.unit == unit
        try:
            number = one_number(text if length else text.removesuffix(item.unit), unit)
        except StudyError as error:
            raise error.at(column=item.key, value=text) from None
        return number.text
    return text


def zero_is_off(off: float, resolution: float | None) -> bool:
    """Whether the gauge is so far off zero that it should be set again."""
    return resolution is not None and abs(off) > (ZERO_DIGITS + 0.01) * resolution
