"""How the readings change from picking the gauge up to putting it down, by method."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from grr.analysis.sittings import Sittings, sittings
from grr.analysis.zero_checks import ZEROED, zero_changes, zero_checks
from grr.errors import StudyError
from grr.numerics.arrays import Array
from grr.numerics.bump import find_bump
from grr.numerics.drift_slope import (
    Blocks,
    Slope,
    blocks,
    drift_slope,
    mean_slope,
    slopes_differ,
)
from grr.numerics.ratios import rounding_floor
from grr.numerics.settling import Settling, fit_settling, settling_test
from grr.numerics.zero_drift import ZeroDrift, zero_drift
from grr.study import Study

#: A settling curve is fitted where it beats a straight line at this level.
CURVE_LEVEL = 0.01
NONE, STRAIGHT, SETTLING = "none", "straight", "settling"


@dataclass(frozen=True)
class MethodDrift:
    """Drift under one method, over all operators; lengths in the unit of the study.

    Attributes
    ----------
    method : str
    shape : {"none", "straight", "settling"}
        What the readings carry.
    slope : Slope
        Mean of the operators' slopes, per unit of time.
    curve_p : float
        p value of a settling curve beside a straight line.
    curve : Settling or None
        Where ``shape`` is "settling".
    span : float
        Length of the longest sitting.
    differ_p : float
        p value of all operators drifting alike; NaN with one operator.
    scatter : float
        Standard deviation of the readings about the fitted drift, operators pooled.
    mean : float
        Mean of the fitted drift over the readings, counted from the start of each sitting.
    zero : ZeroDrift or None
        Change of the zero, where it was checked before and after.
    """

    method: str
    shape: str
    slope: Slope
    curve_p: float
    curve: Settling | None
    span: float
    differ_p: float
    scatter: float
    mean: float
    zero: ZeroDrift | None

    def at(self, since: Array | float) -> Array:
        """Return the fitted drift after so much time; 0 where none shows."""
        if self.curve is not None:
            return self.curve.at(np.asarray(since))
        return np.asarray(since) * (float(self.slope.slope) if self.shape == STRAIGHT else 0.0)


@dataclass(frozen=True)
class DriftNumbers:
    """Every figure behind `grr.drift`.

    Attributes
    ----------
    study : Study
    taken : Sittings
    series : DataFrame
        One row a method and operator: readings, sittings, span, slope, lower, upper, p,
        over (change over the longest sitting), bump, bump_at, bump_p (the largest step in
        the series and when it happens).
    methods : dict
        Method → MethodDrift.
    readings : DataFrame
        method, operator, since, and drift: each reading with the means of parts and
        sittings taken off, seen from the start of the fitted drift.
    level : float
    """

    study: Study
    taken: Sittings
    series: pd.DataFrame
    methods: dict[str, MethodDrift]
    readings: pd.DataFrame
    level: float

    def value(self, method: str, operator: str, column: str) -> float:
        """Return one cell of the table of series."""
        return float(self.series.at[(method, operator), column])  # type: ignore[arg-type]

    def operators(self, method: str) -> list[str]:
        """Return the operators whose drift was fitted under a method."""
        return [operator for name, operator in self.series.index if name == method]

    def drifting(self, method: str) -> list[str]:
        """Return the operators whose own readings drift, at the level shared among them."""
        names = self.operators(method)
        alpha = (1.0 - self.level) / len(names)
        return [name for name in names if self.value(method, name, "p") < alpha]

    def fastest(self, method: str) -> str:
        """Return who drifts fastest where the operators do not drift alike; else ""."""
        drifting = self.drifting(method)
        if not drifting or not self.methods[method].differ_p < 1.0 - self.level:
            return ""
        return max(drifting, key=lambda name: abs(self.value(method, name, "slope")))

    def change(self, method: str) -> float:
        """Return the drift over the longest sitting; the fastest operator's where they differ."""
        found, fastest = self.methods[method], self.fastest(method)
        if fastest and found.curve is None:
            return self.value(method, fastest, "over")
        return float(found.at(found.span))


def drift_numbers(study: Study, *, level: float = 0.95) -> DriftNumbers:
    """Fit drifts to the readings of each operator by each method.

    The means of parts and sittings are taken off within each operator and method, so that
    neither parts, operators, methods nor their interactions can look like drift; every
    operator's scatter counts by itself.

    Raises
    ------
    StudyError
        Neither times nor an order are known, or nobody measured a part at two times.
    """
    checks = zero_checks(study)
    zeroed = checks.loc[checks["name"].isin(ZEROED), "time"]
    taken = sittings(study, zeroed)
    names = study.methods or ("",)
    methods: dict[str, MethodDrift] = {}
    rows: list[dict[str, object]] = []
    seen: list[pd.DataFrame] = []
    for method in names:
        parts = _series(taken, method, study.operator_names)
        if parts:
            found, of_method = _method_drift(method, parts, level)
            methods[method] = found
            rows += of_method
            seen += [_seen_from_start(found, series) for series in parts]
    if not methods:
        raise StudyError(
            "No part was measured at two different times by the same operator, so drift cannot "
            "be told from what the parts differ by",
            "Measure every part at least twice, all parts once before the first is repeated",
        )
    if len(checks):
        changes = zero_changes(checks, taken)
        methods = {
            name: _with_zero(found, changes, level, study.resolution)
            for name, found in methods.items()
        }
    table = pd.DataFrame(rows).set_index(["method", "operator"])
    return DriftNumbers(study, taken, table, methods, pd.concat(seen, ignore_index=True), level)


@dataclass(frozen=True)
class _Series:
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


def _seen_from_start(found: MethodDrift, series: _Series) -> pd.DataFrame:
    fitted = found.at(series.since)
    return pd.DataFrame(
        {
            "method": found.method,
            "operator": series.operator,
            "since": series.since,
            "drift": fitted + series.means.taken_off(series.readings - fitted),
        }
    )


def _series(taken: Sittings, method: str, operators: tuple[str, ...]) -> list[_Series]:
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
        found.append(_Series(operator, since, readings, means, count, slope))
    return found


def _method_drift(
    method: str, parts: list[_Series], level: float
) -> tuple[MethodDrift, list[dict[str, object]]]:
    slope = mean_slope([series.slope for series in parts])
    curve_p, curve = _curve(parts, level)
    shape = STRAIGHT if float(slope.p()) < 1.0 - level else NONE
    found = MethodDrift(
        method=method,
        shape=shape if curve is None else SETTLING,
        slope=slope,
        curve_p=curve_p,
        curve=curve,
        span=max(float(series.since.max()) for series in parts),
        differ_p=float(slopes_differ([series.slope for series in parts])),
        scatter=math.sqrt(float(np.mean([_left(series, curve) for series in parts]))),
        mean=0.0,
        zero=None,
    )
    mean = float(np.mean(np.concatenate([found.at(series.since) for series in parts])))
    rows = [_row(method, series, curve, level) for series in parts]
    return replace(found, mean=mean), rows


def _left(series: _Series, curve: Settling | None) -> float:
    """Return the variance of one operator's readings about the drift fitted to them."""
    if curve is None:
        return series.scatter**2
    left = series.means.taken_off(series.readings - curve.at(series.since))
    return float(left @ left) / float(series.slope.df)


def _curve(parts: list[_Series], level: float) -> tuple[float, Settling | None]:
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


def _row(method: str, series: _Series, curve: Settling | None, level: float) -> dict[str, object]:
    slope = series.slope
    low, high = slope.limits(level)
    # what the shared curve explains cannot be a bump
    left = series.readings if curve is None else series.readings - curve.at(series.since)
    bump = find_bump(series.since, left, series.means) if series.scatter > 0.0 else None
    span = float(series.since.max())
    return {
        "method": method,
        "operator": series.operator,
        "readings": len(series.since),
        "sittings": series.sittings,
        "span": span,
        "slope": float(slope.slope),
        "lower": float(low),
        "upper": float(high),
        "p": float(slope.p()),
        "over": float(slope.slope) * span,
        "bump": math.nan if bump is None else bump.size,
        "bump_at": math.nan if bump is None else float(series.since[bump.first_after]),
        "bump_p": math.nan if bump is None else bump.p,
    }


def _with_zero(
    found: MethodDrift, changes: pd.DataFrame, level: float, resolution: float | None
) -> MethodDrift:
    own = changes[changes["method"] == found.method]
    if own.empty:
        return found
    zero = zero_drift(
        own["change"].to_numpy(dtype=np.float64),
        own["minutes"].to_numpy(dtype=np.float64),
        level=level,
        least_sd=0.0 if resolution is None else math.sqrt(2.0) * rounding_floor(resolution),
    )
    return replace(found, zero=zero)
