"""The average-and-range method, and the constants of ranges that it needs."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from scipy.special import gammaln, ndtr

from grr.formulas.analysis_of_variance import Components
from grr.formulas.arrays import Array, legendre
from grr.model.errors import StudyError

# Constants of the range of normal samples, computed from its distribution.
# -------------------------------------------------------------------------

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
    node, weight = legendre(160)
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
    return math.sqrt(d2(size) ** 2 + d3(size) ** 2 / ranges)


def form_divisor(size: int, ranges: int) -> float:
    """Return the divisor that the average-and-range form uses: d2* up to 15 ranges, else d2."""
    return d2(size) if ranges > MANY_RANGES else d2_star(size, ranges)


def upper_range_limit(size: int) -> float:
    """Return D4 = 1 + 3·d3/d2, the control limit as a multiple of the mean range.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B (range chart); ASTM E2587.
    """
    return 1.0 + 3.0 * d3(size) / d2(size)


@lru_cache(maxsize=256)
def chance_beyond_limit(size: int, ranges: int, factor: float | None = None) -> float:
    """Return the chance that any of so many ranges of normal values is beyond a limit.

    The limit is ``factor`` × mean range, D4 by default.
    P(W ≤ w) = n·∫φ(x)·[Φ(x + w) − Φ(x)]ⁿ⁻¹dx with w = factor·d2, the mean range being
    known; that it is estimated changes the chance little (simulated in the tests).

    Notes
    -----
    Source: Tippett, Biometrika 17 (1925), 364-387.
    """
    node, weight = legendre(160)
    x, wx = 9.0 * node, 9.0 * weight
    w = (upper_range_limit(size) if factor is None else factor) * d2(size)
    density = np.exp(-0.5 * x**2) / math.sqrt(2.0 * math.pi)
    within = float(size * (wx * density) @ (ndtr(x + w) - ndtr(x)) ** (size - 1))
    return 1.0 - within**ranges


def lower_range_limit(size: int) -> float:
    """Return D3 = max(0, 1 − 3·d3/d2), the lower limit as a multiple of the mean range."""
    return max(0.0, 1.0 - 3.0 * d3(size) / d2(size))


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


# The average-and-range method: variation from ranges and averages, as on the paper form.
# ---------------------------------------------------------------------------------------


@dataclass(frozen=True)
class AverageRange:
    """The lines of the average-and-range form; arrays have the shape of the stack (...).

    Attributes
    ----------
    parts, operators, trials : int
    ranges : ndarray, shape (..., parts, operators)
        Range of the trials of each part by each operator.
    mean_range : ndarray
        Mean of all those ranges.
    range_limit : ndarray
        Upper control limit of a range, D4 × mean range.
    operator_gap : ndarray
        Largest operator mean minus the smallest; NaN with one operator.
    part_gap : ndarray
        Largest part mean minus the smallest.
    k1, k2, k3 : float
        1/d2* (or 1/d2) for trials, operators and parts; ``k2`` is NaN with one operator.
    repeatability, operator, part, grr : ndarray
        Variances, in the unit of the readings squared. ``operator`` may be negative
        as estimated; ``grr`` takes it as 0 then.
    """

    parts: int
    operators: int
    trials: int
    ranges: Array
    mean_range: Array
    range_limit: Array
    operator_gap: Array
    part_gap: Array
    k1: float
    k2: float
    k3: float
    repeatability: Array
    operator: Array
    part: Array
    grr: Array

    @property
    def components(self) -> Components:
        """The variances; by ranges the interaction cannot be seen and is NaN."""
        unseen = np.full_like(self.repeatability, np.nan)
        return Components(self.part, self.operator, unseen, self.repeatability)


def average_range(readings: Array) -> AverageRange:
    """Estimate the variation of balanced crossed studies from ranges and averages.

    EV = R̄·K1; AV² = (X̄diff·K2)² − EV²/(pr); GRR² = EV² + AV²; PV = Rp·K3.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        Finite readings; leading axes are a stack of studies.

    Raises
    ------
    StudyError
        One trial (nothing has a range), one part, or a missing reading.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, average and range method. The form
    prints K1 to K3 for few sizes; here they are computed for any.
    """
    cube = np.asarray(readings, dtype=np.float64)
    *_, p, o, r = cube.shape
    if r < 2:
        raise StudyError(
            "The average-and-range method needs at least two trials: one reading has no range",
            "Use grr.anova, or measure each part at least twice",
        )
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    if not np.isfinite(cube).all():
        raise StudyError(
            "A reading is missing, and the average-and-range method needs every one",
            "Take the missing readings, or use grr.anova, which handles missing ones",
        )
    from_first = cube - cube[..., :1, :1, :1]
    ranges = np.ptp(from_first, axis=-1)
    mean_range = ranges.mean(axis=(-2, -1))
    operator_means = from_first.mean(axis=(-3, -1))
    part_means = from_first.mean(axis=(-2, -1))
    part_gap = np.ptp(part_means, axis=-1)
    k1 = 1.0 / form_divisor(r, p * o)
    k3 = 1.0 / d2_star(p, 1)
    repeatability = np.square(mean_range * k1)
    if o > 1:
        k2 = 1.0 / d2_star(o, 1)
        operator_gap = np.ptp(operator_means, axis=-1)
        operator = np.square(operator_gap * k2) - repeatability / (p * r)
    else:
        k2 = float("nan")
        operator_gap = np.full_like(mean_range, np.nan)
        operator = operator_gap
    return AverageRange(
        parts=p,
        operators=o,
        trials=r,
        ranges=ranges,
        mean_range=mean_range,
        range_limit=upper_range_limit(r) * mean_range,
        operator_gap=operator_gap,
        part_gap=part_gap,
        k1=k1,
        k2=k2,
        k3=k3,
        repeatability=repeatability,
        operator=operator,
        part=np.square(part_gap * k3),
        grr=repeatability + np.fmax(operator, 0.0),
    )
