"""Names of files and folders: whatever a person writes is kept, refused, or legal on Windows."""

from __future__ import annotations

import sys
from pathlib import Path

import pandas as pd
import pytest
from hostile_study import hostile_study

import grr
from grr.cli import main
from grr.files.folder import new_study_folder
from grr.files.journal import Journal, JournalRow
from grr.files.names import legal_name
from grr.model.errors import StudyError

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
    assert grr.plan_study(3, 2).save(tmp_path / name / name)[0].exists()
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
        lambda: grr.plan_study(3, 2).save(tmp_path / name),
        lambda: grr.export_json(study, tmp_path / f"{name}.json"),
    ):
        if legal_name(f"{name}.json") and "json" in write.__code__.co_names:
            continue
        with pytest.raises(StudyError) as refusal:
            write()
        assert "\n" not in str(refusal.value)
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize("name", ["x" * 300, "ü" * 200, "y" * 5000, "z/" * 3000])
def test_names_that_are_too_long(tmp_path: Path, name: str) -> None:
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
        lambda: grr.plan_study(3, 2).save(tmp_path / name),
    ):
        with pytest.raises(StudyError):
            use()
    assert not [path for path in tmp_path.rglob("*") if path.is_file()]
    assert main(["verify", str(tmp_path / name)]) == 2
    assert main(["new", str(tmp_path / name)]) == 2


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
        with pytest.raises(StudyError, match="no setting of this name"):
            grr.open_study(tmp_path)
    (tmp_path / "study.toml").write_text('[facts]\nreadings = "/etc/passwd"\n', encoding="utf-8")
    with pytest.raises(StudyError, match="no readings yet"):
        grr.open_study(tmp_path)
