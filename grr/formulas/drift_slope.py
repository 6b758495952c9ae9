"""How fast readings drift, once what the parts differ by is taken off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc, stdtr, stdtrit

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


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
    df = np.where(spent > 0.0, total**2 / np.where(spent > 0.0, spent, 1.0), least)
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
