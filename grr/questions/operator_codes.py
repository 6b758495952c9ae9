"""`grr.code_operators`: the same study with numbers in place of the operators' names."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace
from hashlib import sha256

import pandas as pd

from grr.model.record import Record, SettingChange
from grr.model.study import Study, checked_study

#: Shorter names, and words of names, are replaced only where their letters' case agrees.
_SHORT = 3


def code_operators(study: Study) -> tuple[Study, dict[str, str]]:
    """Return the study with coded operators, and the key: code → name.

    For a report that others read: it shows what was found without naming anybody. Names are
    replaced in every column, in the title, the facts, the notes and the names of sessions,
    and in what was recorded while collecting. The codes do not follow the alphabet, and are
    the same each time for the same study. They are no secret: whoever knows the names can
    work them out.

    Parameters
    ----------
    study : Study

    Returns
    -------
    study : Study
        Operators are called "Operator 1", "Operator 2" …
    key : dict
        Keep it apart from the report.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> coded, names = grr.code_operators(study)
    >>> coded.operator_names
    ('Operator 1', 'Operator 2', 'Operator 3')
    """
    plan = checked_study(study).plan
    names = set(study.operator_names)
    if plan is not None:
        names |= {*plan.operators, *plan.further_operators}
    mixed = sorted(names, key=lambda name: sha256(f"{study.title} {name}".encode()).digest())
    codes = Codes({name: f"Operator {number}" for number, name in enumerate(mixed, start=1)})
    if plan is not None:
        planned, further = (
            tuple(codes.of[name] for name in mixed if name in named)
            for named in (plan.operators, plan.further_operators)
        )
        plan = replace(plan, operators=planned, further_operators=further)
    coded = replace(
        study,
        readings=codes.table(study.readings),
        title=codes.text(study.title),
        plan=plan,
        facts={name: codes.value(value) for name, value in study.facts.items()},
        record=None if study.record is None else _coded_record(study.record, codes),
    )
    return coded, {code: name for name, code in codes.of.items()}


def _coded_record(record: Record, codes: Codes) -> Record:
    return replace(
        record,
        events=codes.table(record.events),
        journal=None if record.journal is None else codes.table(record.journal),
        changes=tuple(
            SettingChange(change.key, codes.text(change.old), codes.text(change.new))
            for change in record.changes
        ),
    )


@dataclass(frozen=True)
class Codes:
    """Operators' names and their codes.

    Parameters
    ----------
    of : mapping
        Name → code.
    """

    of: Mapping[str, str]

    def text(self, text: str) -> str:
        """Return a text that somebody wrote, with every operator's name in it coded.

        A word that stands in one operator's name only counts as the name: a note says
        "Ilka" where the operator is called "Ilka Berg".
        """
        codes = {**_single_words(self.of), **self.of}
        for name in sorted(codes, key=len, reverse=True):
            case = re.IGNORECASE if len(name) >= _SHORT else re.NOFLAG
            code = codes[name].replace("\\", r"\\")
            text = re.sub(rf"(?<![^\W_]){re.escape(name)}(?![^\W_])", code, text, flags=case)
        return text

    def value(self, value: object) -> object:
        """Return a text coded, anything else as it is."""
        return self.text(value) if isinstance(value, str) else value

    def table(self, table: pd.DataFrame) -> pd.DataFrame:
        """Return a table with every text in it coded; operators by their whole names."""
        found = table.copy()
        for column in found.columns.difference(["part", "method", "hash", "id", "voids"]):
            if column == "operator":
                found[column] = [self.of.get(str(name), name) for name in found[column]]
            elif found[column].dtype == object or isinstance(found[column].dtype, pd.StringDtype):
                found[column] = found[column].map(self.value)
        return found


def _single_words(codes: Mapping[str, str]) -> dict[str, str]:
    words = Counter(word for name in codes for word in set(name.split()) if len(word) >= _SHORT)
    return {
        word: code
        for name, code in codes.items()
        for word in name.split()
        if words.get(word) == 1 and not word.isdigit()
    }
