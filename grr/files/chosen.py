"""Which study the notebooks work on: picked once, remembered in the working folder."""

from __future__ import annotations

import os
from pathlib import Path
from tempfile import mkdtemp
from urllib.parse import parse_qs

from grr.files.allowed_files import LARGEST_SETTINGS, WORKING_FOLDER_MARK, regular_file
from grr.files.disk import write_whole
from grr.files.folder import new_study_folder, study_in
from grr.files.gauge_folder import GAUGES
from grr.files.study_file import read_settings
from grr.model.errors import StudyError
from grr.model.settings import Settings
from grr.model.study import Study
from grr.model.values import a_path

#: Holds the chosen folder, relative to the working folder.
CHOICE_FILE = "chosen_study.txt"
DEFAULT = "demo_data/dowel_pin"
#: Where study folders are looked for in a working folder.
PLACES = ("studies", "demo_data")
#: Where tables of many studies are.
TABLES = "tables"
#: Names that Windows keeps for itself.
_RESERVED = {
    *("con", "prn", "aux", "nul"),
    *(f"{port}{number}" for port in ("com", "lpt") for number in range(1, 10)),
}


def study_folders(top: Path) -> list[str]:
    """Return the study folders of a working folder, a person's own first."""
    return [
        path.parent.relative_to(top).as_posix()
        for place in PLACES
        for path in sorted((top / place).glob("*/study.toml"))
    ]


def on_a_page() -> bool:
    """Whether this Python works for a page, not for a notebook or a program."""
    return os.environ.get("SERVER_SOFTWARE", "").startswith("voila/")


def asked_for(name: str) -> str:
    """Return what the address of the page says under a name; "" where nothing, or no page."""
    if not on_a_page():
        return ""
    return parse_qs(os.environ.get("QUERY_STRING", "")).get(name, [""])[0].strip()


def study_of_the_page() -> str:
    """Return the study folder that the page's address names, relative to the working folder.

    "" where it names none, or anything but a folder of `PLACES`.
    """
    return _named("study", PLACES)


def study_to_copy(top: str | Path = "..") -> Path | None:
    """Return the study folder whose people, parts and plan a new one is to have.

    On a page that is the one named in the address; None where none is, or it is not there.
    """
    name = _named("like", PLACES)
    folder = a_path(top) / name
    return folder if name and (folder / "study.toml").exists() else None


def _named(what: str, places: tuple[str, ...]) -> str:
    name = asked_for(what)
    place, _, folder = name.partition("/")
    unfit = not folder or folder.startswith(".") or any(one in folder for one in '/\\:"<>|?*')
    return "" if place not in places or unfit else name


def gauge_of_the_page() -> str:
    """Return the folder of the gauge that the page's address names, or of a new one; "" for none.

    Relative to the working folder.
    """
    new = asked_for("new")
    return f"{GAUGES}/{folder_name(new)}" if new else _named("gauge", (GAUGES,))


def chosen_folder(top: str | Path = "..") -> Path:
    """Return the chosen study folder; the first demo study where nothing was chosen.

    On a page that is the study in its address.

    Raises
    ------
    StudyError
        The chosen folder is no longer there, or the note of the choice cannot be read.

    Examples
    --------
    >>> grr.chosen_folder().name
    'dowel_pin'
    """
    top = a_path(top)
    file = top / CHOICE_FILE
    name = study_of_the_page() or DEFAULT
    if not study_of_the_page() and file.exists():
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
    if there:
        return folder
    words = "The chosen study is not there", "Pick a study in the notebook 0_start_here"
    if study_of_the_page():
        words = "This study is not there yet", "Go to Plan, fill it in and save it first"
    raise StudyError(*words, file=folder)


def remember_choice(folder: str, top: str | Path = "..") -> None:
    """Remember the chosen study folder, named relative to the working folder.

    Raises
    ------
    StudyError
        It cannot be written.
    """
    write_whole(Path(top) / CHOICE_FILE, f"{folder}\n")


def planned_folder(top: str | Path = "..") -> Path:
    """Return the folder of the study to plan; it may not be there yet.

    On a page that is the study in its address, or a new one of the name typed on the start
    page; in a notebook the chosen study if it is a person's own, else ``studies/my_study``.

    Raises
    ------
    StudyError
        The page is that of an example, whose plan stays as it is.

    Examples
    --------
    >>> grr.planned_folder().name
    'my_study'
    """
    top = a_path(top)
    new = asked_for("new")
    if new:
        return top / PLACES[0] / folder_name(new)
    named = study_of_the_page()
    if named and not named.startswith(f"{PLACES[0]}/"):
        raise StudyError(
            "This is an example: its plan stays as it is",
            "Make a study of your own on the start page",
        )
    if named:
        return top / named
    chosen = chosen_folder(top)
    return chosen if chosen.parent.name == PLACES[0] else top / PLACES[0] / "my_study"


def folder_name(title: str) -> str:
    """Return a name that every system takes for a folder, made from that of a study."""
    kept = "".join(letter if letter.isalnum() or letter in "-. " else " " for letter in title)
    name = "_".join(kept.split()).strip("._")[:60].rstrip("._")
    return f"study_{name}" if not name or name.partition(".")[0].lower() in _RESERVED else name


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

    Examples
    --------
    >>> grr.chosen_study()
    Study(Example with invented readings: dowel pins in a stand: 10 parts, 3 operators, 90 readings)
    """
    return study_in(chosen_folder(top))


def practice_folder(top: str | Path = "..") -> Path:
    """Return the folder to collect into: the chosen study if it is a person's own, else practice.

    A demo study is never written to: for practice its plan is copied into a folder of its
    own, ``studies/practice`` of a working folder (outside one: a temporary folder), without
    its readings.

    Raises
    ------
    StudyError
        The folder cannot be made.

    Examples
    --------
    >>> grr.practice_folder().name
    'practice'
    """
    top = a_path(top)
    chosen = chosen_folder(top)
    if chosen.parent.name != "demo_data":
        return chosen
    in_working_folder = (top / WORKING_FOLDER_MARK).exists()
    place = top / "studies" if in_working_folder else Path(mkdtemp(prefix="grr_"))
    practice = place / "practice"
    if not (practice / "study.toml").exists():
        options = vars(read_settings(chosen)) | {"title": "Practice", "id": Settings().id}
        new_study_folder(practice, **options)
    return practice
