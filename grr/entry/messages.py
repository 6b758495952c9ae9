"""Messages of the entry form: what it may send, and what is done.

The form sends plain dictionaries. Each one that changes something carries an ``id``; one
that was carried out already is answered and not carried out twice, so that the form may
send again what it is not sure of. The answer says under ``saved`` which numbers are on the
disk, by the ids of their messages; the form lets go of those.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping
from dataclasses import asdict
from typing import Any

from grr.entry import corrections, sessions
from grr.entry.collecting import Collecting, Outcome
from grr.entry.job import Place
from grr.entry.table_grid import asked_of, file_table, look_at_table
from grr.entry.taking import take
from grr.entry.view import readings_list, view
from grr.model.errors import StudyError
from grr.model.record import TYPED

Message = Mapping[str, Any]


def _reading(work: Collecting, message: Message) -> Outcome:
    shown = message.get("place")
    place = Place(str(shown[0]), str(shown[1]), int(shown[2]), str(shown[3])) if shown else None
    return take(
        work,
        str(message["text"]),
        identifier=str(message["id"]),
        place=place,
        source=str(message.get("source", TYPED)),
        seconds_ago=float(message.get("age", 0.0)) / 1000.0,
        note=str(message.get("note", "")),
        answers=bool(message.get("answers")),
    )


def _withdraw(work: Collecting, message: Message) -> Outcome:
    return corrections.withdraw(
        work,
        message["what"],
        message["name"],
        message["reason"],
        replacement=message.get("replacement", ""),
        drop=bool(message.get("drop")),
    )


#: Kind of message → what is done.
ACTIONS: dict[str, Callable[[Collecting, Message], Outcome]] = {
    "reading": _reading,
    "keep": lambda work, m: corrections.keep(work, m["reading"]),
    "cause": lambda work, m: corrections.name_cause(work, m["reading"], m["cause"]),
    "undo": lambda work, m: corrections.undo(work, m.get("reason", "")),
    "void": lambda work, m: corrections.void(work, m["reading"], m.get("reason", "")),
    "set right": lambda work, m: corrections.set_right(
        work, m["reading"], m["text"], m.get("reason", "")
    ),
    "note": lambda work, m: corrections.add_note(work, m["reading"], m["text"]),
    "one part out": lambda work, m: corrections.one_part_out(
        work, m["reading"], 1 if m["step"] > 0 else -1
    ),
    "begin": lambda work, m: sessions.begin(
        work, m["operator"], from_sheet=bool(m.get("from_sheet"))
    ),
    "checklist": lambda work, m: sessions.answer(
        work, m["answers"], keep_zero=bool(m.get("keep_zero"))
    ),
    "end": lambda work, m: sessions.end(
        work, str(m.get("zero", "")), keep_zero=bool(m.get("keep_zero"))
    ),
    "add": lambda work, m: corrections.add(work, m["what"], m["name"]),
    "withdraw": _withdraw,
    "open": lambda work, m: corrections.show_earlier_readings(work),
    "file table": lambda work, m: file_table(
        work, m["name"], m["content"], asked_of(m), without=bool(m.get("without"))
    ),
}


class MessageHandler:
    """Carries out messages for one collection, each once; safe to call from several threads.

    Parameters
    ----------
    work : Collecting
    actions : mapping
        Kind of message → what is done.
    show : callable
        Gives what the page shows now.
    """

    def __init__(
        self,
        work: Collecting,
        actions: Mapping[str, Callable[[Any, Message], Outcome]] = ACTIONS,
        show: Callable[[Any], dict[str, Any]] = view,
    ) -> None:
        self.work = work
        self._actions, self._show = actions, show
        self._guard = threading.Lock()
        self._answered: dict[str, dict[str, Any]] = {}

    def answer(self, message: Message) -> dict[str, Any]:
        """Carry out a message and return the reply for the form.

        Where it could not be carried out, ``refused`` says why in words; a refusal that a
        later attempt may mend (a full disk, a locked file) has ``again`` set.
        """
        with self._guard:
            identifier = str(message.get("id", ""))
            reply = self._answered.get(identifier)
            if reply is None:
                reply = {"id": identifier, **self._carried_out(message)}
                # Whether a number is filed is asked of the file each time.
                if identifier and "refused" not in reply and message.get("kind") != "reading":
                    self._answered[identifier] = reply
            try:
                return {**reply, "saved": self._saved(reply), "view": self._show(self.work)}
            except StudyError as error:
                return {"refused": _sentence(error), "again": True, **reply, "saved": []}

    def _saved(self, reply: Mapping[str, Any]) -> list[str]:
        """Return the id of the message where its numbers are on the disk."""
        filed = "outcome" in reply and reply["id"] and self.work.journal.of_message(reply["id"])
        return [reply["id"]] if filed else []

    def _carried_out(self, message: Message) -> dict[str, Any]:
        kind = message.get("kind")
        if kind == "look":
            return {}
        if kind == "list":
            return {"list": readings_list(self.work)}
        try:
            if kind == "table":
                asked = asked_of(message)
                return {
                    "table": look_at_table(self.work, message["name"], message["content"], asked)
                }
            outcome = self._actions[str(kind)](self.work, message)
        except StudyError as error:
            return {
                "refused": _sentence(error),
                "column": error.column,
                "row": error.row,
                "again": isinstance(error.__cause__, OSError),
            }
        except (KeyError, TypeError, ValueError, IndexError):
            return {"refused": "The form sent something unexpected. Load the page again."}
        return {"outcome": {**asdict(outcome), "rows": [row.id for row in outcome.rows]}}


def _sentence(error: StudyError) -> str:
    return f"{error.problem}. {error.remedy}."
