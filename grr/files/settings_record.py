"""Does ``study.toml`` say what the record of the collection says?

The settings are logged in full when collecting begins, and each change made with a name and
a reason after that. What ``study.toml`` says otherwise was changed past the record.
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from grr.files.chained_file import read_lines
from grr.files.disk import writing
from grr.files.events import WRITTEN as EVENT_COLUMNS
from grr.files.events import Event, Events
from grr.files.journal import WRITTEN as READING_COLUMNS
from grr.files.journal import is_journal_file
from grr.files.study_file import STUDY_FILE, by_key, read_settings, settings_text
from grr.model.errors import StudyError
from grr.model.record import SettingChange
from grr.model.values import a_path

#: Kinds of events: the settings in full, and one key that was changed.
WHOLE, ONE_KEY = "settings", "study"
#: Reason of a change that was found when a session began: nobody gave one.
FOUND = "found changed in study.toml; no reason given"


def logged_events(folder: Path) -> list[Event]:
    """Return the events of a study, oldest first; none where there is no such file."""
    lines = read_lines(folder / "events.csv", EVENT_COLUMNS)
    return [Event(*line.cells) for line in lines if line.cells is not None]


def recorded_settings(folder: Path) -> dict[str, str] | None:
    """Return the settings on record, as "table.key" → text; None where there are none.

    Those logged last before the first reading, with every later change that has a reason.

    Raises
    ------
    StudyError
        ``events.csv`` or ``readings.csv`` is no such file, or cannot be read.
    """
    events = logged_events(folder)
    if not any(event.kind == WHOLE for event in events):
        return None
    begun = _first_reading(folder / "readings.csv")
    recorded: dict[str, str] | None = None
    for event in events:
        if event.kind == WHOLE and (recorded is None or not begun or event.time <= begun):
            recorded = _as_logged(event.value)
        elif event.kind == ONE_KEY and event.reason != FOUND and recorded is not None:
            recorded[event.name] = event.value
    return None if recorded is None else {key: text for key, text in recorded.items() if text}


def _first_reading(file: Path) -> str:
    """Return when the first reading was taken; "" where there is none.

    The first one in the file: the clock may have been set back after it.
    """
    if not is_journal_file(file):
        return ""
    time, reading = (READING_COLUMNS.index(name) for name in ("time", "reading"))
    cells = [line.cells for line in read_lines(file, READING_COLUMNS) if line.cells is not None]
    return next((row[time] for row in cells if row[reading]), "")


def _as_logged(text: str) -> dict[str, str] | None:
    try:
        return by_key(text)
    except tomllib.TOMLDecodeError:  # only where the file was altered, which is found by its seals
        return None


def unrecorded_changes(folder: str | Path) -> tuple[SettingChange, ...]:
    """Return what ``study.toml`` says otherwise than the record; those that decide first.

    Empty where the record holds no settings: nothing can be said then.

    Raises
    ------
    StudyError
        A file of the study cannot be used.
    """
    folder = a_path(folder)
    recorded = recorded_settings(folder)
    if recorded is None:
        return ()
    now = by_key(settings_text(read_settings(folder)))
    changes = differences(recorded, now)
    return tuple(sorted(changes, key=lambda change: not change.decides))


def differences(old: dict[str, str], new: dict[str, str]) -> list[SettingChange]:
    """Return every setting that differs; the study's id is none."""
    keys = [*old, *(key for key in new if key not in old)]
    return [
        SettingChange(key, old.get(key, ""), new.get(key, ""))
        for key in keys
        if key != "id" and not _same(old.get(key, ""), new.get(key, ""))
    ]


def _same(old: str, new: str) -> bool:
    """Whether two values are the same; 30 and 30.0 are."""
    try:
        return old == new or float(old) == float(new)
    except ValueError:
        return False


def record_changes(folder: str | Path, *, by: str, reason: str) -> tuple[SettingChange, ...]:
    """Put on record, with a name and a reason, what was changed in ``study.toml``.

    Returns
    -------
    tuple of SettingChange
        What was put on record; empty where there was nothing.

    Raises
    ------
    StudyError
        The name or the reason is missing, or a file of the study cannot be used.
    """
    folder = a_path(folder)
    if not by.strip() or not reason.strip() or reason.strip() == FOUND:
        raise StudyError(
            "A change of the settings needs a name and a reason",
            "Say who makes the change and why",
            file=folder / STUDY_FILE,
        )
    read_settings(folder)  # refuses a folder that is no study
    with writing(folder):
        changes = unrecorded_changes(folder)
        log_changes(folder, changes, by=by, reason=reason)
    return changes


def log_changes(
    folder: Path, changes: list[SettingChange] | tuple[SettingChange, ...], *, by: str, reason: str
) -> Events:
    """Write an event for each change; return the file, from which they can be taken back."""
    events = Events(folder / "events.csv")
    events.append(
        *(
            Event(
                kind=ONE_KEY,
                name=change.key,
                old=change.old,
                value=change.new,
                reason=reason.strip(),
                entered_by=by.strip(),
            )
            for change in changes
        )
    )
    return events
