"""Is the record of a study as it was written? `grr verify FOLDER` and `grr record FOLDER`.

The rows of ``readings.csv`` and ``events.csv`` are sealed. The settings are logged in full when
collecting begins, and each change made with a name and a reason after that: what ``study.toml``
says otherwise was changed past the record.
"""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files import events, journal
from grr.files.chained_file import first_altered, read_lines
from grr.files.disk import writing
from grr.files.study_file import STUDY_FILE, by_key, read_settings, settings_text
from grr.model.errors import StudyError
from grr.model.record import REMEDY, FileCheck, Record, SettingChange
from grr.model.rounding import counted
from grr.model.text_blocks import paragraph
from grr.model.values import a_path

#: Kinds of events: the settings in full, and one key that was changed.
WHOLE, ONE_KEY = "settings", "study"
#: Reason of a change that was found when a session began: nobody gave one.
FOUND = "found changed in study.toml; no reason given"


@dataclass(frozen=True)
class FolderCheck:
    """What was found in a study folder; prints as a few lines of text."""

    folder: Path
    files: tuple[FileCheck, ...]
    changes: tuple[SettingChange, ...] = ()
    missing_sessions: tuple[str, ...] = ()

    @property
    def unaltered(self) -> bool:
        """Whether every row is as it was written, and every setting that decides on record."""
        return (
            all(file.altered is None for file in self.files)
            and not any(change.decides for change in self.changes)
            and not self.missing_sessions
        )

    def __str__(self) -> str:
        lines = [line for file in self.files for line in _lines(file)]
        if self.missing_sessions:
            lines.append(
                f"events.csv: no record of session {', '.join(self.missing_sessions)}: rows or "
                "the file were removed."
            )
        if self.changes:
            lines.append("study.toml: changed outside the record after collecting began:")
            lines += [f"  {change}" for change in self.changes]
            if any(change.decides for change in self.changes):
                lines.append(paragraph(f"{REMEDY}."))
            else:
                lines.append("These only describe the study; grr record puts them on record.")
        return "\n".join(lines)


def _lines(file: FileCheck) -> list[str]:
    if file.altered is None:
        lines = [f"{file.name}: {counted(file.rows, 'row')}, each as it was written."]
    else:
        lines = [f"{file.name}: row {file.altered.row} is the first that is not as it was written:"]
        lines.append(f"  {file.altered.why}.")
    if file.torn_rows:
        rows = ", ".join(map(str, file.torn_rows))
        lines.append(f"  Cut off while it was written, kept and not counted: row {rows}.")
    lines += ["  Last hash, to compare with the report:", f"  {file.last_hash or 'none'}"]
    return lines


def verify_folder(folder: str | Path) -> FolderCheck:
    """Return whether readings, events and settings of a study are as they were recorded.

    Rows cut off at the end leave no trace in the file: compare the last hash with the one
    on the report. Names are declared, not proven.

    Raises
    ------
    StudyError
        The folder holds no readings that were collected with the entry form.
    """
    folder = a_path(folder)
    readings, has_settings = folder / "readings.csv", (folder / STUDY_FILE).exists()
    if not readings.exists() and not has_settings:
        raise StudyError(
            "There is no readings.csv in this folder", "Name a study folder", file=folder
        )
    # Anything else than a journal or an empty file is refused here, with the reason.
    if not read_lines(readings, journal.WRITTEN):
        raise StudyError(
            "The study has no readings that were taken with the entry form: there is nothing "
            "to verify",
            "Take readings first: grr.collect in a notebook, or the command grr collect",
            file=folder,
        )
    return FolderCheck(
        folder,
        chained_files(folder),
        unrecorded_changes(folder) if has_settings else (),
        sessions_without_record(folder),
    )


def record_of(folder: Path) -> Record:
    """Return what the files of a study folder say besides the readings that count.

    What cannot be read is named in ``problem``; the rest is as far as it could be read.
    """
    found: dict[str, Any] = {"events": pd.DataFrame(columns=list(events.COLUMNS), dtype=object)}
    try:
        if journal.is_journal_file(folder / "readings.csv"):
            found["journal"] = journal.read_journal(folder / "readings.csv")
        found["events"] = events.read_events(folder / "events.csv")
        found["files"] = chained_files(folder)
        found["missing_sessions"] = sessions_without_record(folder)
        found["changes"] = unrecorded_changes(folder)
    except StudyError as error:
        found["problem"] = error
    return Record(folder, **found)


def chained_files(folder: Path) -> tuple[FileCheck, ...]:
    """Return what was found in the readings and events, where they are such files."""
    checks = []
    if journal.is_journal_file(folder / "readings.csv"):
        checks.append(_checked(folder / "readings.csv", journal.WRITTEN))
    if (folder / "events.csv").exists():
        checks.append(_checked(folder / "events.csv", events.WRITTEN))
    return tuple(checks)


def sessions_without_record(folder: Path) -> tuple[str, ...]:
    """Return the sessions of the entry form that have readings and no start in the events.

    The form numbers its sessions 1, 2, 3 …; readings from elsewhere bear other names.
    """
    if not journal.is_journal_file(folder / "readings.csv"):
        return ()
    column = journal.WRITTEN.index("session")
    lines = read_lines(folder / "readings.csv", journal.WRITTEN)
    named = {line.cells[column] for line in lines if line.cells is not None}
    begun = {
        event.session
        for event in logged_events(folder)
        if event.kind == "session" and event.name == "start"
    }
    return tuple(sorted((name for name in named - begun if name.isdecimal()), key=int))


def _checked(path: Path, columns: tuple[str, ...]) -> FileCheck:
    lines = read_lines(path, columns)
    return FileCheck(
        path.name,
        sum(line.cells is not None for line in lines),
        tuple(line.number for line in lines if line.cells is None),
        lines[-1].seal if lines else "",
        first_altered(path, columns),
    )


def logged_events(folder: Path) -> list[events.Event]:
    """Return the events of a study, oldest first; none where there is no such file."""
    lines = read_lines(folder / "events.csv", events.WRITTEN)
    return [events.Event(*line.cells) for line in lines if line.cells is not None]


def recorded_settings(folder: Path) -> dict[str, str] | None:
    """Return the settings on record, as "table.key" → text; None where there are none.

    Those logged last before the first reading, with every later change that has a reason.

    Raises
    ------
    StudyError
        ``events.csv`` or ``readings.csv`` is no such file, or cannot be read.
    """
    logged = logged_events(folder)
    if not any(event.kind == WHOLE for event in logged):
        return None
    begun = _first_reading(folder / "readings.csv")
    recorded: dict[str, str] | None = None
    for event in logged:
        if event.kind == WHOLE and (recorded is None or not begun or event.time <= begun):
            recorded = _as_logged(event.value)
        elif event.kind == ONE_KEY and event.reason != FOUND and recorded is not None:
            recorded[event.name] = event.value
    return None if recorded is None else {key: text for key, text in recorded.items() if text}


def _first_reading(file: Path) -> str:
    """Return when the first reading was taken; "" where there is none.

    The first one in the file: the clock may have been set back after it.
    """
    if not journal.is_journal_file(file):
        return ""
    time, reading = (journal.WRITTEN.index(name) for name in ("time", "reading"))
    cells = [line.cells for line in read_lines(file, journal.WRITTEN) if line.cells is not None]
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
) -> events.Events:
    """Write an event for each change; return the file, from which they can be taken back."""
    file = events.Events(folder / "events.csv")
    file.append(
        *(
            events.Event(
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
    return file
