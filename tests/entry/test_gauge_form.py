"""The form of a gauge refuses what contradicts, asks about slips, and files a message once."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any, Literal

import pytest

import grr
from grr.entry.gauge_form import GaugeForm
from grr.files.chained_file import new_id
from grr.files.gauge_folder import block_readings, read_gauge
from grr.files.verify import verify_folder
from grr.formulas import data_checks

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


@pytest.fixture(autouse=True)
def _quick_hands(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(data_checks, "FASTEST_SECONDS", 0.0)


@pytest.fixture
def form(tmp_path: Path) -> GaugeForm:
    return made(tmp_path / "gauges" / "H-3", "qualify")


def made(folder: Path, kind: Literal["qualify", "watch"]) -> GaugeForm:
    return GaugeForm(folder, kind, "H-3", [], filing=grr.report, label=str)


def tell(form: GaugeForm, kind: str, **message: Any) -> dict[str, Any]:
    """Send a message as the page does; return what it is told, with what the page then shows."""
    told: list[dict[str, Any]] = []
    form.send = told.append
    form._heard(form, {"kind": "hello", "from": "page"}, [])
    identifier = message.pop("id", new_id())
    form._heard(form, {"kind": kind, "id": identifier, "from": "page", **message}, [])
    return told[-1]


def read(form: GaugeForm, text: str, **message: Any) -> dict[str, Any]:
    return tell(form, "reading", text=text, **message)


@pytest.fixture
def saved(form: GaugeForm) -> GaugeForm:
    assert "outcome" in tell(form, "facts", answers=ANSWERS, blocks=BLOCKS)
    return form


@pytest.fixture
def reading(saved: GaugeForm) -> GaugeForm:
    """A form at which somebody reads, soak and zero being checked."""
    tell(saved, "begin", operator="Pia")
    conditions = {"soak_minutes": "40", "room_temperature": "20.4", "zero": "0.000"}
    assert tell(saved, "checklist", answers=conditions)["view"]["stage"] == "measure"
    return saved


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
    assert words in told["refused"]
    assert "column" not in told["refused"]
    assert not form.folder.exists()


def test_a_refusal_names_the_cell_of_the_table(form: GaugeForm) -> None:
    empty: dict[str, str] = {"k": "2"}
    for cell, text in {"size": "5,,0", "expanded": "x", "k": "0", "calibrated": "May"}.items():
        told = tell(form, "facts", answers=ANSWERS, blocks=[empty, BLOCKS[0] | {cell: text}])
        assert (told["row"], told["column"]) == (2, cell)
    told = tell(form, "facts", answers=ANSWERS, blocks=[{"size": "5.0", "k": "2"}])
    assert (told["row"], told["column"]) == (1, "name")
    told = tell(form, "facts", answers=ANSWERS, blocks=[BLOCKS[0], empty, BLOCKS[0]])
    assert (told["row"], told["column"]) == (3, "name")
    told = tell(form, "facts", answers=ANSWERS | {"standard": ""}, blocks=BLOCKS)
    assert (told["row"], told["column"]) == (None, "standard")


def test_blocks_that_cannot_show_the_pitch_are_refused_before_they_are_read(
    form: GaugeForm,
) -> None:
    rows = [BLOCKS[0] | {"name": str(size), "size": str(size)} for size in (5, 8, 10, 14, 19, 25)]
    told = tell(form, "facts", answers=ANSWERS | {"pitch": "0.5"}, blocks=rows)
    assert "same angles" in told["refused"]
    assert told["column"] == "pitch"
    assert "outcome" in tell(form, "facts", answers=ANSWERS, blocks=rows)


def test_a_check_and_a_reading_of_the_qualification_are_undone_where_they_were_taken(
    reading: GaugeForm,
) -> None:
    read(reading, "5.001")
    watch = made(reading.folder, "watch")
    view = tell(watch, "claim")["view"]
    assert not view["undoable"]
    assert "refused" in tell(watch, "undo")
    assert len(block_readings(reading.folder, "reference")) == 1
    assert read(watch, "5.000")["view"]["undoable"]
    assert tell(watch, "undo")["outcome"]["words"].startswith("Undone")
    assert block_readings(reading.folder, "check").empty


def test_inches_are_named_where_the_gauge_cannot_show_them(reading: GaugeForm) -> None:
    told = read(reading, "0.19685")  # 5.0000 mm
    assert "inches" in told["refused"]
    assert "to mm" in told["refused"]
    assert "inches" not in read(reading, "5.0004")["refused"]
    assert block_readings(reading.folder, "reference").empty


def test_a_slip_is_asked_about_and_counts_only_when_it_is_kept(reading: GaugeForm) -> None:
    asked = read(reading, "50.01")["view"]["question"]
    assert asked["waits"]
    assert asked["typed"] == "50.01"
    assert block_readings(reading.folder, "reference").empty
    assert read(reading, "5.001")["view"]["question"] is None  # typed again
    assert list(block_readings(reading.folder, "reference")["reading"]) == [5.001]
    asked = read(reading, "0.197")["view"]["question"]  # inches
    assert "25.4" in asked["words"][0]
    tell(reading, "keep", reading=asked["id"])
    assert list(block_readings(reading.folder, "reference")["reading"]) == [5.001, 0.197]


@pytest.mark.parametrize("text", ["five", "0.197 in", "5.0004", ""])
def test_what_the_gauge_cannot_show_is_refused_with_a_reason(reading: GaugeForm, text: str) -> None:
    assert read(reading, text)["refused"]
    assert block_readings(reading.folder, "reference").empty


def test_a_gauge_s_number_answers_no_question_by_itself(reading: GaugeForm) -> None:
    read(reading, "50.01")
    assert "question" in read(reading, "5.001", source="gauge")["refused"]
    assert read(reading, "5.001", source="gauge", answers=True)["view"]["question"] is None


def test_a_number_from_the_serial_port_answers_once_somebody_says_so(reading: GaugeForm) -> None:
    read(reading, "50.01")
    reading._line_arrived("5.001")
    assert block_readings(reading.folder, "reference").empty
    tell(reading, "answers")
    reading._line_arrived("5.001")
    assert list(block_readings(reading.folder, "reference")["reading"]) == [5.001]
    read(reading, "50.01")
    tell(reading, "answers")
    read(reading, "5.002")  # a typed number answered it
    read(reading, "50.01")
    reading._line_arrived("5.003")
    assert list(block_readings(reading.folder, "reference")["reading"]) == [5.001, 5.002]


def test_a_file_that_was_changed_by_hand_is_told_and_nothing_rests_on_it(
    reading: GaugeForm,
) -> None:
    assert tell(reading, "look")["view"]["changed"] == ""
    read(reading, "5.001")
    file = reading.folder / "gauge.toml"
    file.write_text(file.read_text("utf-8").replace("upper = 5.04", "upper = 5.4"), "utf-8")
    assert "upper 5.04 → 5.4" in tell(reading, "look")["view"]["changed"]
    for kind, fields in (("report", {}), ("lines", {"lines": {"room": "2"}})):
        assert "upper 5.04 → 5.4" in tell(reading, kind, **fields)["refused"]
    assert not verify_folder(reading.folder).unaltered
    tell(reading, "facts", answers=ANSWERS, blocks=BLOCKS)
    assert tell(reading, "look")["view"]["changed"] == ""
    assert verify_folder(reading.folder).unaltered


def test_another_window_and_a_killed_kernel_lose_nothing(reading: GaugeForm) -> None:
    read(reading, "5.001")
    read(reading, "50.01")
    reading.work.ownership.release()
    later = made(reading.folder, "qualify")  # as after a reload
    shown = tell(later, "look")["view"]
    assert (shown["stage"], shown["who"], shown["due"]["done"]) == ("measure", "Pia", 1)
    assert shown["question"]["typed"] == "50.01"
    assert read(reading, "5.002")["role"] == "retired"  # the older one takes nothing more
    assert read(later, "5.002")["view"]["due"]["done"] == 2


def test_two_pages_of_one_form_do_not_both_write(reading: GaugeForm) -> None:
    told: list[dict[str, Any]] = []
    reading.send = told.append
    for page in ("page", "other"):
        reading._heard(reading, {"kind": "hello", "from": page}, [])
    message = {"kind": "reading", "id": "x", "from": "other", "text": "5.001"}
    reading._heard(reading, message, [])
    assert told[-1]["role"] == "reader"
    assert block_readings(reading.folder, "reference").empty


def test_a_message_sent_again_is_filed_once_and_the_gauge_s_digits_are_kept(
    reading: GaugeForm,
) -> None:
    for _ in range(3):
        told = read(reading, "+5,0010", id="same")
        assert told["saved"] == ["same"]
    assert told["view"]["due"]["done"] == 1
    text = (reading.folder / "readings.csv").read_text(encoding="utf-8")
    assert "5.0010" in text
    assert "5,0010" in text  # what the gauge sent


def test_undo_takes_out_the_last_and_nobody_reads_without_a_name(reading: GaugeForm) -> None:
    read(reading, "5.001")
    assert "Undone" in tell(reading, "undo")["outcome"]["words"]
    assert block_readings(reading.folder, "reference").empty
    tell(reading, "end", zero="")
    assert tell(reading, "begin", operator=" ")["column"] == "who"
    assert "refused" in read(reading, "5.001")


def test_blocks_are_read_in_turn_and_then_all_in_rounds(form: GaugeForm) -> None:
    blocks = [BLOCKS[0], {"name": "2", "size": "2", "k": "2"}]
    tell(form, "facts", answers=ANSWERS, blocks=blocks)
    tell(form, "begin", operator="Pia")
    tell(form, "checklist", answers={"soak_minutes": "40", "zero": "0.000"})
    seen = []
    while (shown := tell(form, "look")["view"])["stage"] == "measure":
        block = shown["due"]["block"]
        seen.append(block)
        read(form, f"{block}.000", source="sheet")
    assert (seen[:25], len(seen)) == (["5"] * 25, 35)
    assert all(sorted(seen[at : at + 2]) == ["2", "5"] for at in range(25, 35, 2))
    assert shown["stage"] == "finished"


def test_earlier_checks_are_pasted_whole_or_not_at_all(saved: GaugeForm) -> None:
    watch = made(saved.folder, "watch")
    lines = [f"2026-{month:02}-01;5.00{month % 3}" for month in range(1, 10)]
    told = tell(watch, "paste", text="\n".join([*lines, "2026-10-01 none"]), who="Pia")
    assert "Line 10" in told["refused"]
    assert block_readings(saved.folder, "check").empty
    assert "<svg" in tell(watch, "paste", text="\n".join(lines), who="Pia")["view"]["chart"]
    assert len(block_readings(saved.folder, "check")) == 9


def test_a_block_with_readings_cannot_be_taken_out(reading: GaugeForm) -> None:
    read(reading, "5.001")
    renamed = {"answers": ANSWERS | {"standard": "five"}, "blocks": [BLOCKS[0] | {"name": "five"}]}
    told = tell(reading, "facts", **renamed)
    assert "has readings" in told["refused"]
    assert [block.name for block in read_gauge(reading.folder).blocks] == ["5"]


def test_the_lines_say_what_they_take(saved: GaugeForm) -> None:
    told = tell(saved, "lines", lines={"calibration": "2"}, in_study=[], view="fit")
    row = next(one for one in told["view"]["lines"] if one["key"] == "calibration")
    # U = 2 µm with k = 2 of the 9 µm that are allowed (30 % of 60 µm, halved).
    assert row["takes"].startswith("22")
    told = tell(saved, "lines", lines={"room": "warm"}, in_study=[])
    assert told["column"] == "room"
    assert read_gauge(saved.folder).lines == {"calibration": pytest.approx(0.002)}


def test_the_report_is_filed_in_the_gauge_s_folder_and_ages_with_a_new_reading(
    reading: GaugeForm,
) -> None:
    read(reading, "5.001")
    assert not tell(reading, "look", view="fit")["view"]["filed"]
    told = tell(reading, "report", view="fit")
    assert told["view"]["filed"]
    assert "H-3" in (reading.folder / "report.html").read_text(encoding="utf-8")
    later = (reading.folder / "report.html").stat().st_mtime + 5
    os.utime(reading.folder / "readings.csv", (later, later))
    assert not tell(reading, "look", view="fit")["view"]["filed"]
