"""`grr.worked_sheet`: the average-and-range form, every line with its numbers filled in."""

from __future__ import annotations

from dataclasses import astuple, dataclass, fields

import pandas as pd

from grr.formulas import average_range as form
from grr.model import tables
from grr.model.study import Study
from grr.questions.printing import opening
from grr.questions.ranges import average_range
from grr.questions.result import GaugeResult
from grr.questions.worked_lines import Line, mean_lines, range_lines, spread_lines
from grr.questions.worked_shares import share_lines

SOURCE = (
    "Source: AIAG MSA, 4th ed. (2010), chapter III section B, average and range method, and "
    "appendix C (d2*). The constants are computed from the distribution of the range."
)


@dataclass(frozen=True, eq=False, repr=False)
class WorkedSheet:
    """The average-and-range form of one study, line by line.

    Attributes
    ----------
    result : GaugeResult
        What `grr.average_range` returns for the study.
    lines : tuple of Line
        In the order of working.
    """

    result: GaugeResult
    lines: tuple[Line, ...]

    def value(self, symbol: str) -> float:
        """Return the value of the line with this symbol, such as "EV"."""
        return next(line.value for line in self.lines if line.symbol == symbol)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a line: what it is, formula, numbers, value, unit, source."""
        columns = [field.name for field in fields(Line)]
        return pd.DataFrame([astuple(line) for line in self.lines], columns=columns)

    def __str__(self) -> str:
        parts = [*(tables.paragraph(line) for line in opening(self.result)[:-1]), ""]
        for line in self.lines:
            parts += [f"{line.quantity}", tables.paragraph(line.worked, "    ")]
        notes = [tables.bullet(note) for note in self.result.notes]
        return "\n".join([*parts, "", *notes, tables.paragraph(SOURCE)])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        rows = [[line.quantity, line.worked] for line in self.lines]
        return (
            tables.html_prose(*opening(self.result)[:-1])
            + tables.html_table(["Line", "Formula, numbers, result"], rows, left=2)
            + tables.html_list(self.result.notes)
            + tables.html_prose(SOURCE)
        )


def worked_sheet(study: Study, *, spread: float | None = None) -> WorkedSheet:
    """Work the average-and-range form through, every number filled in.

    For the customer who asks for the form: the same numbers as `grr.average_range`.

    Parameters
    ----------
    study : Study
        Complete: every operator measured every part equally often, at least twice.
    spread : float, optional
        How many standard deviations are set against the tolerance; 6 by default.

    Returns
    -------
    WorkedSheet

    Raises
    ------
    StudyError
        One trial, or readings are missing.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, average and range method.
    """
    result = average_range(study, spread=spread)
    readings = study.cube().packed
    lines = form.average_range(readings)
    return WorkedSheet(
        result,
        (
            *range_lines(study, lines),
            *mean_lines(study, readings, lines),
            *spread_lines(result, lines),
            *share_lines(result),
        ),
    )
