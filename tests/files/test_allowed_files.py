"""Names that every system takes, and what an output may replace."""

from __future__ import annotations

import os
import shutil
import sys
from pathlib import Path

import openpyxl
import pandas as pd
import pytest
from hostile_study import hostile_study

import grr
from grr.cli import main
from grr.files.allowed_files import (
    TABLE_COLUMNS,
    legal_name,
    made_by_grr,
    once_free,
    refuse_irregular,
    regular_file,
    safe_target,
    target_file,
)
from grr.files.folder import new_study_folder
from grr.files.journal import Journal, JournalRow
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
    sheets = grr.plan_study(3, 3, 2).save(tmp_path / "sheets")
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
        with pytest.raises(StudyError, match=r"--force.*overwrite=True"):
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
        with pytest.raises(StudyError, match="file of the study"):
            safe_target(tmp_path / name, overwrite=True)


def test_an_input_is_never_replaced(tmp_path: Path) -> None:
    table, folder = tmp_path / "table.csv", tmp_path / "parquet"
    folder.mkdir()
    for file in (table, folder / "one.parquet"):
        file.write_text("x", encoding="utf-8")
        with pytest.raises(StudyError, match="command reads"):
            safe_target(file, inputs=[None, table, folder], overwrite=True)
    elsewhere = tmp_path / "other.csv"
    assert safe_target(elsewhere, inputs=[table, folder]) == elsewhere


def test_a_file_that_is_not_free_is_waited_for_on_windows_only() -> None:
    refusals = [PermissionError()]

    def use() -> str:
        if refusals:
            raise refusals.pop()
        return "read"

    if sys.platform == "win32":
        assert once_free(use) == "read"
    else:
        with pytest.raises(PermissionError):
            once_free(use)


def test_where_an_output_cannot_go_is_refused_even_with_force(tmp_path: Path) -> None:
    with pytest.raises(StudyError, match="not exist"):
        safe_target(tmp_path / "nowhere" / "report.html", overwrite=True)
    with pytest.raises(StudyError, match="is a folder"):
        safe_target(tmp_path, overwrite=True)
    with pytest.raises(StudyError, match=r"\.html"):
        target_file(tmp_path / "report.json", ".html", ".pdf", overwrite=True)
    assert target_file(tmp_path / "report.PDF", ".html", ".pdf") == tmp_path / "report.PDF"


@pytest.mark.skipif(sys.platform == "win32", reason="no folder can have this name there")
def test_a_folder_that_is_there_keeps_its_name(tmp_path: Path) -> None:
    (tmp_path / "a:b").mkdir()
    report = tmp_path / "a:b" / "report.html"
    assert safe_target(report) == report


@pytest.mark.skipif(sys.platform == "win32", reason="no device has a path there")
def test_a_device_is_never_replaced() -> None:
    with pytest.raises(StudyError, match="pipe"):
        safe_target(os.devnull, overwrite=True)


@pytest.mark.skipif(sys.platform == "win32", reason="no pipe has a path there")
def test_a_pipe_is_refused_by_itself_and_in_a_folder(tmp_path: Path) -> None:
    (tmp_path / "inner").mkdir()
    (tmp_path / "inner" / "a.csv").write_text("part\n", encoding="utf-8")
    refuse_irregular(tmp_path)
    pipe = tmp_path / "inner" / "b.csv"
    os.mkfifo(pipe)
    for path in (tmp_path, pipe):
        with pytest.raises(StudyError, match="pipe"):
            refuse_irregular(path)


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


#: Names that every system takes.
GOOD = [
    *("pins lot 7", "Bolzen Größe µ", "測定 研究", "🔧 gauge", "a.b.c", "-rf", "100%", "~", "con1"),
    *("x" * 100, "é", "e\u0301", "nul-test", "auxiliary", "$HOME", "`id`", "a;b", "#1", "[1]"),
]
#: Names that Windows does not take, or that name something else there.
BAD = [
    *("CON", "nul", "Com1", "LPT9.txt", "aux.study", "com¹", "CONIN$", "pins.", "pins ", "a:b"),
    *("what?", "a*b", "<b>", 'say "x"', "a|b", "line\nend", "tab\t", "bell\x07", "nul .txt"),
]
#: Names elsewhere; on Windows they lead to another folder, as "a/b" does everywhere.
PATHS_ON_WINDOWS = ["C:\\studies\\pins", "C:pins", "\\\\server\\share\\pins", "a\\b"]


@pytest.mark.parametrize("name", GOOD)
def test_good_names_hold_a_study_and_its_outputs(tmp_path: Path, name: str) -> None:
    table = pd.DataFrame({"part": ["1", "2"], "reading": [1.0, 2.0]})
    grr.save_study(grr.Study(table, title=name), tmp_path / name)
    assert grr.open_study(tmp_path / name).title == name
    assert grr.plan_study(3, 3).save(tmp_path / name / name)[0].exists()
    new_study_folder(tmp_path / "started" / name, unit="mm")
    journal = Journal(tmp_path / "started" / name / "readings.csv")
    journal.append(JournalRow(part=name, operator="A", trial="1", reading="1.0"))
    assert main(["verify", str(tmp_path / "started" / name)]) == 0


@pytest.mark.parametrize("name", BAD + ([] if sys.platform == "win32" else PATHS_ON_WINDOWS))
def test_bad_names_are_refused_before_anything_is_made(tmp_path: Path, name: str) -> None:
    assert not legal_name(name)
    study = grr.Study(pd.DataFrame({"part": ["1", "2"], "reading": [1.0, 2.0]}))
    for write in (
        lambda: grr.save_study(study, tmp_path / name),
        lambda: grr.save_study(study, tmp_path / name / "inside"),
        lambda: new_study_folder(tmp_path / name),
        lambda: grr.plan_study(3, 3).save(tmp_path / name),
        lambda: grr.export_json(study, tmp_path / f"{name}.json"),
    ):
        if legal_name(f"{name}.json") and "json" in write.__code__.co_names:
            continue
        with pytest.raises(StudyError) as refusal:
            write()
        assert "\n" not in str(refusal.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "name",
    ["x" * 300, "ü" * 200, "y" * 5000, "z/" * 3000],
    ids=["name", "bytes", "long name", "path"],
)
def test_names_that_are_too_long(
    tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    study = grr.Study(pd.DataFrame({"part": ["1", "2"], "reading": [1.0, 2.0]}))
    for use in (
        lambda: grr.save_study(study, tmp_path / name),
        lambda: grr.open_study(tmp_path / name),
        lambda: grr.read_readings(tmp_path / name),
        lambda: grr.read_columns(tmp_path / name),
        lambda: grr.analyse_many(tmp_path / f"{name}.csv"),
        lambda: grr.analyse_many(tmp_path / f"{name}.parquet"),
        lambda: grr.report(study, tmp_path / f"{name}.html"),
        lambda: grr.export_workbook(study, tmp_path / name / "a.xlsx"),
        lambda: grr.run_sheet(tmp_path / name),
        lambda: grr.study_form(tmp_path / name),
        lambda: grr.chosen_study(tmp_path / name),
        lambda: grr.plan_study(3, 3).save(tmp_path / name),
    ):
        with pytest.raises(StudyError):
            use()
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
    for command in ("verify", "new", "analyse"):
        assert main([command, str(tmp_path / name)]) == 2
        assert "its name" in capsys.readouterr().err


def test_every_name_made_from_what_people_write_is_legal(tmp_path: Path) -> None:
    study = hostile_study(tmp_path / "study")
    grr.run_sheet(study).save(tmp_path / "sheets")
    grr.save_study(study, tmp_path / "copy")
    grr.export_json(study, tmp_path / "result.json")
    coded, _ = grr.code_operators(study)
    grr.export_json(coded, tmp_path / "coded.json")
    made = [path.name for path in tmp_path.rglob("*")]
    assert len(made) > 8
    assert [name for name in made if not legal_name(name)] == []


def test_a_study_is_read_from_its_own_folder_only(tmp_path: Path) -> None:
    """No key of study.toml names a file, so that none can lead out of the folder."""
    for line in (
        *('readings = "../../secret.csv"', 'readings = "/etc/passwd"', 'file = "C:\\\\secret.csv"'),
        *('folder = "\\\\\\\\server\\\\share"', 'journal = "..\\\\events.csv"'),
    ):
        (tmp_path / "study.toml").write_text(f"{line}\n", encoding="utf-8")
        with pytest.raises(StudyError, match="no setting"):
            grr.open_study(tmp_path)
    (tmp_path / "study.toml").write_text('[facts]\nreadings = "/etc/passwd"\n', encoding="utf-8")
    with pytest.raises(StudyError, match="no readings yet"):
        grr.open_study(tmp_path)
