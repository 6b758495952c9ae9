"""What is known of a study besides its readings: the contents of ``study.toml``."""

from __future__ import annotations

import uuid
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Any

import pandas as pd

from grr.model.errors import StudyError
from grr.model.facts import DEVIATION, checked_facts
from grr.model.record import Record
from grr.model.rules import Plan, Rules
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import number, one_of, short_text

#: The three settings that decide most, and what each of their words means.
MEANINGS = {
    "operators_are": {
        "random": "a sample of those who will measure",
        "fixed": "all who will ever measure",
    },
    "purpose": {
        "accept": "accept parts against the tolerance",
        "control": "control a process",
    },
    "parts_from": {"process": "as the process makes them", "chosen": "picked on purpose"},
}


@dataclass(frozen=True)
class Settings:
    """A study before its readings.

    Parameters
    ----------
    title, unit, resolution, purpose, parts_from, process_sd, process_mean, design,
    rules, plan, facts, example
        As in `grr.Study`; the process mean is a full size.
    operators_are : {"random", "fixed"}
        ``operators`` of `grr.Study`.
    tolerance : Tolerance, optional
        The limits on the drawing, as full sizes, also where the gauge shows deviations.
    id : str
        Names this study for good; given when it is made.

    Raises
    ------
    StudyError
        A value cannot be used; ``column`` is its name.
    """

    title: str = ""
    unit: str = ""
    resolution: float | None = None
    tolerance: Tolerance | None = None
    purpose: str = "accept"
    operators_are: str = "random"
    parts_from: str = "process"
    process_sd: float | None = None
    process_mean: float | None = None
    design: str = "crossed"
    rules: Rules = field(default_factory=Rules)
    plan: Plan | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    example: bool = False
    id: str = field(default_factory=lambda: uuid.uuid4().hex)

    def __post_init__(self) -> None:
        for name, words in (
            ("purpose", ("accept", "control")),
            ("operators_are", ("random", "fixed")),
            ("parts_from", ("process", "chosen")),
            ("design", ("crossed", "nested")),
        ):
            with_name(name, one_of, name, getattr(self, name), words)
        with_name("title", short_text, "The title", self.title)
        object.__setattr__(self, "unit", with_name("unit", canonical_unit, self.unit))
        for name in ("resolution", "process_sd", "process_mean"):
            above = float("-inf") if name == "process_mean" else 0.0
            if getattr(self, name) is not None:
                value = with_name(name, number, name, getattr(self, name), above=above)
                object.__setattr__(self, name, value)
        object.__setattr__(self, "facts", MappingProxyType(checked_facts(self.facts)))
        if self.tolerance is not None or self.process_mean is not None:
            _ = self.master_size  # refuse deviations from a master of unknown size at once

    @property
    def master_size(self) -> float:
        """What is taken off full sizes to get what the gauge shows: 0 if it shows sizes."""
        if self.facts.get("readings_are") != DEVIATION:
            return 0.0
        size = self.facts.get("setting_master_size")
        if size is None:
            raise StudyError(
                "The gauge shows deviations from a setting master whose size is not stated",
                "Give setting_master_size in the table [facts]",
                column="setting_master_size",
            )
        return float(size)

    @property
    def shown_tolerance(self) -> Tolerance | None:
        """The limits as the gauge shows them."""
        return _moved(self.tolerance, -self.master_size) if self.tolerance else None

    def study(self, readings: pd.DataFrame, record: Record | None = None) -> Study:
        """Return the study of readings as the gauge showed them, with what was recorded."""
        mean = self.process_mean
        return Study(
            readings,
            tolerance=self.shown_tolerance,
            unit=self.unit,
            resolution=self.resolution,
            purpose=self.purpose,
            operators=self.operators_are,
            parts_from=self.parts_from,
            process_sd=self.process_sd,
            process_mean=None if mean is None else _sum(mean, -self.master_size),
            title=self.title,
            design=self.design,
            rules=self.rules,
            plan=self.plan,
            facts=self.facts,
            example=self.example,
            folder=None if record is None else record.folder,
            record=record,
        )


def settings_of(study: Study) -> Settings:
    """Return the settings of a study, with an id of their own."""
    shown = Settings(
        title=study.title,
        unit=study.unit,
        resolution=study.resolution,
        purpose=study.purpose,
        operators_are=study.operators,
        parts_from=study.parts_from,
        process_sd=study.process_sd,
        design=study.design,
        rules=study.rules,
        plan=study.plan,
        facts=study.facts,
        example=study.example,
    )
    needed = study.tolerance is not None or study.process_mean is not None
    size = shown.master_size if needed else 0.0
    return replace(
        shown,
        tolerance=_moved(study.tolerance, size) if study.tolerance else None,
        process_mean=None if study.process_mean is None else _sum(study.process_mean, size),
    )


def with_name(name: str, make: Any, *values: Any, **options: Any) -> Any:
    """Return ``make(*values)``; its refusal gets the name of the value as its column."""
    try:
        return make(*values, **options)
    except StudyError as error:
        raise StudyError(error.problem, error.remedy, column=name, value=error.value) from None


def _moved(tolerance: Tolerance, by: float) -> Tolerance:
    if by == 0.0:
        return tolerance
    limits = (tolerance.lower, tolerance.upper)
    return Tolerance(*(None if limit is None else _sum(limit, by) for limit in limits))


def _sum(size: float, by: float) -> float:
    """Return a sum without the dust of binary fractions: 10.012 − 10 is 0.012."""
    digits = 15 - len(f"{max(abs(size), abs(by)):.0f}")
    return round(size + by, max(0, digits))
