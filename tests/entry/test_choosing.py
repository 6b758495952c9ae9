"""The form that picks a study, and what it remembers for the other notebooks."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from grr.entry.study_form import choose_study
from grr.files.chosen import CHOICE_FILE, chosen_study, practice_folder, study_folders
from grr.files.folder import open_study
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.shipped import shipped_folder


@pytest.fixture
def work(tmp_path: Path) -> Path:
    """A working folder with two demo studies."""
    for name in ("dowel_pin", "bushing_inch"):
        shutil.copytree(shipped_folder("demo_data") / name, tmp_path / "demo_data" / name)
    return tmp_path


def test_the_first_demo_study_until_another_is_picked(work: Path) -> None:
    assert study_folders(work) == ["demo_data/bushing_inch", "demo_data/dowel_pin"]
    assert chosen_study(work).title == open_study(work / "demo_data" / "dowel_pin").title


def test_picking_is_told_and_remembered(work: Path) -> None:
    picker, status = choose_study(work).children[-2:]
    assert picker.value == "demo_data/dowel_pin"
    picker.value = "demo_data/bushing_inch"
    assert "now use: " in status.value
    assert "invented" in status.value
    assert (work / CHOICE_FILE).read_text(encoding="utf-8") == "demo_data/bushing_inch\n"
    assert chosen_study(work).unit == open_study(work / "demo_data" / "bushing_inch").unit
    assert choose_study(work).children[-2].value == "demo_data/bushing_inch"


def test_a_study_that_cannot_be_used_says_why(work: Path) -> None:
    settings = work / "demo_data" / "bushing_inch" / "study.toml"
    settings.write_text("unit = 3\n", encoding="utf-8")
    picker, status = choose_study(work).children[-2:]
    picker.value = "demo_data/bushing_inch"
    assert "study.toml" in status.value
    assert "now use" not in status.value


def test_a_study_that_has_gone_is_named(work: Path) -> None:
    (work / CHOICE_FILE).write_text("studies/gone\n", encoding="utf-8")
    with pytest.raises(StudyError, match="not there"):
        chosen_study(work)


def test_practice_never_writes_into_a_demo_study(work: Path) -> None:
    before = sorted(work.rglob("*"))
    folder = practice_folder(work)
    assert work not in folder.parents  # no working folder of grr lab: a temporary one
    assert sorted(work.rglob("*")) == before
    practice, demo = read_settings(folder), read_settings(work / "demo_data" / "dowel_pin")
    assert practice.plan == demo.plan
    assert practice.id != demo.id
    assert practice.title == "Practice"
    shutil.rmtree(folder.parent)


def test_ones_own_study_is_collected_into_itself(work: Path) -> None:
    shutil.copytree(work / "demo_data" / "dowel_pin", work / "studies" / "mine")
    (work / CHOICE_FILE).write_text("studies/mine\n", encoding="utf-8")
    assert practice_folder(work) == work / "studies" / "mine"
