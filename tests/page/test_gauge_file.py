"""One gauge over time on one page."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from html_page import DAY, Page
from test_filed_results import VALIDATOR

import grr
from grr.cli import main
from grr.files.gauge_folder import take_block_readings, write_gauge
from grr.model.gauge_facts import CalibratedBlock, GaugeFacts
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
HELD, TWO_WAYS = DEMO / "dowel_pin", DEMO / "pins_two_ways"


@pytest.fixture(scope="module")
def found() -> grr.GaugeFile:
    return grr.gauge_file([TWO_WAYS, HELD])


def test_every_study_and_method_stands_there_the_oldest_first(found):
    table = found.to_frame()
    assert list(table.index) == ["2026-03-03", "2026-04-14", "2026-04-14"]
    assert list(table["what"]) == ["study", "study, stand", "study, handheld"]
    for entry, study in ((found.entries[0], grr.open_study(HELD)),):
        judged = grr.verdict(study)
        assert entry.decided.startswith(f"{judged.banner}: GRR takes ")
        assert study.record.seal in entry.source
    assert found.next_due == "2026-09-30"
    assert "Next due: 2026-09-30" in str(found)


def test_folders_of_several_gauges_are_refused(tmp_path):
    study = grr.open_study(HELD)
    table = study.readings[["part", "operator", "trial", "reading"]]
    other = grr.Study(table, tolerance=study.tolerance, unit="mm", facts={"gauge_number": "M-2"})
    grr.save_study(other, tmp_path / "other")
    with pytest.raises(grr.StudyError, match="several gauges"):
        grr.gauge_file([HELD, tmp_path / "other"])
    for wrong in ([], "x", None, [3]):
        with pytest.raises(grr.StudyError):
            grr.gauge_file(wrong)


def test_a_gauges_own_folder_says_what_is_missing(tmp_path):
    folder = tmp_path / "gauges" / "m3"
    block = CalibratedBlock("10 mm", 10.0, 0.00006)
    facts = GaugeFacts("demo micrometer 3", "mm", 0.0001, 10.006, 10.012, standard="10 mm",
                       blocks=(block,))  # fmt: skip
    write_gauge(folder, facts)
    found = grr.gauge_file([HELD, folder])
    assert len(found.not_known) >= 1
    assert any("checks" in one for one in found.not_known)
    rows = [("10 mm", "10.0001", "")] * 3
    take_block_readings(folder, "reference", rows, who="Ada", identifier="a1")
    assert grr.gauge_file([folder]).gauge == "demo micrometer 3"


def test_the_commands_file_a_gauges_folder(tmp_path, capsys):
    folder = tmp_path / "gauges" / "m3"
    facts = GaugeFacts("demo micrometer 3", "mm", 0.0001, 10.006, 10.012, standard="10 mm",
                       blocks=(CalibratedBlock("10 mm", 10.0, 0.00006),))  # fmt: skip
    write_gauge(folder, facts)
    rows = [("10 mm", f"{10.0 + 0.0001 * (n % 2):.4f}", "") for n in range(25)]
    take_block_readings(folder, "reference", rows, who="Ada", identifier="a1")
    assert main(["report", str(folder), "-o", str(tmp_path / "r.html")]) == 0
    assert "Qualification" in (tmp_path / "r.html").read_text(encoding="utf-8")
    assert main(["export", str(folder), "-o", str(tmp_path / "r.json")]) == 0
    content = json.loads((tmp_path / "r.json").read_text(encoding="utf-8"))
    assert content["kind"] == "qualification"
    assert main(["export", str(folder), "-o", str(tmp_path / "r.csv")]) == 2
    assert "readings.csv already" in capsys.readouterr().err


def test_it_is_one_page_filed_like_every_result(found, tmp_path):
    page = Page(grr.report(found, tmp_path / "g.html", date=DAY).read_text(encoding="utf-8"))
    front = page.shown[: page.shown.index("In this report")]
    for entry in found.entries:
        assert " ".join(entry.decided.split()) in front
    assert "Next due: 2026-09-30" in front
    VALIDATOR.validate(json.loads(grr.export_json(found, tmp_path / "g.json").read_text("utf-8")))
    assert grr.export_workbook(found, tmp_path / "g.xlsx").exists()


def test_the_command_prints_and_files_it(capsys, tmp_path):
    target = tmp_path / "g.html"
    words = ["gauge-file", str(HELD), str(TWO_WAYS), "-o", str(target), "--date", "2026-11-25"]
    assert main(words) == 0
    assert "Gauge file: demo micrometer 3" in " ".join(capsys.readouterr().out.split())
    assert Path(target).exists()
    assert main(["gauge-file", str(tmp_path / "nothing")]) == 2
