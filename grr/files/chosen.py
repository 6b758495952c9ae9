"""Which study the notebooks work on: picked once, remembered in the working folder."""

from __future__ import annotations

from pathlib import Path
from tempfile import mkdtemp

from grr.files.allowed_files import LARGEST_SETTINGS, regular_file
from grr.files.disk import write_whole
from grr.files.folder import new_study_folder, open_study
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.model.settings import Settings
from grr.model.study import Study
from grr.model.values import a_path

#: Stands in every working folder that ``grr lab`` has filled, and lists what was put there.
WORKING_FOLDER_MARK = ".grr_put_here.json"
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
        The chosen folder is no longer there, or the note of the choice cannot be read.
    """
    top = a_path(top)
    file = top / CHOICE_FILE
    name = DEFAULT
    if file.exists():
        try:
            name = regular_file(file, LARGEST_SETTINGS).read_text(encoding="utf-8").strip()
        except (OSError, UnicodeDecodeError) as error:
            raise StudyError(
                "The note of which study was chosen cannot be read",
                "Pick a study in the notebook 0_start_here, which writes it anew",
                file=file,
                value=error,
            ) from None
    folder = top / name
    try:
        there = (folder / "study.toml").exists()
    except OSError:  # a name that is too long for any folder
        there = False
    if not there:
        raise StudyError(
            "The chosen study is not there",
            "Pick a study in the notebook 0_start_here",
            file=folder,
        )
    return folder


def remember_choice(folder: str, top: str | Path = "..") -> None:
    """Remember the chosen study folder, named relative to the working folder.

    Raises
    ------
    StudyError
        It cannot be written.
    """
    write_whole(Path(top) / CHOICE_FILE, f"{folder}\n")


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


def practice_folder(top: str | Path = "..") -> Path:
    """Return the folder to collect into: the chosen study if it is a person's own, else practice.

    A demo study is never written to: for practice its plan is copied into a folder of its
    own, ``studies/practice`` of a working folder (outside one: a temporary folder), without
    its readings.

    Raises
    ------
    StudyError
        The folder cannot be made.
    """
    top = a_path(top)
    chosen = chosen_folder(top)
    if chosen.parent.name != "demo_data":
        return chosen
    in_working_folder = (top / WORKING_FOLDER_MARK).exists()
    place = top / "studies" if in_working_folder else Path(mkdtemp(prefix="grr_"))
    practice = place / "practice"
    if not (practice / "study.toml").exists():
        settings = read_settings(chosen)
        options = {name: getattr(settings, name) for name in Settings.__dataclass_fields__}
        options |= {"title": "Practice", "id": Settings().id}
        new_study_folder(practice, **options)
    return practice
