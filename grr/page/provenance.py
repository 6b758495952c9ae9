"""Where the numbers come from: fingerprint, who entered what, corrections, versions."""

from __future__ import annotations

import platform
from hashlib import sha256
from importlib.metadata import version

import pandas as pd

from grr.files.folder import EVENTS_FILE
from grr.formulas.pivots import SEED
from grr.model import tables
from grr.model.record import FileCheck
from grr.model.rounding import counted
from grr.model.study import Study
from grr.page.conduct import events_of
from grr.page.cover import Cover
from grr.page.page import facts_list, heading, or_reason

_PACKAGES = ("grr", "numpy", "scipy", "pandas", "plotly")
#: Events told of elsewhere in the report, or of no interest to its reader.
_ELSEWHERE = ("zero", "session", "settings", "study", "added", "withdrawn")


def provenance_html(study: Study, shown: Study) -> str:
    """Return fingerprint, record, corrections and software versions.

    Parameters
    ----------
    study : Study
        As it was read, so that the fingerprint is that of the file.
    shown : Study
        The same, or with coded operators.
    """
    entries = [
        ("SHA-256 of the readings", readings_fingerprint(study)),
        ("Software", ", ".join(f"{name} {text}" for name, text in versions().items())),
        ("Seed of the intervals", str(SEED)),
    ]
    if study.plan is not None:
        entries.append(("Seed of the measuring order", str(study.plan.seed)))
    return (
        facts_list(entries)
        + or_reason(lambda: _record(shown), "The record cannot be verified: ")
        + or_reason(lambda: _events(shown), "The events cannot be read: ")
    )


def versions() -> dict[str, str]:
    """Return the versions of what computed the numbers."""
    return {
        "Python": platform.python_version(),
        **{name: version(name) for name in _PACKAGES},
    }


def signatures_html(cover: Cover) -> str:
    """Return the space for names, dates and signatures."""
    rows = [["Prepared by", cover.prepared_by, "", ""], ["Approved by", cover.approved_by, "", ""]]
    table = tables.html_table(["Role", "Name", "Date", "Signature"], rows, left=4)
    wide = table.replace('<table style="', '<table style="width:100%;', 1)
    return f'<div class="sign">{wide}</div>'


def _record(study: Study) -> str:
    found = study.record
    journal = None if found is None else found.journal
    if found is None or journal is None:
        return tables.html_prose(
            "The readings were not collected with the entry form: there is no record of who "
            "entered which reading when, and no chain of hashes."
        )
    if found.problem is not None:
        raise found.problem
    entries = [entry for check in found.files for entry in _chain(check)]
    if found.missing_sessions:
        gone = ", ".join(found.missing_sessions)
        entries.append(("Sessions", f"REMOVED: there is no record of session {gone}"))
    changed = "; ".join(str(change) for change in found.changes)
    if changed:
        entries.append(("study.toml", f"CHANGED outside the record: {changed}"))
    return (
        heading("The record") + facts_list(entries) + _who_entered(journal) + _corrections(journal)
    )


def _chain(check: FileCheck) -> list[tuple[str, str]]:
    state = f"{counted(check.rows, 'row')}, each as it was written"
    if check.altered is not None:
        state = (
            f"ALTERED: row {check.altered.row} is the first that is not as it was written "
            f"({check.altered.why})"
        )
    if check.torn_rows:
        state += (
            f"; cut off while written and not counted: row {', '.join(map(str, check.torn_rows))}"
        )
    return [(check.name, state), (f"Last hash of {check.name}", check.last_hash or "none")]


def _who_entered(journal: pd.DataFrame) -> str:
    measured = journal[journal["reading"].notna()]
    groups = measured.groupby(["entered_by", "source"], sort=True).size().reset_index()
    rows = [
        [str(who) or "not stated", str(source), str(count)]
        for who, source, count in groups.itertuples(index=False, name=None)
    ]
    return heading("Who entered what") + tables.html_table(
        ["Entered by", "Source", "Readings"], rows, left=2
    )


def _corrections(journal: pd.DataFrame) -> str:
    voiding = journal[journal["voids"].astype(str) != ""]
    if voiding.empty:
        return heading("Corrections") + tables.html_prose("No reading was voided or corrected.")
    old = journal.set_index("id")["raw"].astype(str).to_dict()
    rows = [
        [
            str(row.part),
            str(row.operator),
            str(row.trial),
            old.get(str(row.voids), ""),
            "taken out" if str(row.reading) == "nan" else str(row.raw),
            str(row.reason),
            str(row.entered_by),
        ]
        for row in voiding.itertuples()
    ]
    head = ["Part", "Operator", "Trial", "Was", "Now", "Reason", "By"]
    return heading("Corrections") + tables.html_table(head, rows, left=7)


def _minute(time: str) -> str:
    """Return a time as the files hold it, to the minute: 2027-03-31 09:15."""
    return time[:16].replace("T", " ")


def _events(study: Study) -> str:
    events = events_of(study)
    events = events[~events["kind"].isin(_ELSEWHERE)]
    if events.empty:
        return ""
    shown = ["time", "kind", "name", "old", "value", "reason", "entered_by"]
    rows = [
        [_minute(str(time)), *(str(cell) for cell in row)]
        for time, *row in events[shown].itertuples(index=False, name=None)
    ]
    head = ["Time (UTC)", "What", "About", "Was", "Is", "Reason", "By"]
    return heading(f"Recorded while collecting ({EVENTS_FILE})") + tables.html_table(
        head, rows, left=7
    )


def readings_fingerprint(study: Study) -> str:
    """Return the SHA-256 of the readings, one line each, in the order of part, operator, trial.

    Floats are written with all their digits, so that two studies have the same fingerprint
    only where every reading is the same.
    """
    table = study.readings
    keys = [name for name in ("method", "part", "operator", "trial") if name in table]
    ordered = table.sort_values(keys, kind="stable")[[*keys, "reading"]]
    text = ordered.to_csv(index=False, lineterminator="\n", float_format="%.17g")
    return sha256(text.encode("utf-8")).hexdigest()
