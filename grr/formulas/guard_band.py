"""Acceptance limits inside the tolerance: how far to stay away from a limit on the drawing.

A guard band is the distance by which an acceptance limit lies inside the tolerance limit
(JCGM 106:2012, clause 8.3). All of it is about corrected readings: a known bias is taken
off the reading, or put onto the limits, by the caller.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr, ndtri

from grr.formulas.arrays import Array
from grr.formulas.normal_pair import interval_probability
from grr.formulas.risk import (
    Value,
    Zone,
    consumers_risk,
    refuse_values_without_risk,
    specific_risk,
)
from grr.model.values import number, one_of

Rows = NDArray[np.intp]

#: What may be held under a value: names of fields of `grr.formulas.risk.Risks`.
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
        As for `grr.formulas.risk.global_risks`.
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
