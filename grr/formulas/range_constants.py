"""Constants of the range of normal samples, computed from its distribution."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

from grr.model.errors import StudyError

#: The average-and-range form uses d2 itself above this many ranges
#: (AIAG MSA, 4th ed., chapter III section B, footnote to the form).
MANY_RANGES = 15


@lru_cache(maxsize=256)
def range_moments(size: int) -> tuple[float, float]:
    """Return mean d2 and standard deviation d3 of the range of ``size`` normal values.

    E[W] = ∫[1 − Φ(x)ⁿ − (1 − Φ(x))ⁿ]dx, and E[W²] = 2∫∫ over x < y of
    [1 − Φ(y)ⁿ − (1 − Φ(x))ⁿ + (Φ(y) − Φ(x))ⁿ], by Gauss-Legendre quadrature.

    Raises
    ------
    StudyError
        Fewer than two values have no range.

    Notes
    -----
    Source: Tippett, Biometrika 17 (1925), 364-387; tables of d2 and d3 for instance in
    ASTM E2587 and AIAG MSA, 4th ed., appendix C.
    """
    if size < 2:
        raise StudyError("A range needs at least two values", "Take more readings", value=size)
    node, weight = np.polynomial.legendre.leggauss(160)
    reach = 9.0
    x, wx = reach * node, reach * weight
    below, above = ndtr(x), ndtr(-x)
    d2 = float(wx @ (1.0 - below**size - above**size))
    half_gap = (reach - x)[:, None] / 2.0
    y = x[:, None] + half_gap * (1.0 + node)
    wy = half_gap * weight
    inner = (
        1.0
        - ndtr(y) ** size
        - above[:, None] ** size
        + (ndtr(y) - below[:, None]).clip(min=0.0) ** size
    )
    second_moment = 2.0 * float(wx @ (wy * inner).sum(axis=1))
    return d2, math.sqrt(second_moment - d2**2)


def d2(size: int) -> float:
    """Return the mean range of ``size`` values from a standard normal distribution."""
    return range_moments(size)[0]


def d3(size: int) -> float:
    """Return the standard deviation of the range of ``size`` standard normal values."""
    return range_moments(size)[1]


def d2_star(size: int, ranges: int) -> float:
    """Return the divisor d2* that makes (mean range / d2*)² unbiased for the variance.

    d2* = √(d2² + d3²/g) for the mean of g ranges of ``size`` values each.

    Notes
    -----
    Source: Duncan, Quality Control and Industrial Statistics, 5th ed. (1986), appendix
    D3; AIAG MSA, 4th ed., appendix C.
    """
    mean, sd = range_moments(size)
    return math.sqrt(mean**2 + sd**2 / ranges)


def form_divisor(size: int, ranges: int) -> float:
    """Return the divisor that the average-and-range form uses: d2* up to 15 ranges, else d2."""
    return d2(size) if ranges > MANY_RANGES else d2_star(size, ranges)


def upper_range_limit(size: int) -> float:
    """Return D4 = 1 + 3·d3/d2, the control limit as a multiple of the mean range.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (range chart); ASTM E2587.
    """
    mean, sd = range_moments(size)
    return 1.0 + 3.0 * sd / mean


@lru_cache(maxsize=256)
def chance_beyond_limit(size: int, ranges: int) -> float:
    """Return the chance that any of so many ranges of normal values is beyond D4 × mean range.

    P(W ≤ w) = n·∫φ(x)·[Φ(x + w) − Φ(x)]ⁿ⁻¹dx with w = D4·d2, the mean range being known;
    that it is estimated changes the chance little (simulated in the tests).

    Notes
    -----
    Source: Tippett, Biometrika 17 (1925), 364-387.
    """
    node, weight = np.polynomial.legendre.leggauss(160)
    x, wx = 9.0 * node, 9.0 * weight
    w = upper_range_limit(size) * d2(size)
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    within = float(size * (wx * density) @ (ndtr(x + w) - ndtr(x)) ** (size - 1))
    return 1.0 - within**ranges


def lower_range_limit(size: int) -> float:
    """Return D3 = max(0, 1 − 3·d3/d2), the lower limit as a multiple of the mean range."""
    mean, sd = range_moments(size)
    return max(0.0, 1.0 - 3.0 * sd / mean)


@lru_cache(maxsize=256)
def range_df(size: int, ranges: int) -> float:
    """Return the degrees of freedom of a standard deviation estimated from a mean range.

    Those of the chi distribution whose coefficient of variation is that of the mean
    range: ν/E[χν]² = (d2*/d2)².

    Notes
    -----
    Source: Patnaik, Biometrika 37 (1950), 78-87; AIAG MSA, 4th ed., appendix C (ν).
    """
    from scipy.optimize import brentq

    target = math.log(d2_star(size, ranges) / d2(size))

    def excess(log_df: float) -> float:
        df = math.exp(log_df)
        log_mean = 0.5 * math.log(2.0) + gammaln((df + 1.0) / 2.0) - gammaln(df / 2.0)
        return float(0.5 * log_df - log_mean - target)

    return math.exp(float(brentq(excess, math.log(0.1), math.log(1e6), xtol=1e-13)))
