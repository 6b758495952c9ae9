"""Is the record of the study as it was written, and does study.toml agree with it?"""

from __future__ import annotations

from collections.abc import Iterator

from grr.model.record import REMEDY, Record
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
    found = study.record
    if found is None:
        return
    yield from _altered(found)
    yield from _missing(found)
    yield from _settings(found)
    if found.problem is not None:
        yield Finding(
            "mend",
            RECORD,
            "the record",
            f"The record of the study cannot be read: {found.problem.problem}.",
            f"{found.problem.remedy}.",
        )


def _altered(found: Record) -> Iterator[Finding]:
    for file in found.files:
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


def _missing(found: Record) -> Iterator[Finding]:
    if found.missing_sessions:
        yield Finding(
            "mend",
            RECORD,
            "events.csv",
            "The readings name sessions of which there is no record: "
            f"{listed(found.missing_sessions)}. Events, and the settings logged there, were "
            "removed.",
            "Restore events.csv from a copy.",
        )


def _settings(found: Record) -> Iterator[Finding]:
    """Yield one finding on what decides, and one on facts that were replaced.

    A fact stated by hand where none was stated before is what the study file is for.
    """
    deciding = [str(change) for change in found.changes if change.decides]
    replaced = [str(change) for change in found.changes if change.old and not change.decides]
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
