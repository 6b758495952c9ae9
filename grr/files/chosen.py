"""Which study the notebooks work on: picked once, remembered in the working folder."""

from __future__ import annotations

from pathlib import Path

from grr.errors import StudyError
from grr.files.folder import open_study
from grr.study import Study

#: Holds the chosen folder, relative to the working folder.
CHOICE_FILE = "chosen_study.txt"
DEFAULT = "demo_data/dowel_pin"
#: Where study folders are looked for in a working folder.
PLACES = ("studies", "demo_data")


def study_folders(top: Path) -> list[str]:
    """Return the study folders of a working folder, a person's own first."""
    return [
        path.parent.relative_to(top).as_posix()
        for place in PLACES
        for path in sorted((top / place).glob("*/study.toml"))
    ]


def chosen_folder(top: str | Path = "..") -> Path:
    """Return the chosen study folder; the first demo study where nothing was chosen.

    Raises
    ------
    StudyError
        The chosen folder is no longer there.
    """
    top = Path(top)
    file = top / CHOICE_FILE
    name = file.read_text(encoding="utf-8").strip() if file.exists() else DEFAULT
    folder = top / name
    if not (folder / "study.toml").exists():
        raise StudyError(
            "The chosen study is not there",
            "Pick a study in the notebook 0_start_here",
            file=folder,
        )
    return folder


def remember_choice(folder: str, top: str | Path = "..") -> None:
    """Remember the chosen study folder, named relative to the working folder."""
    (Path(top) / CHOICE_FILE).write_text(f"{folder}\n", encoding="utf-8")


def chosen_study(top: str | Path = "..") -> Study:
    """Open the study that was picked in the first notebook.

    Parameters
    ----------
    top : str or Path
        The working folder, as seen from the notebook.

    Raises
    ------
    StudyError
        It is not there, or cannot be used.
    """
    return open_study(chosen_folder(top))
