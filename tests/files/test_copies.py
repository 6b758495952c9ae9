"""Copies beside a record are found; a backup gives back what was put in."""

from __future__ import annotations

import shutil
import zipfile
from pathlib import Path

import pytest

import grr
from grr.cli import main
from grr.files import copies
from grr.files.copies import backup, keep_file, stray_files
from grr.files.verify import verify_folder
from grr.model.errors import StudyError
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")


@pytest.fixture
def study(tmp_path: Path) -> Path:
    return shutil.copytree(DEMO / "pins_two_ways", tmp_path / "pins")


NAMES = ["readings-BENCH2.csv", "readings (1).csv", "Readings copy.csv", "events-conflict.csv"]
NAMES += ["study 2.toml", "readings_old.xlsx"]


@pytest.mark.parametrize("name", NAMES)
def test_a_copy_is_found_by_its_name(name: str, study: Path) -> None:
    assert stray_files(study) == ()
    (study / name).write_bytes(b"something else")
    (found,) = stray_files(study)
    assert (found.name, found.readings) == (name, None)
    assert not verify_folder(study).unaltered
    (finding,) = grr.check(grr.open_study(study)).about("record")
    assert (finding.severity, finding.place) == ("mend", name)


@pytest.mark.parametrize("name", ["report.html", "reading_list.txt", "truth.toml", "study.html"])
def test_what_is_no_copy_is_left_alone(name: str, study: Path) -> None:
    (study / name).write_bytes(b"x")
    assert stray_files(study) == ()


def test_readings_that_stand_only_in_the_copy_are_counted(study: Path) -> None:
    record, copy = study / "readings.csv", study / "readings-BENCH2.csv"
    lines = record.read_bytes().splitlines(keepends=True)
    copy.write_bytes(b"".join(lines))
    record.write_bytes(b"".join(lines[:150]))
    assert stray_files(study)[0].readings == 181 - 150
    copy.write_bytes(b"".join(lines[:100]))
    assert stray_files(study)[0].readings == 0
    (finding,) = grr.check(grr.open_study(study)).about("record")
    assert finding.severity == "look"
    assert verify_folder(study).unaltered


def test_a_backup_gives_back_what_was_put_in(study: Path, tmp_path: Path) -> None:
    (study / "sub").mkdir()
    (study / "sub" / "photo.jpg").write_bytes(b"\xff\xd8")
    (study / ".writing.lock").touch()
    archive = backup(study)
    assert archive == tmp_path / "pins.zip"
    shutil.unpack_archive(archive, tmp_path / "back")
    names = {path.relative_to(study) for path in study.rglob("*") if path.is_file()}
    kept = {p.relative_to(tmp_path / "back") for p in (tmp_path / "back").rglob("*") if p.is_file()}
    assert kept == names - {Path(".writing.lock"), Path(".collecting.lock")}
    for name in kept:
        assert (tmp_path / "back" / name).read_bytes() == (study / name).read_bytes()
    assert verify_folder(tmp_path / "back").record.seal == verify_folder(study).record.seal
    again = backup(study, tmp_path / "second.zip")
    assert again.read_bytes() == archive.read_bytes()


def test_a_backup_replaces_nothing_unless_told(study: Path, tmp_path: Path) -> None:
    (tmp_path / "pins.zip").write_bytes(b"mine")
    assert main(["backup", str(study)]) == 2
    assert (tmp_path / "pins.zip").read_bytes() == b"mine"
    assert main(["backup", str(study), "--force"]) == 0
    assert zipfile.is_zipfile(tmp_path / "pins.zip")


def test_where_a_backup_cannot_go(study: Path, tmp_path: Path) -> None:
    for target in (study / "b.zip", study / "sub" / "b.zip", tmp_path / "b.tar"):
        with pytest.raises(StudyError):
            backup(study, target)
        assert not target.exists()
    with pytest.raises(StudyError, match=r"study\.toml"):
        backup(tmp_path)


def test_a_backup_that_does_not_come_back_is_refused(
    study: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def spoiled(path: Path, content: bytes) -> None:
        path.write_bytes(content[:-30])

    monkeypatch.setattr(copies, "write_bytes", spoiled)
    with pytest.raises(StudyError, match="give back"):
        backup(study, tmp_path / "b.zip")


@pytest.mark.parametrize("name", ["a.csv", "b.XLSX", "..", "con.csv:x", "=cmd|", "ö.exe"])
def test_a_kept_file_has_a_name_that_its_content_gives(name: str, tmp_path: Path) -> None:
    kept = keep_file(tmp_path, name, b"content")
    assert kept.name.startswith("imported-ed7002b439e9")  # SHA-256 of b"content"
    assert (tmp_path / kept.name).read_bytes() == b"content"
    assert {path.name for path in tmp_path.iterdir()} == {kept.name}
