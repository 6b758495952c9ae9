"""Risks of a wrong decision when parts are accepted by their readings.

Source: JCGM 106:2012, clause 9.3 (outcomes of a decision), 9.4 (joint density of true
value and reading) and 9.5 (global risks); clause 7 and A.4 (conformance probability of
one item). Clause numbers from memory.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from grr.formulas.arrays import Array
from grr.formulas.normal_pair import interval_probability, rectangle_probability
from grr.model.errors import StudyError

Value = Array | float
#: Limits of the true value, and limits of the reading.
Rectangle = tuple[Value, Value, Value, Value]


@dataclass(frozen=True)
class Zone:
    """A tolerance or acceptance zone: its limits, infinite where there is none."""

    lower: Value = -np.inf
    upper: Value = np.inf

    def moved(self, distance: Value) -> Zone:
        """Return both limits moved up by a distance."""
        return Zone(self.lower + distance, self.upper + distance)

    def narrowed(self, guard: Value) -> Zone:
        """Return both limits moved inwards by a guard band."""
        return Zone(self.lower + guard, self.upper - guard)


@dataclass(frozen=True)
class Risks:
    """Probabilities of what can happen to a part of the process; each of shape (...).

    Attributes
    ----------
    bad, accepted : ndarray
        A part is out of tolerance; a part is accepted.
    bad_accepted : ndarray
        A part is bad and accepted: the global consumer's risk.
    good_rejected : ndarray
        A part is good and rejected: the global producer's risk.
    accepted_if_bad, bad_if_accepted : ndarray
        A bad part is accepted; an accepted part is bad (conditional risks). NaN where
        the condition has no probability that a computer can hold.
    rejected_if_good, good_if_rejected : ndarray
        A good part is rejected; a rejected part is good.
    """

    bad: Array
    accepted: Array
    bad_accepted: Array
    good_rejected: Array
    accepted_if_bad: Array
    bad_if_accepted: Array
    rejected_if_good: Array
    good_if_rejected: Array


def global_risks(
    tolerance: Zone,
    acceptance: Zone | None = None,
    *,
    process_mean: Value,
    process_sd: Value,
    grr_sd: Value,
    bias: Value = 0.0,
) -> Risks:
    """Return the risks for parts of a normal process and a gauge with a normal error.

    Parameters
    ----------
    tolerance : Zone
        What makes a part good.
    acceptance : Zone, optional
        Readings at which a part is accepted; the tolerance by default.
    process_mean, process_sd : ndarray or float, shape (...)
        Of the parts' true values: not of the readings, whose sd contains the gauge's.
    grr_sd : ndarray or float, shape (...)
        Standard deviation of the error of one reading.
    bias : ndarray or float, shape (...)
        Mean error of the readings as they are compared with the acceptance limits.

    Returns
    -------
    Risks
        Each to 1e-9 relative, small ones included.

    Raises
    ------
    StudyError
        A standard deviation that is not above 0, or a value that is not finite.

    Notes
    -----
    Source: JCGM 106:2012, clauses 9.3 to 9.5.
    """
    refuse_values_without_risk(process_mean, process_sd, grr_sd, bias)
    read = (tolerance if acceptance is None else acceptance).moved(-np.asarray(bias))
    process = (process_mean, process_sd, grr_sd)
    chances = _chances(
        [*_bad_accepted(tolerance, read), *_good_rejected(tolerance, read)], *process
    )
    bad_accepted, good_rejected = chances[:2].sum(axis=0), chances[2:].sum(axis=0)
    reading_sd = np.hypot(process_sd, grr_sd)
    bad = _outside(tolerance, process_mean, process_sd)
    is_good = _inside(tolerance, process_mean, process_sd)
    accepted = _inside(read, process_mean, reading_sd)
    return Risks(
        bad=bad,
        accepted=accepted,
        bad_accepted=bad_accepted,
        good_rejected=good_rejected,
        accepted_if_bad=_share(bad_accepted, bad),
        bad_if_accepted=_share(bad_accepted, accepted),
        rejected_if_good=_share(good_rejected, is_good),
        good_if_rejected=_share(good_rejected, _outside(read, process_mean, reading_sd)),
    )


def consumers_risk(
    tolerance: Zone,
    acceptance: Zone,
    *,
    process_mean: Value,
    process_sd: Value,
    grr_sd: Value,
    bias: Value = 0.0,
) -> Array:
    """Return only P(bad and accepted): half the work of `global_risks`."""
    read = acceptance.moved(-np.asarray(bias))
    rectangles = _bad_accepted(tolerance, read)
    return np.asarray(_chances(rectangles, process_mean, process_sd, grr_sd).sum(axis=0))


def specific_risk(
    reading: Value,
    tolerance: Zone,
    *,
    grr_sd: Value,
    bias: Value = 0.0,
    process_mean: Value | None = None,
    process_sd: Value | None = None,
) -> Array:
    """Return the probability that the part with this reading is out of tolerance.

    With the process known, the true value given the reading x is normal with
    1/s² = 1/process_sd² + 1/grr_sd² and mean s²·[process_mean/process_sd² +
    (x − bias)/grr_sd²]; without, it is normal with mean x − bias and sd grr_sd.

    Parameters
    ----------
    reading : ndarray or float, shape (...)
    tolerance : Zone
    grr_sd, bias : ndarray or float, shape (...)
    process_mean, process_sd : ndarray or float, shape (...), optional
        Of the true values; both or neither.

    Raises
    ------
    StudyError
        A standard deviation that is not above 0, or only one of mean and sd.

    Notes
    -----
    Source: JCGM 106:2012, clause 7 (conformance probability) and A.4 (normal prior and
    normal error).
    """
    corrected = np.asarray(reading, np.float64) - bias
    if (process_mean is None) != (process_sd is None):
        raise StudyError(
            "The process needs both its mean and its sd", "Give both, or leave both out"
        )
    if process_mean is None or process_sd is None:
        refuse_values_without_risk(0.0, 1.0, grr_sd, bias)
        _refuse_unless_finite("reading", reading)
        return _outside(tolerance, corrected, grr_sd)
    refuse_values_without_risk(process_mean, process_sd, grr_sd, bias)
    trust = np.square(process_sd) / (np.square(process_sd) + np.square(grr_sd))
    mean = process_mean + trust * (corrected - process_mean)
    return _outside(tolerance, mean, np.sqrt(trust) * grr_sd)


def _bad_accepted(tolerance: Zone, read: Zone) -> list[Rectangle]:
    return [
        (-np.inf, tolerance.lower, read.lower, read.upper),
        (tolerance.upper, np.inf, read.lower, read.upper),
    ]


def _good_rejected(tolerance: Zone, read: Zone) -> list[Rectangle]:
    return [
        (tolerance.lower, tolerance.upper, -np.inf, read.lower),
        (tolerance.lower, tolerance.upper, read.upper, np.inf),
    ]


def _chances(rectangles: list[Rectangle], mean: Value, sd: Value, error_sd: Value) -> Array:
    """Return the chances of limits of true value and reading; shape (rectangles, ...)."""
    given = [value for rectangle in rectangles for value in rectangle]
    shape = np.broadcast_shapes(*(np.shape(value) for value in (*given, mean, sd, error_sd)))
    low, high, read_low, read_high = (
        np.stack([np.broadcast_to(rectangle[i], shape) for rectangle in rectangles])
        for i in range(4)
    )
    return rectangle_probability(
        (low, high), (read_low, read_high), mean=mean, sd=sd, error_sd=error_sd
    )


def _outside(limits: Zone, mean: Value, sd: Value) -> Array:
    below, above = (limits.lower - mean) / sd, (limits.upper - mean) / sd
    return np.asarray(ndtr(below) + ndtr(-np.asarray(above)))


def _inside(limits: Zone, mean: Value, sd: Value) -> Array:
    return interval_probability((limits.lower - mean) / sd, (limits.upper - mean) / sd)


def _share(part: Array, whole: Array) -> Array:
    usable = whole > 0.0
    return np.where(usable, part / np.where(usable, whole, 1.0), np.nan)


def refuse_values_without_risk(
    mean: Value, process_sd: Value, grr_sd: Value, bias: Value = 0.0
) -> None:
    """Refuse a standard deviation that is not above 0, and a value that is not finite."""
    if np.any(np.asarray(process_sd) == 0.0):
        raise StudyError(
            "The process sd is 0: if all parts are alike, all are good or all are bad, and "
            "there is no share of either",
            "Give the sd of the parts' true values, more than 0",
            value=0,
        )
    if np.any(np.asarray(grr_sd) == 0.0):
        raise StudyError(
            "The sd of the measuring system is 0: without error there is no risk",
            "Give its GRR sd, or the rounding error of the gauge (resolution/√12)",
            value=0,
        )
    for name, sd in (("process sd", process_sd), ("GRR sd", grr_sd)):
        array = np.asarray(sd, np.float64)
        if not (np.isfinite(array).all() and (array > 0.0).all()):
            raise StudyError(f"The {name} is not above 0", "Give a standard deviation", value=sd)
    _refuse_unless_finite("process mean", mean)
    _refuse_unless_finite("bias", bias)


def _refuse_unless_finite(name: str, value: Value) -> None:
    if not np.isfinite(np.asarray(value, np.float64)).all():
        raise StudyError(f"The {name} is not a finite number", "Give a number", value=value)
