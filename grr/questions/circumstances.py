"""What a question about risks needs to know: tolerance, gauge and process.

From a result, from plain numbers, or from both: a number given replaces the result's.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import variance_draws
from grr.formulas.conformity import Zone, refuse_values_without_risk
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.values import number
from grr.questions.pivoting import pivots_of, yardstick_of
from grr.questions.result import GaugeResult

#: Draws behind the interval of a risk.
RISK_DRAWS = 4000


@dataclass(frozen=True)
class Process:
    """Mean and sd of the parts' true values: the value, and draws of it where estimated."""

    mean: float
    sd: float
    mean_draws: Array | float
    sd_draws: Array | float
    sd_is: str


@dataclass(frozen=True)
class Circumstances:
    """Tolerance, spread of the measuring system, and the process where it is known.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    resolution : float or None
    title : str
        What the numbers are from; "" for plain numbers.
    example : bool
    grr_sd : float
    grr_draws : ndarray or float
        Draws of it where it was estimated from a study; the value where it was given.
    grr_is : str
        Where it comes from.
    process : Process or None
    no_process : str
        Why there is no process.
    """

    tolerance: Tolerance
    unit: str
    resolution: float | None
    title: str
    example: bool
    grr_sd: float
    grr_draws: Array | float
    grr_is: str
    process: Process | None
    no_process: str

    @property
    def zone(self) -> Zone:
        """The tolerance zone for the formulas."""
        return zone_of(self.tolerance)

    @property
    def estimated(self) -> bool:
        """Whether anything comes from a study and has an interval."""
        process = self.process
        return any(
            isinstance(value, np.ndarray)
            for value in (
                self.grr_draws,
                *((process.mean_draws, process.sd_draws) if process else ()),
            )
        )

    @property
    def process_sd_draws(self) -> Array | float:
        """Draws of the process sd, none so small that a risk cannot be held as a number.

        A study may be compatible with parts that do not differ at all. A floor at a 35th
        of the distance to the nearest limit changes no probability by more than 1e-260,
        and keeps those that are conditional on a bad part defined.
        """
        process = self.process
        if process is None:
            return math.nan
        mean = process.mean_draws
        distance = np.minimum(np.abs(mean - self.zone.lower), np.abs(self.zone.upper - mean))
        floor = np.maximum(distance / 35.0, 1e-3 * np.asarray(self.grr_draws))
        return np.maximum(process.sd_draws, floor)


def zone_of(tolerance: Tolerance) -> Zone:
    """Return limits as numbers, infinite where there is none."""
    return Zone(
        -math.inf if tolerance.lower is None else tolerance.lower,
        math.inf if tolerance.upper is None else tolerance.upper,
    )


def circumstances(
    result: GaugeResult | None,
    *,
    tolerance: Tolerance | None,
    grr_sd: float | None,
    process_mean: float | None,
    process_sd: float | None,
    observed_sd: float | None,
) -> Circumstances:
    """Collect tolerance, gauge and process from a result and from numbers given.

    Raises
    ------
    StudyError
        No tolerance, no spread of the measuring system, or a value that cannot be used.
    """
    if result is not None and not isinstance(result, GaugeResult):
        raise StudyError(
            "The first argument is not a result of a gauge study",
            "Give what grr.anova returned, or give the numbers by name",
            value=type(result).__name__,
        )
    study = None if result is None else result.study
    limits = tolerance if tolerance is not None else (study.tolerance if study else None)
    if not isinstance(limits, Tolerance):
        raise StudyError(
            "There is no tolerance, so no part is good or bad",
            "Give tolerance=grr.Tolerance(lower=..., upper=...)",
            value=limits,
        )
    grr, grr_draws = _gauge(result, grr_sd)
    process, reason = _process(
        result, grr, grr_draws, mean=process_mean, sd=process_sd, observed=observed_sd
    )
    return Circumstances(
        tolerance=limits,
        unit="" if study is None else study.unit,
        resolution=None if study is None else study.resolution,
        title="" if study is None else study.summary,
        example=study is not None and study.example,
        grr_sd=grr,
        grr_draws=grr_draws,
        grr_is="given" if grr_sd is not None else "GRR of this study",
        process=process,
        no_process=reason,
    )


def _gauge(result: GaugeResult | None, given: float | None) -> tuple[float, Array | float]:
    if given is not None:
        value = number("grr_sd", given)
        refuse_values_without_risk(0.0, 1.0, value)
        return value, value
    if result is None:
        raise StudyError(
            "The spread of the measuring system is missing",
            "Give a result of grr.anova, or grr_sd",
        )
    value = result.value("GRR", "sd")
    if not value > 0.0:
        raise StudyError(
            "GRR was found to be 0: the readings repeat to the last digit",
            "State the gauge's resolution in the study, so that its rounding error counts",
        )
    pivots = pivots_of(result, draws=RISK_DRAWS)
    return value, np.sqrt(variance_draws(pivots, "GRR", yardstick_of(result)))


def _process(
    result: GaugeResult | None,
    grr: float,
    grr_draws: Array | float,
    *,
    mean: float | None,
    sd: float | None,
    observed: float | None,
) -> tuple[Process | None, str]:
    if sd is not None and observed is not None:
        raise StudyError(
            "Both the true and the observed sd of the process were given",
            "Give process_sd (true values) or observed_sd (readings), not both",
        )
    centre, centre_draws, why = _mean(result, mean)
    if why:
        return None, why
    if sd is not None:
        value = number("process_sd", sd)
        refuse_values_without_risk(centre, value, grr)
        return Process(centre, value, centre_draws, value, "given"), ""
    if observed is not None:
        total = number("observed_sd", observed)
        if total <= grr:
            raise StudyError(
                "The observed sd of the process is not above that of the measuring system alone",
                "Check both: the readings of a process contain the measuring system's spread",
                value=f"{total:g} and {grr:g}",
            )
        draws = np.sqrt(np.maximum(total**2 - np.square(grr_draws), 0.0))
        value = math.sqrt(total**2 - grr**2)
        return Process(centre, value, centre_draws, draws, "observed less GRR"), ""
    if result is None:
        return None, "no sd of the process was given"
    return _from_study(result, centre, centre_draws)


def _mean(result: GaugeResult | None, given: float | None) -> tuple[float, Array | float, str]:
    if given is None and result is not None:
        given = result.study.process_mean
    if given is not None:
        value = number("process_mean", given)
        return value, value, ""
    if result is None:
        return math.nan, math.nan, "no mean of the process was given"
    if result.study.parts_from == "chosen":
        return math.nan, math.nan, "the parts were chosen, so their mean is not the process's"
    return result.mean, pivots_of(result, draws=RISK_DRAWS).mean, ""


def _from_study(
    result: GaugeResult, centre: float, centre_draws: Array | float
) -> tuple[Process | None, str]:
    study = result.study
    if study.parts_from == "chosen" and study.process_sd is None:
        return None, "the parts were chosen, so how they differ is not how the process varies"
    value = result.value("PV", "sd")
    if math.isnan(value):
        return None, result.reasons.get("PV", "the part variation was not estimated")
    if value == 0.0:
        return None, "the part variation was estimated as 0, so the sd of the process is not known"
    pivots = pivots_of(result, draws=RISK_DRAWS)
    draws = np.sqrt(variance_draws(pivots, "PV", yardstick_of(result)))
    source = "part variation (PV) of this study"
    if study.process_sd is not None:
        source = "process sd of the records less GRR"
    return Process(centre, value, centre_draws, draws, source), ""
