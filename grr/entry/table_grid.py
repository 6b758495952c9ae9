"""A table from elsewhere, dropped or pasted: looked at in a grid first, then filed as a whole.

The roles of its columns are proposed, by the words over them and by what stands in them, and a
person may change them. Every cell that does not fit is marked before anything is filed.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
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
        A role for each column, as `_roles_to_pick` lists them; empty: propose them.
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
    number: EnteredNumber | None = None
    note: str = ""
    #: What does not fit; "" where all does.
    problem: str = ""
    #: Whether the number may be kept in spite of it.
    may_be_kept: bool = False
    #: Whether its place holds the same number already.
    there: bool = False

    @property
    def key(self) -> str:
        """The cell as the form names it."""
        return f"{self.row}:{self.column}"


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
    record = work.record
    grid = _grid(name, content, asked)
    asked = _proposed(work, record, grid, asked)
    cells, missing = _cells(work, record, grid, asked)
    return {
        "name": grid.file,
        "rows": [[grid.text(row, at) for at in range(grid.width)] for row in range(_end(grid))],
        "heads": asked.heads,
        "roles": list(asked.roles),
        "to_pick": _roles_to_pick(work, record),
        "rows_are": asked.rows_are,
        "operator": asked.operator,
        "trial": asked.trial,
        "method": asked.method,
        "missing": missing,
        "choices": _choices(work, record),
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
        "parts": _parts_of_rows(work, record, cells),
        "preview": _preview(work, record, cells),
        "to_file": sum(_fits(cell) for cell in cells),
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
        grid = _grid(name, content, asked)
        cells, missing = _cells(work, record, grid, asked)
        if missing:
            raise StudyError("It is not said what the rows and columns are", missing[0])
        wrong = [cell for cell in cells if cell.problem]
        if wrong and not without:
            raise StudyError(
                f"{counted(len(wrong), 'cell')} do not fit: nothing was filed",
                "Correct them, or file the table without them",
                file=grid.file,
                row=wrong[0].row + 1,
                value=wrong[0].text,
            )
        new = [cell for cell in cells if _fits(cell)]
        if not new:
            return Outcome("done", f"{grid.file} holds no reading that is not here already.")
        log_before_first_reading(work, record, work.clock())
        imported = [] if asked.pasted else [_imported(work, record, grid.file, content)]
        identifier = new_id()
        rows = [_row(cell, work, record, grid.file, asked) for cell in new]
        events = [
            work.event(
                record, "question", name=row, old=filed.reason.removeprefix(ASKED), value=KEPT
            )
            for row, filed in zip(ids_of_one_write(identifier, len(rows)), rows, strict=True)
            if filed.reason
        ]
        written = work.file(rows, [*imported, *events], identifier)
        words = f"{counted(len(written), 'reading')} taken from {grid.file}."
        return Outcome("recorded", words, tuple(written))


def _imported(work: Collecting, record: ReadingsSoFar, file: str, content: bytes) -> Event:
    """Keep the file in the study's folder; return the event with its hash."""
    kept = keep_file(work.job.folder, file, content)
    return work.event(record, IMPORTED_FILE, name=kept.name, old=file, value=kept.sha256)


def _fits(cell: Cell) -> bool:
    return cell.number is not None and not cell.problem and not cell.there


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


def _end(grid: Grid) -> int:
    return max((row + 1 for row in range(len(grid.cells)) if not grid.blank_row(row)), default=0)


# What each column is: proposed by the words over it, and by what stands in it


def _roles_to_pick(work: Collecting, record: ReadingsSoFar) -> list[tuple[str, str]]:
    operators, _, trials, methods = _named(work, record)
    numbers = range(1, trials + 1)
    return [
        ("", "not used"),
        (AS_READ, "as it stands"),
        (PART, "Part"),
        (OPERATOR, "Operator"),
        (TRIAL, "Number of the trial"),
        *([(METHOD, "Way of holding")] if methods else []),
        *([(SPOT, "Place on the part")] if _further(work, SPOT) else []),
        *([(GAUGE, "Gauge")] if _further(work, GAUGE) else []),
        (READING, "Reading"),
        *((f"{READING}:{number}", f"Trial {number}") for number in numbers),
        *(
            (f"{READING}:{number}:{name}", f"{name}, trial {number}")
            for name in operators
            for number in numbers
        ),
        (NOTE, "Note"),
    ]


def _choices(work: Collecting, record: ReadingsSoFar) -> dict[str, list[tuple[str, str]]]:
    operators, parts, trials, methods = _named(work, record)
    first, last = (work.label(record, part) for part in (parts[0], parts[-1]))
    rows = [(AS_LISTED, f"the parts {first} to {last}, as they are listed in the plan")]
    due = _due(work, record)
    if due:
        ahead = ", ".join(work.label(record, place.part) for place in due[:4])
        rows.append((AS_DUE, f"in the order of measurement: {ahead} …"))
    return {
        "rows_are": rows,
        OPERATOR: [(name, name) for name in operators],
        TRIAL: [(str(number), str(number)) for number in range(1, trials + 1)],
        METHOD: [(name, name) for name in methods],
    }


def _named(
    work: Collecting, record: ReadingsSoFar
) -> tuple[list[str], list[str], int, tuple[str, ...]]:
    """Return operators, parts, how many trials and the methods of the plan."""
    places = work.places(record)
    listed = work.job.settings.plan.parts if work.job.settings.plan else ()
    there = dict.fromkeys(place.part for place in places)
    parts = [*(part for part in listed if part in there), *(p for p in there if p not in listed)]
    operators = list(dict.fromkeys(place.operator for place in places))
    return operators, parts, max(place.trial for place in places), work.job.methods


def _further(work: Collecting, key: str) -> tuple[str, ...]:
    """Return the places on a part, or the gauges, where the plan names several."""
    plan = work.job.settings.plan
    if plan is None:
        return ()
    return plan.places if key == SPOT else plan.gauges


def _due(work: Collecting, record: ReadingsSoFar) -> list[Place]:
    return work.open_places(record, record.session.value) if record.session else []


def _proposed(work: Collecting, record: ReadingsSoFar, grid: Grid, asked: TableRoles) -> TableRoles:
    """Return what was asked, with roles where none were picked yet."""
    if asked.roles:
        if set(asked.roles) == {AS_READ}:
            return asked
        return replace(asked, roles=tuple("" if r == AS_READ else r for r in asked.roles))
    heads = _rows_above_readings(work, grid)
    operators, parts, trials, methods = _named(work, record)
    known = {
        PART: {spelling(name) for name in (*parts, *work.job.codes.values())},
        OPERATOR: set(map(spelling, operators)),
        METHOD: set(map(spelling, methods)),
        **{key: set(map(spelling, _further(work, key))) for key in (SPOT, GAUGE)},
    }
    roles = [_role_of_column(work, grid, heads, at, known) for at in range(grid.width)]
    for label in (PART, OPERATOR, TRIAL, METHOD, SPOT, GAUGE):  # the first one of each
        for at in [at for at, role in enumerate(roles) if role == label][1:]:
            roles[at] = ""
    readings = [at for at, role in enumerate(roles) if role == READING]
    if TRIAL not in roles and len(readings) > 1:
        across = _across(grid, heads, readings, operators if OPERATOR not in roles else [], trials)
        for at, role in zip(readings, across, strict=True):
            roles[at] = role
    session = record.session.value if record.session else ""
    plain = heads == 0 and grid.width == 1 and bool(_due(work, record))
    proposed = replace(
        asked,
        roles=tuple(roles),
        heads=heads,
        rows_are=AS_DUE if plain else "",
        operator=session or (operators[0] if len(operators) == 1 else ""),
        trial="1" if trials == 1 else "",
        method=methods[0] if len(methods) == 1 else "",
    )
    cells, missing = _cells(work, record, grid, proposed)
    if missing or any(cell.place is None for cell in cells):
        as_read = replace(proposed, roles=(AS_READ,) * grid.width)
        read, _ = _cells(work, record, grid, as_read)
        placed, as_they_stand = (
            sum(one.place is not None for one in all_) for all_ in (cells, read)
        )
        if as_they_stand > placed:
            return as_read
    return proposed


def _rows_above_readings(work: Collecting, grid: Grid) -> int:
    """Return the number of rows above the first one that holds a believable reading."""
    for row in range(_end(grid)):
        if any(_believable(work, grid, row, at) for at in grid.filled(row)):
            return row
    return 0


def _believable(work: Collecting, grid: Grid, row: int, column: int) -> bool:
    try:
        number = one_number(grid.text(row, column), work.job.settings.unit)
    except StudyError:
        return False
    if work.job.shown_limits == (None, None):
        return "." in number.text
    return not _doubts(work, number)


def _doubts(work: Collecting, number: EnteredNumber) -> list[str]:
    doubts = what_to_ask(
        number,
        limits=work.job.shown_limits,
        resolution=None,
        before=[],
        seconds_since_last=None,
    )
    return [doubt.words for doubt in doubts]


def _role_of_column(
    work: Collecting, grid: Grid, heads: int, at: int, known: Mapping[str, set[str]]
) -> str:
    rows = [row for row in range(heads, _end(grid)) if not looks_empty(grid.at(row, at))]
    if not rows:
        return ""
    named = [label for label in LABELS if label not in (SPOT, GAUGE) or _further(work, label)]
    said = [role for row in range(heads) if (role := role_of(grid.text(row, at))) in named]
    if 2 * sum(_believable(work, grid, row, at) for row in rows) > len(rows):
        return READING
    if said:
        return said[-1]
    texts = [grid.text(row, at) for row in rows]
    for label, names in known.items():
        if sum(spelling(text) in names for text in texts) > 0.8 * len(texts):
            return label
    numbers = [trial_number(text) for text in texts]
    trials = max(place.trial for place in work.job.places)
    if trials > 1 and all(number is not None and 1 <= number <= trials for number in numbers):
        return TRIAL
    return ""


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


# The cells, each with its place


def _cells(
    work: Collecting, record: ReadingsSoFar, grid: Grid, asked: TableRoles
) -> tuple[list[Cell], list[str]]:
    """Return the cells that should hold readings, and what somebody has to say first."""
    if set(asked.roles) == {AS_READ}:
        return _cells_as_read(work, record, grid, asked), []
    if _further(work, SPOT) or _further(work, GAUGE):
        found, missing = _cells_by_roles(work, record, grid, asked)
        if all(cell.place is not None for cell in found):
            return found, missing
        return _cells_by_roles(work, record, grid, asked, each_by_itself=True)
    return _cells_by_roles(work, record, grid, asked)


def _cells_by_roles(
    work: Collecting,
    record: ReadingsSoFar,
    grid: Grid,
    asked: TableRoles,
    *,
    each_by_itself: bool = False,
) -> tuple[list[Cell], list[str]]:
    """Return the cells of columns with roles, and what somebody has to say first.

    ``each_by_itself``: trials are numbered at each place and with each gauge by themselves.
    """
    columns = {role: at for at, role in enumerate(asked.roles) if role in LABELS}
    readings = [at for at, role in enumerate(asked.roles) if role.startswith(READING)]
    missing = _missing(work, asked, columns, readings)
    if missing:
        return [], missing
    above = {PART: "", OPERATOR: ""}
    waiting = _row_places(work, record, asked) if PART not in columns else []
    cells = []
    number = 0
    for row in range(asked.heads or 0, _end(grid)):
        texts = {role: grid.text(row, at) for role, at in columns.items()}
        if grid.blank_row(row) or any(is_summary(text) for text in texts.values() if text):
            continue
        for role, before in above.items():  # a merged cell is written once
            texts[role] = texts.get(role) or before
        above = {role: texts[role] for role in above}
        given = waiting[number] if number < len(waiting) else None
        number += 1
        for at in readings:
            said = {**texts, TRIAL: texts.get(TRIAL) or asked.trial, METHOD: texts.get(METHOD, "")}
            _, trial, who = [*asked.roles[at].split(":", 2), "", ""][:3]
            said |= {TRIAL: trial or said[TRIAL], OPERATOR: who or texts[OPERATOR]}
            place, problem = _place(work, record, asked, said, given, each_by_itself=each_by_itself)
            if PART not in columns and given is None:
                problem = "more rows than there are places"
            cell = Cell(row, at, grid.text(row, at), place, None, texts.get(NOTE, ""), problem)
            cells.append(_read(cell, work, record, grid))
    return _checked(cells, asked), []


def _cells_as_read(
    work: Collecting, record: ReadingsSoFar, grid: Grid, asked: TableRoles
) -> list[Cell]:
    """Return the cells of a form that no roles of columns describe, such as parts across."""
    layout = _layout(grid)
    cells = []
    for found in [] if layout is None else layout.found:
        said = {role: str(found.labels.get(role, "")) for role in LABELS}
        said[TRIAL] = said[TRIAL] or asked.trial
        place, problem = _place(work, record, asked, said, None)
        text = grid.text(found.row, found.column)
        cell = Cell(found.row, found.column, text, place, None, said[NOTE], problem)
        cells.append(_read(cell, work, record, grid))
    return _checked(cells, asked)


def _missing(
    work: Collecting, asked: TableRoles, columns: Mapping[str, int], readings: Sequence[int]
) -> list[str]:
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
    if METHOD not in columns and not asked.method and work.job.methods:
        missing.append("Say how the gauge was held")
    missing += [
        f"Say which column holds the {key}"
        for key in (SPOT, GAUGE)
        if _further(work, key) and key not in columns
    ]
    if len(set(roles)) < len(roles):
        missing.append("Two columns have the same role")
    return missing


def _row_places(work: Collecting, record: ReadingsSoFar, asked: TableRoles) -> list[Place]:
    if asked.rows_are == AS_DUE:
        return _due(work, record)
    _, parts, _, _ = _named(work, record)
    return [Place("", "", 0, part) for part in parts]


def _place(
    work: Collecting,
    record: ReadingsSoFar,
    asked: TableRoles,
    said: Mapping[str, str],
    given: Place | None,
    *,
    each_by_itself: bool = False,
) -> tuple[Place | None, str]:
    """Return where a reading belongs, and what is wrong with that."""
    if given is not None and given.operator:
        return given, ""
    operators, parts, _, methods = _named(work, record)
    coded = {code: part for part, code in work.job.codes.items()}
    part = given.part if given else _match(coded.get(said[PART], said[PART]), parts)
    operator = _match(said[OPERATOR] or asked.operator, operators)
    method = _match(said[METHOD] or asked.method, methods) if methods else ""
    spot, gauge = (
        _match(said.get(key, ""), names) if (names := _further(work, key)) else ""
        for key in (SPOT, GAUGE)
    )
    place = Place(operator, method, trial_number(said[TRIAL]) or 0, part, spot, gauge)
    here = [one for one in work.places(record) if (one.part, one.operator) == (part, operator)]
    if each_by_itself:
        alike = [one for one in here if (one.place, one.gauge) == (spot, gauge)]
        here = alike[place.trial - 1 : place.trial] if place.trial else []
        place = here[0] if here else place
    there = next((one for one in here if one == place), None)
    if there is not None and (there.place, there.gauge) == (spot, gauge):
        return there, ""
    if part not in parts:
        return None, f"the plan has no part {part or 'of no name'}"
    if operator not in operators:
        return None, f"the plan has no operator {operator or 'of no name'}"
    return None, f"the plan has no place for {place}"


def _match(name: str, known: Sequence[str]) -> str:
    return next((one for one in known if spelling(one) == spelling(name)), name)


def _read(cell: Cell, work: Collecting, record: ReadingsSoFar, grid: Grid) -> Cell:
    """Return the cell with its number, or with what is wrong with it."""
    row, column, text, place, problem = cell.row, cell.column, cell.text, cell.place, cell.problem
    there = record.at.get(place, []) if place else []
    if looks_empty(grid.at(row, column)):
        return replace(cell, problem=problem or ("" if there else "empty"), there=bool(there))
    unclear = grid.unclear.get((row, column))
    if unclear:
        return replace(cell, problem=unclear[0])
    try:
        number = one_number(text, work.job.settings.unit)
        refuse_finer([number.value], work.job.settings.resolution)
    except StudyError as error:
        return replace(cell, problem=problem or _lower(error.problem))
    if isinstance(grid.at(row, column), float | int):
        number = _with_decimals(number, work.job.settings.resolution)
    cell = replace(cell, number=number)
    if problem:
        return cell
    if there and float(there[0].reading) != number.value:
        return replace(cell, problem="there is another reading of this place already")
    doubts = _doubts(work, number)
    if doubts and not there:
        return replace(cell, problem="; ".join(doubts), may_be_kept=True)
    return replace(cell, there=bool(there))


def _with_decimals(number: EnteredNumber, resolution: float | None) -> EnteredNumber:
    """Return a number of a workbook with the decimals of the gauge, which it does not keep."""
    if resolution is None:
        return number
    decimals = reading_decimals(resolution)
    return replace(number, text=f"{number.value:.{decimals}f}", decimals=decimals)


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


# What the form shows of the study, and the rows that are filed


def _parts_of_rows(
    work: Collecting, record: ReadingsSoFar, cells: Sequence[Cell]
) -> dict[int, str]:
    """Return the part of each row as the screen calls it."""
    return {
        cell.row: work.label(record, cell.place.part) for cell in cells if cell.place is not None
    }


def _preview(work: Collecting, record: ReadingsSoFar, cells: Sequence[Cell]) -> dict[str, Any]:
    """Return the study as a field of cells: new, there already, to mend, or still to measure."""
    operators, parts, trials, methods = _named(work, record)
    states = dict.fromkeys(record.at, "there")
    for cell in cells:
        if cell.place is not None and cell.place not in record.at:
            states[cell.place] = "mend" if cell.problem else "new"
    return {
        "parts": [work.label(record, part) for part in parts],
        "rows": [
            {
                "operator": operator,
                "method": method,
                "trial": trial,
                "states": [
                    states.get(Place(operator, method, trial, part), "open") for part in parts
                ],
            }
            for operator in operators
            for method in methods or ("",)
            for trial in range(1, trials + 1)
        ],
    }


def _row(
    cell: Cell, work: Collecting, record: ReadingsSoFar, file: str, asked: TableRoles
) -> JournalRow:
    session = record.session
    if cell.place is None or cell.number is None:
        raise StudyError("A cell without a place cannot be filed", "Correct it", row=cell.row + 1)
    doubts = _doubts(work, cell.number)
    return row_at(
        cell.place,
        session,
        reading=cell.number.text,
        note=cell.note,
        entered_by=session.value if session else "",
        source=PASTED if asked.pasted else IMPORTED,
        raw=cell.text if asked.pasted else f"{file}: {cell.text}",
        reason=f"{ASKED}{'; '.join(doubts)}" if doubts else "",
    )
