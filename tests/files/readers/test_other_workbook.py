"""Workbooks of other programs: what is read, what is said of it, what is refused."""

from __future__ import annotations

import io
import re
import sys
import zipfile
from pathlib import Path

import pandas as pd
import pytest

import grr
from grr.shipped import shipped_folder

WORKBOOKS = Path(__file__).parents[2] / "fixtures" / "workbooks"
FORM = shipped_folder("demo_data") / "old_form.xlsx"


@pytest.mark.parametrize("ending", ["ods", "xls"])
def test_the_form_saved_by_another_program_gives_the_same_readings(ending: str) -> None:
    """Both files were saved from the .xlsx by LibreOffice 7.4."""
    found = grr.read_readings(WORKBOOKS / f"old_form.{ending}")
    pd.testing.assert_frame_equal(found, grr.read_readings(FORM))
    said = grr.describe_reading(found)
    assert "struck through, hidden rows" in said
    assert "Missing (1)" in said


def changed(content: bytes, old: str, new: str) -> bytes:
    """Return an OpenDocument file with something else in its content."""
    out = io.BytesIO()
    with zipfile.ZipFile(io.BytesIO(content)) as source, zipfile.ZipFile(out, "w") as target:
        for part in source.infolist():
            text = source.read(part)
            if part.filename == "content.xml":
                text = re.sub(old.encode(), new.encode(), text, count=1)
            target.writestr(part, text)
    return out.getvalue()


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (
            "<table:table-row ",
            '<table:table-row table:number-rows-repeated="1000000" ',
            "larger than a gauge study",
        ),
        ("</office:spreadsheet>", "", "damaged"),
    ],
)
def test_what_would_fill_the_memory_or_is_broken_is_refused(
    tmp_path: Path, old: str, new: str, says: str
) -> None:
    path = tmp_path / "form.ods"
    content = (WORKBOOKS / "old_form.ods").read_bytes()
    path.write_bytes(changed(content, old, new))
    with pytest.raises(grr.StudyError, match=says):
        grr.read_readings(path)


def test_an_old_workbook_cut_off_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "form.xls"
    path.write_bytes((WORKBOOKS / "old_form.xls").read_bytes()[:4000])
    with pytest.raises(grr.StudyError, match="protected"):
        grr.read_readings(path)


def test_without_the_library_it_says_what_to_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "python_calamine", None)
    with pytest.raises(grr.StudyError, match="pip install python-calamine"):
        grr.read_readings(WORKBOOKS / "old_form.ods")
