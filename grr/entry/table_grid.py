"""A table from elsewhere, dropped or pasted: looked at in a grid first, then filed as a whole.

The roles of its columns are proposed, by the words over them and by what stands in them, and a
person may change them. Every cell that does not fit is marked before anything is filed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from pathlib import PureWindowsPath
from typing import Any

from grr.entry.collecting import (
    ASKED,
    Collecting,
    Outcome,
    ReadingsSoFar,
    log_before_first_reading,
)
from grr.entry.corrections import KEPT
from grr.entry.entered_numbers import EnteredNumber, one_number, refuse_finer
from grr.entry.job import Place, row_at
from grr.entry.taking import what_to_ask
from grr.files.chained_file import ids_of_one_write, new_id
from grr.files.copies import keep_file
from grr.files.events import IMPORTED_FILE, Event
from grr.files.journal import JournalRow
from grr.files.readers.grid import Grid, Layout, looks_empty
from grr.files.readers.long_table import long_layout
from grr.files.readers.wide_form import wide_layout
from grr.files.readers.words import is_summary, trial_number
from grr.files.table_file import grids_in
from grr.model.columns import role_of
from grr.model.errors import StudyError
from grr.model.record import IMPORTED, PASTED
from grr.model.rounding import counted, reading_decimals
from grr.model.values import spelling

#: So many rows of a table are shown; no study that is collected by hand has more readings.
MOST_ROWS = 2000
PART, OPERATOR, TRIAL, METHOD, NOTE, READING = (
    *("part", "operator", "trial", "method", "note", "reading"),
)
SPOT, GAUGE = "place", "gauge"
LABELS = (PART, OPERATOR, TRIAL, METHOD, SPOT, GAUGE, NOTE)
#: What the rows of a table without a column of parts are.
AS_LISTED, AS_DUE = "as listed", "as due"
#: The role of every column where the readers understand the form as a whole.
AS_READ = "as read"


@dataclass(frozen=True)
class TableRoles:
    """What the form sends with a table.

    Parameters
    ----------
    roles : tuple of str
        A role for each column, as `look_at_table` lists them to pick; empty: propose them.
    heads : int or None
        How many rows stand above the readings.
    rows_are, operator, trial, method : str
        What the table itself does not say.
    changes : dict
        "row:column" → what is written there in place of the cell.
    kept : frozenset of str
        "row:column" of slips that are right as they are.
    pasted : bool
    """

    roles: tuple[str, ...] = ()
    heads: int | None = None
    rows_are: str = ""
    operator: str = ""
    trial: str = ""
    method: str = ""
    changes: Mapping[str, str] = field(default_factory=dict)
    kept: frozenset[str] = frozenset()
    pasted: bool = False


@dataclass(frozen=True)
class Cell:
    """One cell that should hold a reading: where it goes, or why it cannot."""

    row: int
    column: int
    text: str
    place: Place | None = None
    note: str = ""
    #: What does not fit; "" where all does.
    problem: str = ""
    number: EnteredNumber | None = None
    #: Whether the number may be kept in spite of it.
    may_be_kept: bool = False
    #: Whether its place holds the same number already.
    there: bool = False

    @property
    def key(self) -> str:
        """The cell as the form names it."""
        return f"{self.row}:{self.column}"

    @property
    def fits(self) -> bool:
        """Whether there is something to file."""
        return self.number is not None and not self.problem and not self.there


def asked_of(message: Mapping[str, Any]) -> TableRoles:
    """Return what a message of the form says about its table."""
    heads = message.get("heads")
    return TableRoles(
        tuple(map(str, message.get("roles") or ())),
        None if heads is None else int(heads),
        **{key: str(message.get(key) or "") for key in ("rows_are", OPERATOR, TRIAL, METHOD)},
        changes={str(key): str(text) for key, text in (message.get("changes") or {}).items()},
        kept=frozenset(map(str, message.get("kept") or ())),
        pasted=bool(message.get("pasted")),
    )


def look_at_table(work: Collecting, name: str, content: bytes, asked: TableRoles) -> dict[str, Any]:
    """Return what the form shows of a table; nothing is filed.

    Raises
    ------
    StudyError
        It cannot be read at all.
    """
    table = _Table(work, work.record, _grid(name, content, asked), asked).proposed()
    grid, asked, record = table.grid, table.asked, table.record
    cells, missing = table.cells()
    return {
        "name": grid.file,
        "rows": [[grid.text(row, at) for at in range(grid.width)] for row in range(table.end)],
        "heads": asked.heads,
        "roles": list(asked.roles),
        "to_pick": table.roles_to_pick(),
        "rows_are": asked.rows_are,
        "operator": asked.operator,
        "trial": asked.trial,
        "method": asked.method,
        "missing": missing,
        "choices": table.choices(),
        "marks": [
            {
                "key": cell.key,
                "row": cell.row,
                "column": cell.column,
                "words": cell.problem,
                "may_be_kept": cell.may_be_kept,
            }
            for cell in cells
            if cell.problem
        ],
        # The part of each row as the screen calls it.
        "parts": {cell.row: work.label(record, cell.place.part) for cell in cells if cell.place},
        "preview": table.preview(cells),
        "to_file": sum(cell.fits for cell in cells),
        "there": sum(cell.there for cell in cells),
    }


def file_table(
    work: Collecting, name: str, content: bytes, asked: TableRoles, *, without: bool = False
) -> Outcome:
    """File every reading of a table at its place, all at once.

    Parameters
    ----------
    work : Collecting
    name : str
    content : bytes
    asked : TableRoles
        As it was shown when somebody said that it fits.
    without : bool
        Whether what does not fit is left out on purpose.

    Raises
    ------
    StudyError
        Something does not fit, or it cannot be written. Nothing is filed then.
    """
    with work.writing() as record:
        table = _Table(work, record, _grid(name, content, asked), asked)
        file = table.grid.file
        cells, missing = table.cells()
        if missing:
            raise StudyError("It is not said what the rows and columns are", missing[0])
        wrong = [cell for cell in cells if cell.problem]
        if wrong and not without:
            raise StudyError(
                f"{counted(len(wrong), 'cell')} do not fit: nothing was filed",
                "Correct them, or file the table without them",
                file=file,
                row=wrong[0].row + 1,
                value=wrong[0].text,
            )
        rows = [table.row(cell) for cell in cells if cell.fits]
        if not rows:
            return Outcome("done", f"{file} holds no reading that is not here already.")
        log_before_first_reading(work, record, work.clock())
        imported = [] if asked.pasted else [imported_file(work, record, file, content)]
        identifier = new_id()
        ids = ids_of_one_write(identifier, len(rows))
        filed = [replace(row, id=name) for row, name in zip(rows, ids, strict=True)]
        events = [work.answer(record, row, KEPT) for row in filed if row.reason]
        written = work.file(rows, [*imported, *events], identifier)
        words = f"{counted(len(written), 'reading')} taken from {file}."
        return Outcome("recorded", words, tuple(written))


def imported_file(work: Collecting, record: ReadingsSoFar, file: str, content: bytes) -> Event:
    """Keep a file in the study's folder; return the event with its hash."""
    kept = keep_file(work.job.folder, file, content)
    return work.event(record, IMPORTED_FILE, name=kept.name, old=file, value=kept.sha256)


def _grid(name: str, content: bytes, asked: TableRoles) -> Grid:
    file = PureWindowsPath(name).name or "the clipboard"
    if asked.pasted:
        content = content.rstrip() + b"\n"  # a copied range has no end of its own
    filled = [grid for grid in grids_in(content, file, None) if not grid.empty]
    if not filled:
        raise StudyError("The table has no cells with content", "Enter the readings", file=file)
    grid = next((grid for grid in filled if _layout(grid) is not None), filled[0])
    if len(grid.cells) > MOST_ROWS:
        raise StudyError(
            f"The table has {len(grid.cells)} rows, more than a study that is collected by hand",
            "For many studies in one file use grr.analyse_many",
            file=file,
        )
    cells = [list(row) for row in grid.cells]
    for key, text in asked.changes.items():
        row, column = (int(number) for number in key.split(":"))
        if 0 <= row < len(cells) and column < grid.width:
            cells[row] += [None] * (column + 1 - len(cells[row]))
            cells[row][column] = text
    return replace(grid, cells=cells)


def _layout(grid: Grid) -> Layout | None:
    try:
        return long_layout(grid) or wide_layout(grid)
    except StudyError:
        return None


@dataclass(frozen=True)
class _Table:
    """A table beside the study that it is to be filed in."""

    work: Collecting
    record: ReadingsSoFar
    grid: Grid
    asked: TableRoles

    @cached_property
    def places(self) -> list[Place]:
        """Every place of the plan."""
        return self.work.places(self.record)

    @cached_property
    def operators(self) -> list[str]:
        """Those of the plan."""
        return list(dict.fromkeys(place.operator for place in self.places))

    @cached_property
    def parts(self) -> list[str]:
        """Those of the plan, in its order; those that came later last."""
        listed = self.work.job.settings.plan.parts if self.work.job.settings.plan else ()
        there = dict.fromkeys(place.part for place in self.places)
        return [*(p for p in listed if p in there), *(p for p in there if p not in listed)]

    @cached_property
    def trials(self) -> int:
        """How many the plan has."""
        return max(place.trial for place in self.places)

    @cached_property
    def further(self) -> dict[str, tuple[str, ...]]:
        """The places on a part, and the gauges, where the plan names several."""
        plan = self.work.job.settings.plan
        named = {} if plan is None else {SPOT: plan.places, GAUGE: plan.gauges}
        return {key: names for key, names in named.items() if names}

    @cached_property
    def due(self) -> list[Place]:
        """What the operator of the open session has still to measure, in order."""
        session = self.record.session
        return self.work.open_places(self.record, session.value) if session else []

    @cached_property
    def end(self) -> int:
        """The row after the last one with content."""
        rows = range(len(self.grid.cells))
        return max((row + 1 for row in rows if not self.grid.blank_row(row)), default=0)

    # What each column is: proposed by the words over it, and by what stands in it

    def roles_to_pick(self) -> list[tuple[str, str]]:
        numbers = range(1, self.trials + 1)
        return [
            ("", "not used"),
            (AS_READ, "as it stands"),
            (PART, "Part"),
            (OPERATOR, "Operator"),
            (TRIAL, "Number of the trial"),
            *([(METHOD, "Way of holding")] if self.work.job.methods else []),
            *([(SPOT, "Place on the part")] if SPOT in self.further else []),
            *([(GAUGE, "Gauge")] if GAUGE in self.further else []),
            (READING, "Reading"),
            *((f"{READING}:{number}", f"Trial {number}") for number in numbers),
            *(
                (f"{READING}:{number}:{name}", f"{name}, trial {number}")
                for name in self.operators
                for number in numbers
            ),
            (NOTE, "Note"),
        ]

    def choices(self) -> dict[str, list[tuple[str, str]]]:
        first, last = (self.label(part) for part in (self.parts[0], self.parts[-1]))
        rows = [(AS_LISTED, f"the parts {first} to {last}, as they are listed in the plan")]
        if self.due:
            ahead = ", ".join(self.label(place.part) for place in self.due[:4])
            rows.append((AS_DUE, f"in the order of measurement: {ahead} …"))
        return {
            "rows_are": rows,
            OPERATOR: [(name, name) for name in self.operators],
            TRIAL: [(str(number), str(number)) for number in range(1, self.trials + 1)],
            METHOD: [(name, name) for name in self.work.job.methods],
        }

    def label(self, part: str) -> str:
        return self.work.label(self.record, part)

    def proposed(self) -> _Table:
        """Return the table with roles for its columns where none were picked yet."""
        asked = self.asked
        if set(asked.roles) == {AS_READ}:
            return self
        if asked.roles:
            roles = tuple("" if role == AS_READ else role for role in asked.roles)
            return replace(self, asked=replace(asked, roles=roles))
        heads = self._rows_above_readings()
        operators, methods = self.operators, self.work.job.methods
        session = self.record.session.value if self.record.session else ""
        plain = heads == 0 and self.grid.width == 1 and bool(self.due)
        asked = replace(
            asked,
            roles=tuple(self._roles(heads)),
            heads=heads,
            rows_are=AS_DUE if plain else "",
            operator=session or (operators[0] if len(operators) == 1 else ""),
            trial="1" if self.trials == 1 else "",
            method=methods[0] if len(methods) == 1 else "",
        )
        by_roles = replace(self, asked=asked)
        cells, missing = by_roles.cells()
        if missing or any(cell.place is None for cell in cells):
            as_read = replace(self, asked=replace(asked, roles=(AS_READ,) * self.grid.width))
            placed, as_they_stand = (
                sum(one.place is not None for one in all_) for all_ in (cells, as_read.cells()[0])
            )
            if as_they_stand > placed:
                return as_read
        return by_roles

    def _rows_above_readings(self) -> int:
        """Return the number of rows above the first one that holds a believable reading."""
        for row in range(self.end):
            if any(self._believable(row, at) for at in self.grid.filled(row)):
                return row
        return 0

    def _believable(self, row: int, column: int) -> bool:
        try:
            number = one_number(self.grid.text(row, column), self.work.job.settings.unit)
        except StudyError:
            return False
        if self.work.job.shown_limits == (None, None):
            return "." in number.text
        return not self._doubts(number)

    def _doubts(self, number: EnteredNumber) -> list[str]:
        limits = self.work.job.shown_limits
        doubts = what_to_ask(
            number, limits=limits, resolution=None, before=[], seconds_since_last=None
        )
        return [doubt.words for doubt in doubts]

    def _roles(self, heads: int) -> list[str]:
        """Return a role for each column; "" where nothing tells it."""
        known = {
            PART: {*map(spelling, (*self.parts, *self.work.job.codes.values()))},
            OPERATOR: {*map(spelling, self.operators)},
            METHOD: {*map(spelling, self.work.job.methods)},
            **{key: {*map(spelling, self.further.get(key, ()))} for key in (SPOT, GAUGE)},
        }
        roles = [self._role_of_column(heads, at, known) for at in range(self.grid.width)]
        for label in (PART, OPERATOR, TRIAL, METHOD, SPOT, GAUGE):  # the first one of each
            for at in [at for at, role in enumerate(roles) if role == label][1:]:
                roles[at] = ""
        readings = [at for at, role in enumerate(roles) if role == READING]
        if TRIAL not in roles and len(readings) > 1:
            operators = self.operators if OPERATOR not in roles else []
            across = _across(self.grid, heads, readings, operators, self.trials)
            for at, role in zip(readings, across, strict=True):
                roles[at] = role
        return roles

    def _role_of_column(self, heads: int, at: int, known: Mapping[str, set[str]]) -> str:
        grid = self.grid
        rows = [row for row in range(heads, self.end) if not looks_empty(grid.at(row, at))]
        if not rows:
            return ""
        named = [label for label in LABELS if label not in (SPOT, GAUGE) or label in self.further]
        named.append(READING)
        said = [role for row in range(heads) if (role := role_of(grid.text(row, at))) in named]
        if 2 * sum(self._believable(row, at) for row in rows) > len(rows):
            return READING
        texts = [grid.text(row, at) for row in rows]
        numbers = [trial_number(text) for text in texts]
        numbered = self.trials > 1 and all(n is not None and 1 <= n <= self.trials for n in numbers)
        if said and said[-1] != READING:
            return said[-1]
        if said and numbered:
            return TRIAL  # a column "Measurement" that counts 1, 2, 3
        for label, names in known.items():
            if sum(spelling(text) in names for text in texts) > 0.8 * len(texts):
                return label
        return TRIAL if numbered else ""

    # The cells, each with its place

    def cells(self) -> tuple[list[Cell], list[str]]:
        """Return the cells that should hold readings, and what somebody has to say first."""
        if set(self.asked.roles) == {AS_READ}:
            return self._as_read(), []
        found, missing = self._by_roles()
        if self.further and any(cell.place is None for cell in found):
            return self._by_roles(each_by_itself=True)
        return found, missing

    def _by_roles(self, *, each_by_itself: bool = False) -> tuple[list[Cell], list[str]]:
        """Return the cells of columns with roles, and what somebody has to say first.

        ``each_by_itself``: trials are numbered at each place and with each gauge by themselves.
        """
        asked, grid = self.asked, self.grid
        columns = {role: at for at, role in enumerate(asked.roles) if role in LABELS}
        readings = [at for at, role in enumerate(asked.roles) if role.startswith(READING)]
        missing = self._missing(columns, readings)
        if missing:
            return [], missing
        above = {PART: "", OPERATOR: ""}
        waiting: list[Place] = []
        if PART not in columns:
            listed = [Place("", "", 0, part) for part in self.parts]
            waiting = self.due if asked.rows_are == AS_DUE else listed
        cells = []
        number = 0
        for row in range(asked.heads or 0, self.end):
            texts = {role: grid.text(row, at) for role, at in columns.items()}
            if grid.blank_row(row) or any(is_summary(text) for text in texts.values() if text):
                continue
            for role, before in above.items():  # a merged cell is written once
                texts[role] = texts.get(role) or before
            above = {role: texts[role] for role in above}
            given = waiting[number] if number < len(waiting) else None
            number += 1
            for at in readings:
                _, trial, who = [*asked.roles[at].split(":", 2), "", ""][:3]
                said = {**texts, METHOD: texts.get(METHOD, "")}
                said[TRIAL] = trial or texts.get(TRIAL) or asked.trial
                said[OPERATOR] = who or texts[OPERATOR]
                place, problem = self._place(said, given, each_by_itself=each_by_itself)
                if PART not in columns and given is None:
                    problem = "more rows than there are places"
                note = texts.get(NOTE, "")
                cells.append(self._read(Cell(row, at, grid.text(row, at), place, note, problem)))
        return _checked(cells, asked), []

    def _as_read(self) -> list[Cell]:
        """Return the cells of a form that no roles of columns describe, such as parts across."""
        layout = _layout(self.grid)
        cells = []
        for found in [] if layout is None else layout.found:
            said = {role: str(found.labels.get(role, "")) for role in LABELS}
            said[TRIAL] = said[TRIAL] or self.asked.trial
            place, problem = self._place(said, None)
            text = self.grid.text(found.row, found.column)
            cells.append(
                self._read(Cell(found.row, found.column, text, place, said[NOTE], problem))
            )
        return _checked(cells, self.asked)

    def _missing(self, columns: Mapping[str, int], readings: Sequence[int]) -> list[str]:
        asked = self.asked
        roles = [asked.roles[at] for at in readings]
        missing = []
        if not readings:
            missing.append("Say which columns hold readings")
        if PART not in columns and asked.rows_are == "":
            missing.append("Say which part each row is")
        if asked.rows_are == AS_DUE and PART not in columns:
            if len(readings) > 1:
                missing.append("In the order of measurement there is one column of readings")
            return missing
        if OPERATOR not in columns and not asked.operator and any(r.count(":") < 2 for r in roles):
            missing.append("Say who measured")
        if TRIAL not in columns and not asked.trial and READING in roles:
            missing.append("Say which trial this is")
        if METHOD not in columns and not asked.method and self.work.job.methods:
            missing.append("Say how the gauge was held")
        missing += [
            f"Say which column holds the {key}" for key in self.further if key not in columns
        ]
        if len(set(roles)) < len(roles):
            missing.append("Two columns have the same role")
        return missing

    def _place(
        self, said: Mapping[str, str], given: Place | None, *, each_by_itself: bool = False
    ) -> tuple[Place | None, str]:
        """Return where a reading belongs, and what is wrong with that."""
        if given is not None and given.operator:
            return given, ""
        asked, methods = self.asked, self.work.job.methods
        coded = {code: part for part, code in self.work.job.codes.items()}
        part = given.part if given else _match(coded.get(said[PART], said[PART]), self.parts)
        operator = _match(said[OPERATOR] or asked.operator, self.operators)
        method = _match(said[METHOD] or asked.method, methods) if methods else ""
        spot, gauge = (
            _match(said.get(key, ""), self.further[key]) if key in self.further else ""
            for key in (SPOT, GAUGE)
        )
        place = Place(operator, method, trial_number(said[TRIAL]) or 0, part, spot, gauge)
        here = [one for one in self.places if (one.part, one.operator) == (part, operator)]
        if each_by_itself:
            alike = [one for one in here if (one.place, one.gauge) == (spot, gauge)]
            here = alike[place.trial - 1 : place.trial] if place.trial else []
            place = here[0] if here else place
        there = next((one for one in here if one == place), None)
        if there is not None and (there.place, there.gauge) == (spot, gauge):
            return there, ""
        if part not in self.parts:
            return None, f"the plan has no part {part or 'of no name'}"
        if operator not in self.operators:
            return None, f"the plan has no operator {operator or 'of no name'}"
        return None, f"the plan has no place for {place}"

    def _read(self, cell: Cell) -> Cell:
        """Return the cell with its number, or with what is wrong with it."""
        row, column, place, problem = cell.row, cell.column, cell.place, cell.problem
        there = self.record.at.get(place, []) if place else []
        shown, settings = self.grid.at(row, column), self.work.job.settings
        if looks_empty(shown):
            return replace(cell, problem=problem or ("" if there else "empty"), there=bool(there))
        unclear = self.grid.unclear.get((row, column))
        if unclear:
            return replace(cell, problem=unclear[0])
        try:
            number = one_number(cell.text, settings.unit)
            refuse_finer([number.value], settings.resolution)
        except StudyError as error:
            return replace(cell, problem=problem or _lower(error.problem))
        if isinstance(shown, float | int) and settings.resolution is not None:
            # A workbook does not keep the decimals of the gauge.
            decimals = reading_decimals(settings.resolution)
            number = replace(number, text=f"{number.value:.{decimals}f}", decimals=decimals)
        cell = replace(cell, number=number)
        if problem:
            return cell
        if there and float(there[0].reading) != number.value:
            return replace(cell, problem="there is another reading of this place already")
        doubts = self._doubts(number)
        if doubts and not there:
            return replace(cell, problem="; ".join(doubts), may_be_kept=True)
        return replace(cell, there=bool(there))

    # What the form shows of the study, and the rows that are filed

    def preview(self, cells: Sequence[Cell]) -> dict[str, Any]:
        """Return the study as a field of cells: new, there already, to mend, or to measure."""
        states = dict.fromkeys(self.record.at, "there")
        for cell in cells:
            if cell.place is not None and cell.place not in self.record.at:
                states[cell.place] = "mend" if cell.problem else "new"
        return {
            "parts": [self.label(part) for part in self.parts],
            "rows": [
                {
                    "operator": operator,
                    "method": method,
                    "trial": trial,
                    "states": [
                        states.get(Place(operator, method, trial, part), "open")
                        for part in self.parts
                    ],
                }
                for operator in self.operators
                for method in self.work.job.methods or ("",)
                for trial in range(1, self.trials + 1)
            ],
        }

    def row(self, cell: Cell) -> JournalRow:
        """Return a cell as it is filed."""
        assert cell.place is not None
        assert cell.number is not None
        doubts, pasted = self._doubts(cell.number), self.asked.pasted
        session = self.record.session
        return row_at(
            cell.place,
            session,
            reading=cell.number.text,
            note=cell.note,
            entered_by=session.value if session else "",
            source=PASTED if pasted else IMPORTED,
            raw=cell.text if pasted else f"{self.grid.file}: {cell.text}",
            reason=f"{ASKED}{'; '.join(doubts)}" if doubts else "",
        )


def _across(
    grid: Grid, heads: int, readings: Sequence[int], operators: Sequence[str], trials: int
) -> list[str]:
    """Return the roles of several columns of readings; "" where the headings leave it open."""
    roles: list[str] = []
    name = ""
    by_spelling = {spelling(operator): operator for operator in operators}
    for number, at in enumerate(readings):
        words = [grid.text(row, at) for row in range(heads)]
        for word in words:
            alone = spelling(re.sub(r"\d+\W*$", "", word).strip(" -_/:"))
            last = spelling(re.sub(r".*\s", "", word))  # "Inspector A"
            found = by_spelling.get(alone, by_spelling.get(spelling(word)))
            name = found or (by_spelling.get(last) if not last.isdigit() else None) or name
        trial = next((n for word in reversed(words) if (n := _trial_in(word))), 0)
        if operators and name:
            trial = trial or sum(role.endswith(f":{name}") for role in roles) + 1
            roles.append(f"{READING}:{trial}:{name}" if trial <= trials else "")
        elif trial and trial <= trials:
            roles.append(f"{READING}:{trial}")
        elif not any(words) and len(readings) == trials:
            roles.append(f"{READING}:{number + 1}")
        elif not any(words) and operators and len(readings) == trials * len(operators):
            who = operators[number // trials]
            roles.append(f"{READING}:{number % trials + 1}:{who}")
        else:
            roles.append("")
    firsts = [grid.text(row, at) for at in readings[::trials] for row in range(heads)]
    return _in_order(roles, firsts, operators, trials)


def _in_order(
    roles: list[str], firsts: Sequence[str], operators: Sequence[str], trials: int
) -> list[str]:
    """Return the roles with operators where the form says A, B, C in place of their names.

    They are proposed in the order of the plan: somebody looks at it before anything is filed.
    ``firsts`` is what stands over the first column of each.
    """
    each = [f"{READING}:{trial}" for trial in range(1, trials + 1)]
    if not operators or roles != each * len(operators):
        return roles
    marked = sum(bool(re.search(r"(^|[\s.:_-])([A-Z]|\d)$", words)) for words in firsts)
    if marked < len(operators):
        return roles
    return [f"{role}:{operators[at // trials]}" for at, role in enumerate(roles)]


def _trial_in(heading: str) -> int:
    number = trial_number(heading)
    if number is None:
        found = re.search(r"(?:^|\D)(\d{1,2})\W*$", heading)
        number = int(found[1]) if found else 0
    return number


def _match(name: str, known: Sequence[str]) -> str:
    return next((one for one in known if spelling(one) == spelling(name)), name)


def _lower(sentence: str) -> str:
    return f"{sentence[:1].lower()}{sentence[1:]}".split(": nothing was filed", maxsplit=1)[0]


def _checked(cells: Sequence[Cell], asked: TableRoles) -> list[Cell]:
    """Mark what stands in the table twice, and let go of what is kept."""
    rows: dict[Place, list[int]] = {}
    for cell in cells:
        if cell.place is not None and cell.number is not None:
            rows.setdefault(cell.place, []).append(cell.row)
    checked = []
    for cell in cells:
        others = list(rows.get(cell.place, [])) if cell.place and cell.number else []
        if len(others) > 1:
            others.remove(cell.row)
            words = f"row {others[0] + 1} has this place too"
            cell = replace(cell, problem=words, may_be_kept=False)  # noqa: PLW2901
        if cell.may_be_kept and cell.key in asked.kept:
            cell = replace(cell, problem="")  # noqa: PLW2901
        checked.append(cell)
    return checked
