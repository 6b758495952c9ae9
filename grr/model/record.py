"""What was recorded while a study was collected, as its files said when it was opened."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import pandas as pd

from grr.model.errors import StudyError
from grr.model.frames import frame
from grr.model.readings_table import COLUMNS

#: Where a reading came from. The last three do not tell when it was measured.
GAUGE, TYPED, PASTED, SHEET, IMPORTED = "gauge", "typed", "pasted", "sheet", "imported"
UNTIMED = (PASTED, SHEET, IMPORTED)

_DECIDING_TABLES = ("tolerance", "rules", "plan")
_DECIDING = (
    *("unit", "resolution", "purpose", "operators_are", "gauges_are", "parts_from", "process_sd"),
    *("process_mean", "design", "facts.readings_are", "facts.setting_master_size"),
)

#: The form of ``study.toml``, ``readings.csv`` and ``events.csv`` that this version writes. Files
#: without a number are those of 0.1.0, form 1: they are read and continued as they are. Form 2
#: adds the number itself, the anchors in the events, and files kept that were imported.
FORMAT = 2

#: What to do about settings that were changed outside the record.
REMEDY = (
    "Put the old value back. If the new one is right, put it on record with a name and a "
    "reason: save the study form with both, or use the command: grr record FOLDER --by NAME "
    "--reason WHY"
)


@dataclass(frozen=True)
class AlteredRow:
    """The first row that is not as it was written; ``row`` as a spreadsheet counts."""

    row: int
    why: str


@dataclass(frozen=True)
class FileCheck:
    """What was found in one file of the record; ``altered`` is None where nothing was changed."""

    name: str
    rows: int
    torn_rows: tuple[int, ...]
    last_hash: str
    altered: AlteredRow | None


@dataclass(frozen=True)
class SettingChange:
    """A setting that is not what the record says; "" stands for "not stated"."""

    key: str
    old: str
    new: str

    @property
    def decides(self) -> bool:
        """Whether the numbers or the verdict hang on it; the rest describes the study."""
        return self.key in _DECIDING or self.key.split(".")[0] in _DECIDING_TABLES

    def __str__(self) -> str:
        return f"{self.key}, from {self.old or 'not stated'} to {self.new or 'not stated'}"


@dataclass(frozen=True)
class Contradiction:
    """Two parts of the record that cannot both be as they were written; ``what`` is a sentence."""

    file: str
    what: str


@dataclass(frozen=True)
class StrayFile:
    """A file beside the record that may be another copy of it.

    ``readings`` is how many readings it holds that the record does not; None where it cannot be
    compared.
    """

    name: str
    readings: int | None

    def __str__(self) -> str:
        if self.readings is None:
            return f"{self.name}, which cannot be compared with the record"
        if self.readings == 0:
            return f"{self.name}, which holds nothing that the record does not"
        noun = "reading" if self.readings == 1 else "readings"
        return f"{self.name}, with {self.readings} {noun} that the record does not hold"


def refuse_newer(number: object, file: object) -> None:
    """Refuse what a newer version of grr wrote: it may say what this one cannot read.

    Raises
    ------
    StudyError
        The number of the form is higher than `FORMAT`, or is none.
    """
    if isinstance(number, bool) or not str(number).isdecimal() or int(str(number)) < 1:
        raise StudyError(
            "The number of the file's form is not a whole number from 1",
            f"Restore the file from a copy, or write {FORMAT}",
            file=file,
            column="format",
            value=number,
        )
    if int(str(number)) > FORMAT:
        raise StudyError(
            f"A newer version of grr wrote this: its form is number {number}, and this version "
            f"knows numbers up to {FORMAT}",
            "Install the newer version; nothing was changed",
            file=file,
            column="format",
        )


@dataclass(frozen=True, eq=False, repr=False)
class Record:
    """What the folder of a study said besides the readings that count.

    A snapshot: it does not change when the files do.

    Attributes
    ----------
    folder : Path
        Named in messages only; nothing reads it again.
    events : DataFrame
        Every row of ``events.csv``, as text; empty where there is none.
    journal : DataFrame or None
        Every row of ``readings.csv``, voided ones too; None where that file is a plain table
        and not a record of who entered what.
    files : tuple of FileCheck
    changes : tuple of SettingChange
        What ``study.toml`` says otherwise than the record.
    missing_sessions : tuple of str
        Sessions that have readings and no start in the events.
    problem : StudyError or None
        Why the record cannot be read; then the rest is as far as it could be.
    contradictions : tuple of Contradiction
        Anchors in the events, raw texts, numbers in the order taken and kept files that do not
        fit the readings.
    unknown : tuple of str
        What the record cannot tell, in sentences: that of a record begun by 0.1.0.
    strays : tuple of StrayFile
        Files beside the record that may be other copies of it.
    seal : str
        Stands for all that the folder said; see `grr.files.seal`. "" where it cannot be made.
    not_used : mapping
        Row of a file that looks like data and was not used, as it stands there → why; "" where
        nobody has put that on record.
    """

    folder: Path
    events: pd.DataFrame = frame()
    journal: pd.DataFrame | None = frame(optional=True)
    files: tuple[FileCheck, ...] = ()
    changes: tuple[SettingChange, ...] = ()
    missing_sessions: tuple[str, ...] = ()
    problem: StudyError | None = None
    contradictions: tuple[Contradiction, ...] = ()
    unknown: tuple[str, ...] = ()
    strays: tuple[StrayFile, ...] = ()
    seal: str = ""
    not_used: Mapping[str, str] = field(default_factory=dict)

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), tuple(getattr(self, entry.name) for entry in fields(self))


def standing_readings(journal: pd.DataFrame, *, taken_again: bool = False) -> pd.DataFrame:
    """Return the readings that count, with the columns that a `Study` takes.

    Parameters
    ----------
    journal : DataFrame
        Every row of ``readings.csv``.
    taken_again : bool
        Where a part was measured again in answer to a question and no cause was found the
        first reading counts; with True the last one does, to show the result both ways.

    Returns
    -------
    DataFrame
        In the order in which the readings were taken. A value set right without measuring
        again keeps the time of its measurement; numbers typed from paper, pasted or imported
        have none. ``method``, ``place`` and ``gauge`` are left out where no row has one.
    """
    taken = standing_rows(journal).sort_values("order", kind="stable")
    taken = taken.drop_duplicates(
        ["part", "operator", "trial", "method"], keep="last" if taken_again else "first"
    )
    columns = [name for name in COLUMNS if name in taken]
    table = taken[columns].reset_index(drop=True)
    table["time"] = _measured_at(journal, taken)
    for column in ("trial", "order"):
        if table[column].notna().all():
            table[column] = table[column].astype("int64")
    optional = [name for name in ("method", "place", "gauge") if name in table]
    return table.drop(columns=[name for name in optional if table[name].eq("").all()])


def standing_rows(journal: pd.DataFrame) -> pd.DataFrame:
    """Return the rows with a reading that no other row voids, repeats included."""
    voided = set(journal["voids"]) - {""}
    return journal[journal["reading"].notna() & ~journal["id"].isin(voided)]


def _measured_at(journal: pd.DataFrame, taken: pd.DataFrame) -> list[str]:
    """Return the time of each measurement: that of the first row with its order, if known."""
    measured = journal[journal["reading"].notna()].drop_duplicates("order")
    known = measured[~measured["source"].isin(UNTIMED)]
    times = dict(zip(known["order"], known["time"], strict=True))
    return [times.get(order, "") for order in taken["order"]]
