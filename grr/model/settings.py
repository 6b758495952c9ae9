"""What is known of a study besides its readings: one model for file, form and exports.

`Settings` is what ``study.toml`` holds; what else is asked about a study is in `grr.model.facts`.
`from_document` makes settings of a file's contents and says which key cannot be used;
`document_of` is its inverse.
"""

from __future__ import annotations

import difflib
import re
import uuid
from collections.abc import Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from types import MappingProxyType
from typing import Annotated, Any, get_args, get_type_hints

import msgspec
import pandas as pd

from grr.model.choices import Design, OperatorsAre, PartsFrom, Purpose
from grr.model.errors import StudyError
from grr.model.facts import DEVIATION, checked_facts
from grr.model.record import Record
from grr.model.rules import Plan, Rules
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import number, one_of, people_who_measure, short_text

# A study before its readings.
# ----------------------------

#: The three settings that decide most, and what each of their words means.
PURPOSES: dict[Purpose, str] = {
    "accept": "accept parts against the tolerance",
    "control": "control a process",
}
OPERATORS: dict[OperatorsAre, str] = {
    "random": "a sample of those who will measure",
    "fixed": "all who will ever measure",
}
PARTS: dict[PartsFrom, str] = {
    "process": "as the process makes them",
    "chosen": "picked on purpose",
}
MEANINGS: dict[str, Mapping[Any, str]] = {
    "operators_are": OPERATORS,
    "purpose": PURPOSES,
    "parts_from": PARTS,
}


@dataclass(frozen=True)
class Settings:
    """A study before its readings.

    Parameters
    ----------
    title, unit, resolution, purpose, parts_from, process_sd, process_mean, design,
    rules, plan, facts, example
        As in `grr.Study`; the process mean is a full size.
    operators_are : {"random", "fixed"} or int
        ``operators`` of `grr.Study`.
    gauges_are : {"random", "fixed"} or int
        ``gauges`` of `grr.Study`.
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
    purpose: Purpose = "accept"
    operators_are: OperatorsAre | Annotated[int, msgspec.Meta(ge=1)] = "random"
    gauges_are: OperatorsAre | Annotated[int, msgspec.Meta(ge=1)] = "random"
    parts_from: PartsFrom = "process"
    process_sd: float | None = None
    process_mean: float | None = None
    design: Design = "crossed"
    rules: Rules = field(default_factory=Rules)
    plan: Plan | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)
    example: bool = False
    id: str = field(default_factory=lambda: uuid.uuid4().hex)

    def __post_init__(self) -> None:
        for name, words in (
            ("purpose", Purpose),
            ("parts_from", PartsFrom),
            ("design", Design),
        ):
            with_name(name, one_of, name, getattr(self, name), get_args(words))
        with_name("operators_are", people_who_measure, self.operators_are, 1, "operators_are")
        with_name("gauges_are", people_who_measure, self.gauges_are, 1, "gauges_are")
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
            gauges=self.gauges_are,
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
        gauges_are=study.gauges,
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
        raise error.at(column=name) from None


def _moved(tolerance: Tolerance, by: float) -> Tolerance:
    if by == 0.0:
        return tolerance
    limits = (tolerance.lower, tolerance.upper)
    return Tolerance(*(None if limit is None else _sum(limit, by) for limit in limits))


def _sum(size: float, by: float) -> float:
    """Return a sum as decimals give it: 10.012 − 10 is 0.012, not 0.01199999999999."""
    digits = 15 - len(f"{max(abs(size), abs(by)):.0f}")
    return round(size + by, max(0, digits))


# The contents of a file, and back.
# ---------------------------------


@dataclass(frozen=True)
class Limits:
    """The table ``[tolerance]``: two limits, or a nominal size with its deviations."""

    lower: float | None = None
    upper: float | None = None
    nominal: float | None = None
    lower_deviation: float | None = None
    upper_deviation: float | None = None


@dataclass(frozen=True)
class Document:
    """What ``study.toml`` may hold, key by key; lengths are in its unit."""

    title: str = ""
    characteristic: str = ""
    id: str = ""
    unit: str = ""
    resolution: float | None = None
    purpose: Purpose = "accept"
    operators_are: OperatorsAre | Annotated[int, msgspec.Meta(ge=1)] = "random"
    gauges_are: OperatorsAre | Annotated[int, msgspec.Meta(ge=1)] = "random"
    parts_from: PartsFrom = "process"
    process_sd: float | None = None
    process_mean: float | None = None
    design: Design = "crossed"
    example: bool = False
    tolerance: Limits = field(default_factory=Limits)
    plan: Plan | None = None
    rules: Rules = field(default_factory=Rules)
    facts: dict[str, Any] = field(default_factory=dict)


_TABLES: dict[str, type[Any]] = {"tolerance": Limits, "plan": Plan, "rules": Rules}


def from_document(contents: Mapping[str, Any]) -> Settings:
    """Return the settings that the contents of a ``study.toml`` state.

    Raises
    ------
    StudyError
        A key is no setting, or its value cannot be used; ``column`` is "table.key".
    """
    _refuse_unknown(contents, _keys(Document), "")
    given = {key: value for key, value in contents.items() if value != {} or key == "facts"}
    for name, kind in _TABLES.items():
        if isinstance(given.get(name), Mapping):
            _refuse_unknown(given[name], _keys(kind), name)
    _refuse_huge(given)
    if isinstance(given.get("plan"), Mapping):
        given["plan"] = _with_names(given["plan"])
    try:
        found = msgspec.convert(given, Document)
    except msgspec.ValidationError as error:
        raise _refused(error, given) from None
    facts = dict(found.facts)
    if found.characteristic:
        facts["characteristic"] = found.characteristic
    if found.tolerance.nominal is not None:
        facts.setdefault("nominal", found.tolerance.nominal)
    same: dict[str, Any] = {
        entry.name: getattr(found, entry.name)
        for entry in fields(Settings)
        if entry.name not in ("tolerance", "facts", "id")
    }
    if "id" in contents:
        same["id"] = found.id
    return Settings(**same, tolerance=_tolerance(found.tolerance), facts=facts)


def document_of(settings: Settings) -> dict[str, Any]:
    """Return what ``study.toml`` holds of settings, in its order; None where nothing is stated."""
    facts = dict(settings.facts)
    plan = msgspec.to_builtins(settings.plan)
    if settings.plan is not None:
        # As in every file written before these could be planned.
        for name, usual in (
            ("sessions", 1),
            ("looks", 1),
            ("further_operators", ()),
            ("further_parts", ()),
            ("places", ()),
            ("gauges", ()),
        ):
            if getattr(settings.plan, name) == usual:
                plan.pop(name, None)
    known = {entry.name: getattr(settings, entry.name, None) for entry in fields(Document)}
    if settings.gauges_are == "random":  # as in every file written before it could be stated
        known["gauges_are"] = None
    return known | {
        "characteristic": facts.pop("characteristic", ""),
        "tolerance": asdict(settings.tolerance) if settings.tolerance else None,
        "plan": plan,
        "rules": asdict(settings.rules),
        "facts": facts,
    }


def _keys(kind: type[Any]) -> list[str]:
    return [entry.name for entry in fields(kind)]


def _refuse_unknown(table: Mapping[str, Any], known: list[str], name: str) -> None:
    """Refuse a key that is no setting, and name the nearest one."""
    for key in table:
        if key in known:
            continue
        near = difflib.get_close_matches(key, known, n=1)
        where = f"the table [{name}]" if name else "the file"
        advice = f"Did you mean {near[0]}" if near else f"Use one of: {', '.join(known)}"
        own = "" if name else "; what is no setting belongs in the table [facts]"
        raise StudyError(
            f"There is no setting of this name in {where}",
            f"{advice}{own}",
            column=f"{name}.{key}" if name else key,
        )


def _refuse_huge(table: Mapping[str, Any], name: str = "") -> None:
    """Refuse a whole number that no float can hold."""
    for key, value in table.items():
        if isinstance(value, Mapping):
            _refuse_huge(value, f"{name}{key}.")
        elif isinstance(value, int) and abs(value) >= 2**63:
            raise StudyError(
                f"{key} is too large", "Correct the number", column=f"{name}{key}", value=value
            )


def _with_names(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Return the table of a plan with its names as texts; a name may be written as a number."""
    found = dict(plan)
    for name in (
        *("parts", "operators", "methods", "further_operators", "further_parts"),
        *("places", "gauges"),
    ):
        value = plan.get(name)
        if value is None or (name not in ("parts", "operators") and value == []):
            continue
        entries = value if isinstance(value, list) else []
        names = [
            str(entry).strip()
            for entry in entries
            if isinstance(entry, (str, int)) and not isinstance(entry, bool)
        ]
        if not names or len(names) != len(entries) or "" in names or len(set(names)) != len(names):
            raise StudyError(
                f"{name} is not a list of different names",
                f'Write it like {name} = ["1", "2", "3"]',
                column=f"plan.{name}",
                value=value,
            )
        found[name] = names
    return found


#: What msgspec expected → what is wrong, and what to do.
_EXPECTED = {
    "str": ("is not text", "Write it in quotation marks"),
    "float": (
        "is not a number",
        "Write digits with a decimal point, without quotation marks and without a unit",
    ),
    "int": ("is not a whole number", "Correct the number"),
    "bool": ("is neither true nor false", "Write true or false"),
    "object": ("is not a table", "Write a line [{name}] and its keys below"),
}


def _refused(error: msgspec.ValidationError, contents: Mapping[str, Any]) -> StudyError:
    """Return the refusal of a value in words of our own, with its key."""
    said, _, path = str(error).partition(" - at `$")
    keys = re.findall(r"\w+", path)
    key, name = ".".join(keys), keys[-1] if keys else ""
    value: Any = contents
    for step in keys:
        value = value.get(step) if isinstance(value, Mapping) else value
    if isinstance(error.__cause__, StudyError):
        own = error.__cause__
        return StudyError(own.problem, own.remedy, column=key, value=own.value)
    missing = re.search(r"missing required field `(\w+)`", said)
    if missing:
        return StudyError(
            f"The {name} has no {missing[1]}",
            f"Add {missing[1]} to the table [{name}]",
            column=f"{key}.{missing[1]}",
        )
    if said.startswith("Invalid enum value"):
        return StudyError(
            f"{name} is not a word known here",
            f"Use one of: {', '.join(_choices(keys))}",
            column=key,
            value=value,
        )
    least = re.search(r"Expected `int` >= (\d+)", said)
    if least:
        problem, remedy = f"is not a whole number from {least[1]}", "Correct the number"
    elif "out of range" in said or "<=" in said:
        problem, remedy = "is too large", "Correct the number"
    else:
        expected = re.search(r"Expected `(\w+)", said)
        problem, remedy = _EXPECTED.get(
            expected[1] if expected else "", ("cannot be used", "Correct the value")
        )
    return StudyError(f"{name} {problem}", remedy.format(name=name), column=key, value=value)


def _choices(keys: list[str]) -> tuple[str, ...]:
    kind: Any = Document if len(keys) == 1 else _TABLES[keys[0]]
    stated = get_type_hints(kind)[keys[-1]]
    words = [word for word in get_args(stated) if isinstance(word, str)]
    words += [word for part in get_args(stated) for word in get_args(part)]
    return tuple(word for word in words if isinstance(word, str))


def _tolerance(given: Limits) -> Tolerance | None:
    """Return the limits that a table states in one way or the other."""
    deviations = (given.lower_deviation, given.upper_deviation)
    if deviations == (None, None):
        if given.lower is None and given.upper is None:
            return None
        limits: Tolerance = with_name("tolerance", Tolerance, given.lower, given.upper)
        return limits
    if given.lower is not None or given.upper is not None or given.nominal is None:
        raise StudyError(
            "The tolerance is stated in two ways at once, or without its nominal size",
            "Give lower and upper, or nominal with lower_deviation and upper_deviation",
            column="tolerance",
        )
    about: Tolerance = with_name("tolerance", Tolerance.about, given.nominal, *deviations)
    return Tolerance(*(None if x is None else round(x, 12) for x in (about.lower, about.upper)))
