"""The page that qualifies a gauge for one tolerance: what `grr.qualify` returns."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import Any

import pandas as pd

from grr.model import tables
from grr.model.limits import limits_text
from grr.model.tolerance import Tolerance
from grr.questions.decision import LIKE_THIS, USE
from grr.questions.legs import NO_HISTORY, NOT_DONE, OUTCOMES, Leg
from grr.questions.printing import EXAMPLE
from grr.questions.verdict import CAUTION, LOOKS


@dataclass(frozen=True, eq=False, repr=False)
class Qualification:
    """All legs of one gauge for one tolerance.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    resolution : float or None
    gauge, characteristic : str
    legs : tuple of Leg
    decision : str
        One of USE, USE ONLY LIKE THIS, DO NOT USE FOR THIS TOLERANCE, NOT DECIDED YET.
    conditions : tuple of str
        Conditions of use.
    mean_of : int
    rezero_minutes : float or None
    facts : mapping
    valid_until : date or None
        None: the interval of the laboratory's procedure.
    report : str
    example : bool
    """

    tolerance: Tolerance
    unit: str
    resolution: float | None
    gauge: str
    characteristic: str
    legs: tuple[Leg, ...]
    decision: str
    conditions: tuple[str, ...]
    mean_of: int
    rezero_minutes: float | None
    facts: Mapping[str, Any]
    valid_until: date | None
    report: str = ""
    example: bool = False

    @property
    def weakest(self) -> Leg:
        """The leg with the worst outcome; among equals the one that uses up most.

        That a new gauge has no history yet is no weakness of its own.
        """
        measured = [leg for leg in self.legs if leg.found != NO_HISTORY]
        return min(measured, key=lambda leg: leg.severity)

    def leg(self, name: str) -> Leg:
        """Return a leg by its name."""
        return next(leg for leg in self.legs if leg.name == name)

    @property
    def next_steps(self) -> tuple[str, ...]:
        """What to do about every leg that does not pass, the worst first."""
        ordered = sorted(self.legs, key=lambda leg: leg.severity)
        return tuple(f"{leg.name}: {leg.todo}" for leg in ordered if leg.todo)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a leg: asked, found, interval, outcome, used, why, todo."""
        columns = ["asked", "found", "interval", "outcome", "used", "why", "todo"]
        return pd.DataFrame(
            [[getattr(leg, column) for column in columns] for leg in self.legs],
            index=pd.Index([leg.name for leg in self.legs], name="leg"),
            columns=columns,
        )

    def _opening(self) -> list[str]:
        lines = [EXAMPLE] if self.example else []
        named = ", ".join(
            text
            for text in (
                f"Gauge {self.gauge}" if self.gauge else "",
                self.characteristic,
                f"report {self.report}" if self.report else "",
            )
            if text
        )
        if named:
            lines.append(f"{named}.")
        lines.append(f"Tolerance: {limits_text(self.tolerance, self.resolution, self.unit)}.")
        weakest = self.weakest
        used = f", {weakest.used_text} of what is allowed" if weakest.used_text else ""
        lines.append(f"Weakest leg: {weakest.name} ({weakest.outcome}{used}). {weakest.why}")
        return lines

    def _until(self) -> str:
        if self.decision not in (USE, LIKE_THIS):
            return "This page releases no gauge: nothing here allows it to decide about parts."
        if self.valid_until is None:
            return (
                "Valid until the next check of the laboratory's procedure; a dropped, adjusted or "
                "repaired gauge must be qualified again."
            )
        return (
            f"Valid until {self.valid_until} (calibration or next check, whichever comes first); "
            "a dropped, adjusted or repaired gauge must be qualified again."
        )

    def _sections(self) -> list[tuple[str, tuple[str, ...]]]:
        done = [leg for leg in self.legs if leg.outcome != NOT_DONE]
        conditions = self.conditions if done else ()
        title = "Conditions of use"
        if self.decision not in (USE, LIKE_THIS):
            title += ", once it may be used"
        return [(title, conditions), ("What to do next", self.next_steps)]

    def __str__(self) -> str:
        mark, _ = LOOKS[self.decision]
        lines = [f"{mark} {self.decision}", ""]
        lines += [tables.paragraph(line) for line in self._opening()]
        for leg in self.legs:
            lines += ["", f"{OUTCOMES[leg.outcome]} {leg.name}: {leg.outcome}"]
            shown = f"{leg.found}; {leg.interval}" if leg.interval else leg.found
            lines.append(tables.paragraph(f"asked: {leg.asked}", "  "))
            used = f" ({leg.used_text} used up)" if leg.used_text else ""
            lines.append(tables.paragraph(f"found: {shown}{used}", "  "))
        for title, sentences in self._sections():
            if sentences:
                lines += ["", title, *(tables.bullet(sentence) for sentence in sentences)]
        return "\n".join([*lines, "", tables.paragraph(self._until()), tables.paragraph(CAUTION)])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        mark, colour = LOOKS[self.decision]
        rows = [
            [
                leg.name,
                f"{OUTCOMES[leg.outcome]} {leg.outcome}",
                leg.found,
                leg.interval,
                leg.asked,
                leg.used_text,
            ]
            for leg in self.legs
        ]
        head = ["Leg", "outcome", "found", "how sure", "asked for", "used up"]
        blocks = [
            tables.html_banner(f"{mark} {self.decision}", colour=colour),
            tables.html_prose(*self._opening()),
            tables.html_table(head, rows, left=5),
        ]
        for title, sentences in self._sections():
            if sentences:
                blocks += [tables.html_heading(title, 4), tables.html_list(sentences)]
        return "".join([*blocks, tables.html_prose(self._until(), CAUTION)])
