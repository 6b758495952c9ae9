"""The folder of a gauge: plain text that only grows, and what changed in it is noted."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from files.test_tampering import Forger

from grr.cli import main
from grr.files.events import read_events
from grr.files.gauge_folder import (
    block_readings,
    gauge_folders,
    read_gauge,
    take_block_readings,
    write_gauge,
)
from grr.files.journal import read_journal, verify
from grr.files.verify import verify_folder
from grr.model.errors import StudyError
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts

FACTS = GaugeFacts(
    "H-3",
    "mm",
    0.001,
    4.98,
    5.04,
    mpe=0.004,
    blocks=(
        CalibratedBlock("5", 5.0002, 0.0001, 2.0, "2026-03-01", "Z-9"),
        CalibratedBlock("2", 2),
    ),
    standard="5",
    lines={"room": 3.0},
    in_study=("zero",),
)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    place = tmp_path / "gauges" / "H-3"
    write_gauge(place, FACTS)
    return place


def test_what_is_written_is_read(folder: Path) -> None:
    assert read_gauge(folder) == FACTS
    assert gauge_folders(folder.parent.parent) == [folder]
    text = (folder / "gauge.toml").read_text(encoding="utf-8")
    assert 'certificate = "Z-9"' in text  # plain text, the certificate's number in it


def test_a_change_is_noted_and_no_change_is_not(folder: Path) -> None:
    before = len(read_events(folder / "events.csv"))
    write_gauge(folder, FACTS)
    assert len(read_events(folder / "events.csv")) == before
    write_gauge(folder, GaugeFacts(**{**FACTS.__dict__, "upper": 5.05}))
    last = read_events(folder / "events.csv").iloc[-1]
    assert (last["name"], last["old"], last["value"]) == ("upper", "5.04", "5.05")


def test_a_message_is_filed_once(folder: Path) -> None:
    for _ in range(2):  # the page did not hear the answer and sends it again
        rows = [("5", "5.001", ""), ("5", "5.002", "")]
        take_block_readings(folder, "reference", rows, who="Pia", identifier="m1")
    take_block_readings(folder, "range", [("2", "2.000", "")], who="Pia", identifier="m2")
    assert list(block_readings(folder, "reference")["reading"]) == [5.001, 5.002]
    assert list(block_readings(folder, "range")["part"]) == ["2"]
    assert len(read_journal(folder / "readings.csv")) == 3
    assert verify(folder / "readings.csv") is None


def test_readings_altered_afterwards_are_not_used(folder: Path) -> None:
    take_block_readings(folder, "check", [("5", "5.001", "")], who="Pia", identifier="m1")
    file = folder / "readings.csv"
    file.write_bytes(file.read_bytes().replace(b"5.001", b"5.004"))
    with pytest.raises(StudyError, match="altered"):
        block_readings(folder, "check")


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"standard": "7"}, "not among the blocks"),
        ({"unit": ""}, "no unit"),
        ({"lower": 6.0}, "limit"),
        ({"resolution": -1.0}, "resolution"),
        ({"blocks": (CalibratedBlock("5", 5.0), CalibratedBlock("5", 6.0))}, "same name"),
    ],
)
def test_facts_that_contradict_are_refused(change: dict[str, object], words: str) -> None:
    with pytest.raises(StudyError, match=words):
        GaugeFacts(**{**FACTS.__dict__, **change})


def test_a_file_that_cannot_be_used_is_named(folder: Path) -> None:
    (folder / "gauge.toml").write_text('title = "H"\nlower = "low"\n', encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_gauge(folder)
    assert "gauge.toml" in str(caught.value)
    with pytest.raises(StudyError, match="not there yet"):
        read_gauge(folder.parent / "none")


def test_a_gauge_is_verified_as_a_study_is(folder: Path) -> None:
    take_block_readings(folder, "check", [("5", "5.001", "")], who="Pia", identifier="m1")
    found = verify_folder(folder)
    assert found.unaltered
    assert found.sentence in str(found)
    seal = found.record.seal
    assert verify_folder(folder, seal=seal).as_reported
    file = folder / "gauge.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("upper = 5.04", "upper = 5.08"), encoding="utf-8")
    found = verify_folder(folder)
    assert not found.unaltered
    assert [(one.key, one.old, one.new) for one in found.record.changes] == [
        ("upper", "5.04", "5.08")
    ]
    assert not verify_folder(folder, seal=seal).as_reported
    write_gauge(folder, read_gauge(folder))  # as the form saves it: on record now
    assert verify_folder(folder).unaltered
    assert read_events(folder / "events.csv").iloc[-1]["value"] == "5.08"


def test_an_altered_reading_of_a_block_is_named(folder: Path) -> None:
    take_block_readings(folder, "check", [("5", "5.001", "")], who="Pia", identifier="m1")
    readings = folder / "readings.csv"
    readings.write_bytes(readings.read_bytes().replace(b"5.001", b"5.004"))
    found = verify_folder(folder)
    assert "readings.csv, row 2" in found.sentence


def test_a_working_folder_names_each_gauge_and_study(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    top = folder.parent.parent
    write_gauge(folder.with_name("H-4"), replace(FACTS, title="H-4"))
    (top / "studies" / "empty").mkdir(parents=True)
    (top / "studies" / "empty" / "study.toml").write_text('title = "x"\n', encoding="utf-8")
    assert main(["verify", str(top)]) == 0
    (folder.with_name("H-4") / "gauge.toml").write_text('title = "H-5"\n', encoding="utf-8")
    capsys.readouterr()
    assert main(["verify", str(top)]) == 1
    lines = capsys.readouterr().out.splitlines()
    assert [line.partition(":")[0] for line in lines] == [
        "gauges/H-3",
        "gauges/H-4",
        "studies/empty",
    ]
    assert "gauge.toml" in lines[1]


def _raw_and_number(forger: Forger) -> None:
    forger.readings[2] |= {"reading": "5.004", "raw": "5.004"}


def _gauge_toml_and_its_event(forger: Forger) -> None:
    file = forger.folder / "gauge.toml"
    text = file.read_text(encoding="utf-8")
    file.write_text(text.replace("upper = 5.04", "upper = 5.08"), encoding="utf-8")
    forger.event("gauge", "upper")["value"] = "5.08"


#: What a forger who seals every row again does to a gauge's folder → whether it is found alone.
FORGED = {
    "a number, not what the gauge sent": (lambda f: f.readings[2].update(reading="5.004"), True),
    "a fact in gauge.toml": (
        lambda f: write_text(f.folder / "gauge.toml", "mpe = 0.004", "mpe = 0.001"),
        True,
    ),
    "a number and what the gauge sent": (_raw_and_number, False),
    "the last row cut off": (lambda f: f.readings.pop(), False),
    "a row in the middle taken out": (lambda f: f.readings.pop(1), True),
    "two blocks exchanged": (lambda f: f.readings[2].update(part="2"), False),
    "gauge.toml and the event that tells of it": (_gauge_toml_and_its_event, False),
}


def write_text(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


@pytest.mark.parametrize("name", FORGED)
def test_a_forged_gauge_folder_is_found_alone_or_by_its_seal(folder: Path, name: str) -> None:
    for number in range(1, 6):
        row = ("5", f"5.00{number}", f"2026-11-0{number}T08:00:00.000Z")
        take_block_readings(folder, "check", [row], who="Pia", identifier=f"m{number}")
    seal = verify_folder(folder).record.seal
    forger = Forger(folder)
    forger.write()
    assert verify_folder(folder, seal=seal).as_reported  # sealing alone changes nothing
    change, alone = FORGED[name]
    change(forger)
    forger.write()
    assert not verify_folder(folder, seal=seal).as_reported
    assert verify_folder(folder).unaltered is not alone
