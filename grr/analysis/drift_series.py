"""Readings of one operator by one method, as drift is fitted to them."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import pandas as pd

from grr.analysis.sittings import Sittings
from grr.errors import StudyError
from grr.numerics.arrays import Array
from grr.numerics.drift_slope import Blocks, Slope, blocks, drift_slope
from grr.numerics.settling import Settling, fit_settling, settling_test

#: A settling curve is fitted where it beats a straight line at this level.
CURVE_LEVEL = 0.01


@dataclass(frozen=True)
class Series:
    """One operator's readings by one method, in the order taken."""

    operator: str
    since: Array
    readings: Array
    means: Blocks
    sittings: int
    slope: Slope

    @property
    def scatter(self) -> float:
        """Standard deviation of the readings about the fitted drift."""
        left = self.means.taken_off(self.readings)
        left = left - float(self.slope.slope) * self.means.taken_off(self.since)
        return math.sqrt(float(left @ left) / float(self.slope.df))

    def variance_about(self, curve: Settling | None) -> float:
        """Return the variance of the readings about a curve, or about their own line."""
        if curve is None:
            return self.scatter**2
        left = self.means.taken_off(self.readings - curve.at(self.since))
        return float(left @ left) / float(self.slope.df)


def series_of(taken: Sittings, method: str, operators: tuple[str, ...]) -> list[Series]:
    """Return the series from which a drift can be told."""
    found = []
    for operator in operators:
        rows = taken.table[
            (taken.table["method"] == method) & (taken.table["operator"] == operator)
        ]
        if rows.empty:
            continue
        part, sitting = (pd.factorize(rows[key])[0].astype(np.int64) for key in ("part", "sitting"))
        means = blocks(part, sitting)
        since = rows["since"].to_numpy(dtype=np.float64)
        readings = rows["reading"].to_numpy(dtype=np.float64)
        readings = readings - readings[0]
        try:
            slope = drift_slope(since, readings, means)
        except StudyError:
            continue
        count = int(sitting.max()) + 1
        found.append(Series(operator, since, readings, means, count, slope))
    return found


def shared_curve(parts: list[Series], level: float) -> tuple[float, Settling | None]:
    """Return the p value of a settling curve shared by all operators, and the curve."""
    scatter = [series.scatter for series in parts]
    if min(scatter) <= 0.0:
        return 1.0, None
    since = np.concatenate([series.since for series in parts])
    readings = np.concatenate([series.readings for series in parts])
    weights = np.concatenate(
        [np.full(len(s.since), 1.0 / sd) for s, sd in zip(parts, scatter, strict=True)]
    )
    means = Blocks(_side_by_side([series.means.basis for series in parts]))
    tested = settling_test(since, readings, means, weights=weights)
    if float(tested.p) >= CURVE_LEVEL:
        return float(tested.p), None
    curve = fit_settling(since, readings, means, weights=weights, level=level)
    bounded = math.isfinite(curve.time_constant_limits[1])
    settles = bounded and curve.residual_sum < curve.line_residual_sum
    return float(tested.p), curve if settles else None


def _side_by_side(bases: list[Array]) -> Array:
    """Return the bases of several series as one for their readings one after the other."""
    rows, columns = (sum(basis.shape[axis] for basis in bases) for axis in (0, 1))
    joined = np.zeros((rows, columns))
    row = column = 0
    for basis in bases:
        joined[row : row + basis.shape[0], column : column + basis.shape[1]] = basis
        row, column = row + basis.shape[0], column + basis.shape[1]
    return joined
