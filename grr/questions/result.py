"""The result of a gauge study: what `grr.anova` and `grr.average_range` return."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import pandas as pd

from grr.formulas.pivots import DRAWS, SEED
from grr.formulas.sources_of_variation import distinct_categories
from grr.model.blocks import Block, Printed
from grr.model.study import Study
from grr.questions.printing import result_blocks

if TYPE_CHECKING:
    from grr.questions.interval_table import IntervalTable


@dataclass(frozen=True, eq=False, repr=False)
class GaugeResult(Printed):
    """Variation of one study, split into its sources.

    Attributes
    ----------
    study : Study
    method : {"anova", "average_range"}
    estimator : str
        How the variances were estimated, as a sentence.
    sources : DataFrame
        Index EV, AV, INT, GRR, PV, TV; columns variance, sd, spread (in the unit of the
        study), percent_contribution, percent_tv, percent_tolerance. NaN where not
        estimated; `reasons` says why.
    reasons : dict
        Source or measure → why it is not estimated.
    below_zero : tuple of str
        Sources whose variance was estimated below zero and is shown as 0.
    anova_table : DataFrame or None
        Index part, operator, interaction, error, total; columns df, sum_sq, mean_sq, F,
        p, tested_against. None by ranges, and where readings are missing.
    anova_table_reason : str
        Why there is no such table; "" where there is one.
    pooled : bool
        Whether the interaction was pooled with the error (left out).
    floored : bool
        Whether the repeatability is the rounding error of the gauge (resolution/√12),
        since the readings repeat to the last digit.
    mean, spread : float
    notes : tuple of str
        What the reader must know about these numbers.
    """

    study: Study
    method: str
    estimator: str
    sources: pd.DataFrame
    mean: float
    spread: float
    reasons: dict[str, str] = field(default_factory=dict)
    below_zero: tuple[str, ...] = ()
    anova_table: pd.DataFrame | None = None
    anova_table_reason: str = ""
    pooled: bool = False
    floored: bool = False
    notes: tuple[str, ...] = ()

    def value(self, source: str, measure: str) -> float:
        """Return one cell of the table of sources; NaN where not estimated."""
        return float(self.sources.at[source, measure])  # type: ignore[arg-type]

    @property
    def estimator_name(self) -> str:
        """How the variances were estimated, in a few words: "Analysis of variance"."""
        return self.estimator.split(",")[0].split(";")[0]

    @property
    def ndc_exact(self) -> float:
        """1.41·PV/GRR, not rounded; NaN where the study cannot give it."""
        if "percent_tv" in self.reasons:
            return math.nan
        return float(distinct_categories(self.value("PV", "sd"), self.value("GRR", "sd")))

    @property
    def ndc(self) -> int | None:
        """Number of distinct categories, rounded down and never below 1; None if not estimated.

        Source: AIAG MSA, 4th ed., chapter III section B.
        """
        exact = self.ndc_exact
        return None if math.isnan(exact) else max(1, math.floor(exact))

    def intervals(
        self, level: float = 0.95, *, draws: int = DRAWS, seed: int = SEED
    ) -> IntervalTable:
        """Return estimate and limits of every quantity, indexed by (quantity, measure).

        See `grr.questions.intervals.interval_frame` for rows, columns and source.
        """
        from grr.questions.interval_table import IntervalTable
        from grr.questions.intervals import interval_frame

        table = IntervalTable(interval_frame(self, level=level, draws=draws, seed=seed))
        table.level, table.unit = level, self.study.unit
        return table

    def to_frame(self) -> pd.DataFrame:
        """Return the table of sources."""
        return self.sources.copy()

    def blocks(self) -> list[Block]:
        """Return which study it is, the table of sources, and what to know about it."""
        return result_blocks(self)
