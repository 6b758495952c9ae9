"""`grr.UncertaintyBudget`: what makes a measured size uncertain, and by how much."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.uncertainty import (
    agreement,
    combined_uncertainty,
    correlation_matrix,
    coverage_factor,
    effective_df,
    propagate,
)
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number
from grr.questions.budget_printing import budget_html, budget_text
from grr.questions.budget_use import BudgetUse, budget_use
from grr.questions.contribution import Contribution
from grr.questions.monte_carlo_check import MonteCarloCheck

#: A model takes each influence by name and gives the measured size.
Model = Callable[[Mapping[str, Array]], Array]


@dataclass(frozen=True, eq=False, repr=False)
class UncertaintyBudget:
    """An uncertainty budget by the GUM.

    Parameters
    ----------
    lines : sequence of Contribution
    unit : str
        Of the measured size.
    correlations : mapping
        (name, name) → correlation coefficient of two influences.
    model : callable, optional
        The measured size from the influences, for sensitivities that are not given and
        for the Monte Carlo run: takes a mapping name → value or array. Without it the
        influences add up, each times its sensitivity.
    level : float
        Probability of the expanded uncertainty.
    k : float, optional
        Coverage factor, where it is agreed; else t at the effective degrees of freedom.
    title : str
    questions : tuple of str
        What is still to be answered about the lines.
    example : bool

    Raises
    ------
    StudyError
        No line, two lines of one name, a correlation that cannot be.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), clauses 5 and 6, annex G.
    """

    lines: Sequence[Contribution]
    unit: str = ""
    correlations: Mapping[tuple[str, str], float] = field(default_factory=dict)
    model: Model | None = None
    level: float = 0.95
    k: float | None = None
    title: str = ""
    questions: tuple[str, ...] = ()
    example: bool = False

    def __post_init__(self) -> None:
        set_field = object.__setattr__
        set_field(self, "lines", tuple(self.lines) if isinstance(self.lines, Iterable) else ())
        set_field(self, "unit", canonical_unit(self.unit))
        set_field(self, "level", number("level", self.level, above=0.0, below=1.0))
        if self.k is not None:
            set_field(self, "k", number("k", self.k, above=0.0))
        if not self.lines or not all(isinstance(line, Contribution) for line in self.lines):
            raise StudyError(
                "A budget is made of contributions, at least one",
                "Write grr.UncertaintyBudget([grr.Contribution(...), ...])",
            )
        names = [line.name for line in self.lines]
        for name in names:
            if names.count(name) > 1:
                raise StudyError(
                    "Two lines of the budget have one name", "Rename one of them", value=name
                )
        needs(self.correlations, Mapping, "correlations")  # type: ignore[type-abstract]
        needs(self.questions, tuple, "questions")
        correlation_matrix(names, dict(self.correlations))
        for line in self.lines:
            if line.sensitivity is None and self.model is None:
                raise StudyError(
                    f"The sensitivity of {line.name} is left to a model, and there is none",
                    "Give sensitivity=..., or the budget a model",
                )

    def line(self, name: str) -> Contribution:
        """Return a line by its name."""
        for line in self.lines:
            if line.name == name:
                return line
        raise StudyError(
            "The budget has no such line",
            f"Use one of: {', '.join(line.name for line in self.lines)}",
            value=name,
        )

    def with_line(self, line: Contribution) -> UncertaintyBudget:
        """Return the budget with a line added, or put in the place of the one of its name."""
        names = [one.name for one in self.lines]
        if line.name not in names:
            return replace(self, lines=(*self.lines, line))
        place = names.index(line.name)
        return replace(self, lines=(*self.lines[:place], line, *self.lines[place + 1 :]))

    def without(self, name: str) -> UncertaintyBudget:
        """Return the budget without a line and its correlations."""
        kept = tuple(line for line in self.lines if line is not self.line(name))
        pairs = {pair: r for pair, r in self.correlations.items() if name not in pair}
        return replace(self, lines=kept, correlations=pairs)

    @cached_property
    def sensitivities(self) -> dict[str, float]:
        """Sensitivity of each line: as given, or from the model.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 5.1.3 note 2 (half the difference of the model at the
        estimate ± its standard uncertainty).
        """
        found = {}
        at = {line.name: np.asarray(line.estimate) for line in self.lines}
        for line in self.lines:
            if line.sensitivity is not None or self.model is None:
                found[line.name] = float(line.sensitivity or 0.0)
            elif line.standard_u == 0.0:
                found[line.name] = 0.0
            else:
                ends = [
                    self.model({**at, line.name: np.asarray(line.estimate + side)})
                    for side in (line.standard_u, -line.standard_u)
                ]
                found[line.name] = float((ends[0] - ends[1]) / (2.0 * line.standard_u))
        return found

    @cached_property
    def contributions(self) -> dict[str, float]:
        """Sensitivity times standard uncertainty of each line, in the budget's unit."""
        return {line.name: self.sensitivities[line.name] * line.standard_u for line in self.lines}

    @cached_property
    def left_out(self) -> dict[str, str]:
        """Lines that do not count, and why: each is in another one, or holds larger ones."""
        found = {}
        for container in self.lines:
            held = [
                line
                for line in self.lines
                if line.in_study is True and line.inside == container.name
            ]
            if not held:
                continue
            together = combined_uncertainty(
                np.array([self.contributions[line.name] for line in held])
            )
            if together > abs(self.contributions[container.name]):
                names = " and ".join(line.name for line in held)
                found[container.name] = f"smaller than {names}, which it holds"
            else:
                for line in held:
                    found[line.name] = f"already in {container.name}, which is larger"
        return found

    @cached_property
    def counted(self) -> tuple[Contribution, ...]:
        """The lines that count."""
        return tuple(line for line in self.lines if line.name not in self.left_out)

    @cached_property
    def _correlation(self) -> Array | None:
        names = [line.name for line in self.counted]
        pairs = {p: r for p, r in self.correlations.items() if set(p) <= set(names)}
        return correlation_matrix(names, pairs) if pairs else None

    @cached_property
    def _counted_contributions(self) -> Array:
        return np.array([self.contributions[line.name] for line in self.counted])

    @cached_property
    def standard_u(self) -> float:
        """Combined standard uncertainty."""
        return combined_uncertainty(self._counted_contributions, self._correlation)

    @cached_property
    def df(self) -> float:
        """Effective degrees of freedom (Welch-Satterthwaite)."""
        df = np.array([line.quantity.effective_df for line in self.counted])
        return effective_df(self._counted_contributions, df, self.standard_u)

    @cached_property
    def coverage(self) -> float:
        """Coverage factor: as agreed, or t at the effective degrees of freedom."""
        return self.k if self.k is not None else coverage_factor(self.df, self.level)

    @property
    def expanded(self) -> float:
        """Expanded uncertainty U = k·u."""
        return self.coverage * self.standard_u

    @cached_property
    def estimate(self) -> float:
        """The measured size at the estimates, or what they add to it without a model."""
        if self.model is not None:
            return float(self.model({one.name: np.asarray(one.estimate) for one in self.lines}))
        return sum(self.sensitivities[line.name] * line.estimate for line in self.counted)

    def against(self, tolerance: Tolerance, *, confidence: float = 0.95) -> BudgetUse:
        """Compare the uncertainty with a tolerance: share, test ratio, acceptance limits."""
        return budget_use(self.standard_u, self.expanded, tolerance, self.unit, confidence)

    def monte_carlo(
        self, *, digits: int = 2, seed: int = 1, most_draws: int = 3_000_000
    ) -> MonteCarloCheck:
        """Propagate the distributions themselves and compare (JCGM 101).

        Parameters
        ----------
        digits : int
            Significant digits of the standard uncertainty that matter: 1 or 2.
        seed : int
        most_draws : int

        Notes
        -----
        Source: JCGM 101:2008, clauses 7 and 8. Correlated influences that are not normal
        are drawn through a normal copula.
        """
        if digits not in (1, 2):
            raise StudyError("digits is neither 1 nor 2", "Give 1 or 2", value=digits)
        names = [line.name for line in self.counted]
        fixed = {line.name: np.asarray(line.estimate) for line in self.lines}
        factors = np.array([self.sensitivities[name] for name in names])

        def size(values: Array) -> Array:
            if self.model is None:
                return np.asarray(factors @ values)
            return self.model({**fixed, **dict(zip(names, values, strict=True))})

        run = propagate(
            [line.quantity for line in self.counted],
            size,
            correlation=self._correlation,
            level=self.level,
            digits=digits,
            seed=seed,
            most_draws=most_draws,
        )
        found = agreement(self.estimate, self.standard_u, self.expanded, run, digits=digits)
        return MonteCarloCheck(
            run=run,
            agreement=found,
            estimate=self.estimate,
            standard_u=self.standard_u,
            expanded=self.expanded,
            unit=self.unit,
            digits=digits,
            few_df=any(line.quantity.spread_is_endless for line in self.counted),
        )

    def to_frame(self) -> pd.DataFrame:
        """Return one row a line, the largest first.

        Columns: distribution, size, unit, standard_u, sensitivity, contribution (in the
        budget's unit), df, share_percent (of the variance; without correlations),
        counted, note.
        """
        whole = float(np.sum(self._counted_contributions**2))
        rows = []
        for line in self.lines:
            part = self.contributions[line.name]
            counts = line.name not in self.left_out
            share = 100.0 * part**2 / whole if counts and whole > 0.0 else math.nan
            rows.append(
                {
                    "line": line.name,
                    "distribution": line.distribution,
                    "size": line.size,
                    "unit": line.unit or self.unit,
                    "standard_u": line.standard_u,
                    "sensitivity": self.sensitivities[line.name],
                    "contribution": abs(part),
                    "df": line.quantity.effective_df,
                    "share_percent": share,
                    "counted": counts,
                    "note": self.left_out.get(line.name, line.formula),
                }
            )
        frame = pd.DataFrame(rows).set_index("line")
        order = ["counted", "contribution"]
        return frame.sort_values(order, ascending=False, kind="stable")

    def __str__(self) -> str:
        return budget_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return budget_html(self)
