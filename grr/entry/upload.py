"""A run sheet filled in elsewhere, as CSV or Excel: its readings go into the journal."""

from __future__ import annotations

import re
import tempfile
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path, PureWindowsPath

import pandas as pd

from grr.entry.collecting import Collecting, Outcome, ReadingsSoFar, log_before_first_reading
from grr.entry.entered_numbers import refuse_finer
from grr.entry.job import Place, row_at
from grr.entry.table_grid import imported_file
from grr.files.disk import not_written
from grr.files.events import IMPORTED_FILE
from grr.files.journal import JournalRow
from grr.files.table_file import read_readings
from grr.model.errors import StudyError
from grr.model.record import IMPORTED
from grr.model.rounding import counted, listed, reading_decimals
from grr.model.values import spelling


def take_file(
    work: Collecting,
    name: str,
    content: bytes,
    *,
    parts: Mapping[str, str] | None = None,
    operators: Mapping[str, str] | None = None,
) -> Outcome:
    """File every reading of an uploaded table at its part, operator, trial and method.

    Parts may be named, or called by their codes on the run sheet. A name that the plan does not
    know is the one spelled alike but for capitals and spaces; of parts also the one with the
    same number, P01 for 1, where that holds for all of them. The file is kept in the study's
    folder, and its hash stands in the events.

    Parameters
    ----------
    work : Collecting
    name : str
        The file's name, for messages and the record.
    content : bytes
    parts, operators : mapping, optional
        Names of the file and of the plan, where they differ by more.

    Raises
    ------
    StudyError
        The table cannot be read, a reading has no place in the plan or is finer than the
        gauge can show, or its place holds another reading already. Nothing is filed then.
    """
    file = PureWindowsPath(name).name
    table = _table(file, content)
    plan = work.job.settings.plan
    planned_places = () if plan is None else plan.places
    planned_gauges = () if plan is None else plan.gauges
    for column, planned_names in (("place", planned_places), ("gauge", planned_gauges)):
        several = column in table and table[column].nunique() > 1
        if several and not planned_names:
            raise StudyError(
                f"The table tells of several {column}s, and the plan names none",
                f"Plan the {column}s, analyse the table by itself, "
                f"grr.Study(grr.read_readings(...)), or leave one {column} in it",
                file=file,
                column=column,
            )
        if planned_names and column not in table:
            raise StudyError(
                f"The plan names {counted(len(planned_names), column)}, and the table has no "
                f"column {column}",
                f"Add a column {column} with one of: {listed(list(planned_names))}",
                file=file,
                column=column,
            )
    with work.writing() as record:
        planned = work.places(record)
        called = {
            "part": _called(
                table, "part", [place.part for place in planned], work.job.codes.values(), parts
            ),
            "operator": _called(
                table, "operator", [place.operator for place in planned], (), operators
            ),
            **{
                column: _called(table, column, further, (), None)
                for column, further in (("place", planned_places), ("gauge", planned_gauges))
                if further
            },
        }
        for column, names in called.items():
            if column in table:
                table[column] = [names.get(str(one), str(one)) for one in table[column]]
        table = _with_planned_trials(table, work, planned, file)
        new = _new_rows(table, work, record, file)
        if not new and not _cut_short(record, file):
            return Outcome("done", f"{file} holds no reading that is not here already.")
        log_before_first_reading(work, record, work.clock())
        rows = work.file(new, [imported_file(work, record, file, content)])
        words = f"{counted(len(rows), 'reading')} taken from {file}."
        if "session" in table:
            words += " Its sessions were not taken: those of a record are its own entries."
        for column, names in called.items():
            if names:
                pairs = listed([f"{there} is {here}" for there, here in names.items()])
                words += f" By {column}, in the file and in the plan: {pairs}."
        return Outcome("recorded", words, tuple(rows))


def _called(
    table: pd.DataFrame,
    column: str,
    planned: Sequence[str],
    codes: Iterable[str],
    stated: Mapping[str, str] | None,
) -> dict[str, str]:
    """Return what each name of the file that the plan does not know is called in the plan."""
    plan = list(dict.fromkeys(planned))
    found = dict(stated or {})
    for there, here in found.items():
        if here not in plan:
            raise StudyError(
                f"The plan has no {column} {here}",
                f"Write the name in the file, =, and one of: {listed(plan)}",
                value=f"{there}={here}",
            )
    known = {*plan, *codes, *found}
    names = dict.fromkeys(map(str, table[column])) if column in table else {}
    unknown = [name for name in names if name not in known]
    alike = {spelling(name): name for name in plan}
    found |= {name: alike[spelling(name)] for name in unknown if spelling(name) in alike}
    unknown = [name for name in unknown if name not in found]
    free = [name for name in plan if name not in names and name not in found.values()]
    numbered = {_number(name): name for name in free}
    same = {name: numbered[_number(name)] for name in unknown if _number(name) in numbered}
    one_to_one = len(numbered) == len(free) and len(set(same.values())) == len(unknown)
    if column == "part" and one_to_one:
        found |= same
    return found


def _number(name: str) -> int | str:
    """Return the number in a name, P01 and 1 alike; the name where it has none or several."""
    numbers = re.findall(r"[0-9]+", name)
    return int(numbers[0]) if len(numbers) == 1 else name


def _cut_short(record: ReadingsSoFar, file: str) -> bool:
    """Whether readings of a file were taken and the power failed before that was on record."""
    taken = any(row.source == IMPORTED and row.raw.startswith(f"{file}: ") for row in record.rows)
    return taken and not any(e.kind == IMPORTED_FILE and e.old == file for e in record.events)


def _table(file: str, content: bytes) -> pd.DataFrame:
    try:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "sheet"  # what it holds tells its kind
            path.write_bytes(content)
            return read_readings(path)
    except StudyError as error:
        raise error.at(file=file) from None
    except OSError as error:
        raise not_written(error, Path(file)) from error


def _with_planned_trials(
    table: pd.DataFrame, work: Collecting, planned: Sequence[Place], file: str
) -> pd.DataFrame:
    """Return the table with the trials of the plan, at the places and with the gauges it names.

    The run sheet numbers the readings that one person takes of a part on over its places and
    gauges, as the plan does. Another table may number those at each place by themselves: then
    the first of them is the first that is planned there, and so on.
    """
    plan = work.job.settings.plan
    if plan is None or not (plan.places or plan.gauges):
        return table
    keys = ["part", "operator"]
    keys += ["place"] if plan.places else []
    keys += ["gauge"] if plan.gauges else []
    parts = {code: part for part, code in work.job.codes.items()}
    table = table.assign(part=[parts.get(part, part) for part in table["part"].astype(str)])
    there: dict[tuple[str, ...], list[int]] = {}
    for place in planned:
        there.setdefault(tuple(getattr(place, key) for key in keys), []).append(place.trial)
    rows = [tuple(str(row[key]) for key in keys) for row in table.to_dict("records")]
    as_planned = zip(rows, table["trial"], strict=True)
    if all(int(trial) in there.get(row, ()) for row, trial in as_planned):
        return table
    rank = table.groupby(keys, sort=False)["trial"].rank(method="first").astype(int)
    found = []
    for line, (row, number) in enumerate(zip(rows, rank, strict=True), start=1):
        trials = sorted(there.get(row, ()))
        if number > len(trials):
            where = ", ".join(f"{key} {name}" for key, name in zip(keys, row, strict=True))
            raise StudyError(
                f"The plan has {counted(len(trials), 'reading') if trials else 'no reading'} of "
                f"{where}, and the table {'more' if trials else 'has one'}",
                "Correct the part, operator, place or gauge in the file",
                file=file,
                row=line,
            )
        found.append(trials[number - 1])
    return table.assign(trial=found)


def _new_rows(
    table: pd.DataFrame, work: Collecting, record: ReadingsSoFar, file: str
) -> list[JournalRow]:
    """Return the readings of the table that are not here yet, as they are filed."""
    operators = list(dict.fromkeys(place.operator for place in work.job.places))
    methods, resolution = work.job.methods, work.job.settings.resolution
    parts = {code: part for part, code in work.job.codes.items()}
    planned = {place: place for place in work.places(record)}
    session = record.session
    new = []
    for line, row in enumerate(table.to_dict("records"), start=1):
        value, note = float(row["reading"]), row.get("note", "")
        if pd.isna(value):
            continue
        operator = row.get("operator", operators[0] if len(operators) == 1 else "")
        method = row.get("method", methods[0] if len(methods) == 1 else "")
        part = parts.get(str(row["part"]), str(row["part"]))
        place = Place(str(operator), str(method), int(row.get("trial", 1)), part)
        if place not in planned:
            raise StudyError(
                f"The plan has no place for {place}",
                "Correct the part, operator, trial or method in the file",
                file=file,
                row=line,
            )
        try:
            refuse_finer([value], resolution)
        except StudyError as error:
            raise error.at(file=file, row=line) from None
        there = record.at.get(place, [])
        if there and float(there[0].reading) != value:
            raise StudyError(
                f"There is another reading of {place} already",
                "Void that reading first, or leave the cell in the file empty",
                file=file,
                row=line,
            )
        if not there:
            taken = row_at(
                planned[place],
                session,
                reading=repr(value) if resolution is None else _shown(value, resolution),
                note="" if pd.isna(note) else str(note),
                entered_by=session.value if session else "",
                source=IMPORTED,
                raw=f"{file}: {value!r}",
            )
            new.append(taken)
    return new


def _shown(value: float, resolution: float) -> str:
    """Return the value with the gauge's decimals where that changes nothing."""
    text = f"{value:.{reading_decimals(resolution)}f}"
    return text if abs(float(text) - value) < 1e-6 * resolution else repr(value)
