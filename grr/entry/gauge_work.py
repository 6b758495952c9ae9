"""The readings of a gauge's blocks at work: a collection whose parts are the blocks.

`Collecting` does the work: what it files, asks, undoes and puts on record is that of a study.
Here is what differs: which block is due, and what a reading is compared with.
"""

from __future__ import annotations

import random
from pathlib import Path

from grr.entry import sessions
from grr.entry.collecting import BLOCK, Collecting, Outcome, ReadingsSoFar
from grr.entry.job import Job, Place
from grr.entry.view import AHEAD
from grr.files.gauge_folder import GAUGE_FILE, Purpose, read_gauge
from grr.files.journal import JournalRow
from grr.formulas.data_checks import WIDTHS_BEYOND
from grr.model.errors import StudyError
from grr.model.gauge_facts import GaugeFacts
from grr.model.settings import Settings
from grr.questions.own_gauge import FEW, MANY


class GaugeWork(Collecting):
    """The blocks of one gauge, read for some purposes.

    Parameters
    ----------
    folder : Path
    purposes : sequence of {"reference", "range", "check"}
        One after the other.
    title : str
        What the gauge is called where its folder does not say so yet.
    """

    item, limits_on, same_is_doubtful = "block", BLOCK, False

    def __init__(self, folder: Path, purposes: tuple[Purpose, ...], title: str = "") -> None:
        self.purposes, self._title = purposes, title or folder.name
        super().__init__(Job(folder, Settings(), ()))
        self.read_facts()

    def read_facts(self) -> None:
        """Look again at what the folder says of the gauge."""
        facts = self.facts
        settings = Settings(title=facts.title, unit=facts.unit, resolution=facts.resolution)
        self.job = Job(self.job.folder, settings, ())

    @property
    def facts(self) -> GaugeFacts:
        """What the folder says of the gauge; only its name where there is none."""
        if not (self.job.folder / GAUGE_FILE).exists():
            return GaugeFacts(title=self._title)
        return read_gauge(self.job.folder)

    def planned(self, record: ReadingsSoFar) -> list[Place]:
        """Return the readings asked for, in order, whoever takes them.

        One block many times, then all blocks in rounds of random order; a check without end.
        """
        facts, planned = self.facts, []
        names = [block.name for block in facts.blocks]
        if "reference" in self.purposes and facts.standard:
            planned += [Place("", "reference", n, facts.standard) for n in range(1, MANY + 1)]
        if "range" in self.purposes and len(names) > 1:
            for trial in range(1, FEW + 1):
                order = random.Random(f"{facts.title} {trial - 1}").sample(names, len(names))
                planned += [Place("", "range", trial, name) for name in order]
        if "check" in self.purposes and facts.standard:
            last = max((place.trial for place in record.at if place.method == "check"), default=0)
            planned += [Place("", "check", last + n, facts.standard) for n in range(1, AHEAD)]
        return planned

    def places_left(self, record: ReadingsSoFar) -> list[Place]:
        """Return the readings still to take, in order, by whoever reads now."""
        reader = record.session.value if record.session else ""
        return self.open_places(record, reader)

    def open_places(self, record: ReadingsSoFar, operator: str) -> list[Place]:
        """Return the readings still to take, in order, as those of one reader."""
        taken = {(place.method, place.trial, place.part) for place in record.at}
        return [
            Place(operator, place.method, place.trial, place.part)
            for place in self.planned(record)
            if (place.method, place.trial, place.part) not in taken
        ]

    def places(self, record: ReadingsSoFar) -> list[Place]:
        """Return the readings taken, and those still to take."""
        return [*record.at, *self.places_left(record)]

    def places_of(self, record: ReadingsSoFar, operator: str) -> list[Place]:
        """Return the readings that one reader took, or may take."""
        own = [place for place in record.at if place.operator == operator]
        return own + self.open_places(record, operator)

    def stage(self, record: ReadingsSoFar) -> str:
        """Return what to do now: "operator", "again" (soak and zero), "measure" or "finished".

        A check standard is read without a checklist; after a pause its reader is asked for.
        """
        checks = "check" in self.purposes
        if self.questions_of_session(record):
            return "measure"
        if not self.planned(record) or not self.open_places(record, ""):
            return "finished"
        if record.session is None or (checks and self._gap(record)):
            return "operator"
        done = any(event.name == "done" for event in record.in_session("checklist"))
        return "measure" if checks or (done and not self._gap(record)) else "again"

    def named(self, _record: ReadingsSoFar, row: JournalRow) -> str:
        """Return the place of a reading in words."""
        return f"block {row.part}, reading {row.trial}"

    def doubtful_beyond(self, place: Place) -> tuple[float, float]:
        """Return limits about the block's size; so much again as they are apart is believed."""
        block = self.facts.block(place.part)
        off = self.facts.far_from(block) / (1.0 + 2.0 * WIDTHS_BEYOND)
        return block.size - off, block.size + off


def begin(work: GaugeWork, reader: str) -> Outcome:
    """Let somebody read; the session before ends.

    Raises
    ------
    StudyError
        Nobody is named.
    """
    with work.writing() as record:
        if not reader:
            raise StudyError("Nobody is named who reads", "Write a name", column="who")
        if record.session is not None:
            sessions.end(work)
        return sessions.begin(work, reader)
