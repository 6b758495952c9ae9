"""`grr.guard_band`: within which readings may parts be accepted?"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import ndtri

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.conformity import (
    HOLDABLE,
    Risks,
    conformance_factor,
    global_risks,
    guard_for_risk,
)
from grr.model.chance import chance
from grr.model.errors import StudyError
from grr.model.rounding import figures, length
from grr.model.tolerance import Tolerance
from grr.model.values import number, one_of
from grr.questions.acceptance_printing import guard_html, guard_text
from grr.questions.circumstances import RISK_DRAWS, Circumstances, circumstances, zone_of
from grr.questions.result import GaugeResult

RULES = ("conformance", "expanded", "risk")
#: Draws behind the interval of a guard band that holds a risk.
_DRAWS = 1000


@dataclass(frozen=True, eq=False, repr=False)
class GuardBand:
    """Acceptance limits, and what they cost.

    Attributes
    ----------
    circumstances : Circumstances
    rule : {"conformance", "expanded", "risk"}
    aim : str
        What the limits achieve, as a sentence.
    width : float
        Distance of each acceptance limit from its tolerance limit; NaN where there are no
        such limits (`possible` is False).
    lower, upper : float
        Interval of the width at ``level``; NaN where nothing was estimated, infinite
        where the interval reaches a spread that leaves no limits.
    level : float
    bias : float
        Known bias: taken off each reading, or put onto the limits.
    why_not : str
        Why there are no acceptance limits; "" where there are.
    """

    circumstances: Circumstances
    rule: str
    aim: str
    width: float
    lower: float
    upper: float
    level: float
    bias: float
    why_not: str

    @property
    def possible(self) -> bool:
        """Whether there are acceptance limits at all."""
        return not self.why_not

    @property
    def acceptance(self) -> Tolerance | None:
        """Limits for the corrected reading (known bias taken off); None where impossible."""
        return self._limits(self.width, 0.0)

    @property
    def on_the_gauge(self) -> Tolerance | None:
        """The same limits for the reading as shown, known bias in it."""
        return self._limits(self.width, self.bias)

    @property
    def cautious(self) -> Tolerance | None:
        """Limits for the corrected reading by the upper end of the width's interval."""
        return self._limits(self.upper, 0.0)

    @property
    def risks(self) -> Risks | None:
        """The risks with these limits; None without limits or without a process."""
        return self._risks(self.acceptance)

    @property
    def risks_unguarded(self) -> Risks | None:
        """The risks with the tolerance limits as acceptance limits."""
        return self._risks(self.circumstances.tolerance)

    @property
    def extra_rejected(self) -> float:
        """Share of all parts that are good and rejected more than without a guard band."""
        now, before = self.risks, self.risks_unguarded
        if now is None or before is None:
            return math.nan
        return float(now.good_rejected) - float(before.good_rejected)

    def _limits(self, width: float, moved: float) -> Tolerance | None:
        tolerance = self.circumstances.tolerance
        if not math.isfinite(width):
            return None
        lower = None if tolerance.lower is None else tolerance.lower + width + moved
        upper = None if tolerance.upper is None else tolerance.upper - width + moved
        if lower is not None and upper is not None and lower >= upper:
            return None
        return Tolerance(lower, upper)

    def _risks(self, acceptance: Tolerance | None) -> Risks | None:
        process = self.circumstances.process
        if process is None or acceptance is None:
            return None
        return global_risks(
            self.circumstances.zone,
            zone_of(acceptance),
            process_mean=process.mean,
            process_sd=process.sd,
            grr_sd=self.circumstances.grr_sd,
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the limits and what they do as a table of one row."""
        accept, shown = self.acceptance, self.on_the_gauge
        now, before = self.risks, self.risks_unguarded
        return pd.DataFrame(
            [
                {
                    "rule": self.rule,
                    "possible": self.possible,
                    "width": self.width,
                    "width_lower": self.lower,
                    "width_upper": self.upper,
                    "accept_from": None if accept is None else accept.lower,
                    "accept_to": None if accept is None else accept.upper,
                    "bias": self.bias,
                    "gauge_from": None if shown is None else shown.lower,
                    "gauge_to": None if shown is None else shown.upper,
                    "bad_accepted": math.nan if now is None else float(now.bad_accepted),
                    "good_rejected": math.nan if now is None else float(now.good_rejected),
                    "bad_accepted_unguarded": (
                        math.nan if before is None else float(before.bad_accepted)
                    ),
                    "extra_rejected": self.extra_rejected,
                }
            ]
        )

    def __str__(self) -> str:
        return guard_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return guard_html(self)


def guard_band(
    result: GaugeResult | None = None,
    *,
    rule: str = "conformance",
    tolerance: Tolerance | None = None,
    u: float | None = None,
    confidence: float = 0.95,
    k: float = 2.0,
    risk: float = 0.001,
    hold: str = "bad_accepted",
    process_mean: float | None = None,
    process_sd: float | None = None,
    observed_sd: float | None = None,
    bias: float = 0.0,
    level: float = 0.95,
) -> GuardBand:
    """Return acceptance limits that allow for the uncertainty of a reading.

    Parameters
    ----------
    result : GaugeResult, optional
        Gives what is not given by name.
    rule : {"conformance", "expanded", "risk"}
        "conformance": at the limit the true value conforms with this ``confidence``
        (ISO 14253-1: 95 %). "expanded": the older rule, one expanded uncertainty k·u.
        "risk": the consumer's risk of the whole process is at most ``risk``.
    tolerance : Tolerance, optional
    u : float, optional
        Standard uncertainty of one reading. GRR of the result by default, which leaves
        out calibration, temperature and what else the study did not vary.
    confidence : float
        For "conformance".
    k : float
        For "expanded".
    risk : float
        For "risk".
    hold : {"bad_accepted", "accepted_if_bad", "bad_if_accepted"}
        For "risk": which of the consumer's risks; see `grr.misclassification`.
    process_mean, process_sd, observed_sd : float, optional
        The process, as for `grr.misclassification`. "risk" needs it; the other rules use
        it to say what the limits cost.
    bias : float
        Known bias of the gauge. The limits hold for the corrected reading; those for the
        reading as shown are given too.
    level : float
        Confidence of the interval of the guard band.

    Returns
    -------
    GuardBand
        Where the tolerance is too small for any limits it says so.

    Raises
    ------
    StudyError
        Something is missing or cannot be used.

    Notes
    -----
    Source: ISO 14253-1:2017 (proving conformance; the factor is 1.65 for a large
    tolerance and is solved for where the tolerance is small against u); ISO
    14253-1:1998 (one expanded uncertainty); JCGM 106:2012, clauses 8.3 and 9.5.
    """
    one_of("rule", rule, RULES)
    one_of("hold", hold, HOLDABLE)
    confidence = number("confidence", confidence, above=0.5, below=1.0)
    k = number("k", k, above=0.0)
    risk = number("risk", risk, above=0.0, below=1.0)
    bias = number("bias", bias)
    level = number("level", level, above=0.0, below=1.0)
    known = circumstances(
        result,
        tolerance=tolerance,
        grr_sd=u,
        process_mean=process_mean,
        process_sd=process_sd,
        observed_sd=observed_sd,
    )
    if rule == "risk":
        width, limits = _by_risk(known, risk, hold, level)
    else:
        width, limits = _by_multiple(known, rule, confidence, k, level)
    return GuardBand(
        circumstances=known,
        rule=rule,
        aim=_aim(
            rule, confidence=confidence, k=k, risk=risk, hold=hold, factor=width / known.grr_sd
        ),
        width=width if math.isfinite(width) else math.nan,
        lower=limits[0],
        upper=limits[1],
        level=level,
        bias=bias,
        why_not="" if math.isfinite(width) else _why_not(known, rule, confidence, k),
    )


def _by_multiple(
    known: Circumstances, rule: str, confidence: float, k: float, level: float
) -> tuple[float, tuple[float, float]]:
    """Return a multiple of u, infinite where nothing is left; it rises with u, and so do limits."""
    tolerance_width = known.tolerance.width or math.inf

    def width(u: float) -> float:
        if rule == "conformance":
            factor = float(conformance_factor(tolerance_width / u, confidence))
            return math.inf if math.isnan(factor) else factor * u
        return k * u if 2.0 * k * u < tolerance_width else math.inf

    if not isinstance(known.grr_draws, np.ndarray):
        return width(known.grr_sd), (math.nan, math.nan)
    low, high = two_sided_limits(known.grr_draws, level)
    return width(known.grr_sd), (width(float(low)), width(float(high)))


def _by_risk(
    known: Circumstances, risk: float, hold: str, level: float
) -> tuple[float, tuple[float, float]]:
    process = known.process
    if process is None:
        raise StudyError(
            f"A risk of the process needs the process: {known.no_process}",
            "Give process_mean and process_sd (of true values) or observed_sd (of readings)",
        )

    def width(mean: Array | float, sd: Array | float, grr_sd: Array | float) -> Array:
        found = guard_for_risk(
            known.zone, risk, process_mean=mean, process_sd=sd, grr_sd=grr_sd, hold=hold
        )
        return np.where(np.isnan(found), np.inf, found)

    point = float(width(process.mean, process.sd, known.grr_sd))
    if not known.estimated:
        return point, (math.nan, math.nan)
    draws = (process.mean_draws, known.process_sd_draws, known.grr_draws)
    low, high = two_sided_limits(
        width(*(np.broadcast_to(d, RISK_DRAWS)[:_DRAWS] for d in draws)), level
    )
    return point, (float(low), float(high))


def _aim(rule: str, *, confidence: float, k: float, risk: float, hold: str, factor: float) -> str:
    if rule == "conformance":
        shown = "" if not math.isfinite(factor) else f"; {figures(factor, 4)}·u"
        return (
            "For a part accepted at the limit the conformance probability is "
            f"{100 * confidence:g} % (ISO 14253-1{shown})."
        )
    if rule == "expanded":
        return (
            f"The limits lie one expanded uncertainty ({k:g}·u) inside the tolerance (the older "
            "rule of ISO 14253-1)."
        )
    held = {
        "bad_accepted": "of all parts are bad and accepted",
        "accepted_if_bad": "of the bad parts are accepted",
        "bad_if_accepted": "of the accepted parts are bad",
    }[hold]
    return f"At most {chance(risk)} {held}."


def _why_not(known: Circumstances, rule: str, confidence: float, k: float) -> str:
    width, u, unit = known.tolerance.width, known.grr_sd, known.unit
    if rule == "risk" or width is None:
        return (
            "No acceptance limits hold this risk: even parts that read in the middle of the "
            "tolerance are too likely bad. Centre the process, or measure better."
        )
    needed = 2.0 * (k if rule == "expanded" else float(ndtri(0.5 + 0.5 * confidence)))
    return (
        f"The tolerance is {figures(width / u, 3)} times the uncertainty u and would have to be "
        f"at least {figures(needed, 3)} times: u may be at most {length(width / needed, unit)}. "
        "With this measurement no reading proves that a part is good."
    )
