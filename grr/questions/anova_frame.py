"""The analysis-of-variance table, each denominator named."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import CrossedAnova, NestedAnova, f_test
from grr.model import tables
from grr.model.rounding import figures, square_unit, squares


class AnovaTable(pd.DataFrame):
    """The table of sums of squares as a DataFrame that prints rounded for reading.

    ``unit`` is that of the readings; the squares are printed in that of their spread.
    """

    _metadata = ["unit"]  # noqa: RUF012
    unit: str = ""

    @property
    def _constructor(self) -> type[pd.DataFrame]:
        """A part of the table is a plain DataFrame."""
        return pd.DataFrame

    def __str__(self) -> str:
        table = tables.text_table(*self._printed())
        return f"{table}\n{self._told_in()}" if self.unit else table

    __repr__ = __str__

    def _repr_html_(self) -> str:
        table = tables.html_table(*self._printed())
        return table + (tables.html_prose(self._told_in()) if self.unit else "")

    def _told_in(self) -> str:
        return f"Sums of squares and mean squares in {square_unit(self.unit)}."

    def _printed(self) -> tuple[list[str], list[list[str]]]:
        sums = squares(self["sum_sq"].tolist(), self.unit)
        means = squares(self["mean_sq"].tolist(), self.unit)
        head = ["Source", "df", "sum of squares", "mean square", "F", "p", "tested against"]
        rows = [
            [
                str(name),
                str(df),
                sums[line],
                means[line],
                "" if math.isnan(f) else figures(f, 4),
                "" if math.isnan(p) else "under 0.001" if p < 0.001 else f"{p:.2g}",
                against,
            ]
            for line, (name, df, _, _, f, p, against) in enumerate(self.itertuples(name=None))
        ]
        return head, rows


class _Line(NamedTuple):
    name: str
    sum_sq: float
    df: int

    @property
    def mean_sq(self) -> float:
        return self.sum_sq / self.df if self.df else math.nan


def anova_frame(table: CrossedAnova, pooled: bool, unit: str) -> AnovaTable:
    """Return the table of sums of squares of readings in ``unit``, with F tests.

    Parts and operators are tested against the interaction where it is kept, against
    the pooled error where it is not; the interaction against the error.

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A; Montgomery, Design and Analysis of
    Experiments, section 13.2 (random effects).
    """
    part = _Line("part", float(table.ss_part), table.df_part)
    operator = _Line("operator", float(table.ss_operator), table.df_operator)
    interaction = _Line("interaction", float(table.ss_interaction), table.df_interaction)
    error = _Line("error", float(table.ss_error), table.df_error)
    both = _Line("pooled error", interaction.sum_sq + error.sum_sq, interaction.df + error.df)
    if table.operators > 1 and table.trials > 1:
        against = both if pooled else interaction
        lines = [part, operator, interaction, error, *([both] if pooled else [])]
        tested = {"part": against, "operator": against, "interaction": error}
    else:
        against = both._replace(name="error")
        lines = [part, *([operator] if table.operators > 1 else []), against]
        tested = {"part": against, "operator": against}
    return _frame(lines, tested, [part, operator, both], unit)


def nested_frame(table: NestedAnova, unit: str) -> AnovaTable:
    """Return the table of a nested study: operators against parts, parts against error.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (both random).
    """
    operator = _Line("operator", float(table.ss_operator), table.df_operator)
    part = _Line("part", float(table.ss_part), table.df_part)
    error = _Line("error", float(table.ss_error), table.df_error)
    lines = [*([operator] if table.operators > 1 else []), part, error]
    return _frame(lines, {"operator": part, "part": error}, lines, unit)


def _frame(
    lines: list[_Line], tested: dict[str, _Line], whole: list[_Line], unit: str
) -> AnovaTable:
    """Return the lines with their F tests, and the total of ``whole``."""
    rows = [_row(line, tested.get(line.name)) for line in lines]
    total = _Line("total", sum(line.sum_sq for line in whole), sum(line.df for line in whole))
    rows.append((total.sum_sq, total.df, math.nan, math.nan, math.nan, ""))
    sums, df, means, f, p, names = zip(*rows, strict=True)
    table = AnovaTable(
        {"df": df, "sum_sq": sums, "mean_sq": means, "F": f, "p": p, "tested_against": names},
        index=pd.Index([*(line.name for line in lines), "total"], name="source"),
    )
    table.unit = unit
    return table


def _row(line: _Line, against: _Line | None) -> tuple[float, int, float, float, float, str]:
    if against is None:
        return (line.sum_sq, line.df, line.mean_sq, math.nan, math.nan, "")
    f, p = f_test(np.asarray(line.mean_sq), line.df, np.asarray(against.mean_sq), against.df)
    return (line.sum_sq, line.df, line.mean_sq, float(f), float(p), against.name)
