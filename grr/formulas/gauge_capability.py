"""Cg and Cgk: a gauge's repeatability and bias on one reference against the tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, nctdtrinc

from grr.formulas.arrays import Array

#: Values of t beyond this are far out.
_FAR = 500.0


@dataclass(frozen=True)
class GaugeCapability:
    """Cg, Cgk and their two-sided intervals; arrays have the shape of the stack (...)."""

    cg: Array
    cg_lower: Array
    cg_upper: Array
    cgk: Array
    cgk_lower: Array
    cgk_upper: Array


def gauge_capability(
    bias: Array | float,
    sd: Array | float,
    *,
    readings: int,
    width: float,
    share: float = 0.2,
    multiple: float = 6.0,
    level: float = 0.95,
) -> GaugeCapability:
    """Return Cg = share·T/(multiple·s) and Cgk = (share·T/2 − |bias|)/(multiple·s/2).

    Parameters
    ----------
    bias, sd : float or ndarray
        Mean minus reference, and standard deviation with ``readings`` − 1 degrees of
        freedom, in one unit; the sd above 0.
    readings : int
        How many readings of the reference part there are.
    width : float
        Tolerance T, upper limit minus lower limit.
    share : float
        The share of the tolerance granted to the gauge.
    multiple : float
        How many sd make the spread of the gauge.
    level : float
        Confidence of the two-sided intervals.

    Returns
    -------
    GaugeCapability
        The interval of Cg is exact (chi-square). That of Cgk takes the nearer limit as
        though it were the only one (noncentral t), which is exact with a bias well away
        from 0; with no bias its lower end is on the safe side. Simulated coverage:
        ``tests/coverage``.

    Notes
    -----
    Common practice in companies, no published standard for the formulas; the intervals
    are those of the capability indices Cp and Cpk, Kotz & Johnson, Process Capability
    Indices (1993), chapter 2.
    """
    sd = np.asarray(sd, dtype=np.float64)
    df = readings - 1.0
    tail = (1.0 - level) / 2.0
    cg = share * width / (multiple * sd)
    cgk = (share * width / 2.0 - np.abs(bias)) / (multiple * sd / 2.0)
    scale = multiple / 2.0 * np.sqrt(readings)
    return GaugeCapability(
        cg=cg,
        cg_lower=cg * np.sqrt(chdtri(df, 1.0 - tail) / df),
        cg_upper=cg * np.sqrt(chdtri(df, tail) / df),
        cgk=cgk,
        cgk_lower=_noncentrality(df, 1.0 - tail, scale * cgk) / scale,
        cgk_upper=_noncentrality(df, tail, scale * cgk) / scale,
    )


def _noncentrality(df: float, probability: float, t: Array) -> Array:
    """Return δ of the noncentral t with which ``t`` is exceeded by 1 − ``probability``.

    Far out (a wrong unit, say) scipy's search does not end; there t is δ·√(ν/χ²) to a part
    in 10,000, since the normal term is small beside δ.
    """
    t = np.asarray(t, dtype=np.float64)
    far = ~(np.abs(t) < _FAR)
    near = nctdtrinc(df, probability, np.where(far, 0.0, t))
    low, high = chdtri(df, probability), chdtri(df, 1.0 - probability)
    return np.where(far, t * np.sqrt(np.where(t > 0.0, low, high) / df), near)


def smallest_tolerance(
    bias: Array | float,
    sd: Array | float,
    *,
    share: float = 0.2,
    multiple: float = 6.0,
    limit: float = 1.33,
) -> Array:
    """Return the smallest tolerance for which Cg and Cgk would both reach the limit.

    T = (limit·multiple·s + 2·|bias|)/share; with no bias Cgk is Cg, so Cgk decides.
    """
    return np.asarray((limit * multiple * np.asarray(sd) + 2.0 * np.abs(bias)) / share)
