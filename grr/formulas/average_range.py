"""The average-and-range method: variation from ranges and averages, as on the paper form."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.range_constants import d2_star, form_divisor, upper_range_limit
from grr.model.errors import StudyError


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
