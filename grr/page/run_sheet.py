"""`grr.plan_study`, `grr.continue_study`, `grr.run_sheet`: who measures what when, and sheets.

A run sheet has one block an operator and trial, as many to a paper as leave room to write. The
key sheet says which code is on which part.
"""

from __future__ import annotations

import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from types import MappingProxyType

import pandas as pd

from grr.entry.job import open_job, run_order
from grr.files.allowed_files import LARGEST_RECORD, refuse_bad_name, regular_file
from grr.files.chosen import chosen_folder, on_a_page, study_of_the_page
from grr.files.disk import made_folder, write_whole
from grr.files.folder import change_settings, open_study
from grr.files.text_and_numbers import to_cell
from grr.model.blocks import Block, Bullets, Prose
from grr.model.choices import Purpose
from grr.model.errors import StudyError
from grr.model.frames import frame
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import counted, limits_text, listed, reading_decimals, size
from grr.model.rules import Plan
from grr.model.settings import Settings
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import a_path, distinct_names, number
from grr.page.frame import Button, Foot, page_address
from grr.page.templates import render
from grr.questions.planning import part_codes, refuse_two_as_a_sample, usual_design
from grr.questions.second_stage import MORE_PEOPLE, SOME_PARTS, parts_across

SHEET, PAGE, KEY = "run_sheet.csv", "run_sheet.html", "key_sheet.html"
#: How many seeds there are to draw from: few enough digits to be typed again.
SEEDS = 10**6
#: Millimetres that A4 and Letter both leave between head and foot, that the head of a block
#: takes, and that a row to write in takes at least and at most.
_PAPER, _BLOCK_HEAD, _ROW_LEAST, _ROW_MOST = 224.0, 21.5, 8.2, 10.5
#: Rows that fit under the head of one paper, also where its lines are long.
ROWS = 22
#: Letters of title, gauge, place and holding together, of operator and method, and of a part,
#: which the head of a paper, of a block and a row hold in one line each.
_SHORT_HEAD, _SHORT_WHO, _SHORT_PART = 90, 40, 14
_PARTS_MOST, _OPERATORS_MOST, _TRIALS_MOST, _FURTHER_MOST = 200, 26, 20, 6


@dataclass(frozen=True)
class SheetHead:
    """What stands on top of every page."""

    title: str = ""
    gauge: str = ""
    unit: str = ""
    tolerance: Tolerance | None = None
    resolution: float | None = None
    place: str = ""
    holding: str = ""
    soak: str = ""
    example: bool = False

    @property
    def boxes(self) -> tuple[int, int, bool] | None:
        """How many digits a reading has before and after its point, and whether it has a sign.

        None where limits and last digit do not tell.
        """
        limits = () if self.tolerance is None else (self.tolerance.lower, self.tolerance.upper)
        stated = [limit for limit in limits if limit is not None]
        if self.resolution is None or not stated:
            return None
        whole = len(f"{max(abs(limit) for limit in stated):.0f}")
        signed = min(stated) < 0.0 or max(stated) - min(stated) > min(stated)
        return whole, reading_decimals(self.resolution), signed


@dataclass(frozen=True)
class Round:
    """One operator's way through all parts, or some of it: one trial by one method.

    Parameters
    ----------
    operator : str
    trial : int
    method : str
    rows : sequence of (int, str, str)
        Order, part, and place on it ("" where there is one only).
    session : int
    gauge : str
    continued : bool
        Whether it goes on from another paper.
    """

    operator: str
    trial: int
    method: str
    rows: Sequence[tuple[int, str, str]]
    session: int = 1
    gauge: str = ""
    continued: bool = False

    @property
    def with_what(self) -> str:
        """How or with which gauge it is measured, where there are several; else ""."""
        return self.method or (f"gauge {self.gauge}" if self.gauge else "")


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
        One row a reading: order, session (of that operator, from 1), operator, trial, part,
        method ("" where there is one way of measuring only); place and gauge where several are
        planned.

    Examples
    --------
    >>> grr.plan_study(5, ["Ada", "Ben"], 2, operators_are="fixed", seed=1)
    StudyPlan(20 readings = 5 parts × 2 operators × 2 trials, in 4 …)
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
        """Return the printable run sheet as HTML, one block an operator and trial.

        Parameters
        ----------
        coded : bool
            Whether parts are named by their codes, for a study in which a helper hands
            out the parts; who works alone needs the names.
        """
        return run_sheet_page(self.heading, self._rounds(coded))

    def key_page(self) -> str:
        """Return the printable key sheet as HTML; it stays with the helper."""
        return key_page(self.heading, list(self.codes.items()), self.plan.places)

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
        for column in ("operator", "part", "method", "place", "gauge"):
            if column in table:
                table[column] = table[column].map(to_cell)
        return str(table.to_csv(index=False, lineterminator="\n"))

    def _rounds(self, coded: bool) -> list[Round]:
        rounds = []
        for _, rows in self.table.groupby(["operator", "trial", "method"], sort=False):
            first = rows.iloc[0]
            parts = [self.codes[part] if coded else part for part in rows["part"]]
            places = rows["place"] if "place" in rows else [""] * len(rows)
            rounds.append(
                Round(
                    operator=str(first["operator"]),
                    trial=int(first["trial"]),
                    method=str(first["method"]),
                    rows=list(zip(map(int, rows["order"]), parts, places, strict=True)),
                    session=int(first["session"]),
                    gauge=str(first.get("gauge", "")),
                )
            )
        return rounds

    def _summary(self) -> list[str]:
        plan = self.plan
        ways = f" × {counted(len(plan.methods), 'method')}" if plan.methods else ""
        for what, further in (("place", plan.places), ("gauge", plan.gauges)):
            ways += f" × {counted(len(further), what)}" if further else ""
        name = f"{self.heading.title}: " if self.heading.title else ""
        times = ""
        if plan.sessions > 1:
            times = f", over {counted(plan.sessions, 'session')} each, on different days"
        stage, people, parts = "", plan.operators, plan.parts
        if plan.further_operators:
            stage, people, parts = "second stage, ", plan.further_operators, plan.further_parts
        numbered = ""
        if plan.times > plan.trials:
            numbered = (
                f" Trials are numbered 1 to {plan.times}: each reading that one person takes of a "
                "part."
            )
        looks = ""
        if plan.looks == 2 and not plan.further_operators:
            looks = (
                " Two looks are planned: where the first verdict does not decide, more people may "
                "measure."
            )
        return [
            f"{name}{stage}{counted(len(self.table), 'reading')} = {counted(len(parts), 'part')} × "
            f"{counted(len(people), 'operator')} × {counted(plan.trials, 'trial')}{ways}, "
            f"in {counted(len(self._rounds(False)), 'round')} (one operator, all parts)"
            f"{times}. Seed {plan.seed}.{looks}{numbered}",
            "Measure in this order. Nobody should see earlier readings of a part; best, a helper "
            "hands out the parts by the key sheet.",
        ]

    def blocks(self) -> list[Block]:
        """Return what is planned, and the parts of each round in their order."""
        several = self.plan.sessions > 1
        rounds = [
            f"Round {number}: {one.operator}, "
            f"{f'session {one.session}, ' if several else ''}trial {one.trial}"
            f"{f', {one.with_what}' if one.with_what else ''}. "
            f"Parts {listed([f'{part} {place}'.strip() for _, part, place in one.rows], 12)}."
            for number, one in enumerate(self._rounds(False), start=1)
        ]
        return [Prose(self._summary()), Bullets(rounds)]

    def _repr_html_(self) -> str:
        if not on_a_page():
            return super()._repr_html_()
        name = study_of_the_page()
        values = {"run_sheet": self.page(), "key_sheet": self.key_page()}
        foot = Foot(
            "Paper and form ask in the same order.",
            Button("Start measuring", page_address("measure", name)),
            [Button("Back to the plan", page_address("plan", name))],
        )
        return render("sheets.html.j2", values) + foot.html()


def plan_study(
    parts: int | Sequence[str] | None = None,
    operators: int | Sequence[str] | None = None,
    trials: int | None = None,
    methods: Sequence[str] = (),
    *,
    sessions: int = 1,
    looks: int = 1,
    places: int | Sequence[str] = (),
    gauges: int | Sequence[str] = (),
    operators_are: str | int = "random",
    purpose: Purpose = "accept",
    process_sd: float | None = None,
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
    parts : int or sequence of str, optional
        How many, or their names; numbered from 1. As many as usual by default, see
        `grr.questions.planning.usual_design`.
    operators : int or sequence of str
        How many, or their names; named A, B, C ...
    trials : int, optional
        As many as usual by default.
    methods : sequence of str
        Ways of measuring to compare, such as stand and handheld; none by default.
    sessions : int
        Over how many sessions each operator's trials are spread: two, on different days and
        with a fresh zero, show what one day hides.
    looks : int
        2 where the study may be judged, and then go on with more people (`continue_study`)
        where it is not decided: both looks share the error.
    places, gauges : int or sequence of str
        Where on each part, such as top and middle, and with which gauges it is measured, where
        there are several; then ``trials`` is how often at each place with each gauge.
    operators_are : {"random", "fixed"} or int
        A sample of those who will measure, all who ever will, or how many will ever measure.
    purpose, process_sd
        As in `grr.Study`; they tell how many parts are usual.
    seed : int, optional
        The same seed gives the same order and codes. Left out, one is drawn, so that nobody
        learns them from one study to the next; it is printed, and kept in ``plan.seed``.
    title, gauge, unit, tolerance, resolution : optional
        For the head of every page.

    Returns
    -------
    StudyPlan
        Session after session, operator after operator, trial after trial; the parts in a new
        random order each time, the methods in changing order. A round takes every part at one of
        its places, drawn at random; rounds with one gauge follow each other (see
        `grr.entry.job.run_order` for the reasons).

    Raises
    ------
    StudyError
        Numbers that are no plan, a name given twice, or two people as a sample.

    Notes
    -----
    Random order keeps drift and memory out of the comparison (AIAG MSA, 4th ed., chapter
    III section B; Montgomery, Design and Analysis of Experiments, section 1.3).

    Examples
    --------
    >>> plan = grr.plan_study(5, ["Ada", "Ben"], 2, operators_are="fixed", seed=1)
    >>> plan.to_frame().head(3)
       order  session operator  trial part method
    0      1        1      Ada      1    3
    1      2        1      Ada      1    5
    2      3        1      Ada      1    1
    """
    if operators is None:
        raise StudyError("It is not said who measures", "Give operators: how many, or their names")
    people = _names("operator", operators, _OPERATORS_MOST, 1)
    usual = usual_design(len(people), operators_are, purpose=purpose, process_sd=process_sd)
    count = _whole("trials", usual.trials if trials is None else trials, 1, _TRIALS_MOST)
    plan = Plan(
        parts=_names("part", usual.parts if parts is None else parts, _PARTS_MOST, 2),
        operators=people,
        trials=count,
        methods=_names("method", methods, 6, 0),
        seed=secrets.randbelow(SEEDS) if seed is None else _whole("seed", seed, 0, 2**63),
        sessions=_whole("sessions", sessions, 1, count),
        looks=_whole("looks", looks, 1, 2),
        places=_names("place", places, _FURTHER_MOST, 0),
        gauges=_names("gauge", gauges, _FURTHER_MOST, 0),
    )
    refuse_two_as_a_sample(len(people), operators_are)
    if tolerance is not None and not isinstance(tolerance, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    heading = SheetHead(str(title), str(gauge), canonical_unit(unit), tolerance, resolution)
    return _laid_out(plan, heading)


def run_sheet(study: Study | str | Path | None = None) -> StudyPlan:
    """Return the run sheet of a study folder, as planned in its ``study.toml``.

    The order is the one in which the entry form asks for the readings; none need be taken yet.

    Parameters
    ----------
    study : Study or path-like, optional
        A study folder, or a study that was opened from one; by default the folder that the
        notebooks work on.

    Raises
    ------
    StudyError
        There is no such folder, or its ``study.toml`` cannot be used or holds no plan.

    Examples
    --------
    >>> sheet = grr.run_sheet("demo_data/dowel_pin")
    >>> len(sheet.to_frame())
    90
    """
    return _sheet_of(open_job(chosen_folder() if study is None else study).settings)


def continue_study(
    study: Study | str | Path | None = None,
    operators: int | Sequence[str] = MORE_PEOPLE,
    parts: int | Sequence[str] = SOME_PARTS,
    *,
    who: str = "",
    why: str = "second stage: more people measure",
) -> StudyPlan:
    """Plan a second stage of a finished study: more people measure some of its parts.

    The plan in the folder is changed, and the change logged; readings stay as they are. The form,
    the terminal and `run_sheet` then ask for the new readings only. A verdict counts that the study
    is judged twice, see `grr.formulas.second_look`.

    Parameters
    ----------
    study : Study or path-like, optional
        A study folder, or a study that was opened from one; by default the folder that the
        notebooks work on.
    operators : int or sequence of str
        How many more people, or their names; one new operator may join too.
    parts : int or sequence of str
        Which parts they measure, or how many: those that lie evenly from the smallest to the
        largest. Five of them serve nearly as well as all.
    who, why : str
        Who plans this, and why: for the log.

    Returns
    -------
    StudyPlan
        Of the second stage.

    Raises
    ------
    StudyError
        The first stage is not finished, the second has begun, a name or a part cannot be used,
        or nobody is named who plans it.

    Notes
    -----
    Three more people on five of ten parts, 45 readings, leave as few studies undecided as on all
    ten; wrong decisions at either look are simulated in ``tests/coverage/second_look.py``.

    Examples
    --------
    >>> saved = grr.save_study(grr.open_study("demo_data/dowel_pin"), "continued_pin")
    >>> plan = grr.continue_study("continued_pin", ["Dana", "Eli", "Fay"], who="Ada")
    >>> plan.plan.further_parts, len(plan.table)
    (('1', '4', '5', '6', '9'), 45)
    """
    job = open_job(chosen_folder() if study is None else study)
    old = job.settings.plan
    assert old is not None
    measured = open_study(job.folder)
    unread = [name for name in old.operators if name not in measured.operator_names]
    if unread or measured.taken < replace(old, further_operators=(), further_parts=()).readings:
        raise StudyError(
            "The study is not finished, so it cannot go on with more people",
            "Take the readings that are left first",
            file=job.folder,
            value=f"{measured.taken} readings",
        )
    begun = [name for name in old.further_operators if name in measured.operator_names]
    if begun:
        raise StudyError(
            "The second stage has begun: a study is judged twice at most",
            "Finish it, or plan a new study with all these people",
            file=job.folder,
            value=", ".join(begun),
        )
    if isinstance(operators, int) and not isinstance(operators, bool):
        count = _whole("the number of operators", operators, 1, _OPERATORS_MOST)
        names = tuple(f"Operator {len(old.operators) + i}" for i in range(1, count + 1))
    else:
        names = _names("operator", operators, _OPERATORS_MOST, 1)
    if isinstance(parts, int) and not isinstance(parts, bool):
        some = _whole("the number of parts", parts, 2, _PARTS_MOST)
        chosen = parts_across(measured, some)
    else:
        chosen = _names("part", parts, _PARTS_MOST, 2)
    plan = replace(old, further_operators=names, further_parts=chosen)
    settings = replace(job.settings, plan=plan)
    change_settings(job.folder, settings, who=str(who), why=str(why))
    return _sheet_of(settings)


def _sheet_of(settings: Settings) -> StudyPlan:
    assert settings.plan is not None
    facts = settings.facts
    heading = SheetHead(
        title=settings.title,
        gauge=str(facts.get("gauge_number", "")),
        unit=settings.unit,
        tolerance=settings.shown_tolerance,
        resolution=settings.resolution,
        place=str(facts.get("measuring_place", "")),
        holding=str(facts.get("holding", "")),
        soak=f"{facts['soak_minutes']:g}" if "soak_minutes" in facts else "",
        example=settings.example,
    )
    return _laid_out(settings.plan, heading)


def _laid_out(plan: Plan, heading: SheetHead) -> StudyPlan:
    """Lay out the readings of a plan; of a second stage where there is one."""
    named = ["operator", "trial", "part", "method"]
    named += ["place"] if plan.places else []
    named += ["gauge"] if plan.gauges else []
    rows = [
        (order, plan.session_of(one.trial), *(getattr(one, name) for name in named))
        for order, one in enumerate(run_order(plan), start=1)
        if not plan.further_operators or one.operator in plan.further_operators
    ]
    table = pd.DataFrame(rows, columns=["order", "session", *named])
    if plan.gauges:
        heading = replace(heading, gauge=listed(list(plan.gauges)))
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


def run_sheet_page(heading: SheetHead, rounds: Sequence[Round]) -> str:
    """Return the run sheet as one HTML document that prints a block an operator and trial.

    Short blocks share a paper, to be cut apart; a round of more parts than fit goes over
    several. Nothing is loaded from elsewhere, and every text from outside is escaped.
    """
    blocks = [
        replace(one, rows=one.rows[start : start + ROWS], continued=start > 0)
        for one in rounds
        for start in range(0, max(1, len(one.rows)), ROWS)
    ]
    longest = max((len(one.rows) for one in blocks), default=1)
    across, row = 1, _ROW_LEAST
    if _short(heading, rounds):
        across = max(1, int(_PAPER // (_BLOCK_HEAD + longest * _ROW_LEAST)))
        row = min(_ROW_MOST, (_PAPER / across - _BLOCK_HEAD) / longest)
    return _document(
        "Run sheet",
        heading,
        papers=[blocks[start : start + across] for start in range(0, len(blocks), across)],
        row=f"{row:.1f}mm",
        trials=max((one.trial for one in rounds), default=1),
        sessions=max((one.session for one in rounds), default=1),
        boxes=heading.boxes,
        places=any(place for one in rounds for _, _, place in one.rows),
    )


def key_page(
    heading: SheetHead, codes: Sequence[tuple[str, str]], places: Sequence[str] = ()
) -> str:
    """Return the key sheet as an HTML document: which code is on which part.

    Parameters
    ----------
    heading : SheetHead
    codes : sequence of (part, code)
    places : sequence of str
        Where on each part is measured, where there are several.
    """
    return _document("Key sheet", heading, codes=codes, places=listed(list(places)))


def _short(heading: SheetHead, rounds: Sequence[Round]) -> bool:
    """Return whether every head and every row takes one line."""
    head = len(heading.title) + len(heading.gauge) + len(heading.place) + len(heading.holding)
    return head <= _SHORT_HEAD and all(
        len(one.operator) + len(one.with_what) <= _SHORT_WHO
        and all(len(name) <= _SHORT_PART for _, *names in one.rows for name in names)
        for one in rounds
    )


def _document(name: str, heading: SheetHead, **values: object) -> str:
    facts = [
        limits_text(heading.tolerance, heading.resolution, heading.unit),
        f"gauge {heading.gauge or '________'}",
        f"unit {heading.unit or 'not stated'}",
    ]
    if heading.resolution is not None:
        facts.append(f"last digit {size(heading.resolution, heading.resolution, heading.unit)}")
    facts += [fact for fact in (heading.holding, heading.place) if fact]
    values |= {"name": name, "heading": heading, "facts": " · ".join(facts), "example": EXAMPLE}
    return render("run_sheet.html.j2", values)
