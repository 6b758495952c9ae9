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

from grr.files import disk
from grr.model.errors import StudyError

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="the faulty disk needs POSIX")


def after_power_cut(watched: FaultyDisk) -> list[dict[str, bytes]]:
    states = list(watched.states_after_power_cut())
    watched.let_go()
    return states


def test_what_was_added_survives_a_power_cut_with_its_name(tmp_path: Path) -> None:
    for before, after in [(b"", b"one\n"), (b"one\n", b"one\ntwo\n")]:
        watched = FaultyDisk(tmp_path)
        with watched.at_work():
            length = disk.append(tmp_path / "readings.csv", after[len(before) :])
        assert length == len(before)
        assert after_power_cut(watched) == [{"readings.csv": after}]


@pytest.mark.parametrize("at", [2, 3])  # the write, of which half is done; the sync
@pytest.mark.parametrize("begun", [b"", b"one\n"])
def test_an_addition_that_fails_is_cut_off_and_the_cut_is_synced(
    at: int, begun: bytes, tmp_path: Path
) -> None:
    file = tmp_path / "readings.csv"
    if begun:
        file.write_bytes(begun)
    watched = FaultyDisk(tmp_path, FAILS, at)
    with watched.at_work(), pytest.raises(OSError, match="does not answer"):
        disk.append(file, b"two\nthree\n")
    assert file.read_bytes() == begun
    assert watched.steps[-2:] == ["cut", "sync"]
    watched.let_go()


def test_an_addition_whose_name_is_not_confirmed_is_cut_off(tmp_path: Path) -> None:
    watched = FaultyDisk(tmp_path, FAILS, 4)
    with watched.at_work(), pytest.raises(OSError, match="does not answer"):
        disk.append(tmp_path / "readings.csv", b"one\n")
    assert watched.steps[3] == "sync folder"
    assert (tmp_path / "readings.csv").read_bytes() == b""
    watched.let_go()


def test_where_even_the_cut_fails_the_first_failure_is_told(tmp_path: Path) -> None:
    watched = FaultyDisk(tmp_path, FAILS_ON, 3)
    with watched.at_work(), pytest.raises(OSError, match="does not answer"):
        disk.append(tmp_path / "readings.csv", b"one\n")
    watched.let_go()


def test_what_is_cut_back_stays_cut_back_after_a_power_cut(tmp_path: Path) -> None:
    file = tmp_path / "readings.csv"
    file.write_bytes(b"one\ntwo\n")
    watched = FaultyDisk(tmp_path)
    with watched.at_work():
        disk.cut_back(file, 4)
    assert after_power_cut(watched) == [{"readings.csv": b"one\n"}]


def test_what_a_stopped_program_wrote_is_synced_with_its_name(tmp_path: Path) -> None:
    watched = FaultyDisk(tmp_path)
    (tmp_path / "readings.csv").write_bytes(b"one\n")
    with watched.at_work():
        disk.sync(tmp_path / "readings.csv")
    assert after_power_cut(watched) == [{"readings.csv": b"one\n"}]


def test_a_file_written_whole_survives_a_power_cut(tmp_path: Path) -> None:
    for content in (b"first", b"second"):
        watched = FaultyDisk(tmp_path)
        with watched.at_work():
            disk.write_bytes(tmp_path / "study.toml", content)
        assert watched.steps == ["open .new", "write", "sync", "move", "sync folder"]
        assert after_power_cut(watched) == [{"study.toml": content}]


@pytest.mark.parametrize("at", [1, 2, 3, 4])
def test_a_file_that_cannot_be_replaced_is_as_it_was_and_nothing_is_left(
    at: int, tmp_path: Path
) -> None:
    (tmp_path / "study.toml").write_bytes(b"first")
    watched = FaultyDisk(tmp_path, FAILS, at)
    with watched.at_work(), pytest.raises(StudyError, match="does not answer"):
        disk.write_bytes(tmp_path / "study.toml", b"second")
    assert contents(tmp_path) == {"study.toml": b"first"}
    watched.let_go()


def test_a_replaced_file_whose_folder_is_not_synced_says_so(tmp_path: Path) -> None:
    watched = FaultyDisk(tmp_path, FAILS, 5)
    with watched.at_work(), pytest.raises(StudyError, match="does not confirm it"):
        disk.write_bytes(tmp_path / "study.toml", b"second")
    assert contents(tmp_path) == {"study.toml": b"second"}
    watched.let_go()


def test_a_system_that_cannot_sync_folders_is_no_failure(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    real = os.fsync

    def fsync(handle: int) -> None:
        if os.fstat(handle).st_ino == tmp_path.stat().st_ino:
            raise OSError(errno.EINVAL, "Invalid argument")
        real(handle)

    monkeypatch.setattr("grr.files.disk.os.fsync", fsync)
    disk.append(tmp_path / "readings.csv", b"one\n")
    disk.write_bytes(tmp_path / "study.toml", b"two")
    assert contents(tmp_path) == {"readings.csv": b"one\n", "study.toml": b"two"}
