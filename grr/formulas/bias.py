"""Bias on one reference part: mean minus reference, its interval and its t test."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from grr.formulas.arrays import Array, quotient
from grr.formulas.average_range import d2, d2_star, range_df
from grr.model.errors import StudyError


@dataclass(frozen=True)
class Bias:
    """The bias of readings of one reference part; arrays have the shape of the stack (...).

    Attributes
    ----------
    readings : int
        How many readings each mean holds.
    mean, bias : ndarray
        Mean of the readings, and mean minus reference, in the unit of the readings.
    sd : ndarray
        Repeatability standard deviation, by the form chosen.
    standard_error : ndarray
        sd/√n.
    df : float
        Degrees of freedom of ``sd``.
    t, p : ndarray
        bias / standard error and its two-sided probability; where the readings do not
        scatter, t is infinite (NaN with no bias either).
    lower, upper : ndarray
        Two-sided interval of the bias at ``level``.
    level : float
    """

    readings: int
    mean: Array
    bias: Array
    sd: Array
    standard_error: Array
    df: float
    t: Array
    p: Array
    lower: Array
    upper: Array
    level: float


def bias_by_sd(
    readings: Array, reference: Array | float, *, level: float = 0.95, least_sd: float = 0.0
) -> Bias:
    """Return the bias, tested against the standard deviation of the readings.

    bias = x̄ − reference; t = bias/(s/√n) with n − 1 degrees of freedom.

    Parameters
    ----------
    readings : ndarray, shape (..., n)
    reference : float or ndarray, shape (...)
        Calibrated value of the part, in the unit of the readings.
    level : float
        Confidence of the two-sided interval.
    least_sd : float
        The sd is not taken as less than this (resolution/√12 where the readings repeat
        to the last digit).

    Raises
    ------
    StudyError
        Fewer than two readings.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, bias, independent sample method;
    Student's t.
    """
    values = _checked(readings)
    sd = np.maximum(_deviations(values, reference).std(axis=-1, ddof=1), least_sd)
    return _tested(values, reference, sd, values.shape[-1] - 1.0, level, shrink=1.0)


def bias_by_range(
    readings: Array, reference: Array | float, *, level: float = 0.95, least_sd: float = 0.0
) -> Bias:
    """Return the bias, tested against the range of the readings, as the manual's form does.

    σr = R/d2*; σb = σr/√n; t = bias/σb with the degrees of freedom of the range; interval
    bias ± (d2/d2*)·σb·t. The factor d2/d2* is the manual's; it makes the interval slightly
    shorter than t alone would.

    Parameters
    ----------
    readings : ndarray, shape (..., n)
    reference : float or ndarray, shape (...)
    level : float
    least_sd : float
        See `bias_by_sd`.

    Raises
    ------
    StudyError
        Fewer than two readings.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, bias (range form, constants of
    appendix C); here d2, d2* and the degrees of freedom are computed from the
    distribution of the range.
    """
    values = _checked(readings)
    n = values.shape[-1]
    sd = np.maximum(np.ptp(_deviations(values, reference), axis=-1) / d2_star(n, 1), least_sd)
    return _tested(values, reference, sd, range_df(n, 1), level, shrink=d2(n) / d2_star(n, 1))


def with_reference_uncertainty(
    bias: Bias, reference_u: float, *, reference_df: float = np.inf
) -> tuple[Array, Array]:
    """Return the interval of the bias with the uncertainty of the reference value in it.

    u² = (s/√n)² + u_ref², with the Welch-Satterthwaite degrees of freedom. The test on
    the readings alone cannot see an error of the reference value.

    Parameters
    ----------
    bias : Bias
    reference_u : float
        Standard uncertainty of the reference value (expanded uncertainty / k).
    reference_df : float
        Its degrees of freedom.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), equations (10) and (G.2b).
    """
    variance = bias.standard_error**2 + reference_u**2
    spent = bias.standard_error**4 / bias.df + reference_u**4 / reference_df
    df = quotient(variance**2, spent, np.inf)
    reach = t_quantile(0.5 + bias.level / 2.0, df) * np.sqrt(variance)
    return bias.bias - reach, bias.bias + reach


def t_quantile(probability: float, df: Array | float) -> Array:
    """Return the quantile of Student's t; ``df`` may be infinite."""
    # stdtrit loses its way far above a million degrees of freedom, where t is normal
    return np.asarray(stdtrit(np.minimum(df, 1e9), probability), dtype=np.float64)


def _checked(readings: Array) -> Array:
    values = np.asarray(readings, dtype=np.float64)
    if values.shape[-1] < 2:
        raise StudyError(
            "One reading tells nothing about repeatability",
            "Measure the reference part at least ten times",
            value=f"{values.shape[-1]} readings",
        )
    return values


def _deviations(values: Array, reference: Array | float) -> Array:
    return values - np.asarray(reference, dtype=np.float64)[..., None]


def _tested(
    values: Array, reference: Array | float, sd: Array, df: float, level: float, *, shrink: float
) -> Bias:
    n = values.shape[-1]
    # deviations first: a mean of sizes near 25 mm would lose digits that a bias of 1 nm needs
    bias = _deviations(values, reference).mean(axis=-1)
    error = sd / np.sqrt(n)
    with np.errstate(divide="ignore", invalid="ignore"):
        t = bias / error
    reach = shrink * t_quantile(0.5 + level / 2.0, df) * error
    return Bias(
        readings=n,
        mean=np.asarray(reference) + bias,
        bias=bias,
        sd=sd,
        standard_error=error,
        df=df,
        t=t,
        p=2.0 * stdtr(df, -np.abs(t)),
        lower=bias - reach,
        upper=bias + reach,
        level=level,
    )
