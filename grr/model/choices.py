"""Every choice by its words: what may be answered, and what may be decided."""

from __future__ import annotations

from enum import StrEnum
from typing import Literal

from grr.model.errors import StudyError

#: Accept parts against the tolerance, or control a process.
Purpose = Literal["accept", "control"]
#: A sample of those who will measure, or all who ever will; a whole number in place of the
#: word says how many will ever measure.
OperatorsAre = Literal["random", "fixed"]
#: Whether the parts represent the process.
PartsFrom = Literal["process", "chosen"]
#: Every operator measures every part, or each part was measured by one operator only.
Design = Literal["crossed", "nested"]
#: The calculation of the sources of variation.
Method = Literal["anova", "average_range"]
#: What is done with the part-by-operator interaction.
InteractionRule = Literal["auto", "keep", "pool"]
#: What GRR is told as a percentage of, and that in words.
Measure = Literal["percent_tolerance", "percent_tv"]
WHOLE: dict[Measure, str] = {
    "percent_tolerance": "the tolerance",
    "percent_tv": "the total variation",
}


class Decision(StrEnum):
    """What a verdict may say, the best first.

    The text is what a person reads; the name of a member (``USE``, ``LIKE_THIS`` ...) is the
    code to store or compare with, and stays where the words may change.

    Examples
    --------
    >>> grr.Decision("USE LIKE THIS").name
    'LIKE_THIS'
    >>> grr.Decision.LIKE_THIS.exit_status
    3
    """

    USE = "USE"
    LIKE_THIS = "USE LIKE THIS"
    WITH_LIMITS = "USE WITH LIMITS"
    NOT_DECIDED = "NOT DECIDED YET"
    DO_NOT_USE = "DO NOT USE FOR THIS TOLERANCE"

    @classmethod
    def _missing_(cls, value: object) -> Decision:
        raise StudyError("There is no such decision", f"Use one of: {', '.join(cls)}", value=value)

    @property
    def exit_status(self) -> int:
        """What ``grr analyse`` ends with: 0 for USE; 2 is kept for input that cannot be used."""
        return {"USE": 0, "LIKE_THIS": 3, "WITH_LIMITS": 6, "NOT_DECIDED": 5, "DO_NOT_USE": 4}[
            self.name
        ]


#: What stands in place of NOT DECIDED YET where readings must be mended first.
FIX_FIRST = "FIX THE DATA FIRST"


#: The sources of variation, in the order in which a table shows them. Further sources stand
#: where they belong: sessions and gauges (SES, GAU) before GRR, which holds them, and
#: within-part variation (WPV), which is none of the measuring system, before TV.
SOURCES = ("EV", "AV", "INT", "GRR", "PV", "TV")
#: What each source is called in words.
NAMES = {
    "EV": "repeatability",
    "AV": "reproducibility",
    "INT": "interaction",
    "SES": "between sessions",
    "GAU": "between gauges",
    "GRR": "measuring system",
    "PV": "part variation",
    "WPV": "within-part variation",
    "TV": "total variation",
}
MEASURES = (
    "variance",
    "sd",
    "spread",
    "percent_contribution",
    "percent_tv",
    "percent_tolerance",
)
