"""Operators' names in the report: as they are, or coded wherever they may stand."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, replace

from grr.model.study import Study
from grr.questions.operator_codes import code_operators

#: Shorter names, and words of names, are replaced only where their letters' case agrees.
_SHORT = 3


@dataclass(frozen=True)
class Naming:
    """How operators are called.

    Parameters
    ----------
    codes : mapping
        Name → code; empty where names are shown.
    """

    codes: Mapping[str, str]

    def text(self, text: str) -> str:
        """Return a text that somebody wrote, with every operator's name in it coded."""
        for name in sorted(self.codes, key=len, reverse=True):
            case = re.IGNORECASE if len(name) >= _SHORT else re.NOFLAG
            code = self.codes[name].replace("\\", r"\\")
            text = re.sub(rf"(?<!\w){re.escape(name)}(?!\w)", code, text, flags=case)
        return text


AS_THEY_ARE = Naming({})


def coded(study: Study) -> tuple[Study, Naming]:
    """Return the study with coded operators, notes and facts included, and the naming."""
    changed, key = code_operators(study)
    naming = Naming(_with_words({name: code for code, name in key.items()}))
    table = changed.readings
    if "note" in table:
        table["note"] = [naming.text(str(note)) for note in table["note"]]
    facts = {
        name: naming.text(value) if isinstance(value, str) else value
        for name, value in study.facts.items()
    }
    return replace(changed, readings=table, facts=facts, title=naming.text(study.title)), naming


def _with_words(codes: dict[str, str]) -> dict[str, str]:
    """Return the codes, and those of words that stand in one operator's name only.

    A note says "Ilka" where the operator is called "Ilka Berg".
    """
    words = Counter(word for name in codes for word in set(name.split()) if len(word) >= _SHORT)
    single = {
        word: code
        for name, code in codes.items()
        for word in name.split()
        if words.get(word) == 1 and not word.isdigit()
    }
    return {**single, **codes}
