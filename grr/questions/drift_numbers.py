"""How the readings change from picking the gauge up to putting it down, by method."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array, Mask
from grr.formulas.change_points import Bump, Settling
from grr.formulas.drift_rate import Slope, ZeroDrift, mean_slope, slopes_differ, zero_drift
from grr.formulas.sources_of_variation import rounding_floor
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.questions.drift_bumps import BumpFound, bump_columns, bumps_in
from grr.questions.drift_series import BUMP_LEVEL, Series, fitted_series, series_of
from grr.questions.sittings import Sittings, sittings
from grr.questions.trial_changes import TrialChange, trial_changes
from grr.questions.zero_checks import ZEROED, zero_changes, zero_checks

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
        Length of the longest session.
    differ_p : float
        p value of all operators drifting alike; NaN with one operator.
    scatter : float
        Standard deviation of the readings about the fitted drift, operators pooled.
    mean : float
        Mean of the fitted drift over the readings, counted from the start of each session.
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

    What it says about drift, bumps and changes between trials is said once: the check, the
    comparison of operators and the figure of the readings in order quote it.

    Attributes
    ----------
    study : Study
    taken : Sittings
    series : DataFrame
        One row a method and operator: readings, sessions, span, slope, lower, upper, p,
        over (change over the longest session); bump, bump_at, bump_p (the most likely step
        in the series, after how many minutes or readings of its session, and its p value),
        bump_session (from 1), bump_part, bump_trial (the first reading after it), bump_begins.
    methods : dict
        Method → MethodDrift.
    readings : DataFrame
        method, operator, since, and drift: each reading with the means of parts and
        sessions taken off, seen from the start of the fitted drift.
    changes : dict
        Method → changes between trials that neither drift nor bumps explain.
    level : float
    """

    study: Study
    taken: Sittings
    series: pd.DataFrame
    methods: dict[str, MethodDrift]
    readings: pd.DataFrame
    changes: dict[str, list[TrialChange]]
    level: float

    def value(self, method: str, operator: str, column: str) -> float:
        """Return one cell of the table of series."""
        return float(self.series.at[(method, operator), column])  # type: ignore[arg-type]

    def operators(self, method: str) -> list[str]:
        """Return the operators whose drift was fitted under a method."""
        return [operator for name, operator in self.series.index if name == method]

    def drifting(self, method: str) -> list[str]:
        """Return the operators whose own readings drift, at the level shared among them.

        Where everyone's together show no drift, one operator's must be plainer.
        """
        names = self.operators(method)
        alone = self.methods[method].shape == NONE
        alpha = (_each_way(self.level) if alone else 1.0 - self.level) / len(names)
        return [name for name in names if self.value(method, name, "p") < alpha]

    def drifters(self, method: str) -> list[str]:
        """Return whose readings drift: everyone's, unless the operators do not drift alike."""
        if self.change(method) == 0.0:
            return []
        unlike = self.fastest(method) and self.methods[method].curve is None
        return self.drifting(method) if unlike else self.operators(method)

    def fastest(self, method: str) -> str:
        """Return who drifts fastest where the operators do not drift alike; else ""."""
        drifting = self.drifting(method)
        if not drifting or not self.methods[method].differ_p < 1.0 - self.level:
            return ""
        return max(drifting, key=lambda name: abs(self.value(method, name, "slope")))

    def change(self, method: str) -> float:
        """Return the drift over the longest session; the fastest operator's where they differ."""
        found, fastest = self.methods[method], self.fastest(method)
        if fastest and found.curve is None:
            return self.value(method, fastest, "over")
        return float(found.at(found.span))

    def fitted(self, method: str, operator: str, since: Array) -> Array:
        """Return the drift of one operator's readings so long after their session began."""
        found = self.methods[method]
        if self.fastest(method) and found.curve is None:
            drifts = operator in self.drifting(method)
            return since * (self.value(method, operator, "slope") if drifts else 0.0)
        return found.at(since)

    @property
    def bumps(self) -> list[BumpFound]:
        """The bumps that chance does not explain and no change between trials tells of."""
        told = {
            (method, name, change.trials[0])
            for method, changes in self.changes.items()
            for change in changes
            for name in change.operators
        }
        return [
            bump
            for bump in bumps_in(self.series)
            if not (bump.begins and (bump.method, bump.operator, bump.trial) in told)
        ]


def _each_way(level: float) -> float:
    """Return the level of each of the two ways to find a drift: everyone's, or one operator's.

    Together they find one in about 1 − level of the studies without a drift.
    """
    return (1.0 - level) / 2.0


def drift_numbers(study: Study, *, level: float = 0.95) -> DriftNumbers:
    """Fit drifts to the readings of each operator by each method.

    The means of parts and sessions are taken off within each operator and method, so that
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
    by_method = {
        method: series_of(taken, method, study.operator_names) for method in study.methods or ("",)
    }
    by_time = taken.unit == "min"
    bump_level = BUMP_LEVEL / max(1, sum(map(len, by_method.values())))
    methods: dict[str, MethodDrift] = {}
    rows: list[dict[str, object]] = []
    seen: list[pd.DataFrame] = []
    for method, parts in by_method.items():
        if parts:
            found, of_method, fitted = _method_drift(method, parts, level, bump_level, by_time)
            methods[method] = found
            rows += of_method
            seen += [_seen_from_start(found, series) for series in fitted]
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
    numbers = DriftNumbers(
        study, taken, table, methods, pd.concat(seen, ignore_index=True), {}, level
    )
    return replace(numbers, changes={name: _unexplained(numbers, name) for name in methods})


def _unexplained(numbers: DriftNumbers, method: str) -> list[TrialChange]:
    """Return the changes between trials that stay with drift and bumps taken off."""
    study = numbers.study.for_method(method) if method else numbers.study
    changes = trial_changes(study)
    if not changes:
        return []
    rows = numbers.taken.table
    rows = rows[rows["method"] == method] if method else rows
    fitted = np.zeros(len(rows))
    for name in study.operator_names:
        own = (rows["operator"] == name).to_numpy()
        fitted[own] = numbers.fitted(method, name, rows.loc[own, "since"].to_numpy(float))
    for bump in bumps_in(numbers.series):
        if bump.method == method and not bump.begins:
            fitted += bump.size * _after(rows, bump)
    readings = rows[["part", "operator", "trial"]].assign(reading=rows["reading"] - fitted)
    left = trial_changes(replace(study, readings=readings, resolution=None))
    who = {operator for change in left for operator in change.operators}
    return [change for change in changes if who.intersection(change.operators)]


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


def _after(rows: pd.DataFrame, bump: BumpFound) -> Mask:
    """Whether each reading was taken after a bump, in the same session by the same operator."""
    own = rows["operator"] == bump.operator
    first = rows.index[own & (rows["part"] == bump.part) & (rows["trial"] == bump.trial)][0]
    same = rows["sitting"] == rows.loc[first, "sitting"]
    return np.asarray(own & same & (rows.index >= first), dtype=np.bool_)


def _method_drift(
    method: str, parts: list[Series], level: float, bump_level: float, by_time: bool
) -> tuple[MethodDrift, list[dict[str, object]], list[Series]]:
    parts, bumps, curve_p, curve = fitted_series(parts, level, bump_level)
    slope = mean_slope([series.slope for series in parts])
    shape = STRAIGHT if float(slope.p()) < _each_way(level) else NONE
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
    rows = [
        _row(method, series, bump, level, by_time)
        for series, bump in zip(parts, bumps, strict=True)
    ]
    return replace(found, mean=mean), rows, parts


def _row(
    method: str, series: Series, bump: Bump | None, level: float, by_time: bool
) -> dict[str, object]:
    slope = series.slope
    low, high = slope.limits(level)
    span = float(series.since.max())
    return {
        "method": method,
        "operator": series.operator,
        "readings": len(series.since),
        "sessions": series.sessions,
        "span": span,
        "slope": float(slope.slope),
        "lower": float(low),
        "upper": float(high),
        "p": float(slope.p()),
        "over": float(slope.slope) * span,
        **bump_columns(series, bump, by_time),
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
