"""How fast readings, the zero or the scatter drift, and how long until it matters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr, stdtrit

from grr.formulas.arrays import Array, quotient
from grr.model.errors import StudyError

# How fast readings drift, once what the parts differ by is taken off.
# --------------------------------------------------------------------


@dataclass(frozen=True)
class Slope:
    """Change of the readings per unit of time; arrays have the stack's shape (...).

    Attributes
    ----------
    slope, error : ndarray
        In the unit of the readings per unit of time, and its standard error.
    df : float or ndarray
    """

    slope: Array
    error: Array
    df: Array | float

    def limits(self, level: float = 0.95) -> tuple[Array, Array]:
        """Return the two-sided interval of the slope."""
        reach = stdtrit(self.df, 0.5 + 0.5 * level) * self.error
        return self.slope - reach, self.slope + reach

    def p(self) -> Array:
        """Return the two-sided p value of no drift; NaN where nothing scatters or drifts."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.asarray(2.0 * stdtr(self.df, -np.abs(self.slope / self.error)))


@dataclass(frozen=True)
class Blocks:
    """What is taken off before drift is looked at: the means of parts and of sessions.

    Attributes
    ----------
    basis : ndarray, shape (n, rank)
        Orthonormal columns that span all those means.
    """

    basis: Array

    @property
    def readings(self) -> int:
        """How many readings there are."""
        return int(self.basis.shape[0])

    @property
    def rank(self) -> int:
        """How many means are taken off that are not determined by the others."""
        return int(self.basis.shape[1])

    def taken_off(self, values: Array) -> Array:
        """Return values, shape (..., n), with those means taken off.

        What is left by rounding alone counts as nothing.
        """
        values = np.asarray(values, dtype=np.float64)
        about = values - values[..., :1]
        left = about - (about @ self.basis) @ self.basis.T
        noise = 1e-12 * np.abs(about).max(axis=-1, keepdims=True)
        nothing = np.abs(left).max(axis=-1, keepdims=True) <= noise
        return np.where(nothing, 0.0, left)


def blocks(*groupings: NDArray[np.int64]) -> Blocks:
    """Return the means to take off, from one or more groupings of the readings.

    Parameters
    ----------
    *groupings : ndarray of int, shape (n,)
        Codes from 0 without gaps, such as the part and the session of each reading. The
        effects of several groupings add up.
    """
    members = [np.eye(int(codes.max()) + 1)[codes] for codes in groupings]
    left, size, _ = np.linalg.svd(np.hstack(members), full_matrices=False)
    return Blocks(np.ascontiguousarray(left[:, size > 1e-9 * size[0]]))


def drift_slope(times: Array, readings: Array, groups: NDArray[np.int64] | Blocks) -> Slope:
    """Fit one straight drift to readings of several groups, each with a mean of its own.

    Least squares of the readings on time, both less their group means.

    Parameters
    ----------
    times : ndarray, shape (n,)
        Minutes since the gauge was picked up or zeroed, or places in the order taken.
    readings : ndarray, shape (..., n)
    groups : ndarray of int, shape (n,), or Blocks
        Part of each reading; part by operator where several operators share one drift;
        `blocks` where sessions have means of their own too.

    Raises
    ------
    StudyError
        Every group was measured once, or at one time only: drift cannot be told apart
        from what the parts differ by.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, chapter 15 (analysis of
    covariance: groups as blocks, time as covariate).
    """
    means = groups if isinstance(groups, Blocks) else blocks(groups)
    t, y = means.taken_off(times), means.taken_off(readings)
    df = means.readings - means.rank - 1
    stt = float(t @ t)
    span = float(np.ptp(times))
    if df < 1 or stt <= (1e-9 * max(span, 1e-300)) ** 2:
        raise StudyError(
            "No part was measured at two different times, so drift cannot be told from what "
            "the parts differ by",
            "Measure every part at least twice, all parts once before the first is repeated",
        )
    slope = np.asarray(y @ t / stt)
    residual = y - slope[..., None] * t
    variance = np.square(residual).sum(axis=-1) / df
    return Slope(slope, np.sqrt(variance / stt), float(df))


def mean_slope(slopes: list[Slope]) -> Slope:
    """Return the mean of several operators' slopes, each with its own scatter.

    Notes
    -----
    Source: Satterthwaite, Biometrics Bulletin 2 (1946), 110-114 (degrees of freedom).
    """
    count = len(slopes)
    variances = [np.square(s.error) / count**2 for s in slopes]
    total = np.asarray(sum(variances))
    spent = np.asarray(sum(v**2 / s.df for v, s in zip(variances, slopes, strict=True)))
    least = float(min(np.min(s.df) for s in slopes))
    df = quotient(total**2, spent, least)
    mean = np.asarray(sum(s.slope for s in slopes)) / count
    return Slope(mean, np.sqrt(total), df)


def slopes_differ(slopes: list[Slope]) -> Array:
    """Return the p value of all operators having the same slope; NaN with one operator.

    Notes
    -----
    Source: Welch, Biometrika 38 (1951), 330-336 (means with unequal variances, applied to
    slopes).
    """
    k = len(slopes)
    if k < 2:
        return np.full(np.shape(slopes[0].slope), np.nan)
    b = np.stack([s.slope for s in slopes])
    df = np.stack([np.broadcast_to(s.df, np.shape(s.slope)) for s in slopes])
    with np.errstate(divide="ignore", invalid="ignore"):
        w = 1.0 / np.square(np.stack([s.error for s in slopes]))
        share = w / w.sum(axis=0)
        apart = (w * np.square(b - (share * b).sum(axis=0))).sum(axis=0) / (k - 1)
        doubt = (np.square(1.0 - share) / df).sum(axis=0)
        f = apart / (1.0 + 2.0 * (k - 2) / (k**2 - 1) * doubt)
        return np.asarray(fdtrc(k - 1, (k**2 - 1) / (3.0 * doubt), f))


# How far the zero has moved between the checks before and after measuring.
# -------------------------------------------------------------------------


@dataclass(frozen=True)
class ZeroDrift:
    """Change of the zero over several sessions.

    Attributes
    ----------
    mean : float
        Mean change from the check before to the check after, in the unit of the readings.
    lower, upper : float
        Two-sided interval of the mean change; NaN with one session.
    per_minute : float
        Sum of the changes divided by the minutes between the checks.
    largest : float
        The change farthest from 0.
    """

    mean: float
    lower: float
    upper: float
    per_minute: float
    largest: float


def zero_drift(
    changes: Array, minutes: Array, *, level: float = 0.95, least_sd: float = 0.0
) -> ZeroDrift:
    """Return the mean change of the zero with Student's interval.

    Parameters
    ----------
    changes : ndarray, shape (sessions,)
        Zero reading after measuring minus before, on the same master.
    minutes : ndarray, shape (sessions,)
        Between the two checks.
    level : float
    least_sd : float
        The changes are not taken to scatter less than this: the rounding error of a
        difference, resolution/√6.

    Raises
    ------
    StudyError
        No session has both checks.

    Notes
    -----
    Source: Student's t on one value a session.
    """
    changes = np.asarray(changes, dtype=np.float64)
    n = len(changes)
    if n == 0:
        raise StudyError(
            "No session has a zero check both before and after measuring",
            "Check zero at the start and at the end of each session",
        )
    mean = float(changes.mean())
    reach = np.nan
    if n > 1:
        error = max(float(changes.std(ddof=1)), least_sd) / np.sqrt(n)
        reach = float(stdtrit(n - 1, 0.5 + 0.5 * level)) * error
    total = float(np.sum(minutes))
    return ZeroDrift(
        mean=mean,
        lower=float(mean - reach),
        upper=float(mean + reach),
        per_minute=float(changes.sum()) / total if total > 0.0 else np.nan,
        largest=float(changes[np.abs(changes).argmax()]),
    )


# After how long a drifting gauge has used up what it may drift.
# --------------------------------------------------------------


def time_to_drift(allowed: Array | float, slope: Array | float) -> Array:
    """Return after how long a straight drift reaches ``allowed``; infinite without drift.

    allowed/|slope|: 0.3 µm at 0.05 µm a minute is 6 minutes.

    Parameters
    ----------
    allowed : float or ndarray
        Largest drift accepted, in the unit of the readings.
    slope : float or ndarray
        In that unit per unit of time, such as a minute.
    """
    return quotient(allowed, np.abs(slope), np.inf)


def time_to_settle(allowed: Array | float, amount: Array | float, time_constant: float) -> Array:
    """Return after how long A·(1 − exp(−t/τ)) reaches ``allowed``; infinite where it never does.

    t = −τ·ln(1 − allowed/|A|).
    """
    amount = np.abs(np.asarray(amount, dtype=np.float64))
    reached = amount > allowed
    share = np.where(reached, allowed / np.where(reached, amount, 1.0), 0.0)
    return np.where(reached, -time_constant * np.log1p(-share), np.inf)


def time_until_steady(allowed: Array | float, amount: Array | float, time_constant: float) -> Array:
    """Return after how long no more than ``allowed`` of a settling is still to come.

    t = τ·ln(|A|/allowed), 0 where A is not larger. Zeroing then holds for good, as long as
    the gauge stays as warm as it is.
    """
    amount = np.abs(np.asarray(amount, dtype=np.float64))
    return np.asarray(time_constant * np.log(np.maximum(amount / allowed, 1.0)))


# How long until a drift has used up its share of the tolerance.
# --------------------------------------------------------------


def recheck_after(
    rate_lower: float, rate_upper: float, allowance: float, *, used: float, longest: float
) -> float:
    """Return the time to the next check that a drift's interval allows.

    The faster end of the interval decides. Never longer than ``used``, the longest interval
    between two checks so far (of longer ones nothing is known), nor than ``longest``, the
    laboratory's own. A drift says nothing about a fall or a knock: those are checked at once.

    Notes
    -----
    Our own rule. ILAC-G24 / OIML D 10 leaves the interval to the laboratory and names
    drift seen on check standards as one ground for it (from memory).
    """
    fastest = max(abs(rate_lower), abs(rate_upper))
    return min(float(time_to_drift(allowance, fastest)), used, longest)


# Whether an operator's scatter grows or shrinks from the first trials to the last.
# ---------------------------------------------------------------------------------


def scatter_trend(readings: Array) -> tuple[Array, Array]:
    """Return how much more an operator scatters in the last trials than in the first, and p.

    What a part adds drops out of the difference of two readings of it. The differences
    between the first two trials and those between the last two have equal variance where
    nothing changes; with three trials they share one and are correlated, which the test
    allows for: it asks whether their sum and their difference are correlated.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, trials)
        One operator's readings, trials in the order taken, none missing.

    Returns
    -------
    ratio, p : ndarray, shape (...)
        Ratio of the standard deviations of the differences, last over first; two-sided p
        value, exact for normal readings. NaN with fewer than three trials or four parts,
        and where nothing scatters.

    Notes
    -----
    Source: Pitman, Biometrika 31 (1939), 9-12; Morgan, same volume, 13-19 (equality of
    the variances of two correlated samples).
    """
    values = np.asarray(readings, dtype=np.float64)
    *stack, p, r = values.shape
    if r < 3 or p < 4:
        nothing = np.full(stack, np.nan)
        return nothing, nothing
    first = values[..., 1] - values[..., 0]
    last = values[..., -1] - values[..., -2]
    first = first - first.mean(axis=-1, keepdims=True)
    last = last - last.mean(axis=-1, keepdims=True)
    total, change = first + last, last - first
    with np.errstate(divide="ignore", invalid="ignore"):
        correlation = (total * change).sum(axis=-1) / np.sqrt(
            np.square(total).sum(axis=-1) * np.square(change).sum(axis=-1)
        )
        correlation = np.clip(correlation, -1.0, 1.0)
        t = correlation * np.sqrt((p - 2) / (1.0 - np.square(correlation)))
        ratio = np.sqrt(np.square(last).sum(axis=-1) / np.square(first).sum(axis=-1))
    return np.asarray(ratio), np.asarray(2.0 * stdtr(p - 2, -np.abs(t)))
