"""How all studies of a table are judged."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import get_args

from grr.model.choices import OperatorsAre, PartsFrom, Purpose
from grr.model.errors import StudyError
from grr.model.rules import Rules
from grr.model.values import number, one_of


@dataclass(frozen=True)
class Options:
    """See `grr.analyse_many` for each."""

    purpose: Purpose = "accept"
    operators: OperatorsAre = "random"
    parts_from: PartsFrom = "process"
    rules: Rules = field(default_factory=Rules)
    intervals: bool = False
    level: float = 0.95
    checks: bool = False

    def __post_init__(self) -> None:
        one_of("purpose", self.purpose, get_args(Purpose))
        one_of("operators", self.operators, get_args(OperatorsAre))
        one_of("parts_from", self.parts_from, get_args(PartsFrom))
        if not isinstance(self.rules, Rules):
            raise StudyError(
                "The rules are no Rules", "Write grr.Rules(limit_percent=...)", value=self.rules
            )
        number("level", self.level, above=0.0, below=1.0)
