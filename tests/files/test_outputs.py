"""An output replaces a file that grr made, and nothing else unless told to."""

from __future__ import annotations

import shutil
from pathlib import Path

import openpyxl
import pytest

import grr
from grr.cli import main
from grr.files.opening import regular_file
from grr.files.outputs import TABLE_COLUMNS, made_by_grr, safe_target
from grr.many.analyse import FIRST
from grr.model.errors import StudyError
from grr.page.pdf import find_browser
from grr.shipped import shipped_folder

DEMO = shipped_folder("demo_data") / "dowel_pin"


@pytest.fixture(scope="module")
def study() -> grr.Study:
    return grr.open_study(DEMO)


def test_every_output_is_known_as_ones_own_and_replaced(study: grr.Study, tmp_path: Path) -> None:
    label = grr.show.gauge_label(grr.qualify(study.tolerance, unit="mm"))
    for _ in range(2):  # the second time over the first
        written = [
            grr.report(study, tmp_path / "report.html"),
            grr.export_workbook(study, tmp_path / "study.xlsx"),
            grr.export_json(study, tmp_path / "study.json"),
            label.save(tmp_path / "label.html"),
        ]
        for words in (
            ["self-check", "-o", str(tmp_path / "check.html")],
            ["analyse-many", str(DEMO), "-o", str(tmp_path / "many.csv")],
            ["analyse-many", str(DEMO), "--intervals", "-o", str(tmp_path / "more.csv")],
        ):
            assert main(words) == 0
            written.append(Path(words[-1]))
    assert all(map(made_by_grr, written))
    sheets = grr.plan_study(3, 2, 2).save(tmp_path / "sheets")
    assert [made_by_grr(one) for one in sheets] == [one.suffix == ".html" for one in sheets]


@pytest.mark.skipif(find_browser() is None, reason="no browser prints a PDF here")
def test_a_pdf_is_known_as_ones_own(study: grr.Study, tmp_path: Path) -> None:
    for _ in range(2):
        assert made_by_grr(grr.report(study, tmp_path / "report.pdf"))


def test_the_table_of_many_studies_is_known_by_its_columns() -> None:
    assert TABLE_COLUMNS == FIRST


def test_what_grr_did_not_make_is_replaced_when_told_to(study: grr.Study, tmp_path: Path) -> None:
    label = grr.show.gauge_label(grr.qualify(study.tolerance, unit="mm"))
    writers = {
        "a.html": grr.report,
        "b.xlsx": grr.export_workbook,
        "c.json": grr.export_json,
        "d.html": lambda _, path, **options: label.save(path, **options),
    }
    for name, write in writers.items():
        file = tmp_path / name
        file.write_text("mine", encoding="utf-8")
        with pytest.raises(StudyError, match=r"did not make.*--force.*overwrite=True"):
            write(study, file)
        assert file.read_text(encoding="utf-8") == "mine"
        write(study, file, overwrite=True)
        assert made_by_grr(file)
    table = tmp_path / "many.csv"
    table.write_text("mine", encoding="utf-8")
    command = ["analyse-many", str(DEMO), "-o", str(table)]
    assert main(command) == 2
    assert table.read_text(encoding="utf-8") == "mine"
    assert main([*command, "--force"]) == 0
    assert made_by_grr(table)


def test_a_workbook_that_someone_saved_since_is_not_ones_own(
    study: grr.Study, tmp_path: Path
) -> None:
    file = grr.export_workbook(study, tmp_path / "study.xlsx")
    book = openpyxl.load_workbook(file)
    book.properties.lastModifiedBy = "someone"
    book.save(file)
    assert not made_by_grr(file)


@pytest.mark.parametrize("name", ["readings.csv", "study.toml", "events.csv", "notes.txt"])
def test_nothing_of_a_study_is_replaced_even_with_force(
    study: grr.Study, tmp_path: Path, name: str
) -> None:
    folder = tmp_path / "study"
    shutil.copytree(DEMO, folder)
    file = folder / name
    if name == "notes.txt":
        (folder / "pictures").mkdir()
        file = folder / "pictures" / name
        file.write_text("seen", encoding="utf-8")
    file.touch()
    before = file.read_bytes()
    for overwrite in (False, True):
        with pytest.raises(StudyError, match=r"a study|the study"):
            safe_target(file, overwrite=overwrite)
    assert file.read_bytes() == before
    assert safe_target(folder / "report.html") == folder / "report.html"


def test_a_name_that_would_become_the_readings(tmp_path: Path) -> None:
    (tmp_path / "study.toml").write_text("", encoding="utf-8")
    for name in ("readings.csv", "readings.xlsx", "Readings.CSV", "events.csv"):
        with pytest.raises(StudyError, match="take the place of a file of the study"):
            safe_target(tmp_path / name, overwrite=True)


def test_an_input_is_never_replaced(tmp_path: Path) -> None:
    table, folder = tmp_path / "table.csv", tmp_path / "parquet"
    folder.mkdir()
    for file in (table, folder / "one.parquet"):
        file.write_text("x", encoding="utf-8")
        with pytest.raises(StudyError, match="what this command reads"):
            safe_target(file, inputs=[None, table, folder], overwrite=True)
    elsewhere = tmp_path / "other.csv"
    assert safe_target(elsewhere, inputs=[table, folder]) == elsewhere


def test_only_ordinary_files_of_a_bounded_size_are_opened(tmp_path: Path) -> None:
    file = tmp_path / "file"
    file.write_bytes(b"x" * 11)
    assert regular_file(file, 11) == file
    with pytest.raises(StudyError, match="larger than"):
        regular_file(file, 10)
    with pytest.raises(StudyError, match="folder"):
        regular_file(tmp_path)
    with pytest.raises(FileNotFoundError):
        regular_file(tmp_path / "missing")
