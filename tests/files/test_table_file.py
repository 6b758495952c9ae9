"""Plain columns of a file: a reference part, gauge blocks, checks over time."""

from __future__ import annotations

import datetime as dt

import numpy as np
import openpyxl
import pytest

import grr


def written(tmp_path, text, name="blocks.csv", encoding="utf-8"):
    file = tmp_path / name
    file.write_text(text, encoding=encoding)
    return file


def test_blocks_with_their_unit_in_the_header(tmp_path):
    table = grr.read_columns(written(tmp_path, "block (mm),reading (mm)\n2.5,2.5001\n5.1,\n"))
    assert table.attrs["unit"] == "mm"
    assert table["reference"].to_list() == [2.5, 5.1]
    assert np.isnan(table["reading"][1])


def test_decimal_commas_and_dates(tmp_path):
    text = (
        "\ufeffMicrometer 17;;\nDate;Value in mm;remark\n"
        "2027-01-15;10,0001;ok\n\n2027-02-15;10,0002;\n"
    )
    table = grr.read_columns(written(tmp_path, text))
    assert table["time"].to_list() == ["2027-01-15", "2027-02-15"]
    assert table["reading"].to_list() == [10.0001, 10.0002]
    assert list(table.columns) == ["time", "reading"]


def test_a_workbook_with_real_dates(tmp_path):
    book = openpyxl.Workbook()
    book.active.append(["time", "reading", "check"])
    book.active.append([dt.datetime(2027, 1, 15), 10.0001, 1])
    file = tmp_path / "checks.xlsx"
    book.save(file)
    table = grr.read_columns(file)
    assert table["time"][0].startswith("2027-01-15") and table["check"][0] == 1.0


def test_units_in_the_cells(tmp_path):
    table = grr.read_columns(written(tmp_path, "reading\n10.0001 mm\n10.0002 mm\n"))
    assert table.attrs["unit"] == "mm" and table["reading"][1] == 10.0002
    assert grr.read_columns(written(tmp_path, "reading\n1.5\n"), unit="in").attrs["unit"] == "in"


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "empty"),
        ("part,operator\n1,A\n", "No column of readings"),
        ("reading\n", "no readings below"),
        ("reading,value\n1,2\n", "Two columns are named reading"),
        ("reading\n1.5\nabc\n", "row 3"),
        ("block in mm;reading in µm\n1;2\n", "[Uu]nits"),
        ("reading\n1.5 mm\n1.5 in\n", "different units"),
    ],
)
def test_bad_files_are_refused_with_place_and_remedy(tmp_path, text, message):
    with pytest.raises(grr.StudyError, match=message) as caught:
        grr.read_columns(written(tmp_path, text))
    assert caught.value.remedy and caught.value.file
