"""`grr.plan_study` and `grr.run_sheet`: who measures which part when, and sheets to write on.

A run sheet has one sheet an operator and trial; two short ones stand on one paper, to cut
apart. The key sheet says which code is on which part.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from grr.entry.job import open_job, run_order
from grr.files.allowed_files import LARGEST_RECORD, refuse_bad_name, regular_file
from grr.files.disk import made_folder, write_whole
from grr.files.text_and_numbers import to_cell
from grr.model.blocks import Block, Bullets, Prose
from grr.model.errors import StudyError
from grr.model.frames import frame
from grr.model.printed import Printed
from grr.model.rounding import counted, limits_text, listed, size
from grr.model.rules import Plan
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import a_path, distinct_names, number
from grr.page.templates import render
from grr.questions.gauge import EXAMPLE
from grr.questions.planning import part_codes

SHEET, PAGE, KEY = "run_sheet.csv", "run_sheet.html", "key_sheet.html"
#: How many seeds there are to draw from: few enough digits to be typed again.
SEEDS = 10**6
#: Rows that fit under the head of one paper, on A4 and on Letter, and of half of one.
ROWS, HALF_ROWS = 22, 10
#: Letters of title, gauge and place together, of operator and method, and of a part, of which
#: the head of half a paper has room for one line each.
_HALF_HEAD, _HALF_WHO, _HALF_PART = 90, 50, 20
_PARTS_MOST, _OPERATORS_MOST, _TRIALS_MOST = 200, 26, 20


@dataclass(frozen=True)
class SheetHead:
    """What stands on top of every page."""

    title: str = ""
    gauge: str = ""
    unit: str = ""
    tolerance: Tolerance | None = None
    resolution: float | None = None
    place: str = ""
    example: bool = False


@dataclass(frozen=True)
class Round:
    """One operator's way through all parts: one trial by one method."""

    operator: str
    trial: int
    method: str
    orders: tuple[int, ...]
    parts: tuple[str, ...]


@dataclass(frozen=True, eq=False, repr=False)
class StudyPlan(Printed):
    """A run sheet: every reading to take, in the order in which to take it.

    Attributes
    ----------
    plan : Plan
        Parts, operators, trials, methods and seed.
    codes : mapping
        Part → code, for a sheet from which the part cannot be read.
    heading : SheetHead
        What stands on top of every page.
    table : DataFrame
        One row a reading: order, session (one operator's round through all parts),
        operator, trial, part, method ("" where there is one way of measuring only).
    """

    plan: Plan
    codes: Mapping[str, str]
    heading: SheetHead
    table: pd.DataFrame = frame()

    def to_frame(self) -> pd.DataFrame:
        """Return the run sheet, one row a reading."""
        return self.table

    def key(self) -> pd.DataFrame:
        """Return the key sheet: which code stands for which part."""
        return pd.DataFrame({"part": list(self.codes), "code": list(self.codes.values())})

    def page(self, *, coded: bool = True) -> str:
        """Return the printable run sheet as HTML, one sheet an operator and trial.

        Parameters
        ----------
        coded : bool
            Whether parts are named by their codes, for a study in which a helper hands
            out the parts; who works alone needs the names.
        """
        return run_sheet_page(self.heading, self._rounds(coded))

    def key_page(self) -> str:
        """Return the printable key sheet as HTML; it stays with the helper."""
        return key_page(self.heading, list(self.codes.items()))

    def save(self, folder: str | Path, *, coded: bool = True) -> tuple[Path, ...]:
        """Write the run sheet as CSV and HTML, and the key sheet if it is coded.

        The CSV has empty columns for the readings and notes and can be filled in a
        spreadsheet; it names the parts.

        Raises
        ------
        StudyError
            A file cannot be written, or a run sheet with other contents is there already
            (it may hold readings).
        """
        place = a_path(folder)
        contents = {SHEET: self._csv(), PAGE: self.page(coded=coded)}
        if coded:
            contents[KEY] = self.key_page()
        refuse_bad_name(place)
        for name, text in contents.items():
            _refuse_other_contents(place / name, text)
        made_folder(place)
        for name, text in contents.items():
            write_whole(place / name, text)
        return tuple(place / name for name in contents)

    def _csv(self) -> str:
        table = self.table.assign(reading="", note="")
        if not self.plan.methods:
            table = table.drop(columns="method")
        for column in ("operator", "part", "method"):
            if column in table:
                table[column] = table[column].map(to_cell)
        return str(table.to_csv(index=False, lineterminator="\n"))

    def _rounds(self, coded: bool) -> list[Round]:
        return [
            Round(
                operator=str(rows["operator"].iloc[0]),
                trial=int(rows["trial"].iloc[0]),
                method=str(rows["method"].iloc[0]),
                orders=tuple(int(number) for number in rows["order"]),
                parts=tuple(self.codes[part] if coded else part for part in rows["part"]),
            )
            for _, rows in self.table.groupby("session", sort=True)
        ]

    def _summary(self) -> list[str]:
        plan = self.plan
        ways = f" × {counted(len(plan.methods), 'method')}" if plan.methods else ""
        name = f"{self.heading.title}: " if self.heading.title else ""
        sessions = int(self.table["session"].max())
        return [
            f"{name}{counted(plan.readings, 'reading')} = {counted(len(plan.parts), 'part')} × "
            f"{counted(len(plan.operators), 'operator')} × {counted(plan.trials, 'trial')}{ways}, "
            f"in {counted(sessions, 'session')} (an operator's round through all parts). "
            f"Seed {plan.seed}.",
            "Measure in this order. Nobody should see earlier readings of a part; best, a helper "
            "hands out the parts by the key sheet.",
        ]

    def blocks(self) -> list[Block]:
        """Return what is planned, and the parts of each session in their order."""
        sessions = [
            f"Session {number}: {one.operator}, trial {one.trial}"
            f"{f', {one.method}' if one.method else ''}. Parts {listed(list(one.parts), 12)}."
            for number, one in enumerate(self._rounds(False), start=1)
        ]
        return [Prose(self._summary()), Bullets(sessions)]


def plan_study(
    parts: int | Sequence[str],
    operators: int | Sequence[str],
    trials: int = 3,
    methods: Sequence[str] = (),
    *,
    seed: int | None = None,
    title: str = "",
    gauge: str = "",
    unit: str = "",
    tolerance: Tolerance | None = None,
    resolution: float | None = None,
) -> StudyPlan:
    """Plan a crossed study: every operator measures every part ``trials`` times.

    Parameters
    ----------
    parts, operators : int or sequence of str
        How many, or their names. Parts are numbered from 1, operators named A, B, C ...
    trials : int
    methods : sequence of str
        Ways of measuring to compare, such as stand and handheld; none by default.
    seed : int, optional
        The same seed gives the same order and codes. Left out, one is drawn, so that nobody
        learns them from one study to the next; it is printed, and kept in ``plan.seed``.
    title, gauge, unit, tolerance, resolution : optional
        For the head of every page.

    Returns
    -------
    StudyPlan
        Operator after operator, trial after trial; the parts in a new random order each
        time, the methods in changing order.

    Raises
    ------
    StudyError
        Numbers that are no plan, or a name given twice.

    Notes
    -----
    Random order keeps drift and memory out of the comparison (AIAG MSA, 4th ed., chapter
    III section B; Montgomery, Design and Analysis of Experiments, section 1.3).
    """
    plan = Plan(
        parts=_names("part", parts, _PARTS_MOST, 2),
        operators=_names("operator", operators, _OPERATORS_MOST, 1),
        trials=_whole("trials", trials, 1, _TRIALS_MOST),
        methods=_names("method", methods, 6, 0),
        seed=secrets.randbelow(SEEDS) if seed is None else _whole("seed", seed, 0, 2**63),
    )
    if tolerance is not None and not isinstance(tolerance, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    heading = SheetHead(
        title=str(title),
        gauge=str(gauge),
        unit=canonical_unit(unit),
        tolerance=tolerance,
        resolution=resolution,
    )
    return _laid_out(plan, heading)


def run_sheet(study: Study | str | Path) -> StudyPlan:
    """Return the run sheet of a study folder, as planned in its ``study.toml``.

    The order is the one in which the entry form asks for the readings.

    Parameters
    ----------
    study : Study or path-like
        A study folder, or a study that was opened from one.

    Raises
    ------
    StudyError
        There is no such folder, or its ``study.toml`` cannot be used or holds no plan.
    """
    settings = open_job(study).settings
    assert settings.plan is not None
    facts = settings.facts
    heading = SheetHead(
        title=settings.title,
        gauge=str(facts.get("gauge_number", "")),
        unit=settings.unit,
        tolerance=settings.shown_tolerance,
        resolution=settings.resolution,
        place=str(facts.get("measuring_place", "")),
        example=settings.example,
    )
    return _laid_out(settings.plan, heading)


def _laid_out(plan: Plan, heading: SheetHead) -> StudyPlan:
    rows = []
    session = 0
    before: tuple[str, str, int] | None = None
    for order, place in enumerate(run_order(plan), start=1):
        turn = (place.operator, place.method, place.trial)
        session += turn != before
        before = turn
        rows.append((order, session, place.operator, place.trial, place.part, place.method))
    table = pd.DataFrame(rows, columns=["order", "session", "operator", "trial", "part", "method"])
    return StudyPlan(plan, MappingProxyType(part_codes(plan.parts, plan.seed)), heading, table)


def _whole(name: str, value: object, least: int, most: int) -> int:
    whole = number(name, value)
    if whole != int(whole) or not least <= whole <= most:
        raise StudyError(
            f"{name} is not a whole number from {least} to {most}", "Correct it", value=value
        )
    return int(whole)


def _names(what: str, given: int | Sequence[str], most: int, least: int) -> tuple[str, ...]:
    if isinstance(given, str):
        raise StudyError(
            f"One name is no list of {what}s", f"Write the {what}s in brackets", value=given
        )
    if not isinstance(given, Sequence):
        count = _whole(f"the number of {what}s", given, least, most)
        if what == "operator":
            return tuple(chr(ord("A") + i) for i in range(count))
        return tuple(f"{i}" for i in range(1, count + 1))
    names = tuple(str(name).strip() for name in given)
    if not least <= len(names) <= most:
        raise StudyError(
            f"A plan takes {least} to {most} {what}s", "Correct the list", value=len(names)
        )
    return distinct_names(what, names)


def _refuse_other_contents(path: Path, text: str) -> None:
    try:
        there = regular_file(path, LARGEST_RECORD).read_text(encoding="utf-8")
    except FileNotFoundError:
        return
    except (OSError, ValueError):
        there = ""
    if there != text:
        raise StudyError(
            "There is another run sheet already, which may hold readings",
            "Move it away, or choose another folder",
            file=path,
        )


# The pages
# ---------


@dataclass(frozen=True)
class _Sheet:
    """What one operator gets in hand: a round, or a part of one."""

    round: Round
    rows: Sequence[tuple[int, str]]
    number: int
    continued: bool


def run_sheet_page(heading: SheetHead, rounds: Sequence[Round]) -> str:
    """Return the run sheet as one HTML document that prints a sheet an operator and trial.

    Two short rounds share a paper, each with its own head, to be cut apart; a round of more
    than 22 parts goes over several. Nothing is loaded from elsewhere, and every text from
    outside is escaped.
    """
    starts = [(one, at) for one in rounds for at in range(0, max(1, len(one.parts)), ROWS)]
    sheets = [
        _Sheet(
            one,
            list(zip(one.orders, one.parts, strict=True))[start : start + ROWS],
            number,
            start > 0,
        )
        for number, (one, start) in enumerate(starts, start=1)
    ]
    across = 2 if _short(heading, rounds) else 1
    papers = [sheets[start : start + across] for start in range(0, len(sheets), across)]
    return _document("Run sheet", heading, papers=papers, two=across > 1, sheets=len(sheets))


def key_page(heading: SheetHead, codes: Sequence[tuple[str, str]]) -> str:
    """Return the key sheet as an HTML document: which code is on which part.

    Parameters
    ----------
    heading : SheetHead
    codes : sequence of (part, code)
    """
    return _document("Key sheet", heading, codes=codes)


def _short(heading: SheetHead, rounds: Sequence[Round]) -> bool:
    """Return whether every round fits on half a paper."""
    return len(heading.title) + len(heading.gauge) + len(heading.place) <= _HALF_HEAD and all(
        len(one.parts) <= HALF_ROWS
        and len(one.operator) + len(one.method) <= _HALF_WHO
        and all(len(part) <= _HALF_PART for part in one.parts)
        for one in rounds
    )


def _document(name: str, heading: SheetHead, **values: object) -> str:
    facts = [
        f"Gauge: {heading.gauge or '________________'}",
        f"Unit: {heading.unit or 'not stated'}",
        f"Tolerance: {limits_text(heading.tolerance, heading.resolution, heading.unit)}",
    ]
    if heading.resolution is not None:
        facts.append(f"Last digit: {size(heading.resolution, heading.resolution, heading.unit)}")
    if heading.place:
        facts.append(f"Measure at: {heading.place}")
    values |= {"name": name, "heading": heading, "facts": " · ".join(facts), "example": EXAMPLE}
    return render("run_sheet.html.j2", values)
