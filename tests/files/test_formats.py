"""Files of every released version open; one of a newer version is refused in one sentence."""

from __future__ import annotations

import csv
import io
import json
import shutil
import tomllib
from pathlib import Path

import pytest

import grr
from grr.cli import main
from grr.entry import corrections, sessions
from grr.entry.collecting import Collecting
from grr.entry.job import open_job
from grr.entry.taking import take
from grr.files.chained_file import seal
from grr.files.events import Event, Events
from grr.files.folder import change_settings
from grr.files.journal import WRITTEN, Journal, JournalRow, read_journal
from grr.files.study_file import read_settings
from grr.files.verify import verify_folder
from grr.model.errors import StudyError
from grr.model.record import FORMAT

#: Its standard deviation of GRR in mm, as version 0.1.0 computed it.
GRR_OF_0_1_0 = "0.000769972"
#: Collected with version 0.1.0: two of three operators, with a voided reading, one set right,
#: a note, and limits changed with a reason. Never to be written again.
GOLDEN = Path(__file__).parents[1] / "fixtures" / "study_of_0_1_0"
ANSWERS = {
    "handing_out": "a helper, coded",
    "faces_cleaned": "yes",
    "soak_minutes": "90",
    "room_temperature": "20.5",
    "holding": "stand",
    "zeroed_on": "closed faces",
    "zero_orientation": "yes",
    "zero": "0.000",
}


@pytest.fixture
def golden(tmp_path: Path) -> Path:
    return shutil.copytree(GOLDEN, tmp_path / "study")


def contents(folder: Path) -> dict[str, bytes]:
    return {
        path.name: path.read_bytes()
        for path in folder.iterdir()
        if path.suffix in (".csv", ".toml")
    }


def test_a_study_of_0_1_0_opens_and_is_analysed(golden: Path) -> None:
    before = contents(golden)
    study = grr.open_study(golden)
    assert (study.parts, study.operator_names, study.taken) == (
        ("S1", "S2", "S3", "S4", "S5"),
        ("Ann", "Ben"),
        20,
    )
    assert study.tolerance == grr.Tolerance(4.975, 5.025)
    assert study.readings["note"].tolist().count("burr found; =1+1") == 1
    assert study.readings["reading"].min() == 4.990
    assert f"{grr.anova(study).sources.loc['GRR', 'sd']:.6g}" == GRR_OF_0_1_0
    assert main(["analyse", str(golden)]) in (0, 3, 4, 5, 6)
    assert contents(golden) == before


def test_a_study_of_0_1_0_is_verified_and_what_cannot_be_told_is_said(golden: Path) -> None:
    found = verify_folder(golden)
    assert found.unaltered
    assert [file.rows for file in found.record.files] == [24, 33]
    assert len(found.record.unknown) == 1
    assert "cannot be told" in found.record.unknown[0]


def test_a_study_of_0_1_0_is_continued_and_nothing_in_it_rewritten(golden: Path) -> None:
    before = contents(golden)
    work = Collecting(open_job(golden))
    work.ownership.take()
    sessions.begin(work, "Åsa")
    sessions.answer(work, ANSWERS)
    while work.due(work.record) is not None:
        outcome = take(work, "5.001", source="gauge")
        if outcome.kind == "asked":
            corrections.keep(work, outcome.rows[-1].id)
    sessions.end(work, "0.000")
    work.ownership.release()
    after = contents(golden)
    assert after["study.toml"] == before["study.toml"]
    for name in ("readings.csv", "events.csv"):
        assert after[name].startswith(before[name])
        assert len(after[name]) > len(before[name])
    found = verify_folder(golden)
    assert found.unaltered, str(found)
    assert "row 26" in found.record.unknown[0]
    assert grr.open_study(golden).operator_names == ("Ann", "Ben", "Åsa")
    # what was added is anchored: it cannot be cut off any more
    lines = after["readings.csv"].splitlines(keepends=True)
    (golden / "readings.csv").write_bytes(b"".join(lines[:-3]))
    assert not verify_folder(golden).unaltered


def test_settings_get_their_number_when_they_are_saved(golden: Path) -> None:
    text = (golden / "study.toml").read_text(encoding="utf-8")
    assert "format" not in tomllib.loads(text)
    change_settings(golden, read_settings(golden))
    text = (golden / "study.toml").read_text(encoding="utf-8")
    assert tomllib.loads(text)["format"] == FORMAT
    assert verify_folder(golden).unaltered
    assert verify_folder(golden).record.changes == ()


@pytest.mark.parametrize("number", [str(FORMAT + 1), "99"])
def test_a_newer_study_is_refused_in_one_sentence(number: str, golden: Path) -> None:
    file = golden / "study.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(f"format = {number}\nunheard_of = 3\n{text}", encoding="utf-8")
    before = contents(golden)
    with pytest.raises(StudyError, match="newer"):
        grr.open_study(golden)
    for command in ("analyse", "verify", "collect", "report"):
        assert main([command, str(golden)]) == 2
    assert contents(golden) == before


@pytest.mark.parametrize("number", ["0", "-1", "true", '"two"', "1.5"])
def test_a_number_of_the_form_that_is_none_is_refused(number: str, golden: Path) -> None:
    file = golden / "study.toml"
    file.write_text(f"format = {number}\n{file.read_text(encoding='utf-8')}", encoding="utf-8")
    with pytest.raises(StudyError, match="whole number"):
        grr.open_study(golden)


def test_a_newer_record_is_refused(golden: Path) -> None:
    Events(golden / "events.csv").append(Event(kind="format", value=str(FORMAT + 1)))
    with pytest.raises(StudyError, match="newer"):
        verify_folder(golden)
    study = grr.open_study(golden)
    assert any("newer version" in f.what for f in grr.check(study).about("record"))


def with_columns(file: Path, before: tuple[str, ...], after: tuple[str, ...]) -> None:
    """Write a record again as a version would that has more columns, or somebody's own."""
    rows = list(csv.reader(io.StringIO(file.read_text(encoding="utf-8-sig"))))
    known = len(rows[0]) - 1
    text, previous = io.StringIO(newline=""), ""
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([*rows[0][:known], *before, "hash", *after])
    for row in rows[1:]:
        cells = [*row[:known], *(f"of {name}" for name in before)]
        previous = seal(previous, cells)
        writer.writerow([*cells, previous, *(f"my {name}" for name in after)])
    file.write_bytes(b"\xef\xbb\xbf" + text.getvalue().encode("utf-8"))


@pytest.mark.parametrize(
    ("before", "after"), [(("force",), ()), ((), ("remark",)), (("force", "humidity"), ("remark",))]
)
def test_an_unknown_column_is_kept_and_no_reason_to_refuse(
    before: tuple[str, ...], after: tuple[str, ...], golden: Path
) -> None:
    expected = grr.open_study(golden).readings
    for name in ("readings.csv", "events.csv"):
        with_columns(golden / name, before, after)
    assert verify_folder(golden).unaltered
    assert grr.open_study(golden).readings.equals(expected)
    file = golden / "readings.csv"
    written = file.read_bytes()
    row = JournalRow(part="S1", operator="Åsa", trial="1", reading="5.000", session="2")
    Journal(file).append(row)
    assert file.read_bytes().startswith(written)
    assert verify_folder(golden).unaltered
    assert read_journal(file)["reading"].iloc[-1] == 5.0
    line = next(csv.reader([file.read_text(encoding="utf-8").splitlines()[-1]]))
    assert len(line) == len(WRITTEN) + len(before) + 1 + len(after)
    if before:  # a column before the hash is sealed with the rest
        file.write_bytes(file.read_bytes().replace(b"of force", b"no force", 1))
        assert not verify_folder(golden).unaltered


def test_an_exported_result_has_its_number(golden: Path, tmp_path: Path) -> None:
    grr.export_json(grr.open_study(golden), tmp_path / "r.json")
    document = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert (document["format"], document["version"]) == ("grr result", 1)
