"""Decisions of conformity: their risks, and acceptance limits that keep the risks small."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import erfcx, ndtr, ndtri, owens_t

from grr.formulas.arrays import Array, quotient
from grr.model.errors import StudyError
from grr.model.values import number, one_of

# The chance that a part's true value and its reading each fall between two limits.
# ---------------------------------------------------------------------------------
# Every risk of a wrong decision is a sum of such chances. Each one comes from Owen's T, and
# where the terms of that formula would cancel it is integrated directly instead, so that a
# risk of 1e-12 is as exact as one of 0.1.

#: A chance under this share of the terms that it is the difference of is integrated.
_CANCELLED = 1e-4

#: Where a normal curve has dropped to about 1e-16 of its height, in standard deviations.
_REACH = 8.5
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(16)
#: Where panels are split at the edge of the acceptance zone, in sds of the error.
_SHOULDER = np.arange(-8.0, 9.0, 2.0)
_ROWS = 1000


def interval_probability(lower: Array | float, upper: Array | float) -> Array:
    """Return Φ(upper) − Φ(lower), exact in both tails; 0 where the limits are reversed.

    Parameters
    ----------
    lower, upper : ndarray or float, shape (...)
        Standardised limits, infinite where there is none.
    """
    lower, upper = np.asarray(lower, np.float64), np.asarray(upper, np.float64)
    flipped = lower > 0.0
    low = np.where(flipped, -upper, lower)
    high = np.where(flipped, -lower, upper)
    return np.asarray(np.maximum(ndtr(high) - ndtr(low), 0.0))


def rectangle_probability(
    true_limits: tuple[Array | float, Array | float],
    reading_limits: tuple[Array | float, Array | float],
    *,
    mean: Array | float,
    sd: Array | float,
    error_sd: Array | float,
) -> Array:
    """Return P(true value between its limits and reading between its limits).

    The true value is normal (mean, sd); the reading is the true value plus a normal
    error (0, error_sd). A chance is the sum over the corners of the rectangle, signs
    alternating, of the bivariate normal distribution function (`_below_both`); where the
    corners cancel it is the integral of `_integrated`.

    Parameters
    ----------
    true_limits, reading_limits : pair of ndarray or float, shape (...)
        Lower and upper limits, infinite where there is none. Take a known bias off the
        limits of the reading first.
    mean, sd, error_sd : ndarray or float, shape (...)
        Standard deviations above 0. Everything is broadcast together.

    Returns
    -------
    ndarray, shape (...)
        To about 1e-12 relative, down to 1e-300.

    Notes
    -----
    Source: D. B. Owen, Annals of Mathematical Statistics 27 (1956), 1075-1090.
    """
    arrays = np.broadcast_arrays(*true_limits, *reading_limits, mean, sd, error_sd)
    low, high, read_low, read_high, centre, scale, error = (
        np.asarray(a, np.float64).ravel() for a in arrays
    )
    k = error / scale
    problem = [*((limit - centre) / scale for limit in (low, high, read_low, read_high)), k]
    chances, terms = _by_corners(*problem)
    possible = (low < high) & (read_low < read_high)
    chances[~possible] = 0.0
    cancelled = np.flatnonzero(possible & ~(chances > _CANCELLED * terms))
    for first in range(0, cancelled.size, _ROWS):
        rows = cancelled[first : first + _ROWS]
        chances[rows] = _integrated(*(column[rows, None] for column in problem))
    return chances.reshape(arrays[0].shape)


def _by_corners(
    low: Array, high: Array, read_low: Array, read_high: Array, k: Array
) -> tuple[Array, Array]:
    """Return the chances from the four corners, and the sum of the terms they are formed of.

    True values and readings are each mirrored where the far limit is the upper one: then
    the corners lie in the lower tails, and the terms are no larger than need be.
    """
    mirror, mirror_reading = np.abs(low) < np.abs(high), np.abs(read_low) < np.abs(read_high)
    low, high = np.where(mirror, -high, low), np.where(mirror, -low, high)
    read_low, read_high = (
        np.where(mirror_reading, -read_high, read_low),
        np.where(mirror_reading, -read_low, read_high),
    )
    sign = np.where(mirror == mirror_reading, 1.0, -1.0)
    inside, size = _below_both(high, read_high, k, sign)
    beside, size_beside = _below_both(high, read_low, k, sign)
    under, size_under = _below_both(low, read_high, k, sign)
    corner, size_corner = _below_both(low, read_low, k, sign)
    return inside - beside - under + corner, size + size_beside + size_under + size_corner


def _below_both(limit: Array, read: Array, k: Array, sign: Array) -> tuple[Array, Array]:
    """Return P(true value < limit and reading < read), and the size of its terms.

    With h the limit, r = read/√(1 + k²) and correlation ρ = ±1/√(1 + k²) (minus where one
    of the two is mirrored): ½Φ(h) + ½Φ(r) − T(h, (r − ρh)/(h√(1 − ρ²)))
    − T(r, (h − ρr)/(r√(1 − ρ²))), less ½ where h and r lie on either side of 0. Φ of a
    value above 0 is written as 1 − Φ(−h), so that halves cancel on paper.
    """
    chances, size = np.zeros(k.shape), np.zeros(k.shape)
    some = np.flatnonzero(~(np.isneginf(limit) | np.isneginf(read)))
    h, read, k, sign = (column[some] for column in (limit, read, k, sign))
    # T(h, ·) jumps at h = 0; just beside it both terms jump together and their sum is right.
    h, read = (np.where(value == 0.0, 1e-300, value) for value in (h, read))
    r = read / np.sqrt(1.0 + k * k)
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        between = owens_t(h, (read - sign * h) / (k * h)) + owens_t(
            r, ((h - sign * read) + k * k * h) / (k * read)
        )
    half_tails = [np.where(v < 0.0, 0.5, -0.5) * ndtr(-np.abs(v)) for v in (h, r)]
    whole = np.where((h > 0.0) & (r > 0.0), 1.0, 0.0)
    chance = whole + (half_tails[0] + half_tails[1]) - between
    for value, other in ((r, h), (h, r)):
        unlimited = np.flatnonzero(np.isposinf(value))
        chance[unlimited] = ndtr(other[unlimited])
    chances[some] = chance
    size[some] = whole + np.abs(half_tails[0]) + np.abs(half_tails[1])
    return chances, size


def _integrated(low: Array, high: Array, read_low: Array, read_high: Array, k: Array) -> Array:
    """Return ∫ φ(t)·[Φ((f − t)/k) − Φ((e − t)/k)] dt over the limits of the true value.

    By Gauss-Legendre panels, e and f the limits of the reading, all in units of the sd of
    true values. The integrand is log-concave (a normal density times the convolution of an
    interval with a normal density), so it has one mode; its curvature on the log scale lies
    between 1 and 1 + 1/k². Panels double in width away from the mode, and are split where
    the second factor bends.
    """
    mode, steepness = _mode(low, high, read_low, read_high, k)
    start = np.minimum(k / np.sqrt(1.0 + k * k), 1.0 / np.maximum(steepness, 1e-300))
    doublings = int(np.ceil(np.log2(_REACH / start.min()))) + 1
    away = start * (_REACH / start) ** np.linspace(0.0, 1.0, min(doublings, 200))
    shoulders = [
        np.where(np.isfinite(limit), limit, mode) + k * _SHOULDER for limit in (read_low, read_high)
    ]
    edges = np.concatenate([mode - away, mode, mode + away, *shoulders], axis=-1)
    # Nothing of weight lies beyond the reach; the limits are the ends of the integral.
    first, last = np.maximum(low, mode - _REACH), np.minimum(high, mode + _REACH)
    edges = np.sort(np.clip(edges, first, np.maximum(first, last)), axis=-1)
    half = 0.5 * np.diff(edges, axis=-1)
    row, panel = np.nonzero(half)
    half = half[row, panel, None]
    t = edges[row, panel, None] + half * (1.0 + _NODES)
    error = k[row]
    inside = interval_probability((read_low[row] - t) / error, (read_high[row] - t) / error)
    density = np.exp(-0.5 * t * t) / np.sqrt(2.0 * np.pi)
    pieces = (density * inside * half) @ _WEIGHTS
    return np.bincount(row, weights=pieces, minlength=k.shape[0]).astype(np.float64)


def _mode(
    low: Array, high: Array, read_low: Array, read_high: Array, k: Array
) -> tuple[Array, Array]:
    """Return where the integrand is largest, and how steep its logarithm is there."""
    around = [np.where(np.isfinite(limit), limit, 0.0) for limit in (read_low, read_high)]
    left = np.clip(np.minimum(0.0, np.minimum(*around)), low, high)
    right = np.clip(np.maximum(0.0, np.maximum(*around)), low, high)

    def slope(t: Array) -> Array:
        return _truncated_mean((read_low - t) / k, (read_high - t) / k) / k - t

    for _ in range(40):
        middle = 0.5 * (left + right)
        rising = slope(middle) > 0.0
        left, right = np.where(rising, middle, left), np.where(rising, right, middle)
    mode = 0.5 * (left + right)
    return mode, np.abs(slope(mode))


def _truncated_mean(lower: Array, upper: Array) -> Array:
    """Return the mean of a standard normal variable known to lie between two limits."""
    with np.errstate(over="ignore", invalid="ignore", divide="ignore"):
        flipped = lower + upper < 0.0
        low, high = np.where(flipped, -upper, lower), np.where(flipped, -lower, upper)
        drop = 0.5 * (low - high) * (low + high)
        mills = np.sqrt(0.5 * np.pi) * erfcx(np.stack([low, high]) / np.sqrt(2.0))
        beyond = np.where(np.isinf(high), 0.0, np.exp(drop) * mills[1])
        mean = np.where(np.isinf(high), 1.0, -np.expm1(drop)) / (mills[0] - beyond)
        mean = np.where(high - low < 1e-6, 0.5 * (low + high), mean)
    mean = np.where(np.isinf(low), 0.0, mean)
    return np.where(flipped, -mean, mean)


# Risks of a wrong decision when parts are accepted by their readings.
# --------------------------------------------------------------------
# Source: JCGM 106:2012, clause 9.3 (outcomes of a decision), 9.4 (joint density of true
# value and reading) and 9.5 (global risks); clause 7 and A.4 (conformance probability of
# one item). Clause numbers from memory.

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
        accepted_if_bad=quotient(bad_accepted, bad),
        bad_if_accepted=quotient(bad_accepted, accepted),
        rejected_if_good=quotient(good_rejected, is_good),
        good_if_rejected=quotient(good_rejected, _outside(read, process_mean, reading_sd)),
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


# Acceptance limits inside the tolerance: how far to stay away from a limit on the drawing.
# -----------------------------------------------------------------------------------------
# A guard band is the distance by which an acceptance limit lies inside the tolerance limit
# (JCGM 106:2012, clause 8.3). All of it is about corrected readings: a known bias is taken
# off the reading, or put onto the limits, by the caller.

Rows = NDArray[np.intp]

#: What may be held under a value: names of fields of `grr.formulas.conformity.Risks`.
HOLDABLE = ("bad_accepted", "accepted_if_bad", "bad_if_accepted")


def conformance_factor(width_in_u: Value, confidence: float = 0.95) -> Array:
    """Return the guard band as a multiple of u at which conformance has this probability.

    The reading lies g·u inside a limit of a tolerance R·u wide, so the true value is
    inside with Φ(g) − Φ(g − R); g solves that for the confidence. For a large tolerance
    it is the one-sided 1.645 (at 95 %); it grows to 1.960 where the tolerance is 3.92·u
    wide, and below that no reading proves conformance.

    Parameters
    ----------
    width_in_u : ndarray or float, shape (...)
        Tolerance divided by the standard uncertainty; infinite for one limit.
    confidence : float

    Returns
    -------
    ndarray, shape (...)
        NaN where no reading can prove conformance.

    Notes
    -----
    Source: ISO 14253-1:2017 (default 95 %, 1.65·u where u is small against the
    tolerance); JCGM 106:2012, clause 8.3.3 and annex A (from memory).
    """
    number("confidence", confidence, above=0.5, below=1.0)
    width = np.asarray(width_in_u, np.float64)
    least = 2.0 * ndtri(0.5 + 0.5 * confidence)
    possible = width >= least
    # Between the one-sided and the two-sided factor; beyond 1e3·u the far limit is nothing.
    far = np.where(possible, np.minimum(width, 1e3), 1e3)
    low = np.full(width.shape, ndtri(confidence))
    high = np.full(width.shape, 0.5 * least)
    for _ in range(60):
        middle = 0.5 * (low + high)
        enough = ndtr(middle) - ndtr(middle - far) >= confidence
        low, high = np.where(enough, low, middle), np.where(enough, middle, high)
    return np.where(possible, high, np.nan)


def guard_for_risk(
    tolerance: Zone,
    target: float,
    *,
    process_mean: Value,
    process_sd: Value,
    grr_sd: Value,
    hold: str = "bad_accepted",
) -> Array:
    """Return the smallest guard band, the same at each limit, that holds a consumer's risk.

    Parameters
    ----------
    tolerance : Zone
    target : float
        Largest risk allowed, between 0 and 1.
    process_mean, process_sd, grr_sd : ndarray or float, shape (...)
        As for `grr.formulas.conformity.global_risks`.
    hold : {"bad_accepted", "accepted_if_bad", "bad_if_accepted"}

    Returns
    -------
    ndarray, shape (...)
        0 where the tolerance limits themselves hold the risk; NaN where no zone around
        the middle of the tolerance does.

    Notes
    -----
    Source: JCGM 106:2012, clause 9.5 (acceptance limits for a wanted global risk). The
    root is found by Newton's method on log risk: its derivative is closed, since the
    risk falls by the density of the reading at the limit times the specific risk there.
    """
    number("target", target, above=0.0, below=1.0)
    one_of("hold", hold, HOLDABLE)
    refuse_values_without_risk(process_mean, process_sd, grr_sd)
    values = np.broadcast_arrays(tolerance.lower, tolerance.upper, process_mean, process_sd, grr_sd)
    lower, upper, mean, sd, error = (np.asarray(v, np.float64).ravel() for v in values)
    zone = Zone(lower, upper)
    process: dict[str, Array] = {"process_mean": mean, "process_sd": sd, "grr_sd": error}
    of_accepted = hold == "bad_if_accepted"
    goal = np.full(lower.shape, target)
    if hold == "accepted_if_bad":
        goal = target * (ndtr((lower - mean) / sd) + ndtr((mean - upper) / sd))

    def risk(guard: Array, rows: Rows) -> tuple[Array, Array]:
        some = {name: value[rows] for name, value in process.items()}
        return _risk_and_slope(Zone(lower[rows], upper[rows]), guard, some, of_accepted=of_accepted)

    if of_accepted:
        wide_enough = _guard_that_holds_every_reading(zone, target, process)
    else:
        # Bad and accepted takes an error larger than the guard band.
        wide_enough = np.minimum(-error * ndtri(0.5 * goal), 0.5 * (upper - lower))
    return _falling_root(risk, goal, wide_enough).reshape(values[0].shape)


def _risk_and_slope(
    tolerance: Zone, guard: Array, process: dict[str, Array], *, of_accepted: bool
) -> tuple[Array, Array]:
    """Return the risk at a guard band and its derivative with respect to the band."""
    acceptance = tolerance.narrowed(guard)
    mean, sd = process["process_mean"], np.hypot(process["process_sd"], process["grr_sd"])
    risk = consumers_risk(tolerance, acceptance, **process)
    slope = accepted_slope = np.zeros(risk.shape)
    for limit in (np.asarray(acceptance.lower), np.asarray(acceptance.upper)):
        there = np.where(np.isfinite(limit), limit, mean)
        z = (there - mean) / sd
        density = np.where(np.isfinite(limit), np.exp(-0.5 * z * z) / (sd * np.sqrt(2 * np.pi)), 0)
        slope = slope - density * specific_risk(there, tolerance, **process)
        accepted_slope = accepted_slope - density
    if not of_accepted:
        return risk, slope
    accepted = interval_probability((acceptance.lower - mean) / sd, (acceptance.upper - mean) / sd)
    some = np.where(accepted > 0.0, accepted, 1.0)
    share = np.where(accepted > 0.0, risk / some, np.nan)
    return share, (slope - share * accepted_slope) / some


def _guard_that_holds_every_reading(
    tolerance: Zone, target: float, process: dict[str, Array]
) -> Array:
    """Return a guard band inside which every single reading holds the risk; NaN if none.

    A specific risk under the target at every accepted reading keeps the risk of all
    accepted parts under it. With two limits the bands are tried in steps.
    """
    lower, upper = np.asarray(tolerance.lower), np.asarray(tolerance.upper)
    mean, sd, error = process["process_mean"], process["process_sd"], process["grr_sd"]
    trust = sd**2 / (sd**2 + error**2)
    inside = -ndtri(target) * np.sqrt(trust) * error
    distance = np.where(np.isinf(lower), upper - mean, mean - lower)
    one_sided = distance - (distance - inside) / trust
    two_sided = np.isfinite(lower) & np.isfinite(upper)
    found = np.where(two_sided, np.nan, np.maximum(one_sided, 0.0))
    width = np.where(two_sided, upper - lower, 0.0)
    for share in np.arange(1, 11) / 20.0:
        band = share * width
        if share < 0.5:
            risk, _ = _risk_and_slope(tolerance, band, process, of_accepted=True)
        else:
            middle = np.where(two_sided, lower + band, mean)
            risk = specific_risk(middle, tolerance, **process)
        found = np.where(np.isnan(found) & (risk <= target), band, found)
    return found


def _falling_root(
    risk: Callable[[Array, Rows], tuple[Array, Array]], goal: Array, high: Array
) -> Array:
    """Return where a falling risk reaches its goal between 0 and ``high``.

    0 where it is at its goal already; NaN where ``high`` is.
    """
    guard, low, high = np.zeros(goal.shape), np.zeros(goal.shape), high.copy()
    rows = np.arange(goal.size)
    for _ in range(60):
        here = guard[rows]
        value, slope = risk(here, rows)
        above = value > goal[rows]
        low[rows] = np.where(above, here, low[rows])
        high[rows] = np.where(above, high[rows], here)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = here - value * np.log(value / goal[rows]) / slope
        inside = (step > low[rows]) & (step < high[rows])
        guard[rows] = np.where(inside, step, 0.5 * (low[rows] + high[rows]))
        rows = rows[np.abs(guard[rows] - here) > 1e-11 * np.abs(here)]
        if not rows.size:
            break
    return guard


#: Of more draws than this a guard band is found among every fifth first.
_MANY = 5_000


def predictive_guard(grr_sd: Array, risk: float = 0.05, weights: Array | None = None) -> Array:
    """Return the guard band that holds a risk on average over what GRR may be.

    The smallest g with mean Φ(−g/s) ≤ risk over draws s of the standard deviation of a
    reading: a part that lies exactly on a tolerance limit then reads inside the acceptance
    limit with that chance, the doubt about s counted in, as a t factor counts it in for a
    mean. With s known it is the one-sided factor, 1.645·s at 5 %.

    Parameters
    ----------
    grr_sd : ndarray, shape (..., draws)
        Draws of the standard deviation, not negative: see `grr.formulas.pivots`.
    risk : float
        The specific consumer's risk of a part on the limit.
    weights : ndarray, shape (draws,), optional
        Of the draws in the mean, 1 together.

    Returns
    -------
    ndarray, shape (...)
        NaN where a draw is; 0 where nearly all draws are.

    Notes
    -----
    Source: JCGM 106:2012, clauses 7 and 8.3 (risk of one item, guard bands), and ISO
    14253-1:2017 (one side, 95 %), for a known uncertainty; taking the mean over the doubt
    of it is this project's own, simulated in ``tests/coverage/decisions.py``. Solved by
    Newton's method: the mean is convex, so steps from the left never pass the root.
    """
    number("risk", risk, above=0.0, below=0.5)
    sd = np.maximum(np.asarray(grr_sd, np.float64), 1e-150)

    def mean(values: Array) -> Array:
        plain = values.mean(axis=-1) if weights is None else (values * weights).sum(axis=-1)
        return np.asarray(plain)

    if sd.shape[-1] > _MANY:
        guard = predictive_guard(sd[..., ::5], risk)
    else:
        guard = np.asarray(-ndtri(risk) * mean(sd))
    for _ in range(60):
        z = guard[..., None] / sd
        excess = mean(ndtr(-z)) - risk
        slope = mean(np.exp(-0.5 * z * z) / sd) / np.sqrt(2.0 * np.pi)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            step = np.where(slope > 0.0, excess / slope, -guard)
        following = np.maximum(guard + step, 0.1 * guard)
        done = np.abs(following - guard) <= 2e-5 * guard  # the error left is about its square
        guard = following
        if np.all(done | np.isnan(guard)):
            break
    return guard


def good_parts_refused(
    tolerance: Zone,
    guard: Value,
    *,
    process_mean: Value,
    process_sd: Value,
    grr_sd: Value,
) -> Array:
    """Return the share of the good parts that acceptance limits refuse: what they cost.

    Parameters
    ----------
    tolerance : Zone
    guard : ndarray or float, shape (...)
        Distance of each acceptance limit from its tolerance limit.
    process_mean, process_sd : ndarray or float, shape (...)
        Of the parts' true values.
    grr_sd : ndarray or float, shape (...)
        Standard deviation of the error of one reading.

    Returns
    -------
    ndarray, shape (...)
        1 where the guard bands leave no limits; NaN where anything is.

    Notes
    -----
    Source: JCGM 106:2012, clause 9.4 (joint density of true value and reading); the
    producer's risk of 9.5 as a share of the good parts.
    """
    lower, upper, guard, mean, sd, error = (
        np.asarray(value, np.float64)
        for value in np.broadcast_arrays(
            tolerance.lower, tolerance.upper, guard, process_mean, process_sd, grr_sd
        )
    )
    known = ~np.isnan(guard + mean + sd + error) & (sd > 0.0) & (error > 0.0)
    sd, error = np.where(known, sd, 1.0), np.where(known, error, 1.0)
    mean, guard = np.where(known, mean, 0.0), np.where(known, guard, 0.0)
    accepted = rectangle_probability(
        (lower, upper), (lower + guard, upper - guard), mean=mean, sd=sd, error_sd=error
    )
    good = _inside(Zone(lower, upper), mean, sd)
    refused = 1.0 - quotient(accepted, good)
    return np.where(known, np.clip(refused, 0.0, 1.0), np.nan)


class LimitsAndPrice(NamedTuple):
    """A guard band, and the share of good parts that it costs; each of shape (...).

    Attributes
    ----------
    guard : ndarray
        Distance of each acceptance limit from its tolerance limit, bias included.
    price : ndarray
        Share of good parts refused, GRR as estimated.
    at_most : ndarray
        The same were GRR as large as the guard band supposes: never flattered.
    at_least : ndarray
        What limits would cost at the lower bound of GRR and for the parts that suffer least:
        no study makes them cheaper.
    """

    guard: Array
    price: Array
    at_most: Array
    at_least: Array


def limits_and_price(
    tolerance: Zone,
    grr_draws: Array,
    *,
    grr_sd: Value,
    grr_at_least: Value,
    process_mean: Value,
    process_sd: Value,
    process_at_least: tuple[Value, Value],
    bias: Value = 0.0,
    confidence: float = 0.95,
) -> LimitsAndPrice:
    """Return the guard band to use while GRR is known only so well, and what it costs.

    Parameters
    ----------
    tolerance : Zone
    grr_draws : ndarray, shape (..., draws)
        Draws of the sd of a reading.
    grr_sd, grr_at_least : ndarray or float, shape (...)
        As estimated, and its lower bound.
    process_mean, process_sd : ndarray or float, shape (...)
        Of the parts' true values.
    process_at_least : pair of ndarray or float, shape (...)
        The mean and sd, within what the study knows of them, at which least is refused; the
        same where they are stated.
    bias : ndarray or float
        How far off the readings may be on average: added to the guard band (ISO 14253-1).
    confidence : float

    Notes
    -----
    Source: see `predictive_guard` and `good_parts_refused`; a known bound of the bias adds
    up with the guard band as in ISO 14253-2 and JCGM 100:2008 (GUM), F.2.4.5.
    """
    factor = float(ndtri(confidence))
    guard, sd, least, mean, parts, mean_least, parts_least = np.broadcast_arrays(
        predictive_guard(grr_draws, 1.0 - confidence),
        grr_sd,
        grr_at_least,
        process_mean,
        process_sd,
        *process_at_least,
    )
    guards = np.stack([guard, guard, factor * least]) + bias
    sds = np.stack([sd, guard / factor, least])
    price, at_most, at_least = good_parts_refused(
        tolerance,
        guards,
        process_mean=np.stack([mean, mean, mean_least]),
        process_sd=np.stack([parts, parts, parts_least]),
        grr_sd=sds,
    )
    return LimitsAndPrice(guards[0], price, at_most, at_least)


def largest_cheap_sd(
    tolerance: Zone,
    most_refused: float,
    *,
    process_mean: float,
    process_sd: float,
    bias: float = 0.0,
    confidence: float = 0.95,
) -> float:
    """Return the largest sd of a reading, were it known, whose limits refuse no more than this.

    The guard band is the one-sided factor times the sd (1.645 at 95 %), plus the bias.

    Parameters
    ----------
    tolerance : Zone
    most_refused : float
        Share of the good parts, between 0 and 1.
    process_mean, process_sd, bias, confidence : float
        As in `limits_and_price`.

    Returns
    -------
    float
        0 where the bias alone costs more.
    """
    factor = float(ndtri(confidence))
    low, high = 0.0, 10.0 * process_sd
    for _ in range(40):
        middle = 0.5 * (low + high)
        price = good_parts_refused(
            tolerance,
            factor * middle + bias,
            process_mean=process_mean,
            process_sd=process_sd,
            grr_sd=middle,
        )
        low, high = (middle, high) if float(price) <= most_refused else (low, middle)
    return low


def parts_that_fill(tolerance: Zone, mean: Value) -> tuple[Array, Array]:
    """Return mean and sd of parts whose ±3 sd fill the tolerance.

    Between two limits they lie about the middle; with one limit about the mean given, which
    is then 3 sd away from it.

    Parameters
    ----------
    tolerance : Zone
    mean : ndarray or float, shape (...)

    Returns
    -------
    mean, sd : ndarray, shape (...)
        NaN where there is no limit, or the mean lies past the only one.
    """
    lower, upper = np.asarray(tolerance.lower), np.asarray(tolerance.upper)
    two = np.isfinite(lower) & np.isfinite(upper)
    low, high = (np.where(np.isfinite(limit), limit, 0.0) for limit in (lower, upper))
    one = np.where(np.isfinite(upper), high - mean, mean - low)
    some = np.isfinite(lower) | np.isfinite(upper)
    sd = np.where(two, (high - low) / 6.0, np.where(some, one / 3.0, np.nan))
    return np.where(two, 0.5 * (low + high), mean), np.where(sd > 0.0, sd, np.nan)


# Errors of indication against the maximum permissible error, by the rule of ISO 14253-1.
# ---------------------------------------------------------------------------------------

Conformity = Literal["conforms", "open", "does not conform"]
CONFORMS: Final = "conforms"
OPEN: Final = "open"
DOES_NOT: Final = "does not conform"


def conformity(
    error: Array | float, mpe: float, standard_u: Array | float, *, confidence: float = 0.95
) -> list[Conformity]:
    """Return for each error whether it conforms, does not, or neither is proven.

    Conforms: |error| ≤ MPE − g·u. Does not: |error| > MPE + g'·u. g is 1.65 at 95 % where u
    is small against the permissible error, and more where it is not; g' is 1.65.

    Parameters
    ----------
    error : float or ndarray, shape (k,)
    mpe : float
        Maximum permissible error, in the unit of the errors; limits are ±MPE.
    standard_u : float or ndarray, shape (k,)
        Standard uncertainty of the test: the reference's, not the gauge's own.
    confidence : float

    Notes
    -----
    Source: ISO 14253-1:2017 (rules for proving conformity and nonconformity; from memory).
    """
    size, u = np.broadcast_arrays(
        np.abs(np.atleast_1d(np.asarray(error, dtype=np.float64))),
        np.asarray(standard_u, dtype=np.float64),
    )
    # NaN where the uncertainty is so large that no error proves conformity: nothing is inside
    inside = size <= mpe - _guard_of_error(mpe, u, confidence)
    outside = size > mpe + ndtri(confidence) * u
    return [
        CONFORMS if is_in else DOES_NOT if is_out else OPEN
        for is_in, is_out in zip(inside.tolist(), outside.tolist(), strict=True)
    ]


def permissible_error_used(
    error: Array | float, mpe: float, standard_u: Array | float, *, confidence: float = 0.95
) -> Array:
    """Return what each error uses up of the permissible error; it conforms up to 1.

    (|error| + g·u)/MPE with the g of `conformity`; infinite where the uncertainty is so large
    that no error proves conformity.

    Parameters
    ----------
    error, mpe, standard_u, confidence
        As in `conformity`.

    Notes
    -----
    Source: ISO 14253-1:2017 (rule for proving conformity; from memory).
    """
    u = np.asarray(standard_u, dtype=np.float64)
    guard = _guard_of_error(mpe, u, confidence)
    used = (np.abs(np.atleast_1d(np.asarray(error, dtype=np.float64))) + guard) / mpe
    return np.where(np.isnan(used), np.inf, used)


def _guard_of_error(mpe: float, u: Array, confidence: float) -> Array:
    """Return g·u; NaN where no error proves conformity."""
    known = u > 0.0
    in_u = np.where(known, 2.0 * mpe / np.where(known, u, 1.0), np.inf)
    return np.asarray(conformance_factor(in_u, confidence) * u)


def worst(states: Sequence[Conformity]) -> Conformity:
    """Return the worst of several: does not conform, then open, then conforms."""
    return min(states, key=(DOES_NOT, OPEN, CONFORMS).index)
