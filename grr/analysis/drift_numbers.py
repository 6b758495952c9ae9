"""How the readings change from picking the gauge up to putting it down, by method."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from grr.analysis.drift_series import Series, series_of, shared_curve
from grr.analysis.sittings import Sittings, sittings
from grr.analysis.zero_checks import ZEROED, zero_changes, zero_checks
from grr.errors import StudyError
from grr.numerics.arrays import Array
from grr.numerics.bump import find_bump
from grr.numerics.drift_slope import Slope, mean_slope, slopes_differ
from grr.numerics.ratios import rounding_floor
from grr.numerics.settling import Settling
from grr.numerics.zero_drift import ZeroDrift, zero_drift
from grr.study import Study

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
        parts = series_of(taken, method, study.operator_names)
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


def _seen_from_start(found: MethodDrift, series: Series) -> pd.DataFrame:
    fitted = found.at(series.since)
    return pd.DataFrame(
        {
            "method": found.method,
            "operator": series.operator,
            "since": series.since,
            "drift": fitted + series.means.taken_off(series.readings - fitted),
        }
    )


def _method_drift(
    method: str, parts: list[Series], level: float
) -> tuple[MethodDrift, list[dict[str, object]]]:
    slope = mean_slope([series.slope for series in parts])
    curve_p, curve = shared_curve(parts, level)
    shape = STRAIGHT if float(slope.p()) < 1.0 - level else NONE
    found = MethodDrift(
        method=method,
        shape=shape if curve is None else SETTLING,
        slope=slope,
        curve_p=curve_p,
        curve=curve,
        span=max(float(series.since.max()) for series in parts),
        differ_p=float(slopes_differ([series.slope for series in parts])),
        scatter=math.sqrt(float(np.mean([series.variance_about(curve) for series in parts]))),
        mean=0.0,
        zero=None,
    )
    mean = float(np.mean(np.concatenate([found.at(series.since) for series in parts])))
    rows = [_row(method, series, curve, level) for series in parts]
    return replace(found, mean=mean), rows


def _row(method: str, series: Series, curve: Settling | None, level: float) -> dict[str, object]:
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
