"""What was acknowledged is there after a power cut; what failed is not.

The disk of these tests keeps only what was synced: see `faulty_disk`.
"""

from __future__ import annotations

import errno
import os
import sys
from pathlib import Path

import pytest
from faulty_disk import FAILS, FAILS_ON, FaultyDisk, contents
from filelock import FileLock, Timeout

from grr.files import disk
from grr.model.errors import StudyError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the faulty disk needs POSIX")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with another file: where a name is lost, that one is left."""
    (tmp_path / "events.csv").write_bytes(b"")
    return tmp_path


def after_power_cut(watched: FaultyDisk) -> list[dict[str, bytes]]:
    states = list(watched.states_after_power_cut())
    watched.let_go()
    return states


def test_what_was_added_survives_a_power_cut_with_its_name(folder: Path) -> None:
    for before, after in [(b"", b"one\n"), (b"one\n", b"one\ntwo\n")]:
        watched = FaultyDisk(folder)
        with watched.at_work():
            length = disk.append(folder / "readings.csv", after[len(before) :])
        assert length == len(before)
        assert after_power_cut(watched) == [{"events.csv": b"", "readings.csv": after}]


@pytest.mark.parametrize("at", [2, 3])  # the write, of which half is done; the sync
@pytest.mark.parametrize("begun", [b"", b"one\n"])
def test_an_addition_that_fails_is_cut_off_and_the_cut_is_synced(
    at: int, begun: bytes, folder: Path
) -> None:
    file = folder / "readings.csv"
    if begun:
        file.write_bytes(begun)
    watched = FaultyDisk(folder, FAILS, at)
    with watched.at_work(), pytest.raises(OSError, match="answer"):
        disk.append(file, b"two\nthree\n")
    assert file.read_bytes() == begun
    assert watched.steps[-2:] == ["cut", "sync"]
    watched.let_go()


def test_an_addition_whose_name_is_not_confirmed_is_cut_off(folder: Path) -> None:
    watched = FaultyDisk(folder, FAILS, 4)
    with watched.at_work(), pytest.raises(OSError, match="answer"):
        disk.append(folder / "readings.csv", b"one\n")
    assert watched.steps[3] == "sync folder"
    assert (folder / "readings.csv").read_bytes() == b""
    watched.let_go()


def test_where_even_the_cut_fails_the_first_failure_is_told(folder: Path) -> None:
    watched = FaultyDisk(folder, FAILS_ON, 3)
    with watched.at_work(), pytest.raises(OSError, match="answer"):
        disk.append(folder / "readings.csv", b"one\n")
    watched.let_go()


def test_what_is_cut_back_stays_cut_back_after_a_power_cut(folder: Path) -> None:
    file = folder / "readings.csv"
    file.write_bytes(b"one\ntwo\n")
    watched = FaultyDisk(folder)
    with watched.at_work():
        disk.cut_back(file, 4)
    assert after_power_cut(watched) == [{"events.csv": b"", "readings.csv": b"one\n"}]


def test_what_a_stopped_program_wrote_is_synced_with_its_name(folder: Path) -> None:
    watched = FaultyDisk(folder)
    (folder / "readings.csv").write_bytes(b"one\n")
    with watched.at_work():
        disk.sync(folder / "readings.csv")
    assert after_power_cut(watched) == [{"events.csv": b"", "readings.csv": b"one\n"}]


def test_a_file_written_whole_survives_a_power_cut(folder: Path) -> None:
    for content in (b"first", b"second"):
        watched = FaultyDisk(folder)
        with watched.at_work():
            disk.write_bytes(folder / "study.toml", content)
        assert watched.steps == ["open .new", "write", "sync", "move", "sync folder"]
        assert after_power_cut(watched) == [{"events.csv": b"", "study.toml": content}]


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_file_that_cannot_be_replaced_is_as_it_was_and_nothing_is_left(
    at: int, folder: Path
) -> None:
    (folder / "study.toml").write_bytes(b"first")
    watched = FaultyDisk(folder, FAILS, at)
    with watched.at_work(), pytest.raises(StudyError, match="answer"):
        disk.write_bytes(folder / "study.toml", b"second")
    assert contents(folder) == {"events.csv": b"", "study.toml": b"first"}
    watched.let_go()


def test_a_replaced_file_whose_folder_is_not_synced_says_so(folder: Path) -> None:
    watched = FaultyDisk(folder, FAILS, 5)
    with watched.at_work(), pytest.raises(StudyError, match="confirm"):
        disk.write_bytes(folder / "study.toml", b"second")
    assert contents(folder) == {"events.csv": b"", "study.toml": b"second"}
    watched.let_go()


def test_a_system_that_cannot_sync_folders_is_no_failure(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync

    def fsync(handle: int) -> None:
        if os.fstat(handle).st_ino == folder.stat().st_ino:
            raise OSError(errno.EINVAL, "Invalid argument")
        real(handle)

    monkeypatch.setattr("grr.files.disk.os.fsync", fsync)
    disk.append(folder / "readings.csv", b"one\n")
    disk.write_bytes(folder / "study.toml", b"two")
    assert contents(folder) == {"events.csv": b"", "readings.csv": b"one\n", "study.toml": b"two"}


def test_text_is_written_as_utf_8_and_half_a_character_is_refused(folder: Path) -> None:
    disk.write_whole(folder / "study.toml", "µm")
    assert (folder / "study.toml").read_bytes() == "µm".encode()
    with pytest.raises(StudyError, match="half a character"):
        disk.write_whole(folder / "study.toml", "µ\ud800")
    assert (folder / "study.toml").read_bytes() == "µm".encode()


def test_a_folder_is_kept_from_other_programs_while_it_is_written_into(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    another = FileLock(folder / disk.LOCK, is_singleton=False)
    with disk.writing(folder), disk.writing(folder), pytest.raises(Timeout):
        another.acquire(timeout=0)
    monkeypatch.setattr(disk, "_SECONDS", 0.05)
    another.acquire(timeout=0)  # free again
    with pytest.raises(StudyError, match="Another program"), disk.writing(folder):
        pass
    another.release()


def test_a_folder_that_is_gone_is_not_made_anew(folder: Path) -> None:
    with pytest.raises(StudyError, match="is gone"), disk.writing(folder / "gone"):
        pass
    assert not (folder / "gone").exists()


def test_a_folder_that_cannot_be_made_says_so(folder: Path) -> None:
    with pytest.raises(StudyError, match=r"cannot be written|read-only|gone"):
        disk.made_folder(folder / "events.csv" / "pins")
    assert disk.made_folder(folder / "pins" / "more").is_dir()
