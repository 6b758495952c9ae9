"""`grr.misclassification`: how many parts are judged wrongly, and which way."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields
from functools import partial

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.conformity import Risks, global_risks, specific_risk
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.values import number
from grr.questions.circumstances import Circumstances, Process, circumstances, zone_of
from grr.questions.misclassifying_printing import risks_html, risks_text
from grr.questions.result import GaugeResult

#: What happens to a part: name → in words.
MEANINGS = {
    "bad": "a part is bad (out of tolerance)",
    "accepted": "a part is accepted",
    "bad_accepted": "a part is bad and accepted",
    "good_rejected": "a part is good and rejected",
    "accepted_if_bad": "a bad part is accepted",
    "bad_if_accepted": "an accepted part is bad",
    "rejected_if_good": "a good part is rejected",
    "good_if_rejected": "a rejected part is good",
    "reading_bad": "the part with this reading is bad",
    "reading_bad_without_process": "the same, by the reading alone",
}


@dataclass(frozen=True, eq=False, repr=False)
class Misclassification:
    """Probabilities that parts are judged wrongly.

    Attributes
    ----------
    table : DataFrame
        Index: bad, accepted, bad_accepted (global consumer's risk), good_rejected (global
        producer's risk), accepted_if_bad, bad_if_accepted, rejected_if_good,
        good_if_rejected, and for a given reading reading_bad and
        reading_bad_without_process; columns meaning, estimate, lower, upper.
    circumstances : Circumstances
        Tolerance, measuring system and process.
    process : Process
    acceptance : Tolerance
        Limits of the readings at which a part is accepted.
    bias : float
    reading : float or None
    level : float
        Confidence of the intervals.
    """

    table: pd.DataFrame
    circumstances: Circumstances
    process: Process
    acceptance: Tolerance
    bias: float
    reading: float | None
    level: float

    def value(self, name: str) -> float:
        """Return one probability, such as ``value("bad_accepted")``."""
        if name not in self.table.index:
            raise StudyError(
                "There is no risk of this name",
                f"Use one of: {', '.join(self.table.index)}",
                value=name,
            )
        return float(self.table["estimate"][name])

    def to_frame(self) -> pd.DataFrame:
        """Return the table of probabilities."""
        return self.table.copy()

    def __str__(self) -> str:
        return risks_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return risks_html(self)


def misclassification(
    result: GaugeResult | None = None,
    *,
    tolerance: Tolerance | None = None,
    acceptance: Tolerance | None = None,
    process_mean: float | None = None,
    process_sd: float | None = None,
    observed_sd: float | None = None,
    grr_sd: float | None = None,
    bias: float = 0.0,
    reading: float | None = None,
    level: float = 0.95,
) -> Misclassification:
    """Return how likely it is that a part is judged wrongly by one reading.

    Parameters
    ----------
    result : GaugeResult, optional
        Gives what is not given by name: tolerance, GRR, mean and part variation; then
        every probability carries the interval that the study allows.
    tolerance : Tolerance, optional
        What makes a part good.
    acceptance : Tolerance, optional
        Readings at which a part is accepted; the tolerance by default. See
        `grr.guard_band`.
    process_mean : float, optional
    process_sd : float, optional
        Standard deviation of the parts' *true* values.
    observed_sd : float, optional
        Standard deviation of *readings* of the process; GRR is taken off it.
    grr_sd : float, optional
        Standard deviation of the error of one reading.
    bias : float
        Mean error of the readings that are compared with the acceptance limits; 0 where
        a known bias is corrected.
    reading : float, optional
        One reading: how likely is this part bad?
    level : float
        Confidence of the two-sided intervals.

    Returns
    -------
    Misclassification

    Raises
    ------
    StudyError
        Something is missing or cannot be used, such as a process sd of 0.

    Notes
    -----
    True values and errors are taken as normal. Exact by integration, not by simulation.
    Source: JCGM 106:2012, clauses 9.3 to 9.5 (global and conditional risks), clause 7 and
    A.4 (one reading).
    """
    known = circumstances(
        result,
        tolerance=tolerance,
        grr_sd=grr_sd,
        process_mean=process_mean,
        process_sd=process_sd,
        observed_sd=observed_sd,
    )
    if known.process is None:
        raise StudyError(
            f"Risks need the process: {known.no_process}",
            "Give process_mean and process_sd (of true values) or observed_sd (of readings)",
        )
    if acceptance is not None and not isinstance(acceptance, Tolerance):
        raise StudyError(
            "The acceptance limits are not a Tolerance",
            "Write acceptance=grr.Tolerance(lower=..., upper=...)",
            value=acceptance,
        )
    level = number("level", level, above=0.0, below=1.0)
    bias = number("bias", bias)
    accept = known.tolerance if acceptance is None else acceptance
    at = None if reading is None else number("reading", reading)
    process = known.process
    risks = partial(_all_risks, known, accept, bias=bias, reading=at)
    point = risks(mean=process.mean, sd=process.sd, grr_sd=known.grr_sd)
    if known.estimated:
        draws = risks(
            mean=process.mean_draws,
            sd=known.process_sd_draws,
            grr_sd=known.grr_draws,
        )
        limits = {name: two_sided_limits(np.atleast_1d(d), level) for name, d in draws.items()}
    else:
        limits = {}
    rows = [
        (
            MEANINGS[name],
            float(value),
            *((float(v) for v in limits[name]) if limits else (math.nan, math.nan)),
        )
        for name, value in point.items()
    ]
    table = pd.DataFrame(
        rows,
        index=pd.Index(list(point), name="risk"),
        columns=["meaning", "estimate", "lower", "upper"],
    )
    return Misclassification(table, known, process, accept, bias, at, level)


def _all_risks(
    known: Circumstances,
    acceptance: Tolerance,
    *,
    bias: float,
    reading: float | None,
    mean: Array | float,
    sd: Array | float,
    grr_sd: Array | float,
) -> dict[str, Array]:
    risks = global_risks(
        known.zone,
        zone_of(acceptance),
        process_mean=mean,
        process_sd=sd,
        grr_sd=grr_sd,
        bias=bias,
    )
    found = {field.name: getattr(risks, field.name) for field in fields(Risks)}
    if reading is not None:
        about: dict[str, Array | float] = {"grr_sd": grr_sd, "bias": bias}
        found["reading_bad"] = specific_risk(
            reading, known.zone, process_mean=mean, process_sd=sd, **about
        )
        found["reading_bad_without_process"] = specific_risk(reading, known.zone, **about)
    return found
