"""Whatever step of whatever is written goes wrong: nothing acknowledged is lost, nothing doubled.

Each operation is carried out once undisturbed, which tells its steps on the disk and what the
study holds before and after. Then each step in turn fails, is interrupted, or is the last one
before the process is killed or the power cut; the study is opened again and looked at.
"""

from __future__ import annotations

import dataclasses
import os
import sys
from dataclasses import dataclass
from functools import partial
from typing import Any

import pytest
from faulty_disk import (
    FAILS,
    FAILS_ON,
    INTERRUPTED,
    KILLED,
    KILLED_WITHIN,
    POWER_CUT,
    FaultyDisk,
    StoppedError,
    contents,
    put_back,
)

from grr.entry import ownership
from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.messages import MessageHandler
from grr.files.events import ANCHOR
from grr.files.folder import change_settings, new_study_folder
from grr.files.study_file import read_settings, write_settings
from grr.files.verify import (
    chained_files,
    record_changes,
    record_of,
    sessions_without_record,
    unrecorded_changes,
)
from grr.model.errors import StudyError
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

pytestmark = pytest.mark.skipif(
    sys.platform == "win32", reason="Windows moves no file over one that the test keeps open"
)

HOWS = (FAILS, FAILS_ON, INTERRUPTED, KILLED, KILLED_WITHIN, POWER_CUT)
ROLES = ("part", "operator", "trial", "reading")
SHEET = b"part,operator,trial,reading\nP1,Ben,1,10.0081\nP2,Ben,1,10.0082\nP3,Ben,1,10.0083\n"


def reading(number, text, **more):
    return {"kind": "reading", "id": f"r-{number}", "text": text, **more}


def message(kind, **fields):
    return {"kind": kind, "id": f"m-{kind}", **fields}


BEGIN = message("begin", operator="Ann")
CHECKLIST = message("checklist")  # with the answers of the fixture
BEGUN = (BEGIN, CHECKLIST)
THREE = (*BEGUN, reading(1, "10.0071"), reading(2, "10.0082"), reading(3, "10.0093"))
ASKED = (*THREE, reading(4, "10.5000"))
TWICE = (*THREE, {**reading(4, "10.0093"), "at once": True})
BLOCK = reading("block", "10.0074 10.0085\n10.0096", source="pasted")

#: Name → what went before, and what is sent.
OPERATIONS: dict[str, tuple[tuple[dict[str, Any], ...], dict[str, Any]]] = {
    "the first session begins": ((), BEGIN),
    "checklist": ((BEGIN,), CHECKLIST),
    "the first reading": (BEGUN, reading(1, "10.0071")),
    "a reading": (THREE, reading(4, "10.0074")),
    "a reading that is asked about": (THREE, reading(4, "10.5000")),
    "a reading measured again": (ASKED, reading(5, "10.0074")),
    "a double trigger replaced": (TWICE, reading(5, "10.0074")),
    "the first block": (BEGUN, BLOCK),
    "a block": (THREE, BLOCK),
    "a block with a question": (
        THREE,
        reading("block", "10.0074 10.5 10.0085", source="pasted"),
    ),
    "a block that answers a question": (ASKED, BLOCK),
    "upload": (
        THREE,
        message("file table", name="sheet.csv", content=SHEET, heads=1, roles=list(ROLES)),
    ),
    "keep": (ASKED, message("keep", reading="r-4.1of2")),
    "cause": (ASKED, message("cause", reading="r-4.1of2", cause="dirt")),
    "undo": (THREE, message("undo")),
    "void": (THREE, message("void", reading="r-2", reason="wrong")),
    "set right": (THREE, message("set right", reading="r-2", text="10.0083")),
    "note": (THREE, message("note", reading="r-2", text="burr")),
    "one part out": (THREE, message("one part out", reading="r-1", step=1)),
    "a part is added": (THREE, message("add", what="part", name="P9")),
    "a part is withdrawn": (
        THREE,
        message("withdraw", what="part", name="P1", reason="dropped", drop=True),
    ),
    "an operator is withdrawn": (
        THREE,
        message("withdraw", what="operator", name="Ann", reason="ill", drop=True),
    ),
    "earlier readings are shown": (THREE, message("open")),
    "the session ends": (THREE, message("end", zero="0.0001")),
    "another window takes over": (THREE, message("take over")),
    "settings": (THREE, message("settings")),
    "record": ((*THREE, message("edit")), message("record")),
}
#: Files of both kinds are written: killed between the two, one of them has its part.
IN_TWO_FILES = {"a reading measured again", "a double trigger replaced", "cause", "one part out"}
IN_TWO_FILES |= {"a block that answers a question", "a part is withdrawn"}
IN_TWO_FILES |= {"an operator is withdrawn", "settings", "upload", "keep"}
#: Said where a write failed and what is there now is not what was before.
LOOK_AT_IT = ("cannot be taken back", "The new file is there")


@dataclass(frozen=True)
class State:
    """What a study holds, without ids and times."""

    readings: Any
    events: Any
    settings: Any
    prompt: Any


class Window:
    """A process that collects into the folder, from its start."""

    def __init__(self, folder, clock, answers):
        self.folder, self.clock, self.answers = folder, clock, answers
        lock = ownership._locks.pop(folder.resolve(), None)
        if lock is not None:
            lock.release()  # the process before is no more
        self.work = Collecting(open_job(folder), clock, clock.ticks)
        self.work.ownership.take()
        self.handler = MessageHandler(self.work)

    def send(self, message):
        """Return the answer: it has an ``outcome``, or says why the message was ``refused``."""
        self.clock.wait(0.1 if message.get("at once") else 3.0)
        kind = message["kind"]
        if kind == "checklist":
            return self.handler.answer({**message, "answers": self.answers})
        changed = dataclasses.replace(read_settings(self.folder), tolerance=Tolerance(10.0, 10.02))
        by_hand = {
            "settings": lambda: change_settings(self.folder, changed, who="Eva", why="new drawing"),
            "edit": lambda: write_settings(self.folder, changed),
            "record": lambda: record_changes(self.folder, by="Eva", reason="new drawing"),
            "take over": self.take_over,
        }
        if kind not in by_hand:
            return self.handler.answer(message)
        try:
            by_hand[kind]()
        except StudyError as error:
            return {"refused": str(error)}
        return {"outcome": {}}

    def take_over(self):
        other = Collecting(self.work.job, self.clock, self.clock.ticks)
        other.ownership.take(by_force=True)
        with other.writing() as record:
            other.log(record, "taken over")
        self.work = other

    def state(self):
        work, record = self.work, self.work.record
        rows = [
            (str(place), row.reading, row.note, row.reason)
            for place, there in record.at.items()
            for row in there
        ]
        events = [
            (event.kind, event.name, event.old, event.value)
            for event in record.events
            if event.kind not in ("settings", ANCHOR)  # `look` says whether anchors fit
        ]
        settings = read_settings(self.folder)
        changes = unrecorded_changes(self.folder)
        questions = [row.reading for row in record.open_questions()]
        prompt = work.stage(record), work.due(record), questions
        return State(sorted(rows), sorted(events), (settings, changes), prompt)


class Trial:
    """One operation on one study, as often as there are ways in which it goes wrong."""

    def __init__(self, name, folder, clock, answers):
        self.name, self.folder, self.clock = name, folder, clock
        self.open = partial(Window, folder, clock, answers)
        before, self.message = OPERATIONS[name]
        new_study_folder(
            folder,
            unit="mm",
            resolution=0.0001,
            tolerance=Tolerance(10.006, 10.012),
            plan=Plan(("P1", "P2", "P3", "P4", "P5", "P6", "P7"), ("Ann", "Ben"), 2),
        )
        window = self.open()
        for earlier in before:
            assert "outcome" in window.send(earlier), earlier
        self.start = contents(folder)
        self.time = clock.time, clock.seconds
        window = self.fresh()
        self.before = window.state()
        with self.disk() as disk:
            self.answer = window.send(self.message)
        assert "outcome" in self.answer, self.answer
        disk.let_go()
        self.steps = len(disk.steps)
        self.after = window.state()
        assert self.after == self.open().state()
        assert self.after != self.before

    def fresh(self):
        put_back(self.folder, self.start)
        self.clock.time, self.clock.seconds = self.time
        return self.open()

    def disk(self, how="", at=0, before=None):
        return FaultyDisk(self.folder, how, at, before).at_work()

    def go_wrong(self, how, at):
        window = self.fresh()
        answer = None
        with self.disk(how, at) as disk:
            try:
                answer = window.send(self.message)
            except (StoppedError, KeyboardInterrupt):
                assert how not in (FAILS, FAILS_ON)
        after_it = list(disk.states_after_power_cut()) if how == POWER_CUT or answer else []
        if how in (FAILS, FAILS_ON, INTERRUPTED):
            self.look(window, answer)  # the process lives on
            self.again(window)
        else:
            with self.disk(before=disk) as later:
                self.look(self.open(), answer)
                self.again(self.open())
            if self.message["kind"] == "reading":
                for state in later.states_after_power_cut():
                    put_back(self.folder, state)
                    assert self.open().state().readings == self.after.readings
            later.let_go()
        disk.let_go()
        for state in after_it:
            put_back(self.folder, state)
            self.look(self.open(), answer)
            self.again(self.open())

    def look(self, window, answer):
        """What the study holds fits what was answered, and its files are whole."""
        state = window.state()
        for file in chained_files(self.folder):
            assert file.altered is None
        assert record_of(self.folder).contradictions == ()
        assert sessions_without_record(self.folder) == ()
        if answer and "outcome" in answer:
            assert state == self.after
        elif answer and not any(words in answer["refused"] for words in LOOK_AT_IT):
            assert state == self.before
        elif self.name in IN_TWO_FILES:
            assert state.readings in (self.before.readings, self.after.readings)
            assert state.events in (self.before.events, self.after.events)
            if state.readings == self.before.readings or self.message["kind"] != "withdraw":
                assert state.prompt in (self.before.prompt, self.after.prompt)
        else:
            assert state in (self.before, self.after)

    def again(self, window):
        """The message is sent again: a number always, anything else where nothing was done."""
        if self.message["kind"] == "reading":
            answer = window.send(self.message)
            assert answer["saved"] == [self.message["id"]]
            assert answer["outcome"]["rest"] == self.answer["outcome"]["rest"]
            assert len(answer["outcome"]["rows"]) == len(self.answer["outcome"]["rows"])
            assert window.state().readings == self.after.readings
            assert window.state().prompt == self.after.prompt
        elif window.state() == self.before or self.message["kind"] in ("settings", "withdraw"):
            if window.state() == self.after:
                return
            assert "outcome" in window.send(self.message)
            assert window.state() == self.after
        for file in chained_files(self.folder):
            assert file.altered is None


@pytest.mark.parametrize("name", OPERATIONS)
def test_every_step(name, tmp_path, clock, answers, monkeypatch):
    monkeypatch.setattr(os, "fsync", lambda handle: None)  # of what is only prepared
    trial = Trial(name, tmp_path / "study", clock, answers)
    assert trial.steps > 0
    for how in HOWS:
        for at in range(1, trial.steps + 2):  # the last: all is done, and then it happens
            trial.go_wrong(how, at)
