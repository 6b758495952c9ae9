"""Does this installation compute what was published: `grr.self_check`.

Each published value stands beside the formula that must reproduce it, with its source.
"""

from __future__ import annotations

import datetime as dt
import platform
from dataclasses import dataclass
from importlib.metadata import version

import numpy as np
import pandas as pd

from grr.formulas import published
from grr.formulas.analysis_of_variance import crossed_anova, interaction_pooled, interaction_test
from grr.formulas.arrays import Array
from grr.formulas.average_range import average_range, d2, d2_star
from grr.formulas.bias import bias_by_range
from grr.formulas.method_comparison import single_pair_agreement
from grr.formulas.sources_of_variation import distinct_categories
from grr.formulas.straight_line import fit_line
from grr.formulas.uncertainty import combined_uncertainty, coverage_factor, effective_df
from grr.model.blocks import Block, Prose, Table
from grr.model.printed import Printed
from grr.model.values import needs

_MANUAL = "AIAG MSA, 4th ed."


def self_check(date: dt.date | None = None) -> SelfCheck:
    """Run the published examples and compare.

    Parameters
    ----------
    date : date, optional
        The day to print; today by default.

    Examples
    --------
    >>> grr.self_check().passed
    True
    """
    day = dt.datetime.now(tz=dt.UTC).date() if date is None else needs(date, dt.date, "date")
    packages = ", ".join(f"{name} {version(name)}" for name in ("grr", "numpy", "scipy", "pandas"))
    return SelfCheck(
        comparisons=_comparisons(),
        date=day,
        versions=f"Python {platform.python_version()} on {platform.system()}; {packages}.",
    )


@dataclass(frozen=True)
class Comparison:
    """One published value beside what this installation computes.

    Attributes
    ----------
    example, quantity : str
    published : float
    within : float
        How far apart they may be: the last digit printed, or what the printed form's
        rounding of its own constants costs.
    obtained : float
    """

    example: str
    quantity: str
    published: float
    within: float
    obtained: float

    @property
    def agrees(self) -> bool:
        """Whether the obtained value is the published one to the digits that were printed."""
        return abs(self.obtained - self.published) <= self.within


@dataclass(frozen=True, repr=False)
class SelfCheck(Printed):
    """Published examples beside what this installation computes, dated, to file.

    Examples
    --------
    >>> len(grr.self_check().to_frame()) > 30
    True
    """

    comparisons: tuple[Comparison, ...]
    date: dt.date
    versions: str

    @property
    def passed(self) -> bool:
        """Whether every published value was reproduced."""
        return all(one.agrees for one in self.comparisons)

    @property
    def headline(self) -> str:
        """The result in one sentence."""
        wrong = sum(not one.agrees for one in self.comparisons)
        if wrong:
            return (
                f"{wrong} of {len(self.comparisons)} published values were NOT reproduced: "
                "do not use this installation."
            )
        return f"All {len(self.comparisons)} published values were reproduced on {self.date}."

    def to_frame(self) -> pd.DataFrame:
        """Return one row a value."""
        return pd.DataFrame(
            [
                [one.example, one.quantity, one.published, one.obtained, one.within, one.agrees]
                for one in self.comparisons
            ],
            columns=["example", "quantity", "published", "obtained", "within", "agrees"],
        )

    def blocks(self) -> list[Block]:
        """Return the result in one sentence, then each example's values."""
        tables = [_table(self, name) for name in dict.fromkeys(c.example for c in self.comparisons)]
        return [Prose([self.headline, self.versions]), *tables]


def _comparisons() -> tuple[Comparison, ...]:
    """Return every published value; under its example: what, published, within, obtained."""
    table = crossed_anova(published.gauge_study())
    pooled, form = interaction_pooled(table), average_range(published.gauge_study())
    bias = bias_by_range(np.array(published.BIAS_READINGS), published.BIAS_REFERENCE)
    line = fit_line(*published.linearity_table())
    flow = single_pair_agreement(published.peak_flow_differences(), multiple=2.0)
    contributions, df = np.array(published.END_GAUGE).T
    combined = combined_uncertainty(contributions)
    effective = effective_df(contributions, df, combined)
    factor = coverage_factor(effective, 0.99)
    printed_d2 = (1.128, 1.693, 2.059, 2.326, 2.534, 2.704, 2.847, 2.970, 3.078)
    examples: dict[str, list[tuple[str, float, float, Array | float]]] = {
        f"{_MANUAL}, chapter III section B, worked example by analysis of variance": [
            ("sum of squares, part", 88.3619, 5e-5, table.ss_part),
            ("sum of squares, operator", 3.1673, 5e-5, table.ss_operator),
            ("sum of squares, interaction", 0.3590, 5e-5, table.ss_interaction),
            ("sum of squares, error", 2.7589, 5e-5, table.ss_error),
            ("F of the interaction", 0.434, 5e-4, interaction_test(table)[0]),
            ("EV", 0.199933, 2e-6, np.sqrt(pooled.repeatability)),
            ("AV", 0.226838, 2e-6, np.sqrt(pooled.operator)),
            ("GRR", 0.302373, 2e-6, np.sqrt(pooled.grr)),
            ("PV", 1.042327, 2e-6, np.sqrt(pooled.part)),
        ],
        f"{_MANUAL}, chapter III section B, worked example by average and range": [
            ("mean range", 0.3417, 5e-5, form.mean_range),
            ("EV", 0.20188, 3e-4 * 0.20188, np.sqrt(form.repeatability)),
            ("AV", 0.22963, 3e-4 * 0.22963, np.sqrt(form.operator)),
            ("GRR", 0.30575, 3e-4 * 0.30575, np.sqrt(form.grr)),
            ("PV", 1.10456, 3e-4 * 1.10456, np.sqrt(form.part)),
            (
                "ndc, not rounded",
                5.09,
                5e-3,
                distinct_categories(np.sqrt(form.part), np.sqrt(form.grr)),
            ),
        ],
        f"{_MANUAL}, appendix C: mean range of normal samples": [
            *((f"d2 of {size}", d, 6e-4, d2(size)) for size, d in enumerate(printed_d2, start=2)),
            *(
                (f"d2* of {size}, one range", d, 2e-5, d2_star(size, 1))
                for size, d in ((2, 1.41421), (3, 1.91155), (10, 3.17905))
            ),
        ],
        # The manual takes t at 10.8 degrees of freedom, rounded, from a table.
        f"{_MANUAL}, bias example": [
            ("bias", 0.0067, 5e-5, bias.bias),
            ("repeatability by range", 0.22514, 2e-5, bias.sd),
            ("standard error", 0.0581, 5e-5, bias.standard_error),
            ("degrees of freedom", 10.8, 0.05, bias.df),
            ("lower limit of the bias", -0.1185, 2e-4, bias.lower),
            ("upper limit of the bias", 0.1319, 2e-4, bias.upper),
        ],
        f"{_MANUAL}, linearity example": [
            ("slope", -0.131667, 5e-7, line.slope),
            ("intercept", 0.736667, 5e-7, line.intercept),
        ],
        "Bland & Altman, Lancet 1986; i: 307-310, peak flow": [
            ("mean difference", -2.1, 0.05, flow.mean),
            ("sd of the differences", 38.8, 0.05, flow.sd),
        ],
        "JCGM 100:2008 (GUM), example H.1, end gauge": [
            ("combined, nm", 32.0, 0.5, combined),
            ("effective degrees of freedom", 16.7, 0.1, effective),
            ("coverage factor at 99 %", 2.92, 5e-3, factor),
            ("expanded, nm", 93.0, 0.6, factor * combined),
        ],
    }
    return tuple(
        Comparison(example, quantity, value, within, float(obtained))
        for example, values in examples.items()
        for quantity, value, within, obtained in values
    )


def _table(check: SelfCheck, example: str) -> Table:
    return Table(
        ["Quantity", "published", "obtained", ""],
        [
            [
                one.quantity,
                f"{one.published:g}",
                f"{one.obtained:.6g}",
                "✔ agrees" if one.agrees else "✖ DIFFERS",
            ]
            for one in check.comparisons
            if one.example == example
        ],
        caption=example,
    )
