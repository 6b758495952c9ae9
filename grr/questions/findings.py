"""What a check of the data found, in plain words."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pandas as pd

from grr.model.blocks import Block, Callout, Printed, Prose
from grr.model.rounding import counted

#: How serious a finding is, the most serious first, and what that means.
SEVERITIES = {
    "mend": "the numbers cannot be trusted until this is settled",
    "look": "look at this before you use the numbers",
    "know": "good to know when you read the numbers",
}
#: What each asks for, after a number of findings.
TO_DO = {"mend": "to mend", "look": "to look at", "know": "to know"}
_MARKS = {"mend": "✖", "look": "▲", "know": "●"}
_COLOURS = {"mend": "#a63d00", "look": "#8a5a00", "know": "#00527a"}


@dataclass(frozen=True)
class Finding:
    """One thing found in the data.

    Attributes
    ----------
    severity : {"mend", "look", "know"}
    topic : str
        A short name, the same for every finding of its kind.
    place : str
        Part, operator, trial; "the study" where it concerns all of it.
    what : str
        What was found, as a sentence.
    todo : str
        What to do, as a sentence.
    """

    severity: str
    topic: str
    place: str
    what: str
    todo: str


@dataclass(frozen=True, repr=False)
class Findings(Printed):
    """All findings of a check, the most serious first."""

    findings: tuple[Finding, ...]

    def __iter__(self) -> Iterator[Finding]:
        return iter(self.findings)

    def __len__(self) -> int:
        return len(self.findings)

    def about(self, topic: str) -> tuple[Finding, ...]:
        """Return the findings of one topic."""
        return tuple(finding for finding in self.findings if finding.topic == topic)

    @property
    def must_mend(self) -> bool:
        """Whether something must be settled before the numbers can be trusted."""
        return any(finding.severity == "mend" for finding in self.findings)

    @property
    def headline(self) -> str:
        """The check in one sentence."""
        if not self.findings:
            return "Nothing suspicious was found in the readings."
        numbers = {name: sum(f.severity == name for f in self.findings) for name in SEVERITIES}
        split = [f"{n} {TO_DO[name]}" for name, n in numbers.items() if n]
        return f"{counted(len(self.findings), 'finding')}: {', '.join(split)}."

    def to_frame(self) -> pd.DataFrame:
        """Return one row a finding: severity, topic, place, what, todo."""
        columns = ["severity", "topic", "place", "what", "todo"]
        return pd.DataFrame(
            [[getattr(f, column) for column in columns] for f in self.findings], columns=columns
        )

    def blocks(self) -> list[Block]:
        """Return the headline, then the findings of each severity."""
        found: list[Block] = [Prose([self.headline])]
        for severity, meaning in SEVERITIES.items():
            group = [f for f in self.findings if f.severity == severity]
            if group:
                title = f"{_MARKS[severity]} {severity.capitalize()}: {meaning}"
                entries = [(f.place, f"{f.what} {f.todo}") for f in group]
                found.append(Callout(title, entries, _COLOURS[severity]))
        return found
