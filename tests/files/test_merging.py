"""Two halves of a study become one: nothing is lost, twice, or changed, and both can be proved."""

from __future__ import annotations

import contextlib
import json
import re
import shutil
import sys
import zipfile
from pathlib import Path

import pytest
from entry.conftest import ANSWERS, Clock
from faulty_disk import (
    FAILS,
    FAILS_ON,
    INTERRUPTED,
    KILLED_WITHIN,
    POWER_CUT,
    FaultyDisk,
    StoppedError,
    put_back,
)
from files.test_tampering import Forger, a_session

import grr
from grr.cli import main
from grr.entry import corrections, sessions
from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.taking import take
from grr.files.folder import change_settings, new_study_folder, open_study
from grr.files.journal import read_journal
from grr.files.merging import Merged, merge
from grr.files.study_file import read_settings
from grr.files.verify import seal_now, verify_folder
from grr.model.errors import StudyError
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance

PARTS = tuple(f"P{number}" for number in range(1, 11))
PLACE = ["part", "operator", "trial"]


def started(folder: Path, *, upper: float = 10.012) -> Path:
    new_study_folder(
        folder,
        unit="mm",
        resolution=0.0001,
        tolerance=Tolerance(10.006, upper),
        plan=Plan(PARTS, ("Ann", "Ben"), 2, seed=3),
        facts={"gauge_number": "M-07"},
    )
    return folder


def taken(folder: Path, operator: str, *, days: float = 0.0) -> str:
    """Let an operator measure all parts; return the seal that was shown at the end."""
    clock = Clock()
    clock.wait(86400 * days)
    work = Collecting(open_job(folder), clock, clock.ticks)
    work.ownership.take()
    said = a_session(work, clock, operator)
    work.ownership.release()
    return said.rpartition("seal: ")[2]


def state_of(folder: Path) -> dict[str, bytes]:
    files = (path for path in folder.rglob("*") if path.is_file() and path.suffix != ".lock")
    return {path.name: path.read_bytes() for path in files}


@pytest.fixture(scope="module")
def halves(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str, str]:
    """Ann measured on one computer, Ben on another; and the seals that each was shown."""
    top = tmp_path_factory.mktemp("halves")
    one, two = started(top / "bench1"), started(top / "bench2")
    return one, two, taken(one, "Ann"), taken(two, "Ben", days=1)


@pytest.fixture(scope="module")
def whole(halves: tuple[Path, Path, str, str], tmp_path_factory: pytest.TempPathFactory) -> Merged:
    return merge(*halves[:2], tmp_path_factory.mktemp("whole") / "pins")


def test_every_reading_stands_once_and_the_halves_stay_as_they_were(
    halves: tuple[Path, Path, str, str], tmp_path: Path
) -> None:
    one, two = halves[:2]
    before = state_of(one), state_of(two)
    found = merge(one, two, tmp_path / "pins")
    assert (state_of(one), state_of(two)) == before
    study = open_study(found.folder)
    assert study.operator_names == ("Ann", "Ben")
    assert study.cube().complete
    table = study.readings.set_index(PLACE)["reading"]
    for half in (one, two):
        part = open_study(half).readings.set_index(PLACE)["reading"]
        assert table.loc[part.index].to_dict() == part.to_dict()
    assert len(table) == 40
    assert study.readings["order"].tolist() == sorted(set(study.readings["order"]))
    rows = (len(read_journal(half / "readings.csv")) for half in (one, two))
    assert found.rows == tuple(rows)


def test_both_records_can_be_proved(
    halves: tuple[Path, Path, str, str], whole: Merged, tmp_path: Path
) -> None:
    _, two, seal_one, seal_two = halves
    assert verify_folder(whole.folder, seal=whole.seal).unaltered
    earlier = verify_folder(whole.folder, seal=seal_one)  # the first half is a state of this folder
    assert "earlier state" in earlier.reported
    with zipfile.ZipFile(whole.folder / whole.archive) as kept:
        kept.extractall(tmp_path / "half")
    assert state_of(tmp_path / "half") == state_of(two)
    assert verify_folder(tmp_path / "half", seal=seal_two).unaltered


def test_sessions_are_counted_on_with_all_that_belongs_to_them(
    halves: tuple[Path, Path, str, str], whole: Merged
) -> None:
    assert whole.sessions == (("1", "2"),)
    study = open_study(whole.folder)
    by = study.readings.groupby("operator")["session"].unique()
    assert (list(by["Ann"]), list(by["Ben"])) == (["1"], ["2"])
    assert study.record is not None
    zeros = study.record.events.query("kind == 'zero'")
    assert set(zeros["session"]) == {"1", "2"}
    halves_of = [len(open_study(half).record.events) for half in halves[:2]]
    assert len(study.record.events) == sum(halves_of) + 2  # the archive, and an anchor
    assert not grr.check(study).about("record")


def test_the_merged_study_goes_on(halves: tuple[Path, Path, str, str], tmp_path: Path) -> None:
    folder = merge(*halves[:2], tmp_path / "pins").folder
    settings = read_settings(folder)
    longer = Plan(PARTS, ("Ann", "Ben", "Eve"), 2, seed=3)
    changed = type(settings)(**{**settings.__dict__, "plan": longer})
    change_settings(folder, changed, who="Eve", why="a third person")
    taken(folder, "Eve", days=2)
    assert verify_folder(folder).unaltered
    assert open_study(folder).readings["session"].unique().tolist() == ["1", "2", "3"]


def test_what_two_copies_of_one_folder_share_stands_once(tmp_path: Path) -> None:
    one = started(tmp_path / "one")
    longer = Plan(PARTS, ("Ann", "Ben", "Eve"), 2, seed=3)
    shutil.rmtree(one)
    new_study_folder(
        one, unit="mm", resolution=0.0001, tolerance=Tolerance(10.006, 10.012), plan=longer
    )
    taken(one, "Ann")
    two = shutil.copytree(one, tmp_path / "two", ignore=shutil.ignore_patterns(".*"))
    taken(one, "Ben", days=1)
    taken(two, "Eve", days=1)
    found = merge(one, two, tmp_path / "pins")
    study = open_study(found.folder)
    assert study.cube().complete
    assert len(study.readings) == 60
    assert found.sessions == (("2", "3"),)
    assert verify_folder(found.folder).unaltered
    with pytest.raises(StudyError, match="no reading that"):
        merge(found.folder, one, tmp_path / "again")


def test_a_merged_row_that_was_changed_with_all_hashes_is_found(
    whole: Merged, tmp_path: Path
) -> None:
    folder = shutil.copytree(whole.folder, tmp_path / "pins")
    forger = Forger(folder)
    row = next(r for r in reversed(forger.readings) if r["reading"])
    row["reading"] = row["raw"] = "10.0099"
    forger.anchor_again()
    forger.write()
    found = verify_folder(folder)
    assert not found.unaltered
    (contradiction,) = found.record.contradictions
    assert contradiction.file == "readings.csv"
    assert row["part"] in contradiction.what


def refused(one: Path, two: Path, target: Path) -> str:
    with pytest.raises(StudyError) as error:
        merge(one, two, target)
    assert error.value.remedy
    assert not (target / "study.toml").exists()
    assert not (target / "readings.csv").exists()
    return error.value.problem


def test_a_place_measured_in_both_is_refused(
    halves: tuple[Path, Path, str, str], tmp_path: Path
) -> None:
    other = started(tmp_path / "other")
    taken(other, "Ann")
    problem = refused(halves[0], other, tmp_path / "pins")
    assert re.fullmatch(
        r".* part P\d+, operator Ann, trial \d: [\d.]+ and [\d.]+ and 19 .*",
        problem,
    )


def test_a_reading_corrected_in_both_is_refused(tmp_path: Path) -> None:
    one = started(tmp_path / "one")
    taken(one, "Ann")
    two = shutil.copytree(one, tmp_path / "two", ignore=shutil.ignore_patterns(".*"))
    for folder in (one, two):
        clock = Clock()
        clock.wait(86400)
        work = Collecting(open_job(folder), clock, clock.ticks)
        work.ownership.take()
        corrections.void(work, read_journal(folder / "readings.csv")["id"].iloc[-1], "dropped")
        work.ownership.release()
    assert "corrected" in refused(one, two, tmp_path / "pins")


def test_what_was_merged_before_is_not_merged_again(
    halves: tuple[Path, Path, str, str], whole: Merged, tmp_path: Path
) -> None:
    assert "20 rows" in refused(whole.folder, halves[1], tmp_path / "pins")


def test_other_settings_are_refused(halves: tuple[Path, Path, str, str], tmp_path: Path) -> None:
    other = started(tmp_path / "other", upper=10.014)
    taken(other, "Ben")
    problem = refused(halves[0], other, tmp_path / "pins")
    assert "tolerance.upper, from 10.012 to 10.014" in problem


def test_an_open_session_is_refused(halves: tuple[Path, Path, str, str], tmp_path: Path) -> None:
    other = started(tmp_path / "other")
    clock = Clock()
    work = Collecting(open_job(other), clock, clock.ticks)
    work.ownership.take()
    sessions.begin(work, "Ben")
    sessions.answer(work, ANSWERS)
    sessions.answer(work, ANSWERS)
    take(work, "10.0080")
    work.ownership.release()
    assert "still open" in refused(halves[0], other, tmp_path / "pins")


def test_an_altered_half_is_refused(halves: tuple[Path, Path, str, str], tmp_path: Path) -> None:
    two = shutil.copytree(halves[1], tmp_path / "two")
    file = two / "readings.csv"
    file.write_bytes(file.read_bytes().replace(b"10.0", b"10.1", 1))
    assert "as it was" in refused(halves[0], two, tmp_path / "pins")


def test_plain_tables_and_other_folders_are_refused(
    halves: tuple[Path, Path, str, str], tmp_path: Path
) -> None:
    plain = started(tmp_path / "plain")
    assert "no readings" in refused(halves[0], plain, tmp_path / "pins")
    (plain / "readings.csv").write_text("part,operator,trial,reading\n1,A,1,10\n", encoding="utf-8")
    assert "no readings" in refused(halves[0], plain, tmp_path / "pins")
    assert "study.toml" in refused(halves[0], tmp_path / "nothing", tmp_path / "pins")
    one = shutil.copytree(halves[0], tmp_path / "one")
    for pair, target in (((one, one), tmp_path / "pins"), ((one, halves[1]), one / "in")):
        assert "three folders" in refused(*pair, target)


def test_a_folder_that_holds_a_study_is_not_written_into(
    halves: tuple[Path, Path, str, str], tmp_path: Path
) -> None:
    there = started(tmp_path / "there")
    before = state_of(there)
    with pytest.raises(StudyError, match="holds a study already"):
        merge(*halves[:2], there)
    assert state_of(there) == before


def test_by_the_command(
    halves: tuple[Path, Path, str, str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    target = tmp_path / "pins"
    assert main(["merge", str(halves[0]), str(halves[1]), "-o", str(target)]) == 0
    assert seal_now(target) in capsys.readouterr().out
    again = tmp_path / "again"
    assert main(["merge", str(halves[0]), str(halves[1]), "-o", str(again), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["written"], told["seal"]) == (str(again), seal_now(again))
    assert main(["verify", str(target)]) == 0
    assert main(["merge", str(halves[0]), str(halves[0]), "-o", str(tmp_path / "x")]) == 2


def test_a_copy_that_a_synchronised_folder_left_is_joined(tmp_path: Path) -> None:
    folder, aside = started(tmp_path / "pins"), tmp_path / "aside"
    taken(folder, "Ann")
    other = shutil.copytree(folder, tmp_path / "other", ignore=shutil.ignore_patterns(".*"))
    taken(other, "Ben", days=1)
    for name in ("readings", "events"):
        shutil.copy(other / f"{name}.csv", folder / f"{name}-BENCH2.csv")
    (finding,) = (f for f in grr.check(open_study(folder)).about("record") if "readings" in f.place)
    assert finding.severity == "mend"
    assert "grr merge" in finding.todo
    aside.mkdir()
    shutil.copy(folder / "study.toml", aside)
    for name in ("readings", "events"):
        shutil.move(folder / f"{name}-BENCH2.csv", aside / f"{name}.csv")
    assert verify_folder(aside).unaltered
    assert open_study(merge(folder, aside, tmp_path / "whole").folder).cube().complete


def looked_at(folder: Path, readings: int) -> bool:
    """Return whether a folder is the merged study, whole; else it must be none."""
    if not (folder / "study.toml").exists():
        with pytest.raises(StudyError, match=r"study\.toml"):
            open_study(folder)
        return False
    assert len(open_study(folder).readings) == readings
    assert verify_folder(folder).unaltered
    return True


@pytest.mark.skipif(sys.platform == "win32", reason="the faulty disk needs POSIX")
@pytest.mark.parametrize("how", [FAILS, FAILS_ON, INTERRUPTED, KILLED_WITHIN, POWER_CUT])
def test_whatever_the_disk_does_there_is_the_whole_study_or_none(how: str, tmp_path: Path) -> None:
    plan = Plan(("P1", "P2"), ("Ann", "Ben"), 1, seed=3)
    halves = tmp_path / "one", tmp_path / "two"
    for half, operator in zip(halves, plan.operators, strict=True):
        new_study_folder(half, unit="mm", resolution=0.0001, plan=plan)
        taken(half, operator)
    before = [state_of(half) for half in halves]
    (tmp_path / "tried").mkdir()
    watched = FaultyDisk(tmp_path / "tried")
    with watched.at_work():
        merge(*halves, tmp_path / "tried")
    watched.let_go()
    assert len(watched.steps) > 20
    for at in range(1, len(watched.steps) + 1):
        target = tmp_path / f"whole{at}"
        target.mkdir()
        disk, done = FaultyDisk(target, how, at), False
        with (
            disk.at_work(),
            contextlib.suppress(StudyError, KeyboardInterrupt, StoppedError),
        ):
            done = bool(merge(*halves, target))
        assert [state_of(half) for half in halves] == before
        assert looked_at(target, 4) or not done
        if how in (FAILS, INTERRUPTED) and not done and not (target / "study.toml").exists():
            merge(*halves, target)  # nothing is in the way of doing it again
            assert looked_at(target, 4)
        states = list(disk.states_after_power_cut()) if how == POWER_CUT else []
        disk.let_go()
        for state in states:
            put_back(target, state)
            looked_at(target, 4)
