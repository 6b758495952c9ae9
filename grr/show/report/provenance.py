"""Where the numbers come from: fingerprint, who entered what, corrections, versions."""

from __future__ import annotations

import platform
from importlib.metadata import version

import pandas as pd

from grr.errors import StudyError
from grr.files.fingerprint import readings_fingerprint
from grr.files.folder import EVENTS_FILE, READINGS_FILE
from grr.files.journal import is_journal, read_journal, verify
from grr.show.report.front import Signatures
from grr.show.report.page import facts_list, section
from grr.study import Study
from grr.wording import tables
from grr.wording.rounding import counted

_PACKAGES = ("grr", "numpy", "scipy", "pandas", "plotly")


def provenance_section(study: Study) -> str:
    """Return fingerprint, journal, corrections and software versions."""
    versions = ", ".join(f"{name} {version(name)}" for name in _PACKAGES)
    entries = [
        ("SHA-256 of the readings", readings_fingerprint(study)),
        ("Software", f"Python {platform.python_version()}, {versions}"),
    ]
    journal = _journal(study)
    parts = []
    if journal is not None:
        entries += _journal_entries(study, journal)
        parts = _corrections(journal)
    return section(
        "Where the numbers come from",
        f'<div class="small">{facts_list(entries)}{"".join(parts)}{_events(study)}</div>',
    )


def signature_section(signatures: Signatures) -> str:
    """Return the space for names, dates and signatures."""
    rows = [["Prepared by", signatures.prepared_by, "", ""]]
    rows.append(["Approved by", signatures.approved_by, "", ""])
    table = tables.html_table(["", "Name", "Date", "Signature"], rows, left=4)
    wide = table.replace('<table style="', '<table style="width:100%;', 1)
    return f'<section class="together sign"><h2>Signatures</h2>{wide}</section>'


def _journal(study: Study) -> pd.DataFrame | None:
    if study.folder is None:
        return None
    file = study.folder / READINGS_FILE
    if not file.exists():
        return None
    with file.open(encoding="utf-8-sig", errors="replace", newline="") as text:
        if not is_journal(text.readline().strip().split(",")):
            return None
    return read_journal(file)


def _journal_entries(study: Study, journal: pd.DataFrame) -> list[tuple[str, str]]:
    assert study.folder is not None
    by = journal.groupby(["entered_by", "source"], sort=True).size().reset_index(name="rows")
    who = "; ".join(
        f"{str(row.entered_by) or 'not stated'}: {counted(int(str(row.rows)), 'row')} {row.source!s}"
        for row in by.itertuples()
    )
    try:
        altered = verify(study.folder / READINGS_FILE)
        chain = "unbroken" if altered is None else f"BROKEN: {altered}"
    except StudyError as error:
        chain = f"not verified: {error}"
    return [
        ("Entered by", who),
        ("Chain of the journal", chain),
        ("Last hash of the journal", str(journal["hash"].iloc[-1])),
    ]


def _corrections(journal: pd.DataFrame) -> list[str]:
    voiding = journal[journal["voids"].astype(str) != ""]
    if voiding.empty:
        return [tables.html_prose("No reading was voided or corrected.")]
    rows = [
        [str(row.part), str(row.operator), str(row.trial), str(row.reason), str(row.entered_by)]
        for row in voiding.itertuples()
    ]
    head = ["Part", "Operator", "Trial", "Reason of the correction", "By"]
    return [f"<h3>Corrections</h3>{tables.html_table(head, rows, left=5)}"]


def _events(study: Study) -> str:
    if study.folder is None or not (study.folder / EVENTS_FILE).exists():
        return ""
    from grr.files.events import read_events

    events = read_events(study.folder / EVENTS_FILE)
    shown = [
        c for c in ("time", "kind", "name", "old", "value", "reason", "entered_by") if c in events
    ]
    rows = [[str(cell) for cell in row] for row in events[shown].itertuples(index=False)]
    return f"<h3>Events</h3>{tables.html_table(shown, rows, left=len(shown))}" if rows else ""
