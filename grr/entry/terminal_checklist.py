"""The checklist at the terminal: one question after another, each until it is answered."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from grr.entry import sessions
from grr.entry.checklist import OPTIONAL, Item, checked_answer, choices_of
from grr.entry.desk import Desk
from grr.model.errors import StudyError
from grr.model.facts import MASTER

Ask = Callable[[str], str]
Say = Callable[[str], None]


def ask_checklist(desk: Desk, ask: Ask, say: Say) -> None:
    """Ask every question that is due, once more only what cannot be used, and store it.

    Parameters
    ----------
    desk : Desk
    ask : callable
        Shows words and returns what is typed.
    say : callable
        Shows words.
    """
    unit = desk.job.settings.unit
    items = sessions.questions(desk, desk.record)
    answers: dict[str, str] = {}
    left: Sequence[Item] = items
    while left:
        for item in left:
            if not item.key.startswith("zero_master") or answers.get("zeroed_on") == MASTER:
                answers[item.key] = _asked(item, unit, ask, say)
        left = _stored(desk, items, answers, ask, say)


def _stored(
    desk: Desk, items: Sequence[Item], answers: dict[str, str], ask: Ask, say: Say
) -> list[Item]:
    """Store the answers; return the questions to ask once more before that is possible."""
    keep = False
    while True:
        try:
            outcome = sessions.answer(desk, answers, keep_zero=keep)
        except StudyError as error:
            say(f"✕ {error}")
            return [item for item in items if item.key == error.column]
        if outcome.kind != "asked":
            say(f"✓ {outcome.words}")
            return []
        say(f"? {outcome.words}")
        zero = ask("  The new zero, or k to keep it:")
        keep = zero == "k"
        if not keep:
            answers["zero"] = zero


def _asked(item: Item, unit: str, ask: Ask, say: Say) -> str:
    """Ask one question until its answer can be used."""
    choices = choices_of(item)
    hints = [" / ".join(f"{n} {choice}" for n, choice in enumerate(choices, 1)) or item.unit]
    if item.answer or item.key in OPTIONAL:
        hints.append(f"Enter: {item.answer or 'not stated'}")
    hint = "; ".join(filter(None, hints))
    while True:
        text = ask(f"  {item.question}{f' ({hint})' if hint else ''}:")
        if text.isdecimal() and 1 <= int(text) <= len(choices):
            text = choices[int(text) - 1]
        try:
            return checked_answer(item, text or item.answer, unit)
        except StudyError as error:
            say(f"✕ {error}")
