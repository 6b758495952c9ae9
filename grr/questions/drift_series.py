"""What one operator's readings by one method carry: a line, a settling curve, a bump."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.formulas.change_points import (
    Settling,
    StepChange,
    can_show_a_step,
    fit_settling,
    settling_test,
    step_change,
)
from grr.formulas.drift_rate import Blocks, Slope, blocks, drift_slope
from grr.model.errors import StudyError
from grr.questions.sittings import Sittings, coded

#: A settling curve is fitted where it beats a straight line at this level.
CURVE_LEVEL = 0.01
#: A bump is told at this level for all series of a study together: 1 % of clean studies.
BUMP_LEVEL = 0.01
#: Readings that must lie on either side of a bump.
LEAST_SIDE = 3
#: From so many parts on, one that makes more than half of the scatter is no chance.
LEAST_PARTS = 5


@dataclass(frozen=True)
class Series:
    """One operator's readings by one method, in the order taken.

    ``parts`` and ``trials`` name each reading; ``place`` (of a part), ``gauge`` and ``session``
    code it from 0.
    """

    operator: str
    parts: tuple[str, ...]
    trials: tuple[int, ...]
    place: NDArray[np.int64]
    gauge: NDArray[np.int64]
    session: NDArray[np.int64]
    since: Array
    readings: Array
    means: Blocks
    slope: Slope

    @property
    def sessions(self) -> int:
        """How many sessions there were."""
        return int(self.session.max()) + 1

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

    def bump(self, curve: Settling | None) -> StepChange | None:
        """Return the most likely bump; what a shared curve explains cannot be one."""
        if self.scatter <= 0.0 or not can_show_a_step(self.means, least_side=LEAST_SIDE):
            return None
        left = self.readings if curve is None else self.readings - curve.at(self.since)
        found = step_change(self.since, left, self.means, least_side=LEAST_SIDE)
        if float(found.p) < BUMP_LEVEL:
            quiet = self._without_a_loud_part(left)
            if quiet is not None:  # a bump shows on all parts
                return replace(found, p=np.maximum(found.p, quiet.p))
        return found

    def _without_a_loud_part(self, readings: Array) -> StepChange | None:
        """Return the bump without the part that makes most of the scatter; None where none does."""
        loud = np.bincount(self.place, np.square(self.means.taken_off(readings)))
        kept = self.place != loud.argmax()
        if len(loud) < LEAST_PARTS or not loud.max() > 0.5 * loud.sum():
            return None
        codes = (self.place[kept], self.gauge[kept], self.session[kept])
        means = blocks(*(np.unique(code, return_inverse=True)[1] for code in codes))
        if not can_show_a_step(means, least_side=LEAST_SIDE):
            return None
        return step_change(self.since[kept], readings[kept], means, least_side=LEAST_SIDE)

    def parted(self, bump: StepChange) -> Series:
        """Return the series with a session of its own from the bump on."""
        after = np.arange(len(self.since)) >= bump.first_after
        pieces = np.unique(2 * self.session + after, return_inverse=True)[1].astype(np.int64)
        means = blocks(self.place, self.gauge, pieces)
        try:
            slope = drift_slope(self.since, self.readings, means)
        except StudyError:  # too little is left to fit: the series stays whole
            return self
        return replace(self, means=means, slope=slope)


def series_of(
    taken: Sittings, method: str, operators: tuple[str, ...]
) -> tuple[list[Series], dict[str, str]]:
    """Return the series from which a drift can be told, and operator → why none can."""
    found, reasons = [], {}
    table = taken.table
    if method:
        table = table[table["method"] == method]
    who = table["operator"].to_numpy(dtype=object)
    part, place, gauge = (table[name].to_numpy(object) for name in ("part", "place", "gauge"))
    trial, sitting, since, readings = (
        table[name].to_numpy() for name in ("trial", "sitting", "since", "reading")
    )
    for operator in operators:
        own = who == operator
        if not own.any():
            continue
        at = coded(zip(part[own], place[own], strict=True))
        codes = (at, coded(gauge[own]), coded(sitting[own]))
        means = blocks(*codes)
        read = readings[own] - readings[own][0]
        try:
            slope = drift_slope(since[own], read, means)
        except StudyError as error:
            reasons[operator] = error.reason
            continue
        named = (tuple(map(str, part[own])), tuple(map(int, trial[own])))
        found.append(Series(operator, *named, *codes, since[own], read, means, slope))
    return found, reasons


def fitted_series(
    parts: list[Series], level: float, bump_level: float
) -> tuple[list[Series], list[StepChange | None], float, Settling | None]:
    """Return the series as drift is fitted to them, their bumps, and the curve they share.

    A bump looks like a settling curve, and the other way round: what leaves less scatter
    is kept. From a bump on a series counts as another session, so that it is no drift.

    Returns
    -------
    series, bumps : list
        The most likely bump of each series, whether or not it is one.
    p : float
        Of a settling curve beside a straight line.
    curve : Settling or None
    """
    curve_p, curve = shared_curve(parts, level)
    bumps = [series.bump(None) for series in parts]
    certain = [bump is not None and float(bump.p) < bump_level for bump in bumps]
    apart = [
        series.parted(bump) if bump is not None and sure else series
        for series, bump, sure in zip(parts, bumps, certain, strict=True)
    ]
    steps = 3 * sum(certain) + (len(parts) - sum(certain))
    if any(certain) and (curve is None or _misfit(apart, None, steps) < _misfit(parts, curve, 2)):
        parts = apart
        curve_p, curve = shared_curve(parts, level)
    else:
        certain = [False] * len(parts)
    if curve is not None:
        bumps = [
            bump if sure else series.bump(curve)
            for series, bump, sure in zip(parts, bumps, certain, strict=True)
        ]
    return parts, bumps, curve_p, curve


def _misfit(parts: list[Series], curve: Settling | None, fitted: int) -> float:
    """Return Schwarz's criterion up to a constant, every series with a scatter of its own.

    −2 log likelihood + ``fitted``·log n; Schwarz, Annals of Statistics 6 (1978), 461-464.
    """
    left = [(len(s.since), s.variance_about(curve) * float(s.slope.df)) for s in parts]
    log_n = math.log(sum(n for n, _ in left))
    return sum(n * math.log(max(sum_sq, 1e-300) / n) for n, sum_sq in left) + fitted * log_n


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
    bases = [series.means.basis for series in parts]
    ends = np.cumsum([basis.shape[1] for basis in bases])
    side_by_side = [
        np.pad(basis, [(0, 0), (int(end) - basis.shape[1], int(ends[-1] - end))])
        for basis, end in zip(bases, ends, strict=True)
    ]
    means = Blocks(np.vstack(side_by_side))
    tested = settling_test(since, readings, means, weights=weights)
    if float(tested.p) >= CURVE_LEVEL:
        return float(tested.p), None
    curve = fit_settling(since, readings, means, weights=weights, level=level)
    bounded = math.isfinite(curve.time_constant_limits[1])
    settles = bounded and curve.residual_sum < curve.line_residual_sum
    return float(tested.p), curve if settles else None


class BumpFound(NamedTuple):
    """A bump that chance does not explain.

    ``at`` is how long its session had lasted, in minutes, or in readings of this operator
    where no times are known; ``part`` and ``trial`` are those of the first reading after it,
    and ``begins`` says whether that is the first reading of its trial.
    """

    method: str
    operator: str
    size: float
    at: float
    session: int
    sessions: int
    part: str
    trial: int
    begins: bool


_BUMP = (
    *("bump", "bump_at", "bump_p"),
    *("bump_session", "bump_part", "bump_trial", "bump_begins"),
)


def bump_columns(series: Series, bump: StepChange | None, by_time: bool) -> dict[str, object]:
    """Return the columns of the most likely bump of a series, whether or not it is one."""
    if bump is None:
        nothing = (math.nan, math.nan, math.nan, 0, "", 0, False)
        return dict(zip(_BUMP, nothing, strict=True))
    first = int(bump.first_after)
    session, trial = int(series.session[first]), series.trials[first]
    before = int(np.count_nonzero(series.session[:first] == session))
    at = float(series.since[first]) if by_time else float(before)
    place = (session + 1, series.parts[first], trial, trial not in series.trials[:first])
    return dict(zip(_BUMP, (float(bump.size), at, float(bump.p), *place), strict=True))


def bumps_in(rows: Mapping[tuple[str, str], Mapping[str, Any]]) -> list[BumpFound]:
    """Return the bumps that chance does not explain, at one level for all series together.

    Parameters
    ----------
    rows : mapping
        (method, operator) → the columns of `bump_columns`, and sessions.
    """
    told = ("bump", "bump_at", "bump_session", "sessions", "bump_part", "bump_trial", "bump_begins")
    return [
        BumpFound(*key, *(row[name] for name in told))
        for key, row in rows.items()
        if row["bump_p"] < BUMP_LEVEL / len(rows)
    ]
