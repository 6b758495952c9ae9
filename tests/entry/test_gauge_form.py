"""The form of a gauge refuses what contradicts, asks about slips, and files a message once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal

import pytest

import grr
from grr.entry.gauge_form import GaugeForm
from grr.files.gauge_folder import block_readings, read_gauge

ANSWERS = {
    "title": "H-3",
    "unit": "mm",
    "resolution": "0,001",
    "lower": "4.98",
    "upper": "5.04",
    "standard": "5",
    "corrected": "no",
}
BLOCKS = [{"name": "5", "size": "5.0002", "expanded": "0.1", "k": "2"}, {"name": "", "k": "2"}]


@pytest.fixture
def form(tmp_path: Path) -> GaugeForm:
    return made(tmp_path / "gauges" / "H-3", "qualify")


def made(folder: Path, kind: Literal["qualify", "watch"]) -> GaugeForm:
    return GaugeForm(folder, kind, "H-3", [], filing=grr.report)


def tell(form: GaugeForm, kind: str, **message: Any) -> dict[str, Any]:
    """Send a message as the page does; return what it is told."""
    told: list[dict[str, Any]] = []
    form.send = told.append
    identifier = message.pop("id", f"m{id(told)}")
    form._heard(form, {"kind": kind, "id": identifier, "who": "Pia", **message}, [])
    return told[0]


@pytest.fixture
def saved(form: GaugeForm) -> GaugeForm:
    assert tell(form, "facts", answers=ANSWERS, blocks=BLOCKS)["good"]
    return form


def test_certificates_are_written_in_the_unit_of_the_gauge(saved: GaugeForm) -> None:
    facts = read_gauge(saved.folder)
    assert facts.block("5").expanded == pytest.approx(0.0001)  # 0.1 µm
    assert (facts.resolution, len(facts.blocks)) == (0.001, 1)


@pytest.mark.parametrize(
    ("answers", "block", "words"),
    [
        ({"resolution": "1"}, {}, "coarser than the whole tolerance"),
        ({"upper": ""}, {}, "Both limits"),
        ({"lower": "abc"}, {}, "no number"),
        ({}, {"expanded": "100"}, "Write it in µm"),
        ({}, {"size": ""}, "no calibrated size"),
        ({}, {"calibrated": "last year"}, "no date"),
        ({"standard": ""}, {}, "No block is marked"),
    ],
)
def test_what_contradicts_is_refused_and_nothing_written(
    form: GaugeForm, answers: dict[str, str], block: dict[str, str], words: str
) -> None:
    told = tell(form, "facts", answers=ANSWERS | answers, blocks=[BLOCKS[0] | block])
    assert not told["good"]
    assert words in told["said"]
    assert "column" not in told["said"]
    assert not form.folder.exists()


def test_a_slip_is_asked_about_and_filed_only_when_it_is_kept(saved: GaugeForm) -> None:
    told = tell(saved, "take", block="5", purpose="reference", text="50.01")
    assert "50.01" in told["question"]
    assert block_readings(saved.folder, "reference").empty
    told = tell(saved, "take", block="5", purpose="reference", text="50.01", keep=True)
    assert told["question"] == ""
    assert list(block_readings(saved.folder, "reference")["reading"]) == [50.01]


def test_a_message_sent_again_is_filed_once_and_the_gauge_s_digits_are_kept(
    saved: GaugeForm,
) -> None:
    for _ in range(3):
        told = tell(saved, "take", block="5", purpose="reference", text="+5,0010", id="same")
        assert told["good"]
    assert told["due"]["done"] == 1
    text = (saved.folder / "readings.csv").read_text(encoding="utf-8")
    assert text.count("5.0010") == 2  # as a number, and what the gauge sent


def test_undo_takes_out_the_last_and_nobody_reads_without_a_name(saved: GaugeForm) -> None:
    tell(saved, "take", block="5", purpose="reference", text="5.001")
    assert "undone" in tell(saved, "undo", purpose="reference")["said"]
    assert block_readings(saved.folder, "reference").empty
    told = tell(saved, "take", block="5", purpose="reference", text="5.001", who=" ")
    assert not told["good"]
    assert told["wrong"] == "who"


def test_earlier_checks_are_pasted_whole_or_not_at_all(saved: GaugeForm) -> None:
    watch = made(saved.folder, "watch")
    lines = [f"2026-{month:02}-01;5.00{month % 3}" for month in range(1, 10)]
    told = tell(watch, "paste", text="\n".join([*lines, "2026-10-01 none"]))
    assert not told["good"]
    assert block_readings(saved.folder, "check").empty
    assert "<svg" in tell(watch, "paste", text="\n".join(lines))["chart"]
    assert len(block_readings(saved.folder, "check")) == 9


def test_a_block_with_readings_cannot_be_taken_out(saved: GaugeForm) -> None:
    tell(saved, "take", block="5", purpose="reference", text="5.001")
    told = tell(saved, "facts", answers=ANSWERS, blocks=[BLOCKS[0] | {"name": "five"}])
    assert not told["good"]
    assert [block.name for block in read_gauge(saved.folder).blocks] == ["5"]


def test_the_lines_say_what_they_take(saved: GaugeForm) -> None:
    told = tell(saved, "lines", lines={"calibration": "2"}, in_study=[])
    row = next(one for one in told["lines"] if one["key"] == "calibration")
    # U = 2 µm with k = 2 of the 9 µm that are allowed (30 % of 60 µm, halved).
    assert row["takes"].startswith("22")
    told = tell(saved, "lines", lines={"room": "warm"}, in_study=[])
    assert told["wrong"] == "room"
    assert read_gauge(saved.folder).lines == {"calibration": pytest.approx(0.002)}


def test_the_report_is_filed_in_the_gauge_s_folder_and_ages_with_a_new_reading(
    saved: GaugeForm,
) -> None:
    tell(saved, "take", block="5", purpose="reference", text="5.001")
    assert not tell(saved, "look")["filed"]
    told = tell(saved, "file")
    assert told["filed"]
    assert "H-3" in (saved.folder / "report.html").read_text(encoding="utf-8")
    later = (saved.folder / "report.html").stat().st_mtime + 5
    os.utime(saved.folder / "readings.csv", (later, later))
    assert not tell(saved, "look")["filed"]
