"""An uncertainty against a tolerance: share, test uncertainty ratio, acceptance limits."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grr.formulas.capability import percent_of_width
from grr.formulas.conformity import conformance_factor
from grr.model import tables
from grr.model.errors import StudyError
from grr.model.limits import limits_text
from grr.model.rounding import length, percent
from grr.model.tolerance import Tolerance


@dataclass(frozen=True, repr=False)
class BudgetUse:
    """What an uncertainty leaves of a tolerance.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    standard_u, expanded : float
    q_mp : float
        2·U/T with U = 2·u, in percent (ISO 22514-7, from memory); NaN with one limit.
    ratio : float
        Test uncertainty ratio T/(2·U), U at 95 % (ANSI/NCSL Z540.3, from memory).
    guard : float
        Distance of the acceptance limits from the tolerance limits (ISO 14253-1).
    acceptance : Tolerance or None
        Limits between which a corrected reading proves conformance; None where none does.
    confidence : float
        Of that proof.
    """

    tolerance: Tolerance
    unit: str
    standard_u: float
    expanded: float
    q_mp: float
    ratio: float
    guard: float
    acceptance: Tolerance | None
    confidence: float

    @property
    def left_percent(self) -> float:
        """Share of the tolerance between the acceptance limits, in percent; NaN with one limit."""
        if self.tolerance.width is None:
            return math.nan
        if self.acceptance is None or self.acceptance.width is None:
            return 0.0
        return 100.0 * self.acceptance.width / self.tolerance.width

    def to_frame(self) -> pd.DataFrame:
        """Return a table of one row."""
        lower = math.nan if self.acceptance is None else self.acceptance.lower
        upper = math.nan if self.acceptance is None else self.acceptance.upper
        return pd.DataFrame(
            [
                {
                    "standard_u": self.standard_u,
                    "expanded": self.expanded,
                    "q_mp_percent": self.q_mp,
                    "test_uncertainty_ratio": self.ratio,
                    "guard": self.guard,
                    "accept_from": lower,
                    "accept_to": upper,
                }
            ]
        )

    def _sentences(self) -> list[str]:
        width = self.tolerance.width
        lines = []
        if width is not None:
            lines.append(
                f"Tolerance {limits_text(self.tolerance, self._step(), self.unit)}, "
                f"{length(width, self.unit, 3)} wide: twice the expanded uncertainty (k = 2) takes "
                f"{percent(self.q_mp)} of it (Q_MP), the test uncertainty ratio is "
                f"{self.ratio:.2g} to 1."
            )
        if self.acceptance is None:
            lines.append(
                "No reading proves that a part is in tolerance: the uncertainty is too large."
            )
        else:
            lines.append(
                f"By ISO 14253-1 a reading, corrected for known bias, proves with "
                f"{100 * self.confidence:g} % that the part is in tolerance when it is "
                f"{limits_text(self.acceptance, self._step(), self.unit)} (a guard band of "
                f"{length(self.guard, self.unit)} at each limit)."
            )
        return lines

    def _step(self) -> float:
        """Return a resolution that shows the guard band to two figures."""
        if not (math.isfinite(self.guard) and self.guard > 0.0):
            return 10.0 ** (math.floor(math.log10(self.expanded)) - 1) if self.expanded else 1e-4
        return float(10.0 ** (math.floor(math.log10(self.guard)) - 1))

    def __str__(self) -> str:
        return "\n".join(tables.paragraph(line) for line in self._sentences())

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return tables.html_prose(*self._sentences())


def budget_use(
    standard_u: float, expanded: float, tolerance: Tolerance, unit: str, confidence: float
) -> BudgetUse:
    """Return what the uncertainty leaves of the tolerance.

    Notes
    -----
    Source: ISO 14253-1:2017, by `grr.formulas.conformity.conformance_factor`.
    """
    if not isinstance(tolerance, Tolerance):
        raise StudyError(
            "The tolerance is not a Tolerance",
            "Write grr.Tolerance(lower=..., upper=...)",
            value=tolerance,
        )
    width = tolerance.width
    if standard_u == 0.0:
        factor = 0.0
    else:
        in_u = np.inf if width is None else width / standard_u
        factor = float(conformance_factor(in_u, confidence))
    guard = factor * standard_u
    acceptance = None
    if not math.isnan(guard) and (width is None or width > 2.0 * guard):
        acceptance = Tolerance(
            None if tolerance.lower is None else tolerance.lower + guard,
            None if tolerance.upper is None else tolerance.upper - guard,
        )
    span = math.nan if width is None else width
    return BudgetUse(
        tolerance=tolerance,
        unit=unit,
        standard_u=standard_u,
        expanded=expanded,
        q_mp=float(percent_of_width(standard_u, span)),
        ratio=span / (2.0 * expanded) if expanded > 0.0 else math.inf,
        guard=guard,
        acceptance=acceptance,
        confidence=confidence,
    )
