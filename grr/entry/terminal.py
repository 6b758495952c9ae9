"""`grr collect FOLDER`: taking readings at the terminal, where widgets cannot run.

The same checks, questions and files as the form in the notebook. A number and Enter records;
a letter and Enter is a command.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any, TextIO

from grr.entry import corrections, sessions
from grr.entry.collecting import Collecting, Outcome
from grr.entry.job import open_job
from grr.entry.sessions import OPTIONAL, Item, checked_answer, choices_of
from grr.entry.taking import take
from grr.entry.view import readings_list, view
from grr.model.errors import StudyError
from grr.model.facts import MASTER
from grr.model.record import PASTED, SHEET, TYPED
from grr.model.text_blocks import paragraph, text_table

HELP = """\
  a number   record it; several on one line are a block, in the order of measurement
  k          keep a doubted reading
  d t w x    put it aside: dirt, tilted, wrong part, double trigger
  u          undo the last reading
  n TEXT     a note on the last reading
  o+ o-      the last reading belongs to the part after, to the part before
  l          list the readings; b shows their values (ends blindness)
  v NO WHY   void the reading with this number in the list; it is measured again
  c NO VALUE put the right value to a mistyped reading
  e          end the session
  q          quit; everything is saved"""
AFTERWARDS = (
    "Enter leaves. l lists the readings; v NO WHY voids the one with this number in the list, "
    "to be measured again; c NO VALUE puts the right value to a mistyped one."
)
_CAUSES = {"d": "dirt", "t": "tilted", "w": "wrong part", "x": "double trigger"}


class _QuitError(Exception):
    """Someone typed q, or the input ended."""


def collect_in_terminal(folder: str | Path, lines: TextIO, out: TextIO) -> int:
    """Take a study's readings line by line.

    Parameters
    ----------
    folder : path-like
        A study folder with a plan.
    lines, out : text streams
        Where lines are read from and answers go; standard input and output.

    Returns
    -------
    int
        0; everything typed so far is saved whenever it returns.

    Raises
    ------
    StudyError
        The folder holds no study with a plan, or another window collects into it.
    """
    work = Collecting(open_job(folder))
    elsewhere = work.ownership.take()
    if elsewhere is not None:
        raise StudyError(
            "This study is being collected in another window", "Go on there, or close it first"
        )
    try:
        _Terminal(work, lines, out).run()
    finally:
        work.ownership.release()
    return 0


class _Terminal:
    def __init__(self, work: Collecting, lines: TextIO, out: TextIO) -> None:
        self.work = work
        self.lines = lines
        self.out = out

    def run(self) -> None:
        shown = view(self.work)
        self.say(f"{shown['title'] or 'Gauge study'}: {' · '.join(shown['facts'])}")
        for row in shown["torn_rows"]:
            self.say(f"Row {row} of readings.csv was cut off by a power cut; it does not count.")
        for words in shown["beside"]:
            self.say(paragraph(words))
        if shown["operator"]:
            self.say(
                f"The session of {shown['operator']} goes on: {shown['done']} of "
                f"{shown['total']} readings taken."
            )
        pages = {
            "operator": self.pick_operator,
            "checklist": self.ask_checklist,
            "again": self.ask_checklist,
            "measure": self.measure,
            "zero": self.ask_zero,
        }
        try:
            while (stage := view(self.work)["stage"]) != "finished" or self.finished():
                if stage != "finished":
                    pages[stage]()
        except _QuitError:
            self.say("Everything is saved. Start again to go on.")

    def say(self, words: str) -> None:
        self.out.write(f"{words}\n")
        self.out.flush()

    def ask(self, words: str) -> str:
        self.out.write(f"{words} ")
        self.out.flush()
        line = self.lines.readline()
        if line == "" or line.strip() == "q":
            self.out.write("\n")
            raise _QuitError
        return line.strip()

    def pick_operator(self) -> None:
        operators = [one for one in view(self.work)["operators"] if one["done"] < one["total"]]
        self.say("\nWho measures now?")
        for number, one in enumerate(operators, start=1):
            self.say(f"  {number}  {one['name']} ({one['done']} of {one['total']} done)")
        self.say("  s NUMBER  type in a run sheet that was filled by hand;  + NAME  someone new")
        answer = self.ask(">")
        if answer.startswith("+"):
            self.attempt(lambda: corrections.add(self.work, "operator", answer[1:].strip()))
            return
        from_sheet = answer.startswith("s ")
        name = answer.removeprefix("s ").strip()
        if name.isdecimal() and 1 <= int(name) <= len(operators):
            name = operators[int(name) - 1]["name"]
        self.attempt(lambda: sessions.begin(self.work, name, from_sheet=from_sheet))

    def ask_checklist(self) -> None:
        shown = view(self.work)
        if shown["cool_minutes"]:
            self.say(
                f"\nNow with: {shown['place']['method']}. Put the gauge down for "
                f"{shown['cool_minutes']} minutes first."
            )
        if shown["place"] and shown["place"]["gauge"]:
            self.say(f"\nNow with: gauge {shown['place']['gauge']}.")
        self.say(f"\nBefore measuring, {shown['operator']} (a number picks the answer beside it):")
        ask_checklist(self.work, self.ask, self.say)

    def measure(self) -> None:
        shown = view(self.work)
        place = shown["place"]
        doubted = shown["question"] or shown["compared"]
        if shown["question"]:
            self.say(paragraph(_question(shown["question"])))
        method = f", {place['method']}" if place["method"] else ""
        spot = f", {place['place'].upper()}" if place["place"] else ""
        prompt = (
            f"{shown['done'] + 1 - bool(shown['question'])}/{shown['total']}  {place['operator']}, "
            f"trial {place['trial']}{method}  PART {shown['labels'][place['part']]}{spot} >"
        )
        self.act(self.ask(prompt), doubted, shown)

    def act(self, text: str, doubted: dict[str, Any] | None, shown: dict[str, Any]) -> None:
        work = self.work
        last = work.record.last_measured()
        word, _, rest = text.partition(" ")
        if word == "u":
            self.attempt(lambda: corrections.undo(work, rest))
        elif word == "k" and shown["question"]:
            self.attempt(lambda: corrections.keep(work, shown["question"]["id"]))
        elif word in _CAUSES and doubted:
            self.attempt(lambda: corrections.name_cause(work, doubted["id"], _CAUSES[word]))
        elif word == "n" and last:
            self.attempt(lambda: corrections.add_note(work, last[-1].id, rest))
        elif word in ("o+", "o-") and last:
            step = 1 if word == "o+" else -1
            self.attempt(lambda: corrections.one_part_out(work, last[-1].id, step))
        elif word in ("v", "c"):
            self.correct(word, rest)
        elif word == "l":
            self.list()
        elif word == "b":
            self.attempt(lambda: corrections.show_earlier_readings(work))
        elif word == "e":
            self.ask_zero()
        elif word in ("", "h", "?"):
            open_one = word == "" and shown["question"]
            self.say("✕ The question stays open: Enter answers nothing." if open_one else HELP)
        else:
            source = TYPED if self.lines.isatty() else PASTED
            if shown["from_sheet"]:
                source = SHEET
            self.attempt(lambda: take(work, text, source=source))

    def finished(self) -> bool:
        """Offer corrections after the last reading; tell whether to go on."""
        self.say("All readings are taken and saved.")
        self.say(f"Seal, to write down: {view(self.work)['finished']['seal']}")
        self.say(paragraph(AFTERWARDS))
        while view(self.work)["stage"] == "finished":
            try:
                text = self.ask(">")
            except _QuitError:
                return False
            word, _, rest = text.partition(" ")
            if word == "":
                return False
            if word == "l":
                self.list()
            elif word in ("v", "c"):
                self.correct(word, rest)
            else:
                self.say(paragraph(AFTERWARDS))
        return True

    def correct(self, word: str, rest: str) -> None:
        """Void or set right the reading with a number of the list."""
        number, _, text = rest.strip().partition(" ")
        listed = readings_list(self.work)["rows"]
        found = [row["id"] for row in listed if row["order"] == number and not row["gone"]]
        if not found:
            self.say("✕ The list has no such reading. Look at it with l; the number comes first.")
        elif word == "v":
            self.attempt(lambda: corrections.void(self.work, found[0], text))
        else:
            self.attempt(lambda: corrections.set_right(self.work, found[0], text))

    def list(self) -> None:
        listed = readings_list(self.work)
        head = ["No.", "Part", "Trial", "Operator", "Time", "Reading", "State", "Note"]
        rows = [
            [
                *(row["order"], " ".join([row["part"], *row["place"][4:5]]).strip(), row["trial"]),
                *(row["operator"], row["time"][11:]),
                *(row["value"] or "hidden", row["state"], row["note"]),
            ]
            for row in reversed(listed["rows"])
        ]
        self.say(text_table(head, rows))

    def ask_zero(self) -> None:
        if view(self.work)["from_sheet"]:
            self.attempt(lambda: sessions.end(self.work))
            return
        text = self.ask("Zero checked once more, the gauge shows (Enter: not checked; u undo):")
        if text == "u":
            self.attempt(lambda: corrections.undo(self.work))
            return
        outcome = self.attempt(lambda: sessions.end(self.work, text))
        while outcome is not None and outcome.kind == "asked":
            answer = self.ask("  The gauge shows, or k to keep it:")
            keep, text = answer == "k", text if answer == "k" else answer
            outcome = self.attempt(partial(sessions.end, self.work, text, keep_zero=keep))

    def attempt(self, action: Callable[[], Outcome]) -> Outcome | None:
        """Do it and say what became of it; a refusal is said and nothing is changed."""
        try:
            outcome = action()
        except StudyError as error:
            self.say(f"✕ {error}")
            return None
        if outcome.kind != "asked":
            self.say(f"✓ {outcome.words}")
        elif not outcome.rows:
            self.say(f"? {outcome.words}")
        if outcome.rest:
            rest = " ".join(outcome.rest.split())
            self.say(f"  Not taken yet: {rest}. Send it again after the answer.")
        return outcome


def _question(question: dict[str, Any]) -> str:
    words = "; ".join(question["words"])
    if question["waits"] and not question["twice"]:
        return f"? Typed wrongly? Type it again. It is {words}. Or k to keep it, or d t w x."
    return f"? {words}. Measure again, or k to keep, or d t w x."


# The checklist: one question after another, each until it is answered


Ask = Callable[[str], str]
Say = Callable[[str], None]


def ask_checklist(work: Collecting, ask: Ask, say: Say) -> None:
    """Ask every question that is due, once more only what cannot be used, and store it.

    Parameters
    ----------
    work : Collecting
    ask : callable
        Shows words and returns what is typed.
    say : callable
        Shows words.
    """
    unit = work.job.settings.unit
    items = sessions.questions(work, work.record)
    answers: dict[str, str] = {}
    left: Sequence[Item] = items
    while left:
        for item in left:
            if not item.key.startswith("zero_master") or answers.get("zeroed_on") == MASTER:
                answers[item.key] = _asked(item, unit, ask, say)
        left = _stored(work, items, answers, ask, say)


def _stored(
    work: Collecting, items: Sequence[Item], answers: dict[str, str], ask: Ask, say: Say
) -> list[Item]:
    """Store the answers; return the questions to ask once more before that is possible."""
    keep = False
    while True:
        try:
            outcome = sessions.answer(work, answers, keep_zero=keep)
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
