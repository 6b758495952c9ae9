"""Does another program find the same sums of squares in these readings?

The table of the analysis of variance is computed once more by statsmodels' least squares, on
the readings of the study, and laid beside ours. Only the report asks for it: statsmodels
takes a second to load.

Source: Seabold & Perktold, statsmodels, Proceedings of the 9th Python in Science Conference
(2010); sums of squares in sequence (type I), which in a complete study do not depend on the
order of the terms (Montgomery, Design and Analysis of Experiments, section 5.3, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

import pandas as pd

from grr.model.blocks import Block, Prose, Table
from grr.model.errors import StudyError
from grr.model.frames import frame
from grr.model.printed import Printed
from grr.model.rounding import square_unit, squares
from grr.questions.gauge import GaugeResult
from grr.questions.sittings import has_own_sessions

#: A design with more columns than this takes statsmodels longer than a reader would wait.
MOST_CELLS = 1500
#: Sums of squares that differ by more than this share of the total are not the same.
SAME = 1e-7
#: What a line of the table is called by statsmodels.
_TERMS = {
    "C(part)": "part",
    "C(operator)": "operator",
    "C(part):C(operator)": "interaction",
    "C(operator):C(session)": "session",
    "C(session)": "session",
    "Residual": "error",
}


@dataclass(frozen=True, eq=False, repr=False)
class SecondOpinion(Printed):
    """Our sums of squares beside those of statsmodels.

    Attributes
    ----------
    table : DataFrame
        Index source; columns df, sum_sq (ours), other_df, other_sum_sq.
    unit : str
        Of the readings.
    program : str
        Name and version of the other program.
    largest_difference : float
        Between two sums of squares, as a share of the total.
    """

    unit: str
    program: str
    largest_difference: float
    table: pd.DataFrame = frame()

    @property
    def same(self) -> bool:
        """Whether both programs found the same."""
        found = self.table
        return self.largest_difference < SAME and bool((found["df"] == found["other_df"]).all())

    def to_frame(self) -> pd.DataFrame:
        """Return both columns side by side."""
        return self.table

    def blocks(self) -> list[Block]:
        """Return whether both agree, and the table."""
        found = self.table
        ours, theirs = (
            squares(found[c].tolist(), self.unit, 6) for c in ("sum_sq", "other_sum_sq")
        )
        unit = square_unit(self.unit)
        rows = [
            [str(name), str(found["df"][name]), ours[i], str(found["other_df"][name]), theirs[i]]
            for i, name in enumerate(found.index)
        ]
        said = (
            f"By the least squares of {self.program} on these readings: "
            f"{'the same' if self.same else 'NOT the same'}; the largest difference is "
            f"{self.largest_difference:.1e} of the total."
        )
        of = f", {unit}" if unit else ""
        head = ["Source", "df", f"sum of squares{of}", "df there", f"sum of squares there{of}"]
        return [Prose([said]), Table(head, rows)]


def second_opinion(result: GaugeResult) -> SecondOpinion:
    """Compute the sums of squares of a complete crossed study by statsmodels.

    Raises
    ------
    StudyError
        There is no such table, or the study is too large to wait for.
    """
    ours, study = result.anova_table, result.study
    if ours is None or study.design == "nested":
        raise StudyError(
            "A second opinion needs the table of sums of squares of a complete crossed study",
            "Take the readings that are missing",
        )
    cells = len(study.parts) * len(study.operator_names)
    if cells > MOST_CELLS:
        raise StudyError(
            f"The study has {cells} cells, too many for a second opinion while a report is written",
            "Compare a part of it by hand",
        )
    return study.once(("second opinion",), lambda: _asked(result, ours))


def _asked(result: GaugeResult, ours: pd.DataFrame) -> SecondOpinion:
    from statsmodels.formula.api import ols
    from statsmodels.stats.anova import anova_lm

    study = result.study
    readings = study.readings
    given = pd.DataFrame(
        {
            "part": readings["part"].astype(str),
            "operator": readings["operator"].astype(str),
            # Squares of sizes would hide their differences: statsmodels gets them about their mean.
            "reading": readings["reading"] - readings["reading"].mean(),
        }
    )
    terms = "C(part)"
    if len(study.operator_names) > 1:
        terms = "C(part) * C(operator)" if study.trials > 1 else "C(part) + C(operator)"
    if "session" in ours.index and has_own_sessions(study) and len(study.operator_names) > 1:
        sessions = readings.groupby("operator")["session"]
        given["session"] = sessions.transform(lambda names: pd.factorize(names)[0])
        terms += " + C(operator):C(session)"
    elif "session" in ours.index:
        given["session"] = readings["session"].astype(str)
        terms += " + C(session)"
    theirs = anova_lm(ols(f"reading ~ {terms}", given).fit(), typ=1).rename(index=_TERMS)
    names = [name for name in theirs.index if name in ours.index]
    table = pd.DataFrame(
        {
            "df": ours.loc[names, "df"].astype(int),
            "sum_sq": ours.loc[names, "sum_sq"],
            "other_df": theirs.loc[names, "df"].round().astype(int),
            "other_sum_sq": theirs.loc[names, "sum_sq"],
        },
        index=pd.Index(names, name="source"),
    )
    total = float(ours["sum_sq"]["total"])
    apart = float((table["sum_sq"] - table["other_sum_sq"]).abs().max())
    return SecondOpinion(
        unit=study.unit,
        program=f"statsmodels {version('statsmodels')}",
        largest_difference=apart / total if total > 0.0 else 0.0,
        table=table,
    )
