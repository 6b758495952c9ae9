"""Is the record of a study or gauge as it was written? `grr verify FOLDER`, `grr record FOLDER`.

The rows of ``readings.csv`` and ``events.csv`` are chained by hashes, and the two files anchor
each other (`grr.files.contradictions`). The settings are logged in full when
collecting begins, and each change made with a name and a reason after that: what ``study.toml``
says otherwise was changed past the record. Each fact in ``gauge.toml`` is logged as the form
writes it, from the first on. A seal that was printed finds the rest
(`grr.files.seal`).
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from grr.files import events, journal
from grr.files.chained_file import first_altered, read_lines
from grr.files.contradictions import contradictions, what_cannot_be_told
from grr.files.copies import stray_files
from grr.files.disk import writing
from grr.files.events import NOT_USED
from grr.files.gauge_folder import (
    GAUGE_FILE,
    GAUGES,
    read_gauge,
    stated_facts,
    unrecorded_facts,
)
from grr.files.seal import folder_seal, read_seal, state_sealed
from grr.files.study_file import STUDY_FILE, by_key, read_settings, settings_text
from grr.files.table_file import read_readings
from grr.model.errors import StudyError
from grr.model.record import REMEDY, FileCheck, Record, SettingChange, refuse_newer
from grr.model.rounding import counted
from grr.model.settings import Settings
from grr.model.text_blocks import paragraph
from grr.model.values import a_path

#: Kinds of events: the settings in full, and one key that was changed.
WHOLE, ONE_KEY = "settings", "study"
#: Reason of a change that was found when a session began: nobody gave one.
FOUND = "found changed in study.toml; no reason given"


@dataclass(frozen=True)
class FolderCheck:
    """What was found in a study folder; prints as a few lines of text.

    Attributes
    ----------
    record : Record
        Everything that was found; see there.
    plain : str
        Name of the plain table that holds the readings; "" where they are a record.
    reported : str
        What a seal or a report says of the folder, in a sentence; "" where none was given.
    as_reported : bool
        Whether the folder is what it was when that seal was printed.
    gauge : bool
        Whether it is the folder of a gauge.
    """

    record: Record
    plain: str = ""
    reported: str = ""
    as_reported: bool = True
    gauge: bool = False

    @property
    def unaltered(self) -> bool:
        """Whether nothing contradicts the record, and the folder is what was reported."""
        found = self.record
        return (
            all(file.altered is None for file in found.files)
            and not any(change.decides or self.gauge for change in found.changes)
            and not found.missing_sessions
            and not found.contradictions
            and not any(stray.readings != 0 for stray in found.strays)
            and self.as_reported
        )

    @property
    def sentence(self) -> str:
        """Whether the folder is as it was recorded, in a sentence."""
        if self.unaltered:
            return "As it was recorded."
        found = self.record
        altered = [f"{one.name}, row {one.altered.row}" for one in found.files if one.altered]
        altered += [
            f"{GAUGE_FILE if self.gauge else STUDY_FILE}, {one.key}" for one in found.changes
        ]
        altered += [one.what for one in found.contradictions]
        altered += [f"session {name} is missing" for name in found.missing_sessions]
        altered += [f"{stray}" for stray in found.strays]
        return f"NOT as it was recorded: {(altered or [self.reported])[0]}."

    def __str__(self) -> str:
        found = self.record
        lines = [line for file in found.files for line in _lines(file)]
        if self.gauge:
            lines.insert(0, self.sentence)
        if self.plain:
            told = "it does not say who entered what, and only a seal that was printed tells "
            lines.append(paragraph(f"{self.plain} is a plain table: {told}whether it was changed."))
        if found.missing_sessions:
            gone = ", ".join(found.missing_sessions)
            words = f"events.csv: no record of session {gone}: rows or the file were removed."
            lines.append(paragraph(words))
        lines += [paragraph(f"{one.file}: {one.what}.") for one in found.contradictions]
        if found.strays:
            lines.append("Beside the record lie what may be other copies of it:")
            lines += [f"  {stray}" for stray in found.strays]
        if found.changes and self.gauge:
            lines.append(f"{GAUGE_FILE}: changed outside the form of the gauge:")
            lines += [f"  {change}" for change in found.changes]
            lines.append(paragraph("Look at it in the form: saving there puts it on record."))
        elif found.changes:
            lines.append("study.toml: changed outside the record after collecting began:")
            lines += [f"  {change}" for change in found.changes]
            if any(change.decides for change in found.changes):
                lines.append(paragraph(f"{REMEDY}."))
            else:
                lines.append("These only describe the study; grr record puts them on record.")
        lines += [paragraph(sentence) for sentence in found.unknown]
        if found.seal:
            lines.append(f"Seal of the folder as it stands: {found.seal}")
        lines.append(paragraph(self.reported or _WITHOUT_A_SEAL))
        return "\n".join(lines)


_WITHOUT_A_SEAL = (
    "There is no key: whoever changes everything consistently is found only by a seal that was "
    "printed elsewhere. Compare with grr verify FOLDER --seal SEAL, or --report FILE."
)


def _lines(file: FileCheck) -> list[str]:
    if file.altered is None:
        lines = [f"{file.name}: {counted(file.rows, 'row')}, the hashes fit."]
    else:
        lines = [f"{file.name}: row {file.altered.row} is the first that is not as it was written:"]
        lines.append(f"  {file.altered.why}.")
    if file.torn_rows:
        rows = ", ".join(map(str, file.torn_rows))
        lines.append(f"  Cut off while it was written, kept and not counted: row {rows}.")
    lines += ["  Last hash:", f"  {file.last_hash or 'none'}"]
    return lines


def verify_folder(folder: str | Path, *, seal: str = "") -> FolderCheck:
    """Return whether readings, events and settings of a study or gauge are as they were recorded.

    Parameters
    ----------
    folder : str or path
    seal : str
        One that was printed: whether the folder is still what it was then.

    Raises
    ------
    StudyError
        The folder holds no readings that were collected with the entry form and no seal is
        given, or the seal is none.

    Notes
    -----
    Proved without a seal: no row was changed, added, removed or moved by somebody who did not
    seal the rows after it again; and where somebody did, that the rows fit the anchors in the
    events, what was sent beside each number, the order taken, and the files that were imported.
    Not proved without one: that nobody rewrote all of these consistently, changed an event that
    no reading contradicts, cut off rows after the last anchor, or set back the whole folder. The
    seal finds those, where it was printed before. Names and times are declared, not proved.
    """
    folder = a_path(folder)
    gauge = (folder / GAUGE_FILE).exists()
    readings, has_settings = folder / "readings.csv", (folder / STUDY_FILE).exists()
    workbook = folder / "readings.xlsx"
    if not (gauge or readings.exists() or workbook.exists() or has_settings):
        raise StudyError(
            "There is no readings.csv in this folder", "Name a study folder", file=folder
        )
    asked = read_seal(seal) if seal else ""
    plain = ""
    if seal and not gauge:
        plain = next((path.name for path in (readings, workbook) if _is_plain(path)), "")
    # Anything else than a journal or an empty file is refused here, with the reason.
    if not plain and not gauge and not read_lines(readings, journal.WRITTEN):
        raise StudyError(
            "The study has no readings that were taken with the entry form: there is nothing "
            "to verify",
            "Take readings first: grr.collect in a notebook, or the command grr collect",
            file=folder,
        )
    record = Record(folder, **_found_in(folder))
    if not asked:
        return FolderCheck(record, plain, gauge=gauge)
    same = asked == record.seal
    words = f"The folder is {'' if same else 'NOT '}what it was when the seal {asked} was printed."
    if not same and not gauge:
        words = _not_as_reported(folder, asked)
    return FolderCheck(record, plain, words, same, gauge)


def verify_place(top: str | Path) -> dict[str, FolderCheck | StudyError]:
    """Return what `verify_folder` finds of every study and gauge of a working folder.

    By their folders in it; a StudyError where one cannot be verified. Empty where there are none.

    Raises
    ------
    StudyError
        No folder can have this name.
    """
    top = a_path(top)
    files = [*top.glob(f"studies/*/{STUDY_FILE}"), *top.glob(f"{GAUGES}/*/{GAUGE_FILE}")]
    found: dict[str, FolderCheck | StudyError] = {}
    for folder in sorted(file.parent for file in files):
        name = folder.relative_to(top).as_posix()
        try:
            found[name] = verify_folder(folder)
        except StudyError as error:
            found[name] = error
    return found


def _is_plain(path: Path) -> bool:
    return path.is_file() and path.stat().st_size > 0 and not journal.is_journal_file(path)


def _not_as_reported(folder: Path, seal: str) -> str:
    """Return what has become of the folder since a seal that it no longer bears."""
    before = state_sealed(folder, seal, _settings_now(folder), _settings_then(folder))
    if before is None:
        return (
            f"The folder is NOT what it was when the seal {seal} was printed: readings, events "
            "or settings were changed or removed since, or the seal is of another folder."
        )
    words = f"The seal {seal} is that of an earlier state of this folder."
    since = {"readings.csv": before.readings_since, "events.csv": before.events_since}
    added = [f"{counted(number, 'row')} of {file}" for file, number in since.items() if number]
    if added:
        words += f" Added since: {' and '.join(added)}; what was there before is unchanged."
    if before.settings_differ:
        words += " study.toml was changed since."
    return words


def record_of(folder: Path) -> Record:
    """Return what the files of a study folder say besides the readings that count.

    What cannot be read is named in ``problem``; the rest is as far as it could be read.
    """
    found: dict[str, Any] = {"events": pd.DataFrame(columns=list(events.COLUMNS), dtype=object)}
    try:
        if journal.is_journal_file(folder / "readings.csv"):
            found["journal"] = journal.read_journal(folder / "readings.csv")
        found |= _found_in(folder)
    except StudyError as error:
        found["problem"] = error
    return Record(folder, **found)


def _found_in(folder: Path) -> dict[str, Any]:
    """Return what a record's own files say of each other, by the names of `Record`.

    Raises
    ------
    StudyError
        A file of the study cannot be used.
    """
    logged = logged_events(folder)
    is_journal = journal.is_journal_file(folder / "readings.csv")
    lines = read_lines(folder / "readings.csv", journal.WRITTEN) if is_journal else []
    has_settings, is_gauge = (folder / STUDY_FILE).exists(), (folder / GAUGE_FILE).exists()
    unit = read_settings(folder).unit if has_settings else ""
    changes = unrecorded_changes(folder) if has_settings else ()
    if is_gauge:
        unit, changes = read_gauge(folder).unit, unrecorded_facts(folder)
    files = chained_files(folder)
    altered = {file.name for file in files if file.altered}  # its hashes say so already
    contradicted = contradictions(folder, lines, logged, unit)
    return {
        "events": events.read_events(folder / "events.csv"),
        "files": files,
        "missing_sessions": sessions_without_record(folder),
        "changes": changes,
        "contradictions": tuple(one for one in contradicted if one.file not in altered),
        "unknown": tuple(what_cannot_be_told(lines, logged)),
        "strays": stray_files(folder),
        "seal": folder_seal(folder, _settings_now(folder)),
        "not_used": {event.old: event.reason for event in logged if event.kind == NOT_USED},
    }


def seal_now(folder: Path) -> str:
    """Return the seal of a study folder as it stands.

    Raises
    ------
    StudyError
        A file of the study cannot be used.
    """
    return folder_seal(folder, _settings_now(folder))


def _settings_now(folder: Path) -> dict[str, str]:
    if (folder / GAUGE_FILE).exists():
        return stated_facts(read_gauge(folder))
    if not (folder / STUDY_FILE).exists():
        return {}
    return by_key(settings_text(read_settings(folder)))


def _settings_then(folder: Path) -> Iterator[dict[str, str]]:
    """Yield what the events say that ``study.toml`` said, after each of them that tells."""
    stated: dict[str, str] | None = None
    for event in logged_events(folder):
        if event.kind == WHOLE:
            stated = _as_logged(event.value)
        elif event.kind == ONE_KEY and stated is not None:
            stated = stated | {event.name: event.value}
        if event.kind in (WHOLE, ONE_KEY) and stated is not None:
            yield stated


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
    """Return the events of a study, oldest first; none where there is no such file.

    Raises
    ------
    StudyError
        It is no such file, or a newer version of grr wrote it.
    """
    lines = read_lines(folder / "events.csv", events.WRITTEN)
    logged = [events.Event(*line.cells) for line in lines if line.cells is not None]
    for event in logged:
        if event.kind == events.FORM:
            refuse_newer(event.value, folder / "events.csv")
    return logged


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
    """Return every setting that differs; the study's id and the file's form are none.

    A setting that a file does not state has its default: a version that has more of them
    changes no study.
    """
    usual = by_key(settings_text(Settings()))
    keys = [*old, *(key for key in new if key not in old)]
    return [
        SettingChange(key, old.get(key, ""), new.get(key, ""))
        for key in keys
        if key not in ("id", "format")
        and not _same(*(one.get(key, usual.get(key, "")) for one in (old, new)))
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


def record_unused_rows(folder: str | Path, *, by: str, reason: str) -> tuple[str, ...]:
    """Put on record, with a name and a reason, why rows of an imported file were not used.

    Returns
    -------
    tuple of str
        The rows, as they stand in the file; empty where there were none, or all were explained.

    Raises
    ------
    StudyError
        The name or the reason is missing, or a file of the study cannot be used.
    """
    folder = a_path(folder)
    if not by.strip() or not reason.strip():
        raise StudyError(
            "That rows were not used needs a name and a reason", "Say who says so and why"
        )
    plain = [folder / name for name in ("readings.csv", "readings.xlsx")]
    seen = [
        row
        for path in plain
        if _is_plain(path)
        for row in read_readings(path).attrs["taken"]["unused"]
    ]
    with writing(folder):
        logged = [event for event in logged_events(folder) if event.kind == NOT_USED]
        known = {event.old: event.reason for event in logged}
        rows = [row for row in dict.fromkeys([*seen, *known]) if not known.get(row)]
        given = {"kind": NOT_USED, "reason": reason.strip(), "entered_by": by.strip()}
        new = [events.Event(old=row, **given) for row in rows]
        events.Events(folder / "events.csv").append(*new)
    return tuple(rows)


def log_changes(
    folder: Path, changes: list[SettingChange] | tuple[SettingChange, ...], *, by: str, reason: str
) -> events.Events:
    """Write an event for each change; return the file, from which they can be taken back."""
    file = events.Events(folder / "events.csv")
    given = {"kind": ONE_KEY, "reason": reason.strip(), "entered_by": by.strip()}
    file.append(*(events.Event(name=c.key, old=c.old, value=c.new, **given) for c in changes))
    return file
