"""What stands on the cover besides the study: who answers for it, when, and its revision."""

from __future__ import annotations

from dataclasses import dataclass

from grr.model.settings import FACTS
from grr.model.study import Study
from grr.model.values import needs


@dataclass(frozen=True)
class Cover:
    """Who answers for the report, when it was made, and what it replaces."""

    date: str
    prepared_by: str = ""
    approved_by: str = ""
    revision: str = ""
    supersedes: str = ""
    deviations: str = ""

    def __post_init__(self) -> None:
        for name, value in vars(self).items():
            needs(value, str, name)


def fact(study: Study, key: str) -> str:
    """Return the answer to one question about a study as text; "" where it is not given."""
    value = study.facts.get(key)
    if value is None or value == "":
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    unit = next((entry.unit for entry in FACTS if entry.key == key), "")
    unit = study.unit if unit == "study" else unit
    text = f"{value:g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".rstrip()


def all_facts(study: Study) -> list[tuple[str, str]]:
    """Return every question that was answered, then what else was noted."""
    asked = [(entry.question.rstrip("?"), fact(study, entry.key)) for entry in FACTS]
    known = {entry.key for entry in FACTS}
    return [*asked, *((str(key), fact(study, key)) for key in study.facts if key not in known)]
