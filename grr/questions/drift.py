"""`grr.drift`: do the readings drift while measuring, and when to zero again?

Bare-handed for ten minutes a 25 mm micrometer grows by about half a micrometre, which is
what 1.7 K does to an inch of steel; a stand, gloves and an insulating grip exist for this
reason (common practice, no source).

Sources: Montgomery, Design and Analysis of Experiments, chapter 15 (analysis of
covariance); Andrews, Econometrica 61 (1993), 821-856 (bump and curve, p simulated);
Newton's law of cooling (curve).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import KW_ONLY, dataclass, replace
from functools import cached_property
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.change_points import Settling
from grr.formulas.drift_rate import (
    Slope,
    ZeroDrift,
    mean_slope,
    slopes_differ,
    time_to_drift,
    time_to_settle,
    time_until_steady,
    zero_drift,
)
from grr.formulas.micrometer import STEEL_EXPANSION, warming_for
from grr.formulas.sources_of_variation import rounding_floor
from grr.model.blocks import Block, Bullets, Fold, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.names import LONGEST_NAME, begun, shortened
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import (
    JOIN,
    figures,
    length,
    length_and_half,
    length_beside_percent,
    listed,
    p_cell,
    percent,
)
from grr.model.study import Study, checked_study
from grr.model.units import conversion
from grr.model.values import number
from grr.questions.drift_series import (
    BUMP_LEVEL,
    BumpFound,
    Series,
    bump_columns,
    bumps_in,
    fitted_series,
    series_of,
)
from grr.questions.gauge import result_of_record
from grr.questions.sittings import Sittings, since_zeroed, zero_changes, zero_checks
from grr.questions.trial_changes import TrialChange, change_words, trial_changes, who_changed

if TYPE_CHECKING:
    from plotly.graph_objects import Figure


#: What the readings carry.
Shape = Literal["none", "straight", "settling"]

CAUTION = (
    "Zero on a master of the part's size: an even warming of gauge and spindle cannot be seen on "
    "closed faces. The calibration procedure of the gauge comes first."
)


#: How far a method, or a drift, may take the readings: percent of the tolerance, where a
#: study folder does not state it before the first reading by a key of ``[facts]``.
DEFAULT_MARGIN_PERCENT = 5.0
MARGIN_FACT = "difference_margin_percent"


def stated_margin(study: Study) -> float | None:
    """Return the share of the tolerance that a study states as margin; None where it does not."""
    if MARGIN_FACT not in study.facts:
        return None
    return number(MARGIN_FACT, study.facts[MARGIN_FACT], above=0.0, below=100.0) / 100.0


def drift(
    study: Study,
    *,
    allowed_share: float | None = None,
    allowed: float | None = None,
    warmed_mm: float = 25.0,
    level: float = 0.95,
) -> Drift:
    """Look for drift from picking the gauge up to putting it down.

    Readings against the minutes since the gauge was zeroed (or the session began; the
    order taken where times are missing), once the means of parts and sessions are taken
    off within each operator and method. A straight line for each operator; a settling
    curve for each method where it explains more than a line at 1 %; the most likely bump
    in each series; and the change of the zero where it was checked before and after.

    Parameters
    ----------
    study : Study
        With the column ``time``, or ``order``; one method or several.
    allowed_share : float, optional
        Share of the tolerance that drift may take before the gauge is zeroed again. By
        default what the study states (``difference_margin_percent`` among its facts), or
        0.05: the same as two methods may differ by.
    allowed : float, optional
        The same as a length, in the unit of the study; needed for one-sided tolerances.
    warmed_mm : float
        Length of steel in mm for which a drift is told as a warming: the frame.
    level : float
        Confidence of the intervals.

    Returns
    -------
    Drift

    Raises
    ------
    StudyError
        No times and no order, or nobody measured a part at two different times.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, chapter 15 (analysis of
    covariance); Andrews, Econometrica 61 (1993), 821-856 (bump and curve, p simulated);
    Newton's law of cooling (curve).

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> drift = grr.drift(study)
    >>> drift.to_frame()["sessions"].tolist()
    [1, 1, 1]
    """
    checked_study(study)
    level = number("level", level, above=0.5, below=1.0)
    warmed_mm = number("warmed_mm", warmed_mm, above=0.0)
    if allowed_share is None:
        allowed_share = stated_margin(study) or DEFAULT_MARGIN_PERCENT / 100.0
    share = number("allowed_share", allowed_share, above=0.0, below=1.0)
    width = None if study.tolerance is None else study.tolerance.width
    limit, share = (None, math.nan) if width is None else (share * width, share)
    if allowed is not None:
        limit = number("allowed", allowed, above=0.0)
        share = math.nan if width is None else limit / width
    return study.once(
        ("drift", limit, share, warmed_mm, level),
        lambda: _drift(study, limit, share, warmed_mm, level),
    )


def in_order(study: Study) -> Figure:
    """Draw each reading from its part's mean in the order taken, one lane an operator.

    Parameters
    ----------
    study : Study
        With the column ``order``, or ``time``.

    Returns
    -------
    plotly Figure
        A dashed line shows a drift where there is one. Without an order, a page that says
        what is needed.
    """
    from grr.show.time_figures import CONFIDENCE, readings_in_order

    found: Drift | str
    try:
        found = drift(study, level=CONFIDENCE)
    except StudyError as error:
        found = error.problem
    return readings_in_order(study, found)


def _drift(
    study: Study, limit: float | None, share: float, warmed_mm: float, level: float
) -> Drift:
    numbers = drift_numbers(study, level=level)
    when = {
        name: re_zero(numbers, name, limit, share)
        for name, found in numbers.methods.items()
        if limit is not None and float(found.slope.error) > 0.0
    }
    return Drift(numbers, MappingProxyType(when), warmed_mm, _headline(numbers))


@dataclass(frozen=True, eq=False, repr=False)
class Drift(Printed):
    """Whether readings drift while measuring, by method and operator.

    Attributes
    ----------
    numbers : DriftNumbers
        ``numbers.series`` (each operator by each method), ``numbers.methods``.
    re_zero : mapping
        Method → ReZero; empty where nothing says what may drift.
    warmed_mm : float
        Length of steel that a warming is told for, in mm.
    headline : str
        The answer in one sentence.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> len(grr.drift(study).to_frame())
    3
    """

    numbers: DriftNumbers
    re_zero: Mapping[str, ReZero]
    warmed_mm: float
    headline: str

    @property
    def study(self) -> Study:
        """The study looked at."""
        return self.numbers.study

    def method(self, name: str) -> MethodDrift:
        """Return the drift under one method."""
        if name not in self.numbers.methods:
            raise StudyError(
                "No drift was fitted for this method",
                f"Use one of: {', '.join(self.numbers.methods)}",
                value=name,
            )
        return self.numbers.methods[name]

    def grr(self, method: str = "") -> GrrWithoutDrift | None:
        """Return GRR under one method as measured and with the drift taken out.

        None where no drift shows, or the readings give no interval.
        """
        self.method(method)
        return self.study.once(
            ("GRR without drift", method, self.numbers.level),
            lambda: _grr_without(self.numbers, method),
        )

    @property
    def sudden(self) -> list[str]:
        """What changes at once, in words: between trials, or by a bump."""
        return _sudden(self.numbers)

    def plot(self) -> Figure:
        """Return the figure of `grr.show.drift_over_time`."""
        from grr.show import drift_over_time

        return drift_over_time(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a method and operator."""
        return self.numbers.series

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was found, method by method."""
        numbers, lines = self.numbers, []
        for name, found in numbers.methods.items():
            told = (
                _drift_sentence(numbers, found),
                _unlike_sentence(numbers, found),
                _re_zero_sentence(numbers, found, self.re_zero.get(name)),
                _grr_sentence(self.grr(name), numbers.level),
                _warming_sentence(numbers, found, self.warmed_mm),
                _zero_sentence(numbers, found),
            )
            lines += [f"{begun(name) or 'All readings'}: {text}" for text in told if text]
        unfitted = [
            (_joined(operator, method), f"drift not estimated, {reason}.")
            for (method, operator), reason in numbers.unfitted.items()
        ]
        changes = [
            (
                _joined(who_changed(change, numbers.study), method),
                f"{change_words(change, numbers.study)}. Was the zero or the setting touched in "
                "between?",
            )
            for method, found_changes in numbers.changes.items()
            for change in found_changes
        ]
        bumps = [
            (
                _joined(bump.operator, bump.method),
                f"{bump_words(numbers, bump)}. Was the gauge bumped, dropped or set to zero then?",
            )
            for bump in numbers.bumps
        ]
        lines += [f"{begun(who)}: {text}" for who, text in (*unfitted, *changes, *bumps)]
        return tuple(lines)

    def blocks(self) -> list[Block]:
        """Return what was found in sentences, then operator by operator."""
        opening = [*([EXAMPLE] if self.study.example else []), self.study.summary]
        return [
            Prose(opening),
            Heading(self.headline, 3),
            Bullets(self.sentences),
            Fold("Operator by operator", [_series_table(self.numbers)]),
            Prose([CAUTION]),
        ]


GrrMeasure = Literal["percent_tolerance", "percent_tv", "sd"]


@dataclass(frozen=True)
class GrrWithoutDrift:
    """GRR as measured, and with the drift taken out; each with its two-sided interval.

    The second is a whole analysis of the readings less the drift; how often its interval holds:
    ``tests/coverage/drift.md``. `grr.assess` tells the same two where this drift is a cause.

    Attributes
    ----------
    measure : {"percent_tolerance", "percent_tv", "sd"}
        What both are: GRR in percent as the purpose judges it, or its sd where neither is known.
    measured : Estimate
        Of the readings as they are: the verdict judges this one.
    without : Estimate
        Of the readings less the drift fitted to each, counted from the start of its session.
        It takes the drift to be the one fitted, and every reading to be taken just after zeroing.
    """

    measure: GrrMeasure
    measured: Estimate
    without: Estimate


@dataclass(frozen=True)
class ReZero:
    """When to zero again, so that drift stays within what is allowed; times in minutes.

    Attributes
    ----------
    allowed : float
        Largest drift accepted, in the unit of the study.
    share : float
        The same as a share of the tolerance; NaN where it was given as a length.
    estimate, sure : float
        Time until the drift reaches it: as estimated, and with the faster drift that the
        study still allows at one-sided confidence. Infinite where it never does.
    steady : float
        After how long no more than that is still to come; NaN where no curve was fitted.
    """

    allowed: float
    share: float
    estimate: float
    sure: float
    steady: float


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
    shape: Shape
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
        return np.asarray(since) * (float(self.slope.slope) if self.shape == "straight" else 0.0)


@dataclass(frozen=True, eq=False)
class DriftNumbers:
    """Every figure behind `grr.drift`.

    What it says about drift, bumps and changes between trials is said once: the check, the
    comparison of operators and the figure of the readings in order quote it.

    Attributes
    ----------
    study : Study
    taken : Sittings
    rows : dict
        (method, operator) → readings, sessions, span, slope, lower, upper, p,
        over (change over the longest session); bump, bump_at, bump_p (the most likely step
        in the series, after how many minutes or readings of its session, and its p value),
        bump_session (from 1), bump_part, bump_trial (the first reading after it), bump_begins.
    methods : dict
        Method → MethodDrift.
    fitted_series : tuple
        The drift under a method, and the readings of an operator that it was fitted to.
    changes : dict
        Method → changes between trials that neither drift nor bumps explain.
    level : float
    unfitted : dict
        (method, operator) → why no drift can be fitted.
    """

    _: KW_ONLY
    study: Study
    taken: Sittings
    rows: Mapping[tuple[str, str], Mapping[str, Any]]
    methods: Mapping[str, MethodDrift]
    fitted_series: tuple[tuple[MethodDrift, Series], ...]
    changes: Mapping[str, tuple[TrialChange, ...]]
    level: float
    unfitted: Mapping[tuple[str, str], str]

    @property
    def series(self) -> pd.DataFrame:
        """One row a method and operator."""
        index = pd.MultiIndex.from_tuples(list(self.rows), names=["method", "operator"])
        return pd.DataFrame(list(self.rows.values()), index=index)

    @property
    def readings(self) -> pd.DataFrame:
        """Each reading by method, operator, since and drift.

        The means of parts and sessions are taken off; seen from the start of the fitted drift.
        """
        seen = []
        for found, series in self.fitted_series:
            fitted = found.at(series.since)
            drift = fitted + series.means.taken_off(series.readings - fitted)
            named = {"method": found.method, "operator": series.operator}
            seen.append(pd.DataFrame({**named, "since": series.since, "drift": drift}))
        return pd.concat(seen, ignore_index=True)

    @property
    def per(self) -> str:
        """What slopes are counted in, in words."""
        return "a minute" if self.taken.unit == "min" else "from one reading to the next"

    def value(self, method: str, operator: str, column: str) -> float:
        """Return one cell of the table of series."""
        return float(self.rows[method, operator][column])

    def operators(self, method: str) -> list[str]:
        """Return the operators whose drift was fitted under a method."""
        return [operator for name, operator in self.rows if name == method]

    def drifting(self, method: str) -> list[str]:
        """Return the operators whose own readings drift, at the level shared among them.

        Where everyone's together show no drift, one operator's must be plainer.
        """
        names = self.operators(method)
        alone = self.methods[method].shape == "none"
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

    @cached_property
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
            for bump in bumps_in(self.rows)
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
    asked = ("drift_numbers", level)
    found = study.once(asked, lambda: _drift_numbers(study, level), of_readings=True)
    if found.study is study:
        return found
    return study.once(asked, lambda: replace(found, study=study))


def drift_or_reason(study: Study, *, level: float = 0.95) -> tuple[DriftNumbers | None, str]:
    """Return the drift of the readings, or None and why it cannot be told."""
    try:
        return drift_numbers(study, level=level), ""
    except StudyError as error:
        return None, error.reason


def _drift_numbers(study: Study, level: float) -> DriftNumbers:
    checks, taken = zero_checks(study), since_zeroed(study)
    by_method: dict[str, list[Series]] = {}
    unfitted: dict[tuple[str, str], str] = {}
    for method in study.methods or ("",):
        by_method[method], reasons = series_of(taken, method, study.operator_names)
        unfitted |= {(method, operator): reason for operator, reason in reasons.items()}
    by_time = taken.unit == "min"
    bump_level = BUMP_LEVEL / max(1, sum(map(len, by_method.values())))
    methods: dict[str, MethodDrift] = {}
    rows: dict[tuple[str, str], dict[str, Any]] = {}
    seen: list[tuple[MethodDrift, Series]] = []
    for method, parts in by_method.items():
        if parts:
            found, of_method, fitted = _method_drift(method, parts, level, bump_level, by_time)
            methods[method] = found
            rows |= of_method
            seen += [(found, series) for series in fitted]
    if not methods:
        raise StudyError(
            "No part was measured at two different times by the same operator, so drift cannot "
            "be told from what the parts differ by",
            "Measure every part at least twice, all parts once before the first is repeated",
        )
    least_sd = math.sqrt(2.0) * rounding_floor(study.resolution or 0.0)
    changes = zero_changes(checks, taken)
    for name, found in methods.items():
        own = changes[changes["method"] == name]
        if not own.empty:
            moved, minutes = (own[column].to_numpy(np.float64) for column in ("change", "minutes"))
            zero = zero_drift(moved, minutes, level=level, least_sd=least_sd)
            methods[name] = replace(found, zero=zero)
    numbers = DriftNumbers(
        study=study,
        taken=taken,
        rows=MappingProxyType(rows),
        methods=MappingProxyType(methods),
        fitted_series=tuple(seen),
        changes={},
        level=level,
        unfitted=MappingProxyType(unfitted),
    )
    unexplained = {name: tuple(_unexplained(numbers, name)) for name in methods}
    return replace(numbers, changes=MappingProxyType(unexplained))


def _unexplained(numbers: DriftNumbers, method: str) -> list[TrialChange]:
    """Return the changes between trials that stay with drift and bumps taken off."""
    changes = trial_changes(numbers.study.for_method(method) if method else numbers.study)
    if not changes:
        return []
    bumped = [bump for bump in bumps_in(numbers.rows) if bump.method == method and not bump.begins]
    left = trial_changes(_without_drift(numbers, method, bumped))
    who = {operator for change in left for operator in change.operators}
    return [change for change in changes if who.intersection(change.operators)]


def _without_drift(numbers: DriftNumbers, method: str, bumped: Sequence[BumpFound] = ()) -> Study:
    """Return the readings by a method less the drift fitted to them, and less some bumps."""
    rows = numbers.taken.table
    rows = rows[rows["method"] == method] if method else rows
    fitted = np.zeros(len(rows))
    for name in rows["operator"].unique():
        own = (rows["operator"] == name).to_numpy()
        fitted[own] = numbers.fitted(method, name, rows.loc[own, "since"].to_numpy(float))
    for bump in bumped:  # the readings after it, in the same session by the same operator
        own = rows["operator"] == bump.operator
        first = rows.index[own & (rows["part"] == bump.part) & (rows["trial"] == bump.trial)][0]
        same = rows["sitting"] == rows.loc[first, "sitting"]
        fitted += bump.size * (own & same & (rows.index >= first)).to_numpy()
    table = numbers.study.readings
    table.loc[rows["row"], "reading"] = rows["reading"].to_numpy() - fitted
    if method:
        table = table[table["method"] == method]
    return replace(numbers.study, readings=table, resolution=None)


def _grr_without(numbers: DriftNumbers, method: str) -> GrrWithoutDrift | None:
    """Return GRR with and without the drift; None where none shows, or limits are not known."""
    if numbers.change(method) == 0.0:
        return None
    study = numbers.study.for_method(method) if method else numbers.study
    try:
        results = [result_of_record(one) for one in (study, _without_drift(numbers, method))]
        shares: tuple[GrrMeasure, ...] = ("percent_tolerance", "percent_tv")
        known = [name for name in shares if results[0].value("GRR", name) > 0.0] or ["sd"]
        measure: GrrMeasure = known[0 if study.purpose == "accept" else -1]
        unit = study.unit if measure == "sd" else PERCENT
        found = []
        for result in results:
            table = result.intervals(numbers.level)
            value, lower, upper = (
                float(table[end]["GRR", measure]) for end in ("estimate", "lower", "upper")
            )
            found.append(Estimate(value, lower, upper, unit))
    except StudyError:
        return None
    return GrrWithoutDrift(measure, *found)


def _method_drift(
    method: str, parts: list[Series], level: float, bump_level: float, by_time: bool
) -> tuple[MethodDrift, dict[tuple[str, str], dict[str, Any]], list[Series]]:
    parts, bumps, curve_p, curve = fitted_series(parts, level, bump_level)
    slope = mean_slope([series.slope for series in parts])
    straight = float(slope.p()) < _each_way(level)
    shape: Shape = "settling" if curve is not None else "straight" if straight else "none"
    found = MethodDrift(
        method=method,
        shape=shape,
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
    rows = {}
    for series, bump in zip(parts, bumps, strict=True):
        slope, span = series.slope, float(series.since.max())
        low, high = slope.limits(level)
        rows[method, series.operator] = {
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
    return replace(found, mean=mean), rows, parts


def zero_every(study: Study, method: str = "") -> str:
    """Return how often to zero as the drift asks, as the rest of a sentence; "" where it does not.

    The one interval that every page says: that of `grr.drift`.
    """
    try:
        found = drift(study)
    except StudyError:
        return ""
    name = method if method in found.numbers.methods else next(iter(found.numbers.methods))
    when = found.re_zero.get(name)
    if when is None or not when.estimate < found.method(name).span:
        return ""
    return f"every {_time(when.estimate, found.numbers)}".replace(JOIN, " ")


def zero_interval(study: Study) -> str:
    """Return how often the drift asks to zero a study by one method; "" where it does not."""
    method = study.methods[0] if study.methods else ""
    return zero_every(study.among or study, method)


def re_zero(numbers: DriftNumbers, method: str, allowed: float, share: float) -> ReZero:
    """Return when to zero again under one method: by the operator who drifts fastest."""
    found, confidence = numbers.methods[method], numbers.study.rules.confidence
    if found.curve is not None:
        curve = found.curve
        outer = max(map(abs, curve.amount_limits))
        quick = max(curve.time_constant_limits[0], 0.1 * curve.time_constant)
        return ReZero(
            allowed,
            share,
            float(time_to_settle(allowed, curve.amount, curve.time_constant)),
            float(time_to_settle(allowed, outer, quick)),
            float(time_until_steady(allowed, curve.amount, curve.time_constant)),
        )
    shown = float(found.slope.slope) if found.shape == "straight" else 0.0
    low, high = (float(v) for v in found.slope.limits(2.0 * confidence - 1.0))
    fastest = numbers.fastest(method)
    if fastest:
        shown, low, high = (
            numbers.value(method, fastest, column) for column in ("slope", "lower", "upper")
        )
    return ReZero(
        allowed,
        share,
        float(time_to_drift(allowed, shown)),
        float(time_to_drift(allowed, max(abs(low), abs(high)))),
        math.nan,
    )


def _sudden(numbers: DriftNumbers) -> list[str]:
    """Return the changes at once; a bump only where no change between trials tells of it."""
    study, found = numbers.study, []
    told: set[tuple[str, str]] = set()
    for method, changes in numbers.changes.items():
        for change in changes:
            told.update((method, name) for name in change.operators)
            who = who_changed(change, study)
            how = f", {shortened(method, LONGEST_NAME)}" if method else ""
            found.append(f"{change_words(change, study)} ({who}{how})")
    bumped = {b.operator for b in numbers.bumps if (b.method, b.operator) not in told}
    if bumped:
        names = listed([shortened(n, LONGEST_NAME) for n in study.operator_names if n in bumped])
        found.append(f"the readings of {names} jump within a session")
    return found


def _headline(numbers: DriftNumbers) -> str:
    """Return the drift, and what changed at once: between trials, or by a bump."""
    changes = {name: numbers.change(name) for name in numbers.methods}
    steady = [shortened(name, LONGEST_NAME) for name, change in changes.items() if change == 0.0]
    phrases = [] if len(steady) < len(changes) else ["no drift shows while measuring"]
    for name, change in changes.items():
        if change != 0.0:
            who = shortened(numbers.fastest(name) or "the gauge", LONGEST_NAME)
            how = f" ({shortened(name, LONGEST_NAME)})" if name else ""
            way = "falls" if change < 0 else "rises"
            size = length(abs(change), numbers.study.unit)
            phrases.append(f"what {who} reads{how} {way} by {size} in a session")
    if 0 < len(steady) < len(changes):
        phrases.append(f"{listed(steady)} shows no drift")
    sudden = _sudden(numbers)
    phrases += [f"but {listed(sudden)}"] if sudden else []
    return f"{begun('; '.join(phrases))}."


def _drift_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return what the readings do under one method."""
    study = numbers.study
    level = f"{100 * numbers.level:g}{JOIN}%"
    if found.shape == "settling" and found.curve is not None:
        curve = found.curve
        low, high = sorted(map(abs, curve.amount_limits))
        moved = length_and_share(curve.amount, study)
        return (
            f"the readings {_way(curve.amount)} by {moved} and "
            f"settle ({level} interval {length(low, study.unit)} to {length(high, study.unit)}): "
            f"63{JOIN}% of it within {_time(curve.time_constant, numbers)}, 90{JOIN}% within "
            f"{_time(math.log(10.0) * curve.time_constant, numbers)}."
        )
    slope = float(found.slope.slope)
    low, high = (float(v) for v in found.slope.limits(numbers.level))
    if found.shape == "straight":
        near, far = sorted(map(abs, (low, high)))
        return (
            f"the readings {_way(slope)} by {length(abs(slope), study.unit, 3)} "
            f"{numbers.per} ({level} interval {length(near, study.unit, 3)} to "
            f"{length(far, study.unit, 3)}): {length_and_share(slope * found.span, study)} over a "
            f"session of {_time(found.span, numbers, 3)}."
        )
    if float(found.slope.error) == 0.0:
        return "the readings repeat to the last digit, so no drift can be seen."
    if numbers.fastest(found.method):
        return "no drift shows that all operators share."
    return (
        f"no drift shows; it is at most {length(max(abs(low), abs(high)), study.unit)} "
        f"{numbers.per} ({level} confidence)."
    )


def _unlike_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return who drifts and who does not, where the operators differ; "" where not."""
    if not numbers.fastest(found.method):
        return ""
    drifting = numbers.drifting(found.method)
    others = [name for name in numbers.operators(found.method) if name not in drifting]
    phrases = []
    for name in drifting:
        slope = numbers.value(found.method, name, "slope")
        change = length(abs(slope), numbers.study.unit, 3)
        phrases.append(f"{name}'s readings {_way(slope)} by {change} {numbers.per}")
    rest = f"; {listed(others)} {'shows' if len(others) == 1 else 'show'} none" if others else ""
    return f"the operators do not drift alike: {listed(phrases)}{rest}."


def _re_zero_sentence(numbers: DriftNumbers, found: MethodDrift, when: ReZero | None) -> str:
    """Return when to zero again; nothing is promised for longer than was watched."""
    if when is None:
        return ""
    study = numbers.study
    share = "" if math.isnan(when.share) else f"{percent(100 * when.share)} of the tolerance, "
    most = f"{share}{length(when.allowed, study.unit)}"
    goal, level = f"under {most}", f"{100 * numbers.level:g}{JOIN}%"
    watched = _time(found.span, numbers, 3)
    if when.sure > found.span:
        text = f"within a session of {watched} drift stays {goal}: zero at its start."
        return text if math.isinf(when.sure) else f"{text} Longer sessions were not watched."
    if math.isinf(when.estimate):
        return (
            f"a drift too small to show could still reach {most} within "
            f"{_time(when.sure, numbers)}; measure more parts or trials to rule it out."
        )
    if when.estimate > found.span:
        return (
            f"zero again every {_time(when.sure, numbers)} to be sure that drift stays "
            f"{goal} ({level} confidence). By the estimate alone, zeroing once in a session of "
            f"{watched} would do."
        )
    text = (
        f"zero again every {_time(when.estimate, numbers)} to keep drift {goal}; "
        f"every {_time(when.sure, numbers)} to be sure ({level} confidence)."
    )
    if not math.isnan(when.steady) and when.steady > 0.0:
        text += (
            f" Or hold it for {_time(when.steady, numbers)} first, zero it in the hand on a "
            "master, and go on without putting it down."
        )
    return text


def _grr_sentence(grr: GrrWithoutDrift | None, level: float) -> str:
    """Return GRR with the drift taken out beside GRR as measured; "" where no drift shows."""
    if grr is None:
        return ""
    of = {
        "percent_tolerance": " of the tolerance",
        "percent_tv": " of the total variation",
        "sd": " as a standard deviation",
    }[grr.measure]
    return (
        f"GRR is {grr.measured:i}{of} as measured, and {grr.without:i} with the "
        f"drift taken out ({100 * level:g}{JOIN}% intervals). The second takes the drift "
        "to be as fitted and every reading to be taken just after zeroing; the verdict judges the "
        "first."
    )


def _warming_sentence(numbers: DriftNumbers, found: MethodDrift, warmed_mm: float) -> str:
    """Return what warming of the frame would explain a drift; "" where none shows or no unit."""
    study, change = numbers.study, numbers.change(found.method)
    if change == 0.0 or not study.unit:
        return ""
    frame = warmed_mm * conversion("mm", study.unit)
    kelvin = abs(float(warming_for(change, frame)))
    text = (
        f"{warmed_mm:g}{JOIN}mm of steel grow by "
        f"{length(abs(change), study.unit)} when warmed by {figures(kelvin)}{JOIN}K "
        f"(ΔL = L·α·ΔT, α = {STEEL_EXPANSION * 1e6:g}·10⁻⁶/K). "
    )
    if change < 0.0:
        return text + (
            "A frame warmed after zeroing reads low, as here: use a stand, gloves or an "
            "insulating grip."
        )
    return text + (
        "But a frame warmed after zeroing reads low, and these readings rise: look for parts "
        "that warm in the hand, or a gauge that was zeroed warm and cooled down."
    )


def _zero_sentence(numbers: DriftNumbers, found: MethodDrift) -> str:
    """Return how far the zero moved; "" where it was not checked."""
    zero, study = found.zero, numbers.study
    if zero is None:
        return ""
    if zero.largest == 0.0:
        return "the zero was the same before and after every session."
    mean = Estimate(zero.mean, zero.lower, zero.upper, study.unit)
    text = (
        f"from the first zero check of a session to the last the zero moves by {mean:+} on average"
    )
    if mean.bounded:
        text += f" ({100 * numbers.level:g}{JOIN}% interval {mean:+l} to {mean:+u})"
    return f"{text}; the largest change is {Estimate(zero.largest, unit=study.unit):+}."


def bump_words(numbers: DriftNumbers, bump: BumpFound) -> str:
    """Return what a bump did, and from which reading on."""
    session = f" of session {bump.session}" if bump.sessions > 1 else ""
    way = "higher" if bump.size > 0 else "lower"
    place = (
        f"trial {bump.trial}"
        if bump.begins
        else f"part {shortened(bump.part, LONGEST_NAME)} in trial {bump.trial}"
    )
    return (
        f"after {_time(bump.at, numbers)}{session}, from {place} on, "
        f"all readings are {length(abs(bump.size), numbers.study.unit)} {way}"
    )


def _joined(operator: str, method: str) -> str:
    return f"{operator}, {method}" if method else operator


def _way(change: float) -> str:
    return "fall" if change < 0 else "rise"


def _time(value: float, numbers: DriftNumbers, digits: int = 2) -> str:
    """Return a time in minutes, or in seconds where it is short; in readings without times."""
    if numbers.taken.unit == "reading":
        count = max(1, math.floor(value))
        return f"{count} reading{'s' if count > 1 else ''}"
    if value < 1.0:
        return f"{max(1, math.floor(60.0 * value))}{JOIN}s"
    return f"{figures(value, digits)}{JOIN}min"


def length_and_share(value: float, study: Study) -> str:
    """Return a length without its sign, and its share of the tolerance."""
    width = None if study.tolerance is None else study.tolerance.width
    if width is None:
        return length(abs(value), study.unit)
    share = f" ({percent(100 * abs(value) / width)} of the tolerance)"
    return length_beside_percent(abs(value), study.unit, width) + share


def _series_table(numbers: DriftNumbers) -> Table:
    """Return each operator's drift by each method, and what it comes to in a session of theirs."""
    per = "a minute" if numbers.taken.unit == "min" else "a reading"
    unit = numbers.study.unit
    rows = [
        [
            f"{method}, {operator}" if method else operator,
            length_and_half(row["slope"], (row["upper"] - row["lower"]) / 2, unit, 3),
            f"{Estimate(row['over'], unit=unit):+} in {_time(row['span'], numbers, 3)}",
            p_cell(row["p"]),
        ]
        for (method, operator), row in numbers.rows.items()
    ]
    who = "Method, operator" if any(numbers.methods) else "Operator"
    level = f"{100 * numbers.level:g}{JOIN}%"
    return Table([who, f"drift {per}, {level}", "over a session", "p"], rows)
