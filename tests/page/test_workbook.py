"""The workbook: numbers as numbers, text as text, the same bytes twice."""

from __future__ import annotations

import time
import zipfile

import openpyxl
import pytest
from hostile_study import FORMULA, SUM, hostile_study
from studies import SHAPES

import grr
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data")
SHEETS = [
    "Decision",
    "Readings",
    "Sources",
    "Analysis of variance",
    "Intervals",
    "Findings",
    "About",
]


def opened(study, path):
    return openpyxl.load_workbook(grr.export_workbook(study, path))


def cells(book):
    return [cell for sheet in book for row in sheet.iter_rows() for cell in row]


def test_readings_are_numbers_shown_with_the_decimals_of_the_gauge(tmp_path):
    study = grr.open_study(DEMO / "bushing_inch")
    book = opened(study, tmp_path / "r.xlsx")
    assert book.sheetnames == SHEETS
    head, *rows = list(book["Readings"].iter_rows())
    names = [cell.value for cell in head]
    at = names.index("reading (in)")
    assert [row[at].value for row in rows] == study.readings["reading"].tolist()
    assert {row[at].number_format for row in rows} == {"0.00000"}
    assert [row[names.index("part")].value for row in rows] == study.readings["part"].tolist()
    assert rows[0][names.index("time")].value.year == 2026


def test_results_are_those_of_the_study(tmp_path):
    study = grr.open_study(DEMO / "dowel_pin")
    book = opened(study, tmp_path / "r.xlsx")
    result = grr.anova(study)
    rows = [[cell.value for cell in row] for row in book["Sources"].iter_rows()]
    grr_row = next(row for row in rows if row[:2] == ["anova", "GRR"])
    assert grr_row[4] == result.value("GRR", "sd")
    assert grr_row[8] == result.value("GRR", "percent_tolerance")
    assert any(row[:2] == ["average range", "GRR"] for row in rows)
    shown = [cell.value for row in book["Decision"].iter_rows() for cell in row]
    assert "USE" in shown
    assert any("EXAMPLE" in str(value) for value in shown)


def test_no_cell_is_a_formula_whatever_people_wrote(tmp_path):
    study = hostile_study(tmp_path / "study")
    book = opened(study, tmp_path / "r.xlsx")
    texts = [cell for cell in cells(book) if isinstance(cell.value, str)]
    assert not [cell.coordinate for cell in cells(book) if cell.data_type == "f"]
    assert all(cell.quotePrefix for cell in texts)
    values = {cell.value for cell in texts}
    assert {FORMULA, SUM} <= values
    assert "N" * 300 in values
    assert not [value for value in values if "\u202e" in value]
    with zipfile.ZipFile(tmp_path / "r.xlsx") as parts:
        for name in parts.namelist():
            assert b"<f>" not in parts.read(name), name
            assert "externalLink" not in name


@pytest.mark.parametrize("shape", ["no tolerance", "readings missing", "mean past the limit"])
def test_odd_studies_have_a_workbook_without_broken_numbers(tmp_path, shape):
    book = opened(SHAPES[shape](), tmp_path / "r.xlsx")
    for cell in cells(book):
        assert cell.data_type != "e"
        assert str(cell.value).lower() not in {"nan", "inf"}


def test_methods_stand_under_each_other(tmp_path):
    book = opened(grr.open_study(DEMO / "pins_two_ways"), tmp_path / "r.xlsx")
    column = [row[0].value for row in book["Sources"].iter_rows()]
    assert "measured by stand" in column
    assert "measured by handheld" in column


def test_same_study_gives_the_same_bytes_at_another_time(tmp_path, monkeypatch):
    study = grr.open_study(DEMO / "dowel_pin")
    first = grr.export_workbook(study, tmp_path / "a.xlsx").read_bytes()
    later = time.time() + 7200.0
    monkeypatch.setattr(time, "time", lambda: later)
    second = grr.export_workbook(study, tmp_path / "b.xlsx").read_bytes()
    assert first == second
    with zipfile.ZipFile(tmp_path / "a.xlsx") as parts:
        assert {entry.date_time[0] for entry in parts.infolist()} == {1980}
        assert b"1980-01-01T00:00:00Z" in parts.read("docProps/core.xml")


def test_other_endings_are_refused(tmp_path):
    with pytest.raises(grr.StudyError, match=r"\.xlsx"):
        grr.export_workbook(grr.open_study(DEMO / "dowel_pin"), tmp_path / "r.xls")
