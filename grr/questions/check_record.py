"""Is the record of the study as it was written, and does study.toml agree with it?"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from grr.files.settings_record import REMEDY, unrecorded_changes
from grr.files.verify_folder import chained_files, sessions_without_record
from grr.model.errors import StudyError
from grr.model.rounding import listed
from grr.model.study import Study
from grr.questions.findings import Finding

RECORD, SETTINGS = "record", "settings"
_MOST_SHOWN = 6


def record(study: Study) -> Iterator[Finding]:
    """Yield findings about rows that were altered, and settings changed past the record.

    Nothing for a study that was not opened from a folder, or whose readings were not taken
    with the entry form: there is no record to compare with.
    """
    if study.folder is None:
        return
    folder = Path(study.folder)
    try:
        yield from _altered(folder)
        yield from _missing(folder)
        yield from _settings(folder)
    except StudyError as error:
        yield Finding(
            "mend",
            RECORD,
            "the record",
            f"The record of the study cannot be read: {error.problem}.",
            f"{error.remedy}.",
        )


def _altered(folder: Path) -> Iterator[Finding]:
    for file in chained_files(folder):
        if file.altered is None:
            continue
        yield Finding(
            "mend",
            RECORD,
            file.name,
            f"Row {file.altered.row} is the first that is not as it was written: "
            f"{file.altered.why}.",
            "Restore the file from a copy. A reading is corrected in the entry form, where the "
            "old value stays on record.",
        )


def _missing(folder: Path) -> Iterator[Finding]:
    missing = sessions_without_record(folder)
    if missing:
        yield Finding(
            "mend",
            RECORD,
            "events.csv",
            f"The readings name sessions of which there is no record: {listed(missing)}. Events, "
            "and the settings logged there, were removed.",
            "Restore events.csv from a copy.",
        )


def _settings(folder: Path) -> Iterator[Finding]:
    """Yield one finding on what decides, and one on facts that were replaced.

    A fact stated by hand where none was stated before is what the study file is for.
    """
    changes = unrecorded_changes(folder)
    deciding = [str(change) for change in changes if change.decides]
    replaced = [str(change) for change in changes if change.old and not change.decides]
    if deciding:
        yield _changed("mend", deciding, f"{REMEDY}.")
    if replaced:
        yield _changed(
            "look",
            replaced,
            "This only describes the study. Compare it with the paper it came from, and put it on "
            "record in the same way as any other change (grr record).",
        )


def _changed(severity: str, changes: list[str], todo: str) -> Finding:
    shown = "; ".join(changes[:_MOST_SHOWN])
    more = f"; and {len(changes) - _MOST_SHOWN} more" if len(changes) > _MOST_SHOWN else ""
    return Finding(
        severity,
        SETTINGS,
        "study.toml",
        f"Changed outside the record after collecting began: {shown}{more}.",
        todo,
    )
