"""The result of readings of one reference part: what `grr.reference_study` returns."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import pandas as pd

from grr.formulas.bias import Bias, with_reference_uncertainty
from grr.formulas.capability import (
    LIMIT_SYSTEM,
    GaugeCapability,
    SystemUncertainty,
    percent_of_width,
    process_uncertainty,
    smallest_tolerance,
    smallest_width,
)
from grr.formulas.confidence_limits import sd_interval
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.questions.reference_printing import reference_html, reference_text
from grr.questions.result import GaugeResult

#: Resolution as a share of the tolerance (common practice; AIAG MSA, from memory).
RESOLUTION_SHARE = 0.1


class Quantity(NamedTuple):
    """A quantity, its two-sided interval, and what is asked of it; NaN where there is none."""

    estimate: float
    lower: float = math.nan
    upper: float = math.nan
    limit: float = math.nan


@dataclass(frozen=True)
class Requirement:
    """What is asked of Cg and Cgk, and the confidence of the intervals."""

    share: float
    multiple: float
    limit: float
    level: float


@dataclass(frozen=True, eq=False, repr=False)
class ReferenceResult:
    """Bias and repeatability on one reference part.

    Attributes
    ----------
    readings : tuple of float
    missing : int
    reference, reference_u : float
        Calibrated value and its standard uncertainty.
    tolerance : Tolerance or None
    unit : str
    resolution : float or None
    asked : Requirement
    by_sd, by_range : Bias
        The t test by the standard deviation, and by the manual's range form.
    capability : GaugeCapability or None
        Cg and Cgk; `reasons` says why not.
    system : SystemUncertainty
        Contributions of ISO 22514-7 that this study shows.
    reasons : dict
        Quantity → why it is not estimated.
    floored : bool
        Whether the repeatability is the rounding error of the gauge.
    notes : tuple of str
    title : str
    example : bool
    """

    readings: tuple[float, ...]
    missing: int
    reference: float
    reference_u: float
    tolerance: Tolerance | None
    unit: str
    resolution: float | None
    asked: Requirement
    by_sd: Bias
    by_range: Bias
    capability: GaugeCapability | None
    system: SystemUncertainty
    reasons: dict[str, str]
    floored: bool
    notes: tuple[str, ...]
    title: str = ""
    example: bool = False

    @property
    def bias(self) -> float:
        """Mean minus reference value."""
        return float(self.by_sd.bias)

    @property
    def bias_interval(self) -> tuple[float, float]:
        """Interval of the bias, the reference value's uncertainty in it."""
        lower, upper = with_reference_uncertainty(self.by_sd, self.reference_u)
        return float(lower), float(upper)

    @property
    def sd(self) -> float:
        """Repeatability standard deviation."""
        return float(self.by_sd.sd)

    @property
    def cg(self) -> float:
        """Cg; NaN where not estimated."""
        return math.nan if self.capability is None else float(self.capability.cg)

    @property
    def cgk(self) -> float:
        """Cgk; NaN where not estimated."""
        return math.nan if self.capability is None else float(self.capability.cgk)

    @property
    def width(self) -> float:
        """Tolerance width; NaN where there is none."""
        width = None if self.tolerance is None else self.tolerance.width
        return math.nan if width is None else width

    @property
    def q_ms(self) -> float:
        """Q_MS in percent (ISO 22514-7, from memory); NaN where not estimated."""
        return float(percent_of_width(self.system.combined, self.width))

    def q_mp(self, study: GaugeResult) -> float:
        """Return Q_MP in percent: this reference together with a study on real parts.

        Operators, interaction and the repeatability on parts join in; temperature and
        whatever else the study does not hold need an uncertainty budget.

        Parameters
        ----------
        study : GaugeResult
            In the same unit.

        Raises
        ------
        StudyError
            The study is in another unit.

        Notes
        -----
        Source: ISO 22514-7 (from memory; limit 30 %).
        """
        if study.study.unit != self.unit:
            raise StudyError(
                "The study is in another unit than the reference",
                "Use one unit for both",
                value=f"{study.study.unit or 'no unit'} and {self.unit or 'no unit'}",
            )
        ev, av, interaction = (study.value(name, "sd") for name in ("EV", "AV", "INT"))
        u = process_uncertainty(
            self.system,
            repeatability_on_parts=ev,
            operators=0.0 if math.isnan(av) else av,
            interaction=0.0 if math.isnan(interaction) else interaction,
        )
        return float(percent_of_width(u, self.width))

    @property
    def resolution_percent(self) -> float:
        """Resolution in percent of the tolerance; NaN where not known."""
        return math.nan if self.resolution is None else 100.0 * self.resolution / self.width

    @property
    def smallest_tolerance(self) -> float:
        """The smallest tolerance at which all would pass; NaN where not known.

        Resolution, Cg, Cgk and Q_MS are asked.
        """
        if self.sd == 0.0:
            return math.nan
        asked = self.asked
        widths = [
            float(
                smallest_tolerance(
                    self.bias,
                    self.sd,
                    share=asked.share,
                    multiple=asked.multiple,
                    limit=asked.limit,
                )
            ),
            smallest_width(self.system.combined, LIMIT_SYSTEM),
            (self.resolution or 0.0) / RESOLUTION_SHARE,
        ]
        return max(widths)

    def quantities(self) -> dict[str, Quantity]:
        """Return every quantity by name, with its interval and what is asked of it."""
        sd = cg = cgk = (math.nan, math.nan)
        if not self.floored and self.sd > 0.0:
            low, high = sd_interval(self.sd, len(self.readings) - 1, level=self.asked.level)
            sd = (float(low), float(high))
        found = self.capability
        if not self.floored and found is not None:
            cg = (float(found.cg_lower), float(found.cg_upper))
            cgk = (float(found.cgk_lower), float(found.cgk_upper))
        by_sd = (float(self.by_sd.lower), float(self.by_sd.upper))
        by_range = (float(self.by_range.lower), float(self.by_range.upper))
        most = self.asked.share * self.width / 2.0
        return {
            "mean": Quantity(float(self.by_sd.mean)),
            "bias": Quantity(self.bias, *by_sd, limit=most),
            "bias_by_range": Quantity(self.bias, *by_range, limit=most),
            "bias_with_reference": Quantity(self.bias, *self.bias_interval, limit=most),
            "repeatability_sd": Quantity(self.sd, *sd),
            "Cg": Quantity(self.cg, *cg, limit=self.asked.limit),
            "Cgk": Quantity(self.cgk, *cgk, limit=self.asked.limit),
            "Q_MS": Quantity(self.q_ms, limit=LIMIT_SYSTEM),
            "resolution_percent": Quantity(self.resolution_percent, limit=100.0 * RESOLUTION_SHARE),
            "smallest_tolerance": Quantity(self.smallest_tolerance, limit=self.width),
        }

    def to_frame(self) -> pd.DataFrame:
        """Return one row a quantity: estimate, lower, upper (the interval), limit."""
        rows = self.quantities()
        return pd.DataFrame(
            list(rows.values()),
            index=pd.Index(list(rows), name="quantity"),
            columns=list(Quantity._fields),
        )

    def __str__(self) -> str:
        return reference_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return reference_html(self)
