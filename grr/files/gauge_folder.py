"""The folder of a gauge: ``gauge.toml`` with its facts, and ``readings.csv`` of its blocks.

The readings are a journal as that of a study: it only grows, each row is chained to the one
before, and undoing is a row of its own. ``part`` is the block, ``method`` what the reading is
for: "reference" (one block many times), "range" (blocks over the range) or "check" (the same
block over the years); ``trial`` counts within these.
"""

from __future__ import annotations

import tomllib
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Literal

import pandas as pd
import tomli_w

from grr.files.allowed_files import LARGEST_SETTINGS, regular_file
from grr.files.disk import made_folder, write_whole
from grr.files.events import Event, Events, read_events
from grr.files.journal import Journal, JournalRow, read_journal, verify
from grr.model.errors import StudyError
from grr.model.gauge_facts import GaugeFacts, gauge_document, gauge_from_document
from grr.model.record import SettingChange, standing_rows

#: Where the folders of gauges are, in a working folder.
GAUGES = "gauges"
GAUGE_FILE, READINGS, EVENTS = "gauge.toml", "readings.csv", "events.csv"
#: Kind of the events that tell a fact of the gauge.
FACT = "gauge"
#: What a reading of a block is for.
Purpose = Literal["reference", "range", "check"]

_HEAD = (
    "# A gauge: the tolerance that it is to serve, its calibrated blocks, and what makes a result\n"
    "# uncertain. Edit it with any text editor; lengths are in the unit stated here.\n\n"
)


def gauge_folders(top: Path) -> list[Path]:
    """Return the folders of the gauges of a working folder."""
    return [path.parent for path in sorted((top / GAUGES).glob(f"*/{GAUGE_FILE}"))]


def read_gauge(folder: Path) -> GaugeFacts:
    """Return what a gauge's folder says of it.

    Raises
    ------
    StudyError
        It is not there, or cannot be used.
    """
    file = folder / GAUGE_FILE
    try:
        return gauge_from_document(_document(file))
    except StudyError as error:
        raise error.at(file=file) from None


def _document(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(regular_file(file, LARGEST_SETTINGS).read_text(encoding="utf-8-sig"))
    except FileNotFoundError:
        raise StudyError("This gauge is not there yet", "Save its facts first", file=file) from None
    except (OSError, ValueError) as error:
        raise StudyError(
            "The gauge's file cannot be read", "Correct it, or restore a copy", value=error
        ) from None


def write_gauge(folder: Path, facts: GaugeFacts) -> None:
    """Write what is known of a gauge; what changed is noted in ``events.csv``.

    Raises
    ------
    StudyError
        It could not be written.
    """
    made_folder(folder)
    old, new = recorded_facts(folder), stated_facts(facts)
    changed = [
        Event(kind=FACT, name=key, old=old.get(key, ""), value=new.get(key, ""))
        for key in dict.fromkeys([*old, *new])
        if old.get(key, "") != new.get(key, "")
    ]
    if changed:
        Events(folder / EVENTS).append(*changed)
    if changed or not (folder / GAUGE_FILE).exists() or read_gauge(folder) != facts:
        write_whole(folder / GAUGE_FILE, _HEAD + tomli_w.dumps(gauge_document(facts)))


def stated_facts(facts: GaugeFacts) -> dict[str, str]:
    """Return the facts of a gauge as text, as ``events.csv`` holds them."""
    as_read = gauge_document(gauge_from_document(gauge_document(facts)))  # 2 is 2.0 there
    return {key: str(value) for key, value in as_read.items()}


def recorded_facts(folder: Path) -> dict[str, str]:
    """Return the facts of a gauge that are on record; empty where none are.

    Raises
    ------
    StudyError
        ``events.csv`` cannot be read.
    """
    events = read_events(folder / EVENTS)
    facts = events[events["kind"] == FACT]
    return dict(zip(facts["name"], facts["value"], strict=True))


def unrecorded_facts(folder: Path) -> tuple[SettingChange, ...]:
    """Return what ``gauge.toml`` says otherwise than the record.

    A fact that a file does not state has its default: a version that has more of them changes
    no gauge.

    Raises
    ------
    StudyError
        A file of the gauge cannot be used.
    """
    now, recorded = stated_facts(read_gauge(folder)), recorded_facts(folder)
    usual = stated_facts(GaugeFacts(title=""))
    if not recorded:
        return ()
    return tuple(
        SettingChange(key, recorded.get(key, ""), now.get(key, ""))
        for key in dict.fromkeys([*recorded, *now])
        if recorded.get(key, usual.get(key, "")) != now.get(key, usual.get(key, ""))
    )


def take_block_readings(
    folder: Path,
    purpose: Purpose,
    rows: Sequence[tuple[str, str, str]],
    *,
    who: str,
    identifier: str,
    source: str = "typed",
    session: str = "",
) -> list[JournalRow]:
    """File readings of blocks, all or none; a message that is known is not filed twice.

    Parameters
    ----------
    folder : Path
    purpose : {"reference", "range", "check"}
    rows : sequence of (str, str, str)
        Block, reading with the decimals shown, and its time in ISO 8601; "" for now.
    who : str
    identifier : str
        Of the message.
    source : str
    session : str
        Of whoever reads, where one is open.

    Raises
    ------
    StudyError
        They could not be written.
    """
    journal = Journal(folder / READINGS)
    taken = block_readings(folder, purpose)
    counts = taken.groupby("part").size().to_dict()
    made = []
    for block, text, time in rows:
        counts[block] = counts.get(block, 0) + 1
        made.append(
            JournalRow(
                part=block,
                operator=who,
                trial=str(counts[block]),
                method=purpose,
                reading=text,
                time=time,
                entered_by=who,
                source=source,
                raw=text,
                session=session,
            )
        )
    return journal.append_all(made, identifier)


def block_readings(folder: Path, purpose: Purpose) -> pd.DataFrame:
    """Return the standing readings of a purpose in the order of their filing.

    Raises
    ------
    StudyError
        The file was altered, or cannot be read.
    """
    file = folder / READINGS
    altered = verify(file) if file.exists() else None
    if altered is not None:
        raise StudyError(
            "The readings of the blocks were altered after they were filed",
            "Restore the file from a copy; nothing is worked out from it",
            file=file,
            row=altered.row,
        )
    rows = standing_rows(read_journal(file))
    return rows[rows["method"] == purpose].reset_index(drop=True)
