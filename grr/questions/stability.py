"""`grr.stability`: readings of a check standard over time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.formulas.change_points import StepChange, step_change
from grr.formulas.control_charts import (
    NELSON,
    RULES,
    WESTERN_ELECTRIC,
    ChartLimits,
    RunRule,
    between_checks,
    chance_of_false_alarm,
    false_alarms,
    individuals_limits,
    mean_range_limits,
    moving_ranges,
    signals,
    standardised,
)
from grr.formulas.data_checks import digits_seen
from grr.formulas.drift_rate import recheck_after
from grr.formulas.sources_of_variation import hidden_by_rounding
from grr.formulas.straight_line import fit_line
from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number, one_of
from grr.questions.columns import refuse_gaps, table_of
from grr.questions.stability_notes import AHEAD, stability_notes
from grr.questions.stability_result import Drift, StabilityResult

SETS = {"western electric": WESTERN_ELECTRIC, "nelson": NELSON}
CHARTS = ("auto", "individuals", "mean and range")
#: Checks that the limits come from where nothing else is asked.
BASELINE = 20
DAYS_A_YEAR = 365.25
#: A step with p under this is taken out before the drift is measured.
STEP_LEVEL = 0.01
#: Where readings repeat to the last digit, sigma as a share of it: a reading that flips by
#: one digit then stays inside three sigma.
COARSE_SIGMA = 0.5


def stability(
    table: object,
    *,
    baseline: int | str | None = None,
    rules: str | Sequence[str] = "western electric",
    chart: str = "auto",
    reference: float | None = None,
    tolerance: Tolerance | None = None,
    unit: str = "",
    resolution: float | None = None,
    share: float = 0.1,
    longest_days: float = 365.0,
    level: float = 0.95,
    title: str = "",
    example: bool = False,
) -> StabilityResult:
    """Watch a gauge by readings of the same check standard over time.

    Parameters
    ----------
    table : DataFrame
        One row a reading: ``time`` (ISO 8601 date or time) and ``reading``. Readings of
        one day are one check, unless a column ``check`` numbers the checks.
    baseline : int or str, optional
        Checks that the limits come from, by number ("the first 20") or up to a date;
        20 by default, or all of fewer. The limits then stay as they are.
    rules : {"western electric", "nelson"} or names of rules
        Such as ("WE 1", "WE 4"), see `grr.formulas.control_charts`.
    chart : {"auto", "individuals", "mean and range"}
        With "auto" mean and range where each check holds several readings, unless the
        checks scatter more than the readings within them explain.
    reference : float, optional
        Calibrated value of the check standard.
    tolerance : Tolerance, optional
    unit : str
    resolution : float, optional
    share : float
        The share of the tolerance that a drift may use up before the next check.
    longest_days : float
        The laboratory's own interval; never exceeded. Nor is the longest interval between
        two checks so far: how the gauge behaves over a longer one was not seen.
    level : float
        Confidence of the drift's interval.
    title : str
    example : bool
        Whether the readings are invented for demonstration.

    Returns
    -------
    StabilityResult

    Raises
    ------
    StudyError
        Fewer than three checks, a row without a time, an unknown rule.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter III section B, stability; ISO 7870-2 (limits, from
    memory); the sources of the run rules stand in `grr.formulas.control_charts`.
    """
    if tolerance is not None:
        needs(tolerance, Tolerance, "tolerance")
    checks, missing = _checks(table)
    chosen = _rules(rules)
    one_of("chart", chart, CHARTS)
    level = number("level", level, above=0.0, below=1.0)
    means = np.array([values.mean() for values in checks.readings])
    counts = np.array([len(values) for values in checks.readings])
    frozen = _baseline(baseline, checks.times)
    kind, scatter_p = _chart(chart, checks.readings, counts, frozen)
    step_of_gauge = None if resolution is None else number("resolution", resolution, above=0.0)
    limits, ranges = _limits(kind, checks.readings, means, frozen, 0.0)
    reading_sd = limits.sigma * np.sqrt(limits.per_check)
    coarse = step_of_gauge is not None and bool(hidden_by_rounding(reading_sd, step_of_gauge))
    if step_of_gauge is not None and coarse:
        floor = COARSE_SIGMA * step_of_gauge
        limits, ranges = _limits(kind, checks.readings, means, frozen, floor)
    z = standardised(means, limits)
    days = (checks.times - checks.times[0]).total_seconds().to_numpy() / 86_400.0
    step = step_change(days, means) if len(means) >= 6 else None
    if step is not None and float(step.p) > STEP_LEVEL:
        step = None
    drift = _drift(days, means, step, level)
    width = None if tolerance is None else tolerance.width
    allowance = None if width is None else number("share", share, above=0.0, below=1.0) * width
    longest = number("longest_days", longest_days, above=0.0)
    gap = float(np.diff(days).max())
    recheck = None
    if allowance is not None:
        per_day = (drift.lower / DAYS_A_YEAR, drift.upper / DAYS_A_YEAR)
        recheck = recheck_after(*per_day, allowance, used=gap, longest=longest)
    return StabilityResult(
        times=checks.times,
        means=means,
        counts=counts,
        ranges=ranges,
        chart=kind,
        limits=limits,
        rules=chosen,
        met={rule.name: signals(z, rule) for rule in chosen},
        alarms=false_alarms(chosen),
        chance_ahead=_chance_ahead(kind, chosen, frozen),
        drift=drift,
        step=step,
        reference=None if reference is None else number("reference", reference),
        tolerance=tolerance,
        share=share,
        allowance=allowance,
        recheck_days=recheck,
        longest_gap=gap,
        longest_days=longest,
        level=level,
        unit=canonical_unit(unit),
        resolution=step_of_gauge,
        notes=stability_notes(
            checks=len(means),
            baseline=frozen,
            missing=missing,
            chart=kind,
            asked=chart,
            scatter_p=scatter_p,
            step=step is not None,
            coarse=coarse,
            digits=None
            if step_of_gauge is None
            else digits_seen(ranges[:frozen], float(limits.range_upper), step_of_gauge),
        ),
        title=title,
        example=example,
    )


class _Checks:
    """The readings gathered by check, in order of time."""

    def __init__(self, times: pd.DatetimeIndex, readings: list[Array]) -> None:
        self.times, self.readings = times, readings


def _checks(table: object) -> tuple[_Checks, int]:
    names = [str(name).strip().lower() for name in getattr(table, "columns", ())]
    numbers = ("reading", "check") if "check" in names else ("reading",)
    rows = table_of(table, numbers, ("time",))
    refuse_gaps(rows, "time", "Enter the date of the check, like 2027-03-31")
    if "check" in rows:
        refuse_gaps(rows, "check", "Number the checks 1, 2, 3")
    taken = rows["reading"].notna()
    missing = int((~taken).sum())
    rows = rows[taken].sort_values("time", kind="stable")
    key = rows["check"] if "check" in rows else rows["time"].dt.normalize()
    gathered = [group for _, group in rows.groupby(key, sort=True)]
    gathered.sort(key=lambda group: group["time"].iloc[0])
    if len(gathered) < 3:
        raise StudyError(
            "Fewer than three checks say nothing about stability",
            "Go on checking: read the check standard at each interval and add the readings",
            value=f"{len(gathered)} checks",
        )
    times = pd.DatetimeIndex([group["time"].iloc[0] for group in gathered])
    if times.has_duplicates:
        raise StudyError(
            "Two checks have the same time",
            "Correct the time of one of them",
            column="time",
            value=times[times.duplicated()][0],
        )
    return _Checks(times, [group["reading"].to_numpy(float) for group in gathered]), missing


def _rules(rules: str | Sequence[str]) -> tuple[RunRule, ...]:
    if isinstance(rules, str):
        return SETS[one_of("rules", rules.casefold(), tuple(SETS))]
    needs(rules, Sequence, "rules")  # type: ignore[type-abstract]
    chosen = tuple(RULES[one_of("rules", name, tuple(RULES))] for name in rules)
    if not chosen:
        raise StudyError("No run rule is chosen", "Choose at least one, such as WE 1")
    return chosen


def _baseline(asked: int | str | None, times: pd.DatetimeIndex) -> int:
    if asked is None:
        return min(BASELINE, len(times))
    if isinstance(asked, str):
        day = pd.to_datetime(asked, errors="coerce", utc=True, format="ISO8601")
        if pd.isna(day):
            raise StudyError(
                "The end of the baseline is not a date",
                "Write it like 2027-03-31, or give the number of checks",
                value=asked,
            )
        count = int((times.normalize() <= day.normalize()).sum())
    else:
        count = int(number("baseline", asked, above=0.0))
    if not 2 <= count <= len(times):
        raise StudyError(
            "The baseline does not hold at least two of the checks",
            f"Give a number from 2 to {len(times)}, or a date between the checks",
            value=asked,
        )
    return count


def _chart(
    asked: str, readings: list[Array], counts: Array, frozen: int
) -> tuple[str, float | None]:
    """Return the kind of chart, and p of scatter between checks where it was tested."""
    alike = bool((counts == counts[0]).all()) and counts[0] > 1
    if asked == "mean and range" and not alike:
        raise StudyError(
            "Mean and range need the same number of readings, two or more, in each check",
            "Use chart='individuals', which charts the mean of each check",
            value=", ".join(map(str, np.unique(counts))) + " readings",
        )
    if asked != "auto" or not alike:
        return ("individuals" if asked == "auto" else asked), None
    p = float(between_checks(np.stack(readings[:frozen])))
    return ("individuals" if p < 0.05 else "mean and range"), p


def _limits(
    kind: str, readings: list[Array], means: Array, frozen: int, least: float
) -> tuple[ChartLimits, Array]:
    """Return the frozen limits, and a range for each check (the first moving range is NaN)."""
    if kind == "mean and range":
        stacked = np.stack(readings)
        return mean_range_limits(stacked[:frozen], least_sigma=least), np.ptp(stacked, axis=1)
    return individuals_limits(means[:frozen], least_sigma=least), np.append(
        np.nan, moving_ranges(means)
    )


def _chance_ahead(kind: str, rules: tuple[RunRule, ...], frozen: int) -> float | None:
    """Return the chance of a false alarm within the next twelve checks; individuals only."""
    if kind != "individuals":
        return None
    return chance_of_false_alarm(rules, baseline=frozen, points=AHEAD)


def _drift(days: Array, means: Array, step: StepChange | None, level: float) -> Drift:
    """Return the drift a year: a straight line, beside a step where there is one.

    A step too small to be found is part of the drift (``tests/coverage``).
    """
    if step is None:
        line = fit_line(days, means)
        slope, error, df = float(line.slope), float(line.slope_error), line.df
    else:
        slope, error, df = float(step.slope), float(step.slope_error), step.df
    reach = float(t_quantile(0.5 + level / 2.0, df)) * error
    return Drift(
        rate=slope * DAYS_A_YEAR,
        lower=(slope - reach) * DAYS_A_YEAR,
        upper=(slope + reach) * DAYS_A_YEAR,
    )
