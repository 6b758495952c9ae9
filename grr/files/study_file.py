"""``study.toml``: a study's settings as text that a person can read and edit."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, fields
from pathlib import Path
from typing import Any

from grr.files.disk import write_whole
from grr.files.opening import LARGEST_SETTINGS, regular_file
from grr.files.settings import Settings, with_name
from grr.files.toml_values import (
    names_value,
    number_value,
    refuse_unknown,
    text_value,
    truth_value,
    whole_value,
)
from grr.model.errors import StudyError
from grr.model.facts import FACTS, Fact
from grr.model.rules import Plan, Rules
from grr.model.tolerance import Tolerance

STUDY_FILE = "study.toml"

_TEXTS = (
    *("title", "characteristic", "id", "unit"),
    *("purpose", "operators_are", "parts_from", "design"),
)
_NUMBERS = ("resolution", "process_sd", "process_mean")
_TABLES = ("tolerance", "plan", "rules", "facts")
_TOP = (*_TEXTS, *_NUMBERS, "example", *_TABLES)
_LIMITS = ("lower", "upper", "nominal", "lower_deviation", "upper_deviation")
_HEAD = (
    "# A gauge study. Edit it with any text editor; lengths are in the unit stated here.\n"
    "# A line that begins with # is not read. Settle tolerance and rules before the first\n"
    "# reading.\n"
)
_NO_TOLERANCE = (
    "# [tolerance]\n# lower = the lower limit on the drawing\n# upper = the upper limit\n"
)
#: What may be left out, and what it is.
_OPTIONAL = {
    "resolution": "the last digit of the gauge, such as 0.0001",
    "process_sd": "standard deviation of the process, from records",
    "process_mean": "mean of the process, from records",
}


def read_settings(folder: str | Path) -> Settings:
    """Return the settings in a study folder's ``study.toml``.

    Raises
    ------
    StudyError
        There is no such file, it is no TOML, or a value in it cannot be used; the
        message names the file and the key.
    """
    file = Path(folder) / STUDY_FILE
    document = _document(file)
    try:
        return _settings(document)
    except StudyError as error:
        raise StudyError(
            error.problem, error.remedy, file=file, column=error.column, value=error.value
        ) from None


def write_settings(folder: str | Path, settings: Settings) -> None:
    """Write ``study.toml``; the file that was there is replaced in one step.

    Raises
    ------
    StudyError
        It could not be written.
    """
    write_whole(Path(folder) / STUDY_FILE, settings_text(settings))


def settings_text(settings: Settings) -> str:
    """Return the contents of ``study.toml``; facts not yet known are listed as comments."""
    import tomli_w

    facts = dict(settings.facts)
    top: dict[str, Any] = {
        "title": settings.title,
        "characteristic": facts.pop("characteristic", ""),
        "id": settings.id,
        "unit": settings.unit,
        "resolution": settings.resolution,
        "purpose": settings.purpose,
        "operators_are": settings.operators_are,
        "parts_from": settings.parts_from,
        "process_sd": settings.process_sd,
        "process_mean": settings.process_mean,
        "design": settings.design,
        "example": settings.example,
    }
    tables: dict[str, Any] = {
        "tolerance": asdict(settings.tolerance) if settings.tolerance else None,
        "plan": _plan_table(settings.plan) if settings.plan else None,
        "rules": asdict(settings.rules),
        "facts": facts,
    }
    open_keys = [f"# {key} = {what}" for key, what in _OPTIONAL.items() if top[key] is None]
    questions = [
        _question(fact)
        for fact in FACTS
        if fact.key not in settings.facts and fact.key != "characteristic"
    ]
    pieces = [
        f"{_HEAD}\n{tomli_w.dumps(_without_none(top))}",
        "".join(f"{line}\n" for line in open_keys),
        "" if settings.tolerance else f"\n{_NO_TOLERANCE}",
        f"\n{tomli_w.dumps(_without_none(tables))}",
        "".join(f"{line}\n" for line in ("# Not stated yet:", *questions) if questions),
    ]
    return "".join(pieces)


def _question(fact: Fact) -> str:
    unit = "" if fact.unit in ("", "study") else f"({fact.unit}) "
    choices = " or ".join(f'"{choice}"' for choice in fact.choices)
    return f"# {fact.key} = {unit}{fact.question}{f' {choices}' if choices else ''}"


def by_key(text: str) -> dict[str, str]:
    """Return the contents of a ``study.toml`` as "table.key" → value in words."""
    flat: dict[str, str] = {}
    for key, value in tomllib.loads(text).items():
        entries: dict[str, Any] = value if isinstance(value, dict) else {"": value}
        flat |= {f"{key}.{name}".rstrip("."): str(entry) for name, entry in entries.items()}
    return flat


def _plan_table(plan: Plan) -> dict[str, Any]:
    return {key: list(v) if isinstance(v, tuple) else v for key, v in asdict(plan).items()}


def _without_none(table: Mapping[str, Any]) -> dict[str, Any]:
    return {
        key: _without_none(value) if isinstance(value, Mapping) else value
        for key, value in table.items()
        if value is not None
    }


def _document(file: Path) -> dict[str, Any]:
    try:
        text = regular_file(file, LARGEST_SETTINGS).read_text(encoding="utf-8-sig")
    except StudyError:
        raise
    except FileNotFoundError:
        raise StudyError(
            "This is no study folder: it holds no study.toml",
            "Name the folder of a study, or start one with grr new",
            file=file,
        ) from None
    except UnicodeDecodeError:
        raise StudyError(
            "The file is not written in UTF-8", "Save it as UTF-8 in the text editor", file=file
        ) from None
    except (OSError, ValueError) as error:
        raise StudyError(
            "The file cannot be read", "Check the name of the folder", file=file, value=error
        ) from None
    try:
        return tomllib.loads(text)
    except (tomllib.TOMLDecodeError, ValueError, RecursionError) as error:
        place = re.search(r"at line ([0-9]+)", str(error))
        last_line = max(1, text.count("\n") + (not text.endswith("\n")))
        raise StudyError(
            "The line cannot be understood",
            "Write key = value, text in quotation marks, numbers with a decimal point",
            file=file,
            row=int(place[1]) if place else last_line,
            value=error,
        ) from None


def _settings(document: Mapping[str, Any]) -> Settings:
    refuse_unknown(document, _TOP, "")
    for name in _TABLES:
        if not isinstance(document.get(name, {}), dict):
            raise StudyError(
                f"{name} is not a table", f"Write a line [{name}] and its keys below", column=name
            )
    facts = dict(document.get("facts", {}))
    given: dict[str, Any] = {
        name: text_value(document, name) for name in _TEXTS if name in document
    }
    given |= {name: number_value(document, name, "") for name in _NUMBERS if name in document}
    if characteristic := given.pop("characteristic", ""):
        facts["characteristic"] = characteristic
    tolerance = _tolerance(document.get("tolerance", {}), facts)
    return Settings(
        **given,
        example=truth_value(document, "example"),
        tolerance=tolerance,
        plan=_plan(document["plan"]) if document.get("plan") else None,
        rules=_rules(document.get("rules", {})),
        facts=facts,
    )


def _tolerance(table: Mapping[str, Any], facts: dict[str, Any]) -> Tolerance | None:
    """Return the limits; a nominal size stated with them is kept among the facts."""
    refuse_unknown(table, _LIMITS, "tolerance")
    given = {name: number_value(table, name, "tolerance") for name in _LIMITS if name in table}
    if "nominal" in given:
        facts.setdefault("nominal", given["nominal"])
    deviations = [given.get("lower_deviation"), given.get("upper_deviation")]
    if deviations == [None, None]:
        if given.keys() <= {"nominal"}:
            return None
        limits: Tolerance = with_name(
            "tolerance", Tolerance, given.get("lower"), given.get("upper")
        )
        return limits
    if "lower" in given or "upper" in given or "nominal" not in given:
        raise StudyError(
            "The tolerance is stated in two ways at once, or without its nominal size",
            "Give lower and upper, or nominal with lower_deviation and upper_deviation",
            column="tolerance",
        )
    about: Tolerance = with_name("tolerance", Tolerance.about, given["nominal"], *deviations)
    return Tolerance(*(None if x is None else round(x, 12) for x in (about.lower, about.upper)))


def _plan(table: Mapping[str, Any]) -> Plan:
    refuse_unknown(table, [field.name for field in fields(Plan)], "plan")
    for name in ("parts", "operators", "trials"):
        if name not in table:
            raise StudyError(
                f"The plan has no {name}", f"Add {name} to the table [plan]", column=f"plan.{name}"
            )
    trials = whole_value(table, "trials", least=1)
    plan: Plan = with_name(
        "plan",
        Plan,
        parts=names_value(table, "parts"),
        operators=names_value(table, "operators"),
        trials=trials,
        methods=names_value(table, "methods") if table.get("methods") else (),
        seed=whole_value(table, "seed", least=0) if "seed" in table else 0,
    )
    return plan


def _rules(table: Mapping[str, Any]) -> Rules:
    kinds = {field.name: type(field.default) for field in fields(Rules)}
    refuse_unknown(table, kinds, "rules")
    given: dict[str, Any] = {}
    for name in table:
        if kinds[name] is str:
            given[name] = text_value(table, name, "rules")
        elif kinds[name] is int:
            given[name] = whole_value(table, name, least=1, table_name="rules")
        else:
            given[name] = number_value(table, name, "rules")
    rules: Rules = with_name("rules", Rules, **given)
    return rules
