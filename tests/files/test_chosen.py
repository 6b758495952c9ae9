"""Which study the notebooks work on, and what is said of a note that cannot be read."""

from __future__ import annotations

from pathlib import Path

import pytest

import grr
from grr.files.chosen import CHOICE_FILE, remember_choice
from grr.files.folder import new_study_folder
from grr.model.errors import StudyError


def test_the_choice_is_remembered(tmp_path: Path) -> None:
    new_study_folder(tmp_path / "studies" / "Büchse")
    remember_choice("studies/Büchse", tmp_path)
    assert grr.chosen_folder(tmp_path) == tmp_path / "studies" / "Büchse"


@pytest.mark.parametrize(
    ("content", "words"),
    [
        ("studies/Büchse".encode("cp1252"), "cannot be read"),
        (b"studies/elsewhere\n", "is not there"),
        (b"", "is not there"),
        (b"x" * 5000, "is not there"),
        (b"a\0b", "is not there"),
    ],
)
def test_a_choice_that_cannot_be_used_says_how_to_pick_again(
    content: bytes, words: str, tmp_path: Path
) -> None:
    (tmp_path / CHOICE_FILE).write_bytes(content)
    with pytest.raises(StudyError, match=words) as refused:
        grr.chosen_study(tmp_path)
    assert "0_start_here" in refused.value.remedy


def test_a_file_in_place_of_a_study_folder_says_what_takes_a_file(tmp_path: Path) -> None:
    file = tmp_path / "pins.csv"
    file.write_text("part,operator,trial,reading\n1,Ilse,1,10.008\n", encoding="utf-8")
    with pytest.raises(StudyError, match="a file, not") as refused:
        grr.open_study(file)
    assert "grr analyse-many" in refused.value.remedy
