"""Everything about a collection that is no reading: ``events.csv``, which only grows.

=============  ====================================================================
kind           what the row holds
=============  ====================================================================
session        ``name`` start or end, ``value`` the operator
checklist      ``name`` the question, ``value`` the answer
zero           ``name`` before or after, ``old`` what was measured, ``value`` the reading
question       ``name`` id of the reading, ``old`` what was asked, ``value`` the answer
moved          ``name`` id of the reading, ``old`` and ``value`` its place
opened         earlier readings were shown on purpose during a blind collection
study          ``name`` a key of study.toml, ``old`` and ``value``
settings       ``value`` study.toml in full, when a session or the first reading begins
               and it is new; `grr.files.verify` compares the file with it
added          ``name`` operator or part, ``value`` its name
withdrawn      ``name`` operator or part, ``old`` its name, ``value`` its replacement
taken over     another window measures on
clock          the clock of the computer jumped, from ``old`` to ``value``
format         ``value`` the number of the form of ``name``, the files of the record
anchor         ``name`` readings.csv, ``old`` how many rows it held, ``value`` its last hash
imported       ``name`` where the file is kept, ``old`` what it was called, ``value`` its
               SHA-256
gauge          ``name`` a key of gauge.toml, ``old`` and ``value``; of a gauge's folder only
not used       ``old`` a row of an imported file that looks like data and was not used;
               ``reason`` why, once somebody says so
=============  ====================================================================
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from grr.files.chained_file import SealedRows, read_lines
from grr.files.disk import writing

#: Kinds of events that are about the files.
FORM, ANCHOR, IMPORTED_FILE, NOT_USED = "format", "anchor", "imported", "not used"


@dataclass(frozen=True)
class Event:
    """One row as text, in the order of the columns; see the table above."""

    id: str = ""
    time: str = ""
    session: str = ""
    kind: str = ""
    name: str = ""
    old: str = ""
    value: str = ""
    reason: str = ""
    entered_by: str = ""


WRITTEN = tuple(Event.__dataclass_fields__)
COLUMNS = (*WRITTEN, "hash")


def read_events(path: str | Path) -> pd.DataFrame:
    """Return every event as text, oldest first; an empty table where there is no file."""
    lines = read_lines(Path(path), WRITTEN)
    return pd.DataFrame(
        [(*line.cells, line.seal) for line in lines if line.cells is not None],
        columns=list(COLUMNS),
        dtype=object,
    )


class Events(SealedRows[Event]):
    """The writing end of ``events.csv``; safe to call from several threads."""

    def __init__(self, path: str | Path) -> None:
        super().__init__(path, Event, WRITTEN)

    def append(self, *events: Event) -> list[Event]:
        """Write events at once: all of them count, or none.

        They are on the disk when this returns. Where the first has an ``id`` that is known,
        they are there already and not written twice.

        Raises
        ------
        StudyError
            They could not be written.
        """
        if not events:
            return []
        with self._guard, writing(self.path.parent):
            identifier = events[0].id
            if identifier and self.of_message(identifier):
                self.sync()
                return []
            return self._added(events, identifier)
