"""What would make a method good enough, each with the GRR that is predicted."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from grr.formulas.improvement import Change, Variances, grr_after, readings_for
from grr.model.errors import StudyError
from grr.model.rounding import length, percent
from grr.model.study import Study
from grr.questions.drift import DriftNumbers, MethodDrift, drift_numbers, duration, re_zero
from grr.questions.gauge import GaugeResult
from grr.questions.method_numbers import MethodNumbers

WITHOUT_DRIFT = "without drift, that is with gloves or an insulating grip"


@dataclass(frozen=True)
class Remedy:
    """One change of the candidate and what is predicted of it.

    Attributes
    ----------
    what : str
        The change, as the beginning of a sentence.
    share : float
        Predicted share that GRR takes, in percent of what the study is judged by.
    difference : float
        Predicted mean difference from the baseline, in the unit of the study.
    enough : bool
        Whether both would then be inside what is allowed, as estimated.
    """

    what: str
    share: float
    difference: float
    enough: bool


def remedies(numbers: MethodNumbers, *, margin: float | None) -> tuple[Remedy, ...]:
    """Return what would help the candidate: means of several readings, and no drift.

    Predictions are estimates, not bounds: what a change really brings, a new study shows.
    """
    result = numbers.results[numbers.candidate]
    difference = float(numbers.difference.mean)
    found = [_several(numbers, result, difference, margin, "the mean of {n} readings")]
    drift = _drift_of(numbers.study)
    steady = None if drift is None else drift.methods.get(numbers.candidate)
    if drift is not None and steady is not None and steady.shape != "none":
        base = drift.methods.get(numbers.baseline)
        left = difference - (steady.mean - (0.0 if base is None else base.mean))
        words = _zeroed(drift, numbers, margin)
        after = _without_drift(result, steady)
        found.append(_remedy(numbers, after, left, margin, words))
        found.append(
            _several(numbers, after, left, margin, "the same, and the mean of {n} readings")
        )
    return tuple(remedy for remedy in found if remedy is not None)


def _zeroed(drift: DriftNumbers, numbers: MethodNumbers, margin: float | None) -> str:
    """Return how often to zero, or how long to hold the gauge at most."""
    if margin is None or drift.taken.unit != "min":
        return WITHOUT_DRIFT
    every = re_zero(drift, numbers.candidate, margin, math.nan).estimate
    if not math.isfinite(every):
        return WITHOUT_DRIFT
    return f"{WITHOUT_DRIFT}, or zeroed again (or put down to cool) within {duration(every)}"


def _drift_of(study: Study) -> DriftNumbers | None:
    try:
        return drift_numbers(study)
    except StudyError:
        return None


def _variances(result: GaugeResult) -> Variances:
    ev, av, interaction, grr = (
        0.0 if math.isnan(value) else value
        for value in (result.value(name, "variance") for name in ("EV", "AV", "INT", "GRR"))
    )
    return Variances(ev, av, interaction, grr, result.study.resolution)


def _without_drift(result: GaugeResult, drift: MethodDrift) -> Variances:
    """Return the variances if the readings scattered about a drift that is no more."""
    now = _variances(result)
    ev = min(float(now.repeatability), drift.scatter**2)
    gone = float(now.repeatability) - ev
    return replace(now, repeatability=ev, grr=max(ev, float(now.grr) - gone))


def _several(
    numbers: MethodNumbers,
    source: GaugeResult | Variances,
    difference: float,
    margin: float | None,
    words: str,
) -> Remedy | None:
    """Return the fewest readings whose mean would be under the limit; None if none or one."""
    now = _variances(source) if isinstance(source, GaugeResult) else source
    result = numbers.results[numbers.candidate]
    share = _share(result, math.sqrt(float(now.grr)))
    limit = result.study.rules.limit_percent
    if not share > limit:
        return None
    n = readings_for(now, float(now.grr) * (limit / share) ** 2)
    if n is None or n < 2:
        return None
    after = replace(now, grr=float(grr_after(now, Change(readings=n))))
    return _remedy(numbers, after, difference, margin, words.format(n=n))


def _remedy(
    numbers: MethodNumbers, after: Variances, difference: float, margin: float | None, what: str
) -> Remedy:
    result = numbers.results[numbers.candidate]
    share = _share(result, math.sqrt(float(after.grr)))
    inside = margin is None or abs(difference) < margin
    return Remedy(what, share, difference, share <= result.study.rules.limit_percent and inside)


def _share(result: GaugeResult, grr_sd: float) -> float:
    """Return the share that a GRR would take, in percent of what the study is judged by."""
    measure = "percent_tolerance" if result.study.purpose == "accept" else "percent_tv"
    now = result.value("GRR", "sd")
    return result.value("GRR", measure) * grr_sd / now if now > 0.0 else math.nan


def remedy_sentence(numbers: MethodNumbers, remedy: Remedy, margin: float | None) -> str:
    """Return a remedy in words."""
    of = "the tolerance" if numbers.study.purpose == "accept" else "the total variation"
    text = (
        f"{remedy.what[0].upper()}{remedy.what[1:]}: GRR of {numbers.candidate} would take about "
        f"{percent(remedy.share)} of {of}"
    )
    digit = numbers.study.resolution
    if digit is not None and abs(remedy.difference) < 0.5 * digit:
        text += f", and it would read level with {numbers.baseline}"
    elif margin is not None:
        way = "lower" if remedy.difference < 0 else "higher"
        text += (
            f", and it would read {length(abs(remedy.difference), numbers.study.unit)} {way} than "
            f"{numbers.baseline}"
        )
    verdict = "enough, as estimated" if remedy.enough else "not enough by itself"
    return f"{text}: {verdict}."
