"""What was measured and what for: one gauge study, validated and immutable."""

from __future__ import annotations

import threading
from collections import Counter
from collections.abc import Callable, Hashable, Mapping
from dataclasses import KW_ONLY, dataclass, field, fields, replace
from functools import cached_property
from pathlib import Path
from types import MappingProxyType
from typing import Any, TypeVar, get_args

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.model.choices import Design, Measure, OperatorsAre, PartsFrom, Purpose
from grr.model.errors import StudyError
from grr.model.facts import checked_facts
from grr.model.frames import frame
from grr.model.readings_table import long_of, natural_order, validated
from grr.model.record import Record
from grr.model.rules import Plan, Rules
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import finer_than, needs, number, one_of, people_who_measure, short_text

Answer = TypeVar("Answer")


@dataclass(frozen=True)
class Cube:
    """The readings as an array, parts × operators × trials; missing ones are NaN."""

    values: NDArray[np.float64]
    parts: tuple[str, ...]
    operators: tuple[str, ...]
    trials: tuple[int, ...]

    @property
    def packed(self) -> NDArray[np.float64]:
        """The readings with the gaps of each cell moved to the end, all-empty trials left out.

        Repeats of a cell are alike, so an analysis may take them in any place.
        """
        gaps = np.isnan(self.values)
        together = np.take_along_axis(self.values, np.argsort(gaps, axis=-1, kind="stable"), -1)
        return together[..., : int((~gaps).sum(axis=-1).max())]

    @property
    def complete(self) -> bool:
        """Whether every operator measured every part equally often."""
        return bool(np.isfinite(self.packed).all())


class _Memo:
    """What was worked out for a study, by question and options; one at a time.

    ``of_readings`` holds what is the same however the operators count.
    """

    def __init__(self) -> None:
        self.lock = threading.RLock()
        self.answers: dict[Hashable, Any] = {}
        self.of_readings: dict[Hashable, Any] = {}


@dataclass(frozen=True, eq=False, repr=False)
class Study:
    """One gauge study: the readings and everything needed to judge them.

    Parameters
    ----------
    readings : DataFrame
        One row a reading: ``part``, ``operator``, ``trial``, ``reading``, and
        where they exist ``method``, ``order``, ``time`` (ISO 8601, UTC), ``note``.
        ``operator`` may be left out where one person measured, ``trial`` where each
        part was measured once. A missing reading is an empty cell and stays one. Further
        sources are told apart where they are named: ``session`` (day and zero setting; one
        that several people share bears one name), ``place`` (where on the part), ``gauge``
        (several gauges or fixtures). Columns
        may also bear the trade's words for these, such as appraiser or Prüfer: see
        `grr.model.columns.NAMES`. Other columns are left.
    tolerance : Tolerance, optional
    unit : str
        mm, µm, in, µin, ...; "" where the readings carry none.
    resolution : float, optional
        The gauge's last digit, in ``unit``.
    purpose : {"accept", "control"}
        Accept parts against the tolerance, or control a process.
    operators : {"random", "fixed"} or int
        A sample of those who will measure, all who ever will, or how many will ever measure,
        those studied included; to be settled before the first reading.
    gauges : {"random", "fixed"} or int
        The gauges of the column ``gauge``: a sample of others like them, all that are used, or
        how many are.
    parts_from : {"process", "chosen"}
        Whether the parts represent the process.
    process_sd, process_mean : float, optional
        Standard deviation (total, as observed) and mean of the process, from records.
    title : str
    design : {"crossed", "nested"}
        Nested: each part was measured by one operator only (destructive, say).
    rules : Rules
    plan : Plan, optional
    facts : mapping
        Gauge number, drawing revision, soak time and so on; see `grr.model.facts`.
    example : bool
        Whether the readings are invented for demonstration.
    folder : Path, optional
        Where the study was read from; nothing reads it again.
    record : Record, optional
        What its files said besides: every row with its corrections, events, zero checks.
    among : Study, optional
        The study by several methods of which this is one; `for_method` states it.

    Raises
    ------
    StudyError
        Anything that cannot be used, with its place and the remedy.

    Examples
    --------
    >>> readings = pd.DataFrame(
    ...     {
    ...         "part": [1, 1, 2, 2],
    ...         "operator": "Ada",
    ...         "trial": [1, 2, 1, 2],
    ...         "reading": [9.998, 9.999, 10.003, 10.002],
    ...     }
    ... )
    >>> study = grr.Study(readings, tolerance=grr.Tolerance(9.98, 10.02), unit="mm")
    >>> study
    Study(2 parts, 1 operator, 4 readings)
    >>> study.parts
    ('1', '2')
    """

    readings: pd.DataFrame = frame()
    _: KW_ONLY
    tolerance: Tolerance | None = None
    unit: str = ""
    resolution: float | None = None
    purpose: Purpose = "accept"
    operators: OperatorsAre | int = "random"
    gauges: OperatorsAre | int = "random"
    parts_from: PartsFrom = "process"
    process_sd: float | None = None
    process_mean: float | None = None
    title: str = ""
    design: Design = "crossed"
    rules: Rules = field(default_factory=Rules)
    plan: Plan | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    example: bool = False
    folder: Path | None = None
    record: Record | None = None
    among: Study | None = None

    def __post_init__(self) -> None:
        given = self.__dict__["readings"]
        table = validated(given)
        if isinstance(given.attrs.get("taken"), dict):
            table.attrs["taken"] = given.attrs["taken"]
        set_field = object.__setattr__
        self.__dict__["_memo"] = _Memo()
        set_field(self, "readings", table)
        if self.tolerance is not None and not isinstance(self.tolerance, Tolerance):
            raise StudyError(
                "The tolerance is not a Tolerance",
                "Write grr.Tolerance(lower=..., upper=...)",
                value=self.tolerance,
            )
        short_text("The title", self.title)
        set_field(self, "unit", canonical_unit(self.unit))
        one_of("purpose", self.purpose, get_args(Purpose))
        one_of("parts_from", self.parts_from, get_args(PartsFrom))
        one_of("design", self.design, get_args(Design))
        for name in ("resolution", "process_sd"):
            if getattr(self, name) is not None:
                set_field(self, name, number(name, getattr(self, name), above=0.0))
        if self.process_mean is not None:
            set_field(self, "process_mean", number("process_mean", self.process_mean))
        if not isinstance(self.facts, Mapping) or not isinstance(self.rules, Rules):
            raise StudyError(
                "facts is not a mapping, or rules is no grr.Rules",
                "Write facts={'gauge_number': ...} and rules=grr.Rules(...)",
            )
        set_field(self, "facts", MappingProxyType(checked_facts(self.facts)))
        if self.taken == 0:
            raise StudyError("Every reading is missing", "Take readings first")
        if len(self.parts) < 2:
            raise StudyError(
                "Only one part was measured",
                "Measure at least two parts; for one reference part use grr.reference_study",
                value=self.parts[0],
            )
        people_who_measure(self.operators, len(self.operator_names))
        _ = self.gauges_used
        if self.resolution is not None:
            _refuse_finer_readings(table["reading"].to_numpy(), self.resolution)

    def __repr__(self) -> str:
        return f"Study({self.summary})"

    def __str__(self) -> str:
        return self.summary

    @property
    def summary(self) -> str:
        """The study in one line: title, and how much was measured."""
        counts = [(len(self.parts), "part"), (len(self.operator_names), "operator")]
        if len(self.methods) > 1:
            counts.append((len(self.methods), "method"))
        counts.append((self.taken, "reading"))
        counted = ", ".join(f"{n} {noun}" if n == 1 else f"{n} {noun}s" for n, noun in counts)
        return f"{self.title}: {counted}" if self.title else counted

    @property
    def read_from(self) -> Mapping[str, Any]:
        """What was taken from a file and what was not: see `grr.describe_reading`.

        Empty where the readings did not come from a file of somebody's own.
        """
        taken: dict[str, Any] = self.__dict__["readings"].attrs.get("taken", {})
        return MappingProxyType(taken)

    @cached_property
    def parts(self) -> tuple[str, ...]:
        """The names of the parts, in the order of counting."""
        return natural_order(self.__dict__["readings"]["part"])

    @cached_property
    def operator_names(self) -> tuple[str, ...]:
        """The names of the operators, in the order of counting."""
        return natural_order(self.__dict__["readings"]["operator"])

    @property
    def people(self) -> float:
        """How many people will ever measure; infinite where the operators are a sample."""
        return people_who_measure(self.operators, len(self.operator_names))

    @property
    def gauges_used(self) -> float:
        """How many gauges are used; infinite where those of the study are a sample."""
        table = self.__dict__["readings"]
        studied = int(table["gauge"].nunique()) if "gauge" in table else 1
        return people_who_measure(self.gauges, studied, "gauges")

    @property
    def judged_by(self) -> Measure:
        """What GRR is a percentage of where the purpose judges it."""
        return "percent_tolerance" if self.purpose == "accept" else "percent_tv"

    @property
    def all_studied(self) -> bool:
        """Whether everybody who will ever measure was studied."""
        return self.people == len(self.operator_names)

    @cached_property
    def methods(self) -> tuple[str, ...]:
        """The names of the methods in the order in which they first appear."""
        table = self.__dict__["readings"]
        return tuple(table["method"].unique()) if "method" in table else ()

    @cached_property
    def trials(self) -> int:
        """The largest number of readings that one operator took of one part."""
        table = self.__dict__["readings"]
        keys = [table[name] for name in ("part", "operator", "method") if name in table]
        return max(Counter(zip(*keys, strict=True)).values())

    @cached_property
    def taken(self) -> int:
        """How many readings are there, missing ones not counted."""
        return int(self.__dict__["readings"]["reading"].notna().sum())

    @cached_property
    def balanced(self) -> bool:
        """Whether every operator measured every part equally often."""
        return len(self.methods) < 2 and self.cube().complete

    def cube(self, column: str = "reading") -> Cube:
        """Return the readings as parts × operators × trials, NaN where missing.

        Parameters
        ----------
        column : {"reading", "order"}
            What to lay out: the readings, or their numbers in the order taken.

        Raises
        ------
        StudyError
            The study holds two methods: choose one with `for_method` first.
        """
        if len(self.methods) > 1:
            raise StudyError(
                "The study holds readings by more than one method",
                "Compare them with grr.compare_methods, or take one with study.for_method",
                value=", ".join(self.methods),
            )
        values, trials = self.once(("cube", column), lambda: self._laid_out(column))
        return Cube(values.copy(), self.parts, self.operator_names, trials)

    def _laid_out(self, column: str) -> tuple[NDArray[np.float64], tuple[int, ...]]:
        place, trials = self._places
        shape = (len(self.parts), len(self.operator_names), len(trials))
        values = np.full(shape, np.nan)
        values[place] = self.__dict__["readings"][column].to_numpy()
        return values, trials

    @cached_property
    def _places(self) -> tuple[tuple[NDArray[np.intp], ...], tuple[int, ...]]:
        """Where each row stands in the cube, and the numbers of the trials."""
        table = self.__dict__["readings"]
        trials, trial = np.unique(table["trial"].to_numpy(), return_inverse=True)
        part = pd.Index(self.parts).get_indexer(table["part"])
        operator = pd.Index(self.operator_names).get_indexer(table["operator"])
        return (part, operator, trial), tuple(int(number) for number in trials)

    def once(
        self, question: Hashable, work_out: Callable[[], Answer], *, of_readings: bool = False
    ) -> Answer:
        """Return the answer to a question about this study, worked out when first asked.

        A study never changes, so neither do the answers. They are shared: hand out frozen
        objects or copies.

        Parameters
        ----------
        question : hashable
            Its name, with every option that the answer depends on.
        work_out : callable
        of_readings : bool
            The answer is the same however the operators count: see `counting`.
        """
        memo: _Memo = self.__dict__["_memo"]
        answers = memo.of_readings if of_readings else memo.answers
        with memo.lock:
            if question not in answers:
                answers[question] = work_out()
            answer: Answer = answers[question]
            return answer

    def counting(self, operators: OperatorsAre | int) -> Study:
        """Return the same study with its operators counted so; what is the same is kept."""
        if operators == self.operators:
            return self
        other = replace(self, operators=operators)
        other.__dict__["_memo"].of_readings = self.__dict__["_memo"].of_readings
        return other

    @classmethod
    def from_wide(cls, table: pd.DataFrame, **settings: Any) -> Study:
        """Make a study of a table with a row a part and a column a trial.

        Parameters
        ----------
        table : DataFrame
            A column ``part`` (or the index), and ``operator`` and ``method`` where they exist,
            by these names or the trade's words for them; every other column is one trial, from
            left to right. Headings of two levels name the operator above and the trial below.
            A form of the shop, with titles and units around the numbers, is read by
            `grr.read_readings`.
        **settings
            As of `grr.Study`: tolerance, unit, resolution ...

        Returns
        -------
        Study

        Raises
        ------
        StudyError
            The table has no parts or no trials, or a reading cannot be used.

        Examples
        --------
        >>> wide = pd.DataFrame({"part": [1, 2], "first": [9.1, 9.3], "second": [9.2, 9.3]})
        >>> grr.Study.from_wide(wide, unit="mm")
        Study(2 parts, 1 operator, 4 readings)
        """
        return cls(long_of(table), **settings)

    def __reduce__(self) -> tuple[Any, ...]:
        settings = {f.name: getattr(self, f.name) for f in fields(self) if f.name != "readings"}
        return _made, (self.readings, settings | {"facts": dict(self.facts)})

    def for_method(self, method: str) -> Study:
        """Return the same study with the readings of one method only."""
        one_of("method", method, self.methods)
        return self.once(("for_method", method), lambda: self._by_one(method))

    def _by_one(self, method: str) -> Study:
        table = self.__dict__["readings"]
        among = self if len(self.methods) > 1 else self.among
        one = replace(self, readings=table[table["method"] == method], among=among)
        one.__dict__["_memo"].of_readings = self.once(
            ("for_method", method), dict, of_readings=True
        )
        return one


def _made(readings: pd.DataFrame, settings: dict[str, Any]) -> Study:
    """Return a study from what `Study.__reduce__` kept of it."""
    return Study(readings, **settings)


def checked_study(value: object) -> Study:
    """Return ``value`` where it is a study.

    Raises
    ------
    StudyError
        It is something else.
    """
    return needs(value, Study)


def _refuse_finer_readings(readings: NDArray[np.float64], resolution: float) -> None:
    finer = finer_than(readings, resolution)
    if np.any(finer):
        row = int(np.flatnonzero(finer)[0])
        raise StudyError(
            f"A reading is finer than the resolution of {resolution:g}",
            "Correct the resolution (the gauge's last digit), or the reading",
            row=row + 1,
            column="reading",
            value=f"{readings[row]:.12g}",
        )
