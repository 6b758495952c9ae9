"""Changes of a study's record by somebody who knows how its rows are sealed.

Every change here seals the rows after it again. Each is found by ``grr verify FOLDER`` alone, or
by the seal that was printed when the session was closed; the table says which, and README says
the same. Nothing is found by neither.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
from collections import Counter
from collections.abc import Callable
from pathlib import Path

import pytest
from entry.conftest import ANSWERS, Clock

from grr.entry import corrections, sessions
from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.taking import take
from grr.entry.upload import take_file
from grr.files.chained_file import read_lines, seal
from grr.files.events import ANCHOR, FORM
from grr.files.events import WRITTEN as EVENT_COLUMNS
from grr.files.folder import new_study_folder, open_study, save_study
from grr.files.journal import WRITTEN as READING_COLUMNS
from grr.files.verify import seal_now, verify_folder
from grr.model.errors import StudyError
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance
from grr.questions.check import check

PARTS = tuple(f"P{number}" for number in range(1, 11))


def value_of(part: str, trial: int) -> str:
    return f"{10.0070 + 0.0003 * int(part[1:]) + 0.0001 * (trial % 2):.4f}"


def measure(work: Collecting, clock: Clock, left: int) -> None:
    """Take readings until so many of the session are left."""
    session = work.record.session
    assert session is not None
    while len(work.open_places(work.record, session.value)) > left:
        clock.wait(5)
        place = work.due(work.record)
        assert place is not None
        outcome = take(work, value_of(place.part, place.trial), source="gauge")
        if outcome.kind == "asked":
            corrections.keep(work, outcome.rows[-1].id)


def a_session(work: Collecting, clock: Clock, operator: str, by_file: int = 0) -> str:
    """Let an operator measure, the last readings by a file; return what was said at the end."""
    sessions.begin(work, operator)
    sessions.answer(work, ANSWERS)
    if operator == "Ann":
        take(work, "1.0080", source="gauge")  # the decimal sign slipped: asked, measured again
        clock.wait(5)
        take(work, "10.0080")
        corrections.undo(work, "dropped")
        corrections.show_earlier_readings(work)
    measure(work, clock, by_file)
    if by_file:
        places = work.open_places(work.record, operator)
        lines = [f"{p.part},{p.operator},{p.trial},{value_of(p.part, p.trial)}" for p in places]
        table = "\n".join(["part,operator,trial,reading", *lines, ""])
        take_file(work, "sheet.csv", table.encode())
    clock.wait(30)
    words = sessions.end(work, "0.0001").words
    clock.wait(4000)
    return words


@pytest.fixture(scope="module")
def genuine(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, str]:
    """A study as it was measured, and the seal that was printed at its end."""
    folder = tmp_path_factory.mktemp("genuine") / "study"
    new_study_folder(
        folder,
        unit="mm",
        resolution=0.0001,
        tolerance=Tolerance(10.006, 10.012),
        plan=Plan(PARTS, ("Ann", "Ben"), 2, seed=3),
        facts={"gauge_number": "M-07"},
    )
    clock = Clock()
    work = Collecting(open_job(folder), clock, clock.ticks)
    work.ownership.take()
    a_session(work, clock, "Ann")
    said = a_session(work, clock, "Ben", by_file=4)
    work.ownership.release()
    return folder, said.rpartition("seal: ")[2]


class Forger:
    """Somebody who changes the files of a study and seals all rows again."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.readings = self._rows("readings.csv")
        self.events = self._rows("events.csv")

    def _rows(self, name: str) -> list[dict[str, str]]:
        columns = READING_COLUMNS if name == "readings.csv" else EVENT_COLUMNS
        text = (self.folder / name).read_text(encoding="utf-8-sig")
        rows = list(csv.reader(io.StringIO(text)))[1:]
        return [dict(zip(columns, row, strict=False)) for row in rows]

    def write(self) -> None:
        for name, rows in (("readings.csv", self.readings), ("events.csv", self.events)):
            columns = READING_COLUMNS if name == "readings.csv" else EVENT_COLUMNS
            left = Counter(row["id"].partition(".")[0] for row in rows)
            for row in rows:  # no count of rows written at once tells that one is gone
                write, _, of_several = row["id"].partition(".")
                if of_several and left[write] < int(of_several.partition("of")[2]):
                    row["id"] = row["id"].replace("of", "-")
            text, previous = io.StringIO(newline=""), ""
            writer = csv.writer(text, lineterminator="\n")
            writer.writerow([*columns, "hash"])
            for row in rows:
                cells = [row[column] for column in columns]
                previous = seal(previous, cells)
                writer.writerow([*cells, previous])
            (self.folder / name).write_bytes(b"\xef\xbb\xbf" + text.getvalue().encode("utf-8"))

    def anchor_again(self) -> None:
        """Set every anchor by the readings as they now are."""
        self.write()
        lines = read_lines(self.folder / "readings.csv", READING_COLUMNS)
        for event in self.anchors():
            held = min(int(event["old"]), len(lines))
            event["old"], event["value"] = str(held), lines[held - 1].seal if held else ""

    def anchors(self) -> list[dict[str, str]]:
        return [event for event in self.events if event["kind"] == ANCHOR]

    def event(self, kind: str, name: str = "") -> dict[str, str]:
        return next(e for e in self.events if e["kind"] == kind and name in ("", e["name"]))

    def last(self, kind: str, name: str) -> dict[str, str]:
        return next(e for e in self.events[::-1] if (e["kind"], e["name"]) == (kind, name))

    def settings(self, old: str, new: str) -> None:
        file = self.folder / "study.toml"
        text = file.read_text(encoding="utf-8")
        assert old in text
        file.write_text(text.replace(old, new), encoding="utf-8", newline="\n")


Change = Callable[[Forger], None]
VERIFY, SEAL = "grr verify FOLDER", "with the printed seal"
CHANGES: dict[str, tuple[Change, str]] = {}


def found(how: str, name: str) -> Callable[[Change], Change]:
    def keep(change: Change) -> Change:
        CHANGES[name] = change, how
        return change

    return keep


def in_row(**changed: str) -> Change:
    def change(forger: Forger) -> None:
        row = next(r for r in forger.readings if r["reading"] and r["session"] == "2")
        assert any(row[column] != value for column, value in changed.items())
        row |= changed

    return change


for _name, _changed in {
    "a reading and what arrived": {"reading": "10.0090", "raw": "10.0090"},
    "a reading, what arrived is left": {"reading": "10.0090"},
    "what arrived, the reading is left": {"raw": "10.0090"},
    "the operator of a reading": {"operator": "Ann"},
    "the part of a reading": {"part": "P11"},
    "the time of a reading": {"time": "2026-03-14T10:00:00.000Z"},
    "where a reading came from": {"source": "typed"},
    "who entered a reading": {"entered_by": "Ann"},
    "a note added": {"note": "burr"},
    "the session of a reading": {"session": "1"},
}.items():
    found(VERIFY, _name)(in_row(**_changed))


@found(VERIFY, "the reason of a correction")
def _(forger: Forger) -> None:
    next(row for row in forger.readings if row["voids"])["reason"] = "double trigger"


@found(VERIFY, "a correction removed: the voided reading counts again")
def _(forger: Forger) -> None:
    forger.readings.remove(next(row for row in forger.readings if row["voids"]))


@found(VERIFY, "a reading removed")
def _(forger: Forger) -> None:
    del forger.readings[20]


@found(VERIFY, "a reading removed and the others numbered again")
def _(forger: Forger) -> None:
    del forger.readings[20]
    for row in forger.readings[20:]:
        if row["order"]:
            row["order"] = str(int(row["order"]) - 1)


@found(VERIFY, "a reading added in between")
def _(forger: Forger) -> None:
    forger.readings.insert(20, forger.readings[20] | {"id": "ab12cd34ef56"})


@found(VERIFY, "two readings exchanged")
def _(forger: Forger) -> None:
    first, second = forger.readings[20], forger.readings[21]
    first["reading"], second["reading"] = second["reading"], first["reading"]
    first["raw"], second["raw"] = second["raw"], first["raw"]


@found(VERIFY, "the last five rows cut off")
def _(forger: Forger) -> None:
    del forger.readings[-5:]


@found(VERIFY, "the last five rows cut off and taken again")
def _(forger: Forger) -> None:
    for row in forger.readings[-5:]:
        row |= {"reading": "10.0095", "raw": row["raw"].rpartition(": ")[0] + ": 10.0095"}
        row["raw"] = row["raw"].removeprefix(": ")


@found(VERIFY, "every reading taken again")
def _(forger: Forger) -> None:
    for number, row in enumerate(forger.readings):
        row["id"] = f"{number:012x}"


@found(VERIFY, "every row removed but the head")
def _(forger: Forger) -> None:
    forger.readings.clear()


@found(VERIFY, "the start of a session removed from the events")
def _(forger: Forger) -> None:
    forger.events.remove(forger.event("session", "start"))


@found(VERIFY, "every event removed")
def _(forger: Forger) -> None:
    forger.events.clear()


@found(VERIFY, "the anchors removed")
def _(forger: Forger) -> None:
    forger.events = [event for event in forger.events if event["kind"] != ANCHOR]


@found(VERIFY, "an anchor moved to fewer rows")
def _(forger: Forger) -> None:
    forger.anchors()[-1]["old"] = "12"


@found(VERIFY, "a limit of the tolerance in study.toml")
def _(forger: Forger) -> None:
    forger.settings("upper = 10.012", "upper = 10.02")


@found(VERIFY, "the rules in study.toml")
def _(forger: Forger) -> None:
    forger.settings("limit_percent = 30.0", "limit_percent = 50.0")


@found(VERIFY, "the imported file changed")
def _(forger: Forger) -> None:
    (kept,) = forger.folder.glob("imported-*")
    kept.write_bytes(kept.read_bytes().replace(b"10.0", b"10.1"))


@found(VERIFY, "the imported file removed")
def _(forger: Forger) -> None:
    (kept,) = forger.folder.glob("imported-*")
    kept.unlink()


@found(VERIFY, "a copy with other readings laid beside the record")
def _(forger: Forger) -> None:
    shutil.copy(forger.folder / "readings.csv", forger.folder / "readings-BENCH2.csv")
    in_row(reading="10.0090", raw="10.0090")(forger)
    forger.anchor_again()


@found(SEAL, "readings changed and every anchor set again")
def _(forger: Forger) -> None:
    in_row(reading="10.0090", raw="10.0090")(forger)
    forger.anchor_again()


@found(SEAL, "the last five rows cut off and every anchor set again")
def _(forger: Forger) -> None:
    del forger.readings[-5:]
    forger.anchor_again()


@found(SEAL, "readings changed, anchors and the number of the form removed")
def _(forger: Forger) -> None:
    in_row(reading="10.0090", raw="10.0090")(forger)
    forger.events = [event for event in forger.events if event["kind"] not in (ANCHOR, FORM)]


@found(SEAL, "the zero at the end of a session")
def _(forger: Forger) -> None:
    forger.event("zero", "after")["value"] = "0.0000"


@found(SEAL, "an answer of the checklist")
def _(forger: Forger) -> None:
    forger.event("checklist", "soak_minutes")["value"] = "10"


@found(SEAL, "an answer to a question about a reading removed")
def _(forger: Forger) -> None:
    forger.events.remove(forger.event("question"))


@found(SEAL, "that earlier readings were shown")
def _(forger: Forger) -> None:
    forger.events.remove(forger.event("opened"))


@found(SEAL, "the end of the last session cut off from the events")
def _(forger: Forger) -> None:
    del forger.events[-3:]


@found(SEAL, "a limit in study.toml and in the settings on record")
def _(forger: Forger) -> None:
    forger.settings("upper = 10.012", "upper = 10.02")
    logged = forger.event("settings")
    logged["value"] = logged["value"].replace("upper = 10.012", "upper = 10.02")


@found(SEAL, "a fact that only describes")
def _(forger: Forger) -> None:
    forger.settings('gauge_number = "M-07"', 'gauge_number = "M-08"')


@found(SEAL, "the last session set back as a whole")
def _(forger: Forger) -> None:
    forger.events = forger.events[: forger.events.index(forger.last("session", "start"))]
    forger.readings = [row for row in forger.readings if row["session"] == "1"]


def test_there_are_forty_kinds_of_change() -> None:
    assert len(CHANGES) == 40  # as README says
    assert len({change for change, _ in CHANGES.values()}) == len(CHANGES)


def test_the_genuine_record_is_whole(genuine: tuple[Path, str]) -> None:
    folder, printed = genuine
    assert re.fullmatch(r"([0-9A-HJKMNP-TV-Z]{6}-){2}[0-9A-HJKMNP-TV-Z]{6}", printed)
    assert printed == seal_now(folder)
    alone, with_seal = verify_folder(folder), verify_folder(folder, seal=printed)
    assert alone.unaltered, str(alone)
    assert with_seal.unaltered, str(with_seal)
    assert alone.record.unknown == ()
    anchored = [event["old"] for event in Forger(folder).anchors()]
    assert len(anchored) == 6  # at two starts, two checklists and two ends
    study = open_study(folder)
    assert not check(study).about("record")
    assert study.record is not None
    assert study.record.seal == printed


def test_an_anchor_is_set_every_thirty_rows(tmp_path: Path) -> None:
    """Also where the program is killed in mid-session: what stood before it cannot be changed."""
    folder = tmp_path / "study"
    parts = tuple(f"P{number}" for number in range(1, 24))
    new_study_folder(folder, unit="mm", resolution=0.0001, plan=Plan(parts, ("Ann",), 2, seed=3))
    clock = Clock()
    work = Collecting(open_job(folder), clock, clock.ticks)
    work.ownership.take()
    sessions.begin(work, "Ann")
    sessions.answer(work, ANSWERS)
    measure(work, clock, left=2 * len(parts) - 29)
    assert [event["old"] for event in Forger(folder).anchors()] == ["0", "0"]
    measure(work, clock, left=2 * len(parts) - 35)
    work.ownership.release()
    forger = Forger(folder)
    assert [event["old"] for event in forger.anchors()] == ["0", "0", "30"]
    assert verify_folder(folder).unaltered
    kept = dict(forger.readings[29])
    forger.readings[29] |= {"reading": "10.0090", "raw": "10.0090"}
    forger.write()
    assert not verify_folder(folder).unaltered
    forger.readings[29] |= {"reading": kept["reading"], "raw": kept["raw"]}
    del forger.readings[-3:]
    forger.write()
    assert verify_folder(folder).unaltered  # nothing tells of rows after the last anchor


def test_a_row_sealed_by_the_forger_is_sealed_as_by_the_program(
    genuine: tuple[Path, str], tmp_path: Path
) -> None:
    """The changes below are those of somebody who knows the formula."""
    folder = shutil.copytree(genuine[0], tmp_path / "copy")
    Forger(folder).write()
    for name in ("readings.csv", "events.csv"):
        assert (folder / name).read_bytes() == (genuine[0] / name).read_bytes()


@pytest.mark.parametrize("name", CHANGES)
def test_a_change_is_found(name: str, genuine: tuple[Path, str], tmp_path: Path) -> None:
    original, printed = genuine
    folder = shutil.copytree(original, tmp_path / "study")
    change, how = CHANGES[name]
    forger = Forger(folder)
    change(forger)
    forger.write()
    assert not any(not line.unbroken for line in read_lines(folder / "events.csv", EVENT_COLUMNS))
    try:
        alone = verify_folder(folder)
    except StudyError as refusal:  # no row is left
        assert "to verify" in str(refusal)
        assert how == VERIFY
        return
    assert alone.unaltered == (how == SEAL), str(alone)
    if how == VERIFY:
        severe = [f for f in check(open_study(folder)) if f.severity == "mend"]
        assert any(f.topic in ("record", "settings") for f in severe)
        return
    assert not verify_folder(folder, seal=printed).unaltered


def test_what_was_added_since_is_told_from_what_was_changed(
    genuine: tuple[Path, str], tmp_path: Path
) -> None:
    folder = shutil.copytree(genuine[0], tmp_path / "study")
    work = Collecting(open_job(folder))
    work.ownership.take()
    corrections.void(work, work.record.standing[0].id, "not wanted")
    work.ownership.release()
    later = verify_folder(folder, seal=genuine[1])
    assert verify_folder(folder).unaltered
    assert not later.unaltered
    assert "1 row of readings.csv" in later.reported
    assert "unchanged" in later.reported


def test_a_plain_table_is_sealed_with_the_hash_of_its_file(
    genuine: tuple[Path, str], tmp_path: Path
) -> None:
    save_study(open_study(genuine[0]), tmp_path / "plain")
    with pytest.raises(StudyError, match="entry form"):
        verify_folder(tmp_path / "plain")
    printed = seal_now(tmp_path / "plain")
    assert verify_folder(tmp_path / "plain", seal=printed).unaltered
    file = tmp_path / "plain" / "readings.csv"
    content = file.read_bytes()
    file.write_bytes(content.replace(b"\n", b"\r\n"))  # as git may do
    assert verify_folder(tmp_path / "plain", seal=printed).unaltered
    file.write_bytes(content.replace(b"10.0076", b"10.0077", 1))
    assert not verify_folder(tmp_path / "plain", seal=printed).unaltered
