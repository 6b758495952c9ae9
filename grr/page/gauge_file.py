"""`grr.gauge_file`: what was decided about one gauge over time, on one page."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from os import PathLike
from pathlib import Path

import pandas as pd

from grr.files.folder import open_study
from grr.files.gauge_folder import GAUGE_FILE, Purpose, block_readings, read_gauge
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.errors import StudyError
from grr.model.gauge_facts import GaugeFacts
from grr.model.printed import Printed
from grr.model.rounding import limits_text, percent
from grr.model.study import Study
from grr.questions.check import calibration_due
from grr.questions.own_gauge import GaugeFindings, gauge_findings
from grr.questions.verdict import verdict

_PURPOSES: tuple[Purpose, ...] = ("reference", "range", "check")


@dataclass(frozen=True)
class GaugeEntry:
    """One thing that is known of a gauge.

    Attributes
    ----------
    on : str
        The day of its last reading; "" where that is not known.
    what : str
        A study, a qualification, checks.
    decided : str
        Its decision, or its answer in short.
    tolerance : str
    due : str
        When the next check or calibration is due, as a date; "" where nobody said.
    source : str
        The folder's name, and its seal where it has one.
    """

    on: str
    what: str
    decided: str
    tolerance: str
    due: str
    source: str


@dataclass(frozen=True, eq=False, repr=False)
class GaugeFile(Printed):
    """What was decided about one gauge, the oldest first.

    Attributes
    ----------
    gauge : str
        Its number, or what its folder calls it; "" where nobody said.
    entries : tuple of GaugeEntry
    not_known : tuple of str
        Folders of which something could not be worked out, and why.

    Examples
    --------
    >>> found = grr.gauge_file(["demo_data/pins_two_ways", "demo_data/dowel_pin"])
    >>> found.next_due
    '2026-09-30'
    """

    gauge: str
    entries: tuple[GaugeEntry, ...]
    not_known: tuple[str, ...] = ()

    @property
    def title(self) -> str:
        """What the page is called."""
        return f"Gauge file: {self.gauge}" if self.gauge else "Gauge file"

    @property
    def next_due(self) -> str:
        """What the newest entry with a date says is due next; "" where none says it."""
        return next((one.due for one in reversed(self.entries) if one.due), "")

    def to_frame(self) -> pd.DataFrame:
        """Return one row an entry, the oldest first."""
        rows = [vars(one) for one in self.entries]
        return pd.DataFrame(rows, columns=list(GaugeEntry.__annotations__)).set_index("on")

    def blocks(self) -> list[Block]:
        """Return what is due next, and every entry."""
        due = f"Next due: {self.next_due}." if self.next_due else "No next date is stated."
        head = ["On", "What", "Decided", "For the tolerance", "Due next", "From"]
        rows = [list(vars(one).values()) for one in self.entries]
        return [Prose([self.title, due]), Table(head, rows, left=6), Bullets(self.not_known)]


def gauge_file(folders: Sequence[str | PathLike[str]]) -> GaugeFile:
    """Put together what was decided about one gauge: studies, qualifications and checks.

    Parameters
    ----------
    folders : sequence of paths
        Study folders and folders of the gauge (with ``gauge.toml``), in any order.

    Returns
    -------
    GaugeFile
        File it with `grr.report`.

    Raises
    ------
    StudyError
        No folder is given, one cannot be read, or they name gauges of different numbers.

    Examples
    --------
    >>> found = grr.gauge_file(["demo_data/dowel_pin"])
    >>> found.gauge
    'demo micrometer 3'
    >>> found.entries[0].decided.replace("\u00a0", " ")
    'USE: GRR takes 6.7 % of the tolerance'
    """
    if isinstance(folders, (str, bytes)) or not isinstance(folders, Sequence) or not folders:
        raise StudyError("A gauge file is made of folders", "Give a list of study folders")
    entries: list[GaugeEntry] = []
    names: dict[str, str] = {}
    not_known: list[str] = []
    title = ""
    for one in folders:
        folder = _path(one)
        if (folder / GAUGE_FILE).exists():
            title = title or read_gauge(folder).title
            found, why = _of_gauge(folder)
            entries += found
            not_known += why
        else:
            study = open_study(folder)
            number = str(study.facts.get("gauge_number") or "")
            if number:
                names.setdefault(number, folder.name)
            entries += _of_study(study, folder.name)
    if len(names) > 1:
        told = ", ".join(f"{number} in {name}" for number, name in names.items())
        raise StudyError(
            "The folders are of several gauges",
            "Give the folders of one gauge, or correct its number in study.toml",
            column="facts.gauge_number",
            value=told,
        )
    entries.sort(key=lambda entry: (entry.on == "", entry.on))
    return GaugeFile(next(iter(names), title), tuple(entries), tuple(not_known))


def _path(given: str | PathLike[str]) -> Path:
    if not isinstance(given, (str, PathLike)):
        raise StudyError("This is no path of a folder", "Give a text or a path", value=given)
    return Path(given)


def _of_study(study: Study, name: str) -> list[GaugeEntry]:
    """Return an entry for each method of a study."""
    times, due = study.readings.get("time"), calibration_due(study)
    on = "" if times is None or times.isna().all() else f"{times.max():%Y-%m-%d}"
    seal = study.record.seal if study.record else ""
    entries = []
    for method in study.methods or ("",):
        judged = verdict(study.for_method(method) if len(study.methods) > 1 else study)
        found = judged.criterion
        share = ""
        if found is not None and not judged.findings.must_mend:
            share = f": GRR takes {percent(found.value)} {found.name}"
        entries.append(
            GaugeEntry(
                on,
                f"study, {method}" if len(study.methods) > 1 else "study",
                f"{judged.banner}{share}",
                limits_text(study.tolerance, study.resolution, study.unit),
                "" if due is None else due.isoformat(),
                f"{name}, seal {seal}" if seal else name,
            )
        )
    return entries


def subject_in(folder: Path) -> Study | Printed:
    """Return what a folder is about: its study, or the qualification or checks of a gauge.

    Raises
    ------
    StudyError
        It cannot be opened, or holds too little of a gauge.
    """
    if not (folder / GAUGE_FILE).exists():
        return open_study(folder)
    _, _, found = worked_out(folder)
    if found.page is not None or found.watched is not None:
        subject = found.watched if found.page is None else found.page
        assert subject is not None
        return subject
    raise StudyError(
        f"The gauge is neither qualified nor watched yet: {found.why.get('page', 'no readings')}",
        "Take the readings on the page of the gauge",
        file=folder / GAUGE_FILE,
    )


def worked_out(folder: Path) -> tuple[GaugeFacts, dict[str, pd.DataFrame], GaugeFindings]:
    """Return what the folder of a gauge states, its readings, and all that they tell."""
    facts = read_gauge(folder)
    readings = {str(purpose): block_readings(folder, purpose) for purpose in _PURPOSES}
    study = open_study(folder.parent.parent / facts.study) if facts.study else None
    return facts, readings, gauge_findings(facts, readings, study)


def _of_gauge(folder: Path) -> tuple[list[GaugeEntry], list[str]]:
    """Return the qualification and the checks of a gauge's folder, or what they wait for."""
    facts, readings, found = worked_out(folder)
    limits = limits_text(facts.tolerance, facts.resolution, facts.unit)
    days = [str(table["time"].max())[:10] for table in readings.values() if len(table)]
    entries, why = [], []
    if found.page is not None:
        until = found.page.valid_until
        decided = f"{found.page.decision}. {found.page.nearest}"
        due = "" if until is None else until.isoformat()
        on = max(days, default="")
        entries.append(GaugeEntry(on, "qualification", decided, limits, due, folder.name))
    else:
        why.append(f"{folder.name}, qualification: {found.why.get('page', 'not worked out')}")
    if found.watched is not None:
        checks = found.watched
        on = f"{checks.times.max():%Y-%m-%d}"
        alarms = len(checks.signals)
        decided = f"{len(checks.means)} checks, {alarms or 'no'} alarm{'' if alarms == 1 else 's'}"
        due = "" if checks.next_check is None else checks.next_check.isoformat()
        entries.append(GaugeEntry(on, "checks", decided, limits, due, folder.name))
    else:
        why.append(f"{folder.name}, checks: {found.why.get('check', 'not worked out')}")
    return entries, why
