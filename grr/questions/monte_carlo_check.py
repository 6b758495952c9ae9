"""Whether a budget agrees with the Monte Carlo run, in words."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from grr.formulas.uncertainty import BudgetAgreement, MonteCarlo
from grr.model import tables
from grr.model.limits import fine_interval
from grr.model.rounding import length


@dataclass(frozen=True, repr=False)
class MonteCarloCheck:
    """The propagation of distributions beside the budget's formula.

    Attributes
    ----------
    run : MonteCarlo
    agreement : BudgetAgreement
    estimate, standard_u, expanded : float
        Of the budget.
    unit : str
    digits : int
    few_df : bool
        Whether a line has so few degrees of freedom that the run's standard deviation
        does not exist.
    """

    run: MonteCarlo
    agreement: BudgetAgreement
    estimate: float
    standard_u: float
    expanded: float
    unit: str
    digits: int
    few_df: bool = False

    @property
    def agrees(self) -> bool:
        """Whether the two intervals agree within the numerical tolerance of JCGM 101, clause 8."""
        return self.agreement.agrees

    def to_frame(self) -> pd.DataFrame:
        """Return the formula's and the run's numbers, one row each."""
        low, high = self.estimate - self.expanded, self.estimate + self.expanded
        run = self.run
        return pd.DataFrame(
            [
                (self.estimate, self.standard_u, low, high),
                (run.estimate, run.standard_u, run.lower, run.upper),
            ],
            index=pd.Index(["formula", "monte carlo"], name="method"),
            columns=["estimate", "standard_u", "lower", "upper"],
        )

    def _rows(self) -> tuple[list[str], list[list[str]]]:
        rows = []
        for name, row in self.to_frame().iterrows():
            interval = fine_interval(float(row["lower"]), float(row["upper"]), self.unit, 3)
            none = self.few_df and name != "formula"
            shown = "none" if none else length(float(row["standard_u"]), self.unit, 3)
            rows.append([str(name).capitalize(), shown, interval])
        return ["", "standard uncertainty", f"{100 * self.run.level:g} % interval"], rows

    def _sentences(self) -> list[str]:
        gap = max(self.agreement.low_gap, self.agreement.high_gap)
        limit = length(self.agreement.tolerance, self.unit, 1)
        shown = "one digit" if self.digits == 1 else "two digits"
        if self.agrees:
            words = (
                f"The formula agrees with the Monte Carlo run at {shown}: the intervals' ends "
                f"differ by {length(gap, self.unit)} at most, {limit} is allowed "
                "(JCGM 101:2008, clause 8)."
            )
        else:
            words = (
                f"The formula does not agree with the Monte Carlo run at {shown}: the intervals' "
                f"ends differ by up to {length(gap, self.unit)}, {limit} is allowed "
                "(JCGM 101:2008, clause 8). State the Monte Carlo interval."
            )
        draws = f"{self.run.draws:,}".replace(",", " ")
        lines = [words, f"{draws} draws, seed {self.run.seed}."]
        if self.few_df:
            lines.append(
                "A line with two degrees of freedom or fewer has no finite standard deviation "
                "in the run: only the interval says something."
            )
        elif not self.run.settled:
            lines.append(
                "The run was stopped before its own numbers settled to a fifth of that "
                "tolerance; allow more draws where the last digit matters."
            )
        return lines

    def __str__(self) -> str:
        lines = [tables.text_table(*self._rows()), ""]
        return "\n".join([*lines, *(tables.paragraph(line) for line in self._sentences())])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return tables.html_table(*self._rows()) + tables.html_prose(*self._sentences())
