"""Study folders: ``study.toml`` beside ``readings.csv``."""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import logging
from dataclasses import replace
from functools import lru_cache
from hashlib import sha256
from os import PathLike
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files.allowed_files import regular_file
from grr.files.contradictions import KEPT
from grr.files.copies import keep_file
from grr.files.disk import made_folder, remove, write_whole, writing
from grr.files.events import IMPORTED_FILE, NOT_USED, Event, Events
from grr.files.journal import is_journal_file, read_journal
from grr.files.study_file import (
    STUDY_FILE,
    by_key,
    read_settings,
    settings_text,
    write_settings,
)
from grr.files.table_file import LARGEST_FILE, read_readings
from grr.files.text_and_numbers import FORMULA_SIGNS
from grr.files.verify import differences, log_changes, record_of, recorded_settings
from grr.model.errors import StudyError
from grr.model.record import standing_readings
from grr.model.rules import Plan
from grr.model.settings import Settings, settings_of
from grr.model.study import Study
from grr.model.values import a_path, needs

READINGS_FILE = "readings.csv"
EVENTS_FILE = "events.csv"
LOG = logging.getLogger("grr")
_WORKBOOK = "readings.xlsx"
_FILES = (STUDY_FILE, READINGS_FILE, _WORKBOOK, EVENTS_FILE)


def open_study(folder: str | PathLike[str]) -> Study:
    """Return the study in a folder that holds ``study.toml`` and ``readings.csv``.

    The readings may also be an imported workbook, ``readings.xlsx``.

    Raises
    ------
    StudyError
        The folder is no study, has no readings yet, or something in it cannot be used.

    Examples
    --------
    >>> grr.open_study("demo_data/dowel_pin")
    Study(Example with invented readings: dowel pins in a stand: 10 parts, 3 operators, 90 readings)
    """
    folder = a_path(folder)
    settings = read_settings(folder)
    file = _readings_file(folder)
    record = record_of(folder)
    readings = _readings(file, settings, record.journal)
    try:
        study = settings.study(readings, record)
    except StudyError as error:
        raise _placed(error, readings, file) from None
    LOG.info("opened %s: %s", folder, study.summary)
    return study


def study_in(folder: Path) -> Study:
    """Return the study in a folder, opened once for as long as no file in it changes.

    The cells of a page share it, and with it what was worked out of it.
    """
    try:
        stats = [(file.name, file.stat()) for file in sorted(folder.iterdir())]
    except OSError:  # no folder, or a file has just gone
        return open_study(folder)
    return _opened(folder, *((name, s.st_ino, s.st_size, s.st_mtime_ns) for name, s in stats))


@lru_cache(maxsize=4)
def _opened(folder: Path, *state: tuple[str, int, int, int]) -> Study:
    return open_study(folder)


def save_study(study: Study, folder: str | PathLike[str]) -> None:
    """Write a study into a new folder, or into one that holds no study yet.

    Where its readings were read from a file, that file is kept there and its hash put on record.

    Raises
    ------
    StudyError
        The folder holds a study already, or cannot be written.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.save_study(study, "copy of the pins")
    >>> grr.open_study("copy of the pins").taken
    90
    """
    needs(study, Study)
    settings, readings = settings_of(study), _readings_text(study)
    folder = made_folder(a_path(folder))
    with writing(folder):
        refuse_a_study(folder)
        try:
            write_whole(folder / READINGS_FILE, readings)
            _keep_source(study, folder)
            write_settings(folder, settings)
        except BaseException:
            made = [folder / READINGS_FILE, folder / EVENTS_FILE, *folder.glob(f"{KEPT}*")]
            for path in made:
                remove(path)  # half a study is none
            raise


def study_files(study: Study) -> dict[str, str]:
    """Return a study as the files of a folder, name → text; the same study, the same text."""
    readings = _readings_text(study)
    named = replace(settings_of(study), id=sha256(readings.encode("utf-8")).hexdigest()[:32])
    return {READINGS_FILE: readings, STUDY_FILE: settings_text(named)}


def _keep_source(study: Study, folder: Path) -> None:
    """Keep the file that the readings were read from, and put on record what of it was not used.

    Where the file is gone or was changed meanwhile, its hash alone is put on record.
    """
    taken = study.read_from
    if not taken:
        return
    content = b""
    with contextlib.suppress(OSError, StudyError):
        content = regular_file(taken["path"], LARGEST_FILE).read_bytes()
    same = hashlib.sha256(content).hexdigest() == taken["sha256"]
    kept = keep_file(folder, taken["file"], content).name if same else ""
    source = Event(kind=IMPORTED_FILE, name=kept, old=taken["file"], value=taken["sha256"])
    unused = [Event(kind=NOT_USED, old=row) for row in taken["unused"]]
    Events(folder / EVENTS_FILE).append(source, *unused)


def new_study_folder(folder: str | PathLike[str], **settings: Any) -> Settings:
    """Start a study without readings and return its settings.

    Parameters
    ----------
    folder : str or path
        Made where it does not exist.
    **settings
        See `grr.model.settings.Settings`: title, unit, resolution, tolerance, plan ...

    Raises
    ------
    StudyError
        A setting cannot be used, the folder holds a study already, or cannot be written.
    """
    started = Settings(**settings)
    folder = made_folder(a_path(folder))
    with writing(folder):
        refuse_a_study(folder)
        write_settings(folder, started)
    return started


def change_settings(
    folder: str | PathLike[str], settings: Settings, *, who: str = "", why: str = ""
) -> None:
    """Replace ``study.toml``; once there are readings each change is logged in ``events.csv``.

    What was changed in the file by hand since collecting began is logged with it.

    Raises
    ------
    StudyError
        There are readings and it is not said who changes the settings and why.
    """
    folder = a_path(folder)
    with writing(folder):
        _change_settings(folder, settings, who, why)


def _change_settings(folder: Path, settings: Settings, who: str, why: str) -> None:
    begun = (folder / READINGS_FILE).exists() or (folder / _WORKBOOK).exists()
    before = recorded_settings(folder) if begun else None
    if before is None:
        before = by_key(settings_text(read_settings(folder)))
    changes = differences(before, by_key(settings_text(settings)))
    if begun:
        _refuse_other_places(read_settings(folder).plan, settings.plan, folder)
    if begun and changes:
        if not who.strip() or not why.strip():
            raise StudyError(
                "The study has readings: a change of its settings needs a name and a reason",
                "Say who makes the change and why",
                file=folder / STUDY_FILE,
                column=", ".join(change.key for change in changes),
            )
        logged = log_changes(folder, changes, by=who, reason=why)
        try:
            write_settings(folder, settings)
        except BaseException:
            there, new = (by_key(settings_text(s)) for s in (read_settings(folder), settings))
            if differences(there, new):
                logged.take_back()
            raise
    else:
        write_settings(folder, settings)


def _refuse_other_places(old: Plan | None, new: Plan | None, folder: Path) -> None:
    """Refuse a plan that would measure what is left of a begun study at other places."""
    if old is None or new is None or not (old.places or old.gauges or new.places or new.gauges):
        return
    for name in ("places", "gauges", "parts", "operators", "seed"):
        if getattr(old, name) != getattr(new, name):
            raise StudyError(
                f"The {name} of this plan cannot be changed any more: the readings taken are "
                "recorded at its places or with its gauges",
                "Add or withdraw a person or a part in the entry form, or plan a new study",
                file=folder / STUDY_FILE,
                column=f"plan.{name}",
            )


def _readings_file(folder: Path) -> Path:
    found = [folder / name for name in (READINGS_FILE, _WORKBOOK) if (folder / name).exists()]
    if len(found) == 2:
        raise StudyError(
            "The folder has readings in two files",
            f"Keep either {READINGS_FILE} or {_WORKBOOK} and move the other away",
            file=folder,
        )
    if not found:
        raise StudyError(
            "The study has no readings yet",
            f"Take them with grr.collect, or put a file {READINGS_FILE} into the folder",
            file=folder,
        )
    return found[0]


def _readings(file: Path, settings: Settings, journal: pd.DataFrame | None) -> pd.DataFrame:
    """Return the readings that count; of a journal that cannot be read it is said why."""
    if file.suffix == ".csv" and is_journal_file(file):
        readings = standing_readings(read_journal(file) if journal is None else journal)
        if readings.empty:
            raise StudyError(
                "The study has no readings yet", "Take them with grr.collect", file=file
            )
        return readings
    readings = read_readings(file)
    unit = readings.attrs["unit"]
    if unit not in ("", settings.unit):
        raise StudyError(
            f"The readings are in {unit} and study.toml says {settings.unit or 'nothing'}",
            f'Correct the one that is wrong: unit = "{unit}"',
            file=file,
            column="unit",
        )
    return readings


def _placed(error: StudyError, readings: pd.DataFrame, file: Path) -> StudyError:
    """Return a refusal of the whole study with the place of the reading it is about."""
    if error.row is None:
        return error.at(file=file.parent)
    reading = readings.iloc[error.row - 1]
    keys = [key for key in ("part", "operator", "trial", "method") if key in readings]
    place = ", ".join(f"{key} {reading[key]}" for key in keys)
    return StudyError(
        f"{error.problem}: {place}",
        error.remedy,
        file=file,
        column=error.column,
        value=error.value,
    )


def refuse_a_study(folder: Path) -> None:
    """Refuse a folder that holds any file of a study.

    Raises
    ------
    StudyError
        It does.
    """
    for name in _FILES:
        if (folder / name).exists():
            raise StudyError(
                "The folder holds a study already: nothing was written",
                "Name another folder",
                file=folder / name,
            )


def _readings_text(study: Study) -> str:
    table = study.readings
    if "time" in table:
        times = table["time"].dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
        table["time"] = times.str.replace(r"\.?0*Z$", "Z", regex=True)
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(table.columns)
    if "order" in table:
        whole = [int(x) if float(x).is_integer() else x for x in table["order"]]
        table["order"] = pd.Series(whole, dtype=object)
    for row in table.itertuples(index=False):
        writer.writerow([_cell(value) for value in row])
    return text.getvalue()


def _cell(value: object) -> str:
    if isinstance(value, str):
        text = " ".join(value.split())
        # So that no spreadsheet runs it.
        return f"'{text}" if text and text[0] in FORMULA_SIGNS else text
    if value is None or pd.isna(value):  # type: ignore[call-overload]
        return ""
    return str(value)
