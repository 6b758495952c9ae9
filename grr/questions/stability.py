"""Does the gauge still read as it did: `grr.stability` and `grr.after_check`, by a check standard.

`stability` charts readings of one check standard over time, by a running mean against limits
from the first checks: alarms, a step, a drift, and when to check next. The first checks are tested
themselves before limits come from them. `after_check` says what follows a check, a fall or a
repair.

Source: AIAG MSA, 4th ed., chapter III section B, stability; Lucas & Saccucci, Technometrics 32
(1990), and ISO 7870-2 and -6 (from memory) for the chart; the sources of the run rules stand beside
them in `grr.formulas`; ISO 10012 and IATF 16949, 7.1.5 (previous results of a gauge found out of
order; from memory).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Literal, NamedTuple

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array, Mask
from grr.formulas.bias import t_quantile
from grr.formulas.change_points import StepChange, step_change
from grr.formulas.control_charts import (
    CHECKS_A_FALSE_ALARM,
    CHECKS_WATCHED,
    NELSON,
    RULES,
    WESTERN_ELECTRIC,
    ChartLimits,
    FalseAlarms,
    RunningMeanChart,
    RunRule,
    between_checks,
    chance_of_false_alarm,
    checks_to_notice,
    false_alarms,
    individuals_limits,
    mean_range_limits,
    moving_ranges,
    prediction_reach,
    running_mean,
    running_mean_chart,
    signals,
    standardised,
    wild_points,
)
from grr.formulas.data_checks import DigitsSeen, digits_seen, factor_slips, median, noise
from grr.formulas.drift_rate import recheck_after
from grr.formulas.straight_line import fit_line
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.names import begun
from grr.model.printed import Printed
from grr.model.readings_table import refuse_gaps, table_of
from grr.model.rounding import (
    JOIN,
    counted,
    figures,
    length,
    lengths_apart,
    listed,
    p_text,
    percent,
    size,
)
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number, one_of
from grr.questions.gauge import titled

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

Chart = Literal["individuals", "mean and range"]
RuleSet = Literal["western electric", "nelson"]
Event = Literal["check", "dropped", "repaired"]

RULE_SETS: dict[RuleSet, tuple[RunRule, ...]] = {
    "western electric": WESTERN_ELECTRIC,
    "nelson": NELSON,
}
CHARTS: tuple[Literal["auto"] | Chart, ...] = ("auto", "individuals", "mean and range")
EVENTS: tuple[Event, ...] = ("check", "dropped", "repaired")
#: Checks that the limits come from where nothing else is asked.
BASELINE = 20
#: Limits come from no fewer checks: fewer cannot be tested for a step, and tell a change from
#: chance so late that a chart of them is of no use.
LEAST_BASELINE = 6
#: Limits from fewer checks than this are provisional (common practice, no source).
ENOUGH = 20
#: Checks ahead for which the chance of a false alarm is told.
AHEAD = 12
#: Alarms listed one by one; the rest are counted.
MOST_LISTED = 8
MEAN_RULE = "running mean beyond its limit"
RANGE_RULE = "range beyond its limit"
NEWEST_RULE = "too far from the checks before it"
#: While all checks make the baseline the latest is compared with those before it, from so many on,
#: with this confidence: 1 in 24 sound gauges alarms falsely before it has 20 checks (simulated).
LEAST_BEFORE, NEWEST_LEVEL = 3, 0.9973
DAYS_A_YEAR = 365.25
DAYS_A_MONTH = DAYS_A_YEAR / 12.0
#: A step with p under this is taken out before the drift is measured; a step or a drift in the
#: baseline with p under this shortens it.
STEP_LEVEL = 0.01
#: A factor tells a slip from a change of the gauge where readings scatter by less than this
#: share of the check standard's size: readings of zero have no factor.
SLIP_SPREAD = 0.001
#: Sigma is not taken as less than this share of the last digit: rounding hides scatter, and of
#: less a reading that flips by one digit would be an alarm (simulated: with 20 checks at most 6 %
#: of sound gauges alarm in 40 checks, whatever the scatter; without it 8 %, and 4 % by design).
COARSE_SIGMA = 0.5
#: The running mean is held within so many times its limit: after one wild check, or after a
#: repair, the next good checks end the alarm.
HELD_WITHIN = 1.2
#: What an alarm asks for first.
ON_ALARM = (
    "Tag the gauge and put it where nobody can take it by mistake.",
    "Repeat the check: clean the faces, let gauge and check standard soak, let a second "
    "person read. Record both checks, whatever they show.",
    "If the alarm stays, look for the cause: dirt or damage on the faces, a fall, a new "
    "zero, the battery, the check standard itself.",
)
#: What it asks for after the parts measured since were rechecked.
AFTER_ALARM = (
    "If parts may be out of tolerance and are delivered, tell those responsible: the customer's "
    "requirements say what follows.",
    "After a repair or an adjustment qualify the gauge again (notebook 8) and start a new "
    "baseline.",
)
NO_GOOD_CHECK = "Recheck the parts measured with it; no check in this record was free of alarms."
EARLIER_ALARMS = (
    "Earlier checks gave alarms. Write down what happened then, and choose a baseline after it was "
    "put right."
)
#: Ends whatever `after_check` says.
DEFER = "The laboratory's and the customer's procedures take precedence over these steps."


def stability(
    table: object,
    *,
    baseline: int | str | None = None,
    rules: RuleSet | Sequence[str] | None = None,
    chart: Literal["auto"] | Chart = "auto",
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
        20 by default, or all of fewer. It is tested: at a step or a drift among them it is
        cut short, and the result says so. The limits then stay as they are. Where all checks
        belong to it, the latest is compared with those before it.
    rules : {"western electric", "nelson"} or names of rules, optional
        Run rules to watch besides, such as ("WE 1", "WE 4"), see
        `grr.formulas.control_charts`. Each adds false alarms.
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
        Fewer than six checks for the limits, also where a step comes before the sixth; a
        reading off by a factor; a row without a time; an unknown rule.

    Notes
    -----
    An alarm is a running mean (weight 0.2) beyond its limit. The limits are as wide as it
    takes for one false alarm in about 1000 checks, the length of the baseline counted in. A latest
    check in the baseline is an alarm where it lies outside the 99.7 % prediction interval of those
    before it.

    Source: AIAG MSA, 4th ed., chapter III section B, stability; Lucas & Saccucci,
    Technometrics 32 (1990), 1-12; ISO 7870-2 and -6 (from memory); further sources in
    `grr.formulas.control_charts`.

    Examples
    --------
    >>> checks = grr.read_columns("demo_data/micrometer_25/checks.csv")
    >>> watched = grr.stability(checks, unit="mm", resolution=0.0001)
    >>> watched
    StabilityResult(24 checks from 2024-10-06 to 2026-09-05, 24 readings. …)
    """
    if tolerance is not None:
        needs(tolerance, Tolerance, "tolerance")
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    times, readings, missing = _checks(table, resolution)
    chosen = _rules(rules)
    asked = one_of("chart", chart, CHARTS)
    level = number("level", level, above=0.0, below=1.0)
    means = np.array([values.mean() for values in readings])
    counts = np.array([len(values) for values in readings])
    days = _days_of(times)
    step = _step(days, means)
    first = _asked_baseline(baseline, times)
    unit = canonical_unit(unit)
    frozen, shortened = _tested_baseline(first, times, means, step, unit, resolution=resolution)
    kind, scatter_p = _chart(asked, readings, counts, frozen)
    limits, ranges, coarse = _limits(kind, readings, means, frozen, resolution)
    z = standardised(means, limits)
    drift = _drift(days, means, step, level, unit)
    width = None if tolerance is None else tolerance.width
    allowance = None if width is None else number("share", share, above=0.0, below=1.0) * width
    longest = number("longest_days", longest_days, above=0.0)
    gap = float(np.diff(days).max())
    recheck = ahead = None
    if chosen and kind == "individuals":
        ahead = chance_of_false_alarm(chosen, baseline=frozen, points=AHEAD)
    if allowance is not None:
        per_day = (drift.lower / DAYS_A_YEAR, drift.upper / DAYS_A_YEAR)
        recheck = recheck_after(*per_day, allowance, used=gap, longest=longest)
    return StabilityResult(
        times=times,
        means=means,
        counts=counts,
        ranges=ranges,
        chart=kind,
        chart_asked=asked,
        scatter_p=scatter_p,
        coarse=coarse,
        limits=limits,
        shortened=shortened,
        watch=running_mean_chart(frozen, limits.per_check),
        rules=chosen,
        met={rule.name: signals(z, rule) for rule in chosen},
        alarms=false_alarms(chosen) if chosen else None,
        chance_ahead=ahead,
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
        unit=unit,
        resolution=resolution,
        missing=missing,
        title=title,
        example=example,
    )


def after_check(result: StabilityResult | None = None, *, event: Event = "check") -> AfterCheck:
    """Say what to do after a check of the gauge, or after it fell or was repaired.

    Parameters
    ----------
    result : StabilityResult, optional
        From `grr.stability`, its latest check included.
    event : {"check", "dropped", "repaired"}

    Raises
    ------
    StudyError
        A check without a result.

    Notes
    -----
    Source: ISO 10012 and IATF 16949, 7.1.5 (previous results of a gauge found out of
    order; from memory); common practice.

    Examples
    --------
    >>> checks = grr.read_columns("demo_data/micrometer_25/checks.csv")
    >>> grr.after_check(grr.stability(checks, unit="mm", resolution=0.0001))
    AfterCheck(The latest check gives an alarm. The gauge is out of use …)
    """
    event = one_of("event", event, EVENTS)
    if event != "check":
        return AFTER[event]
    result = needs(result, StabilityResult)
    if not result.alarm_now:
        following = "Next check at the interval of the laboratory's procedure."
        if result.next_check is not None:
            following = (
                f"Next check at the latest on {result.next_check}; after a fall or a knock at once."
            )
        go_on = " ".join(filter(None, ("Go on.", result.newest_words, following)))
        steps = (EARLIER_ALARMS, go_on) if result.alarmed else (go_on,)
        return AfterCheck("The latest check gives no alarm.", steps)
    last, since = result.last_good, NO_GOOD_CHECK
    if last is not None:
        since = (
            f"Recheck the parts measured since the last good check, on {last.date()}: those near a "
            "limit first. Block their delivery until then."
        )
    if result.step is not None:
        size = float(result.step.size)
        width = None if result.tolerance is None else result.tolerance.width
        share = "" if width is None else f", {percent(100 * abs(size) / width)} of the tolerance"
        off = f"{'large' if size > 0 else 'small'} by {length(abs(size), result.unit)}{share}"
        since += f" Their readings were likely too {off}."
    return AfterCheck(
        "The latest check gives an alarm. The gauge is out of use until this is settled.",
        (*ON_ALARM, since, *AFTER_ALARM),
    )


class Newest(NamedTuple):
    """The latest check beside those before it: how far off it is, and how far chance goes."""

    before: int
    off: float
    reach: float

    @property
    def beyond(self) -> bool:
        """Whether chance does not explain it."""
        return abs(self.off) > self.reach


def newest_check(means: Array, before: int, resolution: float | None) -> Newest | None:
    """Return the latest of some checks beside the first ones; None where those are too few."""
    if before < LEAST_BEFORE:
        return None
    steps = np.diff(np.unique(means))
    digit = resolution or (float(steps.min()) if len(steps) else 0.0)
    reach = prediction_reach(means[:before], COARSE_SIGMA * digit, level=NEWEST_LEVEL)
    return Newest(before, float(means[-1] - means[:before].mean()), reach)


def newest_words(newest: Newest | None, unit: str) -> str:
    """Return what the latest check says beside those before it, as part of a sentence."""
    if newest is None:
        return (
            f"nothing can be judged yet: from {LEAST_BEFORE + 1} checks on the latest is compared "
            "with those before it"
        )
    off, reach = lengths_apart(abs(newest.off), newest.reach, unit)
    most = "no more than" if newest.beyond else "up to"
    told = (
        f"the latest check lies {off} from the mean of the {newest.before} before it, and chance "
        f"explains {most} {reach} ({100 * NEWEST_LEVEL:.3g}{JOIN}% confidence)"
    )
    return told if newest.beyond else f"{told}: a smaller change does not show yet"


def first_checks(
    table: object, *, unit: str, resolution: float | None
) -> tuple[str, tuple[str, ...]]:
    """Return what checks too few for limits say, and what to do where the latest alarms."""
    try:
        _, readings, _ = _checks(table, resolution)
    except StudyError:
        return f"{begun(newest_words(None, unit))}.", ()
    means = np.array([values.mean() for values in readings])
    newest = newest_check(means, len(means) - 1, resolution)
    alarm = newest is not None and newest.beyond
    return f"{begun(newest_words(newest, unit))}.", ON_ALARM if alarm else ()


class Signal(NamedTuple):
    """An alarm: the check at which it is, and the rule that is met."""

    check: int
    time: pd.Timestamp
    value: float
    rule: str


@dataclass(frozen=True, eq=False, repr=False)
class StabilityResult(Printed):
    """A gauge watched over time.

    Attributes
    ----------
    times : DatetimeIndex
        Of each check.
    means, ranges : ndarray
        Mean of each check; range within it, or its distance from the check before (NaN
        for the first).
    counts : ndarray of int
    chart : {"individuals", "mean and range"}
    chart_asked : {"auto", "individuals", "mean and range"}
    scatter_p : float or None
        p of more scatter between the checks than within them, where that was tested.
    coarse : bool
        Whether the readings scatter less than half a digit, which then sets the limits.
    limits : ChartLimits
        From the baseline, frozen: centre, sigma of a check, and three sigma about it.
    shortened : str
        Why the baseline is shorter than asked for; "" where it is not.
    watch : RunningMeanChart
        How far the running mean and the ranges may go by chance.
    rules : tuple of RunRule
        Watched besides the running mean; empty where none is.
    met : dict
        Name of a rule → for each check whether it is met there.
    alarms : FalseAlarms or None
        How often the run rules alone alarm with nothing wrong and limits known.
    chance_ahead : float or None
        Chance that they do within the next twelve checks, the limits being from so few
        checks (simulated); None for mean and range, and without run rules.
    drift : Estimate
        Change a year; with a step taken out where there is one.
    step : StepChange or None
        A step that chance does not explain.
    reference : float or None
    tolerance : Tolerance or None
    share, allowance : float
        Share of the tolerance that a drift may use up, and that in the unit; None
        without a two-sided tolerance.
    recheck_days : float or None
        Days to the next check that the drift allows.
    longest_gap : float
        Days between the two neighbouring checks that lie furthest apart.
    longest_days : float
    level : float
    unit : str
    resolution : float or None
    missing : int
    title : str
    example : bool

    Examples
    --------
    >>> checks = grr.read_columns("demo_data/micrometer_25/checks.csv")
    >>> len(grr.stability(checks, unit="mm").to_frame()) > 0
    True
    """

    times: pd.DatetimeIndex
    means: Array
    counts: Array
    ranges: Array
    chart: Chart
    chart_asked: Literal["auto"] | Chart
    scatter_p: float | None
    coarse: bool
    limits: ChartLimits
    shortened: str
    watch: RunningMeanChart
    rules: tuple[RunRule, ...]
    met: dict[str, Mask]
    alarms: FalseAlarms | None
    chance_ahead: float | None
    drift: Estimate
    step: StepChange | None
    reference: float | None
    tolerance: Tolerance | None
    share: float
    allowance: float | None
    recheck_days: float | None
    longest_gap: float
    longest_days: float
    level: float
    unit: str
    resolution: float | None
    missing: int
    title: str = ""
    example: bool = False

    @property
    def baseline(self) -> int:
        """How many checks the limits come from."""
        return self.limits.baseline

    @property
    def rule_names(self) -> str:
        """The rules watched, in words."""
        for name, whole in (("Western Electric", WESTERN_ELECTRIC), ("Nelson", NELSON)):
            if self.rules == whole:
                return f"{name} 1 to {len(whole)}"
        return ", ".join(rule.name for rule in self.rules)

    @property
    def running_means(self) -> Array:
        """Running mean (EWMA) at each check after the baseline, from its centre; NaN before.

        It is held within ``HELD_WITHIN`` times its limit.
        """
        limit = self.mean_limit
        watched = running_mean(
            self.means[self.baseline :],
            centre=self.limits.centre,
            farthest=HELD_WITHIN * limit if limit > 0.0 else math.inf,
        )
        return np.append(np.full(self.baseline, np.nan), watched)

    @property
    def mean_limit(self) -> float:
        """How far from the centre the running mean may go."""
        return float(self.watch.width * self.limits.sigma)

    @property
    def range_limit(self) -> float:
        """How wide the range within a check may be; infinite for single readings."""
        if self.chart == "individuals":
            return math.inf
        return float(self.watch.range_ratio * self.limits.mean_range)

    @property
    def mean_signals(self) -> Mask:
        """Whether the running mean at each check lies beyond its limit."""
        with np.errstate(invalid="ignore"):
            return np.asarray(
                np.abs(self.running_means - float(self.limits.centre)) > self.mean_limit
            )

    @property
    def range_signals(self) -> Mask:
        """Whether the range within each check is beyond its limit, those of the baseline too."""
        with np.errstate(invalid="ignore"):
            return np.asarray(self.ranges > self.range_limit)

    @property
    def days_between(self) -> float:
        """Days from one check to the next, as a rule (median)."""
        return float(np.median(self.times.diff().dropna() / pd.Timedelta(days=1)))

    @property
    def months_a_false_alarm(self) -> float:
        """Months between two false alarms at the rate of checks so far."""
        return CHECKS_A_FALSE_ALARM * self.days_between / DAYS_A_MONTH

    def checks_to_notice(self, shift: float) -> float:
        """Return within how many checks half of all shifts of a size are noticed.

        Infinite where it takes more than 200; NaN where the readings do not scatter.

        Parameters
        ----------
        shift : float
            In the unit of the readings; it stays from one check on.
        """
        sigma = float(self.limits.sigma)
        if sigma == 0.0:
            return math.nan
        per_check = self.limits.per_check
        lengths = checks_to_notice(
            abs(shift) / sigma, self.watch.width, baseline=self.baseline, per_check=per_check
        )
        return float(np.quantile(lengths, 0.5, method="higher"))

    @property
    def newest(self) -> Newest | None:
        """The latest check beside the baseline's others; None once the running mean watches it."""
        last = len(self.means) - 1
        if self.baseline < last or (self.baseline == last and not self.shortened):
            return None
        return newest_check(self.means, last, self.resolution)

    @property
    def newest_words(self) -> str:
        """What it says, in a sentence; "" once the running mean watches it."""
        found = self.newest
        return "" if found is None else f"{begun(newest_words(found, self.unit))}."

    @property
    def rules_met(self) -> list[list[str]]:
        """What is met at each check: the running mean, run rules, a range, the newest."""
        beyond, wide, last = self.mean_signals, self.range_signals, len(self.means) - 1
        newest = self.newest
        alone = newest is not None and newest.beyond
        return [
            [
                *([MEAN_RULE] if beyond[check] else []),
                *(rule.name for rule in self.rules if self.met[rule.name][check]),
                *([RANGE_RULE] if wide[check] else []),
                *([NEWEST_RULE] if alone and check == last else []),
            ]
            for check in range(len(self.means))
        ]

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Every alarm: the running mean, a range, a run rule or the newest, in order of time."""
        return tuple(
            Signal(check, self.times[check], float(self.means[check]), name)
            for check, names in enumerate(self.rules_met)
            for name in names
        )

    @property
    def alarmed(self) -> bool:
        """Whether there is an alarm after the baseline, or anywhere where all is baseline."""
        if self.baseline == len(self.means):
            return bool(self.signals)
        return any(signal.check >= self.baseline for signal in self.signals)

    @property
    def alarm_now(self) -> bool:
        """Whether there is an alarm at the latest check."""
        return any(signal.check == len(self.means) - 1 for signal in self.signals)

    @property
    def last_good(self) -> pd.Timestamp | None:
        """The last check before the change that the latest check shows.

        The latest check itself without an alarm there; None where no check is good. A running
        mean alarms some checks after the change: it is taken back to before a step where one is
        found, else to where the running mean last lay on the other side of the centre.

        Notes
        -----
        Source of the place of the change: Nishina, Journal of Applied Statistics 19 (1992)
        (from memory).
        """
        last = len(self.means) - 1
        if not self.alarm_now:
            return self.times[last]
        alarmed = {signal.check for signal in self.signals}
        while last >= 0 and last in alarmed:
            last -= 1
        if self.step is not None:
            last = min(last, int(self.step.first_after) - 1)
        elif self.mean_signals[-1]:
            side = np.sign(self.running_means - float(self.limits.centre))
            other = np.flatnonzero(side[self.baseline :] != side[-1])
            last = min(last, self.baseline - 1 + (int(other[-1]) + 1 if len(other) else 0))
        return self.times[last] if last >= 0 else None

    @property
    def digits(self) -> DigitsSeen | None:
        """How many values the ranges of the baseline can take; None without a resolution."""
        if self.resolution is None:
            return None
        ranges = self.ranges[: self.baseline]
        return digits_seen(ranges, float(self.limits.range_upper), self.resolution)

    @property
    def step_between(self) -> tuple[pd.Timestamp, pd.Timestamp] | None:
        """The two checks between which the step lies; None without one."""
        if self.step is None:
            return None
        first = int(self.step.first_after)
        return self.times[first - 1], self.times[first]

    @property
    def next_check(self) -> date | None:
        """The day of the next check that the drift allows.

        None without a two-sided tolerance, and while there is an alarm at the latest check.
        """
        if self.recheck_days is None or self.alarm_now:
            return None
        return (self.times[-1] + timedelta(days=int(self.recheck_days))).date()

    def plot(self) -> Figure:
        """Return the figure of `grr.show.checks_over_time`."""
        from grr.show import checks_over_time

        return checks_over_time(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a check, by its time: mean, readings, range, running mean, rules met."""
        return pd.DataFrame(
            {
                "mean": self.means,
                "readings": self.counts,
                "range": self.ranges,
                "running_mean": self.running_means,
                "baseline": np.arange(len(self.means)) < self.baseline,
                "rules_met": [", ".join(met) for met in self.rules_met],
            },
            index=pd.Index(self.times, name="time"),
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What the reader must know about these numbers."""
        return tuple(_notes(self))

    def blocks(self) -> list[Block]:
        """Return which checks they are, the limits, the alarms, and what follows."""
        first, last = self.times[0].date(), self.times[-1].date()
        checks = (
            f"{counted(len(self.means), 'check')} from {first} to {last}, "
            f"{counted(int(self.counts.sum()), 'reading')}. Limits from the first "
            f"{counted(self.baseline, 'check')} ({self.chart})."
        )
        opening = titled(self.title, checks, example=self.example)
        unit, centre, limit = self.unit, float(self.limits.centre), self.mean_limit
        # the centre to the decimal at which its limits have two figures
        step = 10.0 ** (math.floor(math.log10(limit)) - 1) if limit > 0.0 else self.resolution
        levels = (centre, centre - limit, centre + limit)
        rows = [["Running mean", *(size(level, step, unit) for level in levels)]]
        if self.chart == "mean and range":
            mean, most = (
                length(float(of), unit) for of in (self.limits.mean_range, self.range_limit)
            )
            rows.append(["Range within a check", mean, "none", most])
        return [
            Prose([*opening, *([self.shortened] if self.shortened else [])]),
            Table(["Chart", "centre", "lower limit", "upper limit"], rows),
            *([_alarm_table(self)] if self.signals else []),
            Bullets(_sentences(self)),
        ]


@dataclass(frozen=True, repr=False)
class AfterCheck(Printed):
    """What to do now.

    Attributes
    ----------
    headline : str
    steps : tuple of str
        In this order.
    """

    headline: str
    steps: tuple[str, ...]

    def blocks(self) -> list[Block]:
        """Return what has happened, the steps, and what goes before them."""
        return [Prose([self.headline]), Bullets(self.steps, numbered=True), Prose([DEFER])]


def _checks(table: object, resolution: float | None) -> tuple[pd.DatetimeIndex, list[Array], int]:
    """Return time and readings of each check, in order of time, and how many are missing."""
    names = [str(name).strip().lower() for name in getattr(table, "columns", ())]
    numbers = ("reading", "check") if "check" in names else ("reading",)
    rows = table_of(table, numbers, ("time",))
    assert isinstance(table, pd.DataFrame)
    for name in {"place", "gauge"} & {*names}:
        if len(several := table.iloc[:, names.index(name)].dropna().unique()) > 1:
            raise StudyError(
                f"The checks are of several {name}s, and what those differ by would pass for "
                "scatter of the gauge",
                f"Watch one {name} at a time: keep the rows of one",
                column=name,
                value=listed([str(one) for one in several[:3]]),
            )
    refuse_gaps(rows, "time", "Enter the date of the check, like 2027-03-31")
    if "check" in rows:
        refuse_gaps(rows, "check", "Number the checks 1, 2, 3")
    _refuse_slips(rows["reading"], resolution)
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
    return times, [group["reading"].to_numpy(float) for group in gathered], missing


def _refuse_slips(readings: pd.Series[float], resolution: float | None) -> None:
    """Refuse a reading of another unit, or with its point in another place."""
    cube = np.asarray(readings, dtype=np.float64)[None, None, :]
    centre = float(median(cube))
    if not noise(cube, resolution) < SLIP_SPREAD * abs(centre):
        return
    slips = factor_slips(cube, resolution)
    if slips:
        value, row = float(cube[0, 0, slips[0].trial]), slips[0].trial + 1
        raise StudyError(
            f"A reading is {figures(value / centre, 3)} times the others: it looks like a slip of "
            "the decimal point or of the unit",
            f"Correct it, or leave it out; {size(value / slips[0].factor, resolution)} would fit",
            row=row,
            column="reading",
            value=value,
        )


def _rules(rules: str | Sequence[str] | None) -> tuple[RunRule, ...]:
    if rules is None:
        return ()
    if isinstance(rules, str):
        return RULE_SETS[one_of("rules", rules.casefold(), tuple(RULE_SETS))]
    needs(rules, Sequence, "rules")  # type: ignore[type-abstract]
    chosen = tuple(RULES[one_of("rules", name, tuple(RULES))] for name in rules)
    if not chosen:
        raise StudyError("No run rule is chosen", "Choose at least one, such as WE 1")
    return chosen


def _days_of(times: pd.DatetimeIndex) -> Array:
    """Return the days from the first check to each."""
    return np.asarray((times - times[0]).total_seconds(), dtype=np.float64) / 86_400.0


def _asked_baseline(asked: int | str | None, times: pd.DatetimeIndex) -> int:
    """Return how many checks the limits shall come from."""
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
            f"Give a number from {LEAST_BASELINE} to {len(times)}, or a date between the checks",
            value=asked,
        )
    return count


def _tested_baseline(
    asked: int,
    times: pd.DatetimeIndex,
    means: Array,
    step: StepChange | None,
    unit: str,
    *,
    resolution: float | None,
) -> tuple[int, str]:
    """Return the checks before a step, a wild check or a drift among those asked for, and why.

    Limits from both sides of a step would hide it, a wild check would widen them, and those from
    a drift lie in its middle. A drift cuts the baseline where it has made up one sigma of a check,
    but never under ``LEAST_BASELINE``: what drifts faster is to alarm.
    """
    if asked < LEAST_BASELINE:
        newest = newest_check(means, len(means) - 1, resolution)
        also = f"; {newest_words(newest, unit)}" if len(means) < LEAST_BASELINE else ""
        raise StudyError(
            f"Limits from fewer than {LEAST_BASELINE} checks cannot tell a change of the gauge "
            f"from chance{also}",
            "Go on reading the check standard at each interval until there are "
            f"{LEAST_BASELINE} checks, better {ENOUGH}"
            if len(means) < LEAST_BASELINE
            else f"Give a baseline of at least {LEAST_BASELINE} checks, better {ENOUGH}",
            value=f"{asked} checks",
        )
    count, why = asked, ""
    while (broken := _break(times, means, count, step, unit)) is not None:
        place, words = broken
        if place < LEAST_BASELINE:
            raise StudyError(
                f"No limits can come from the first {asked} checks: {words}",
                "Find the cause. If the gauge was put right there, give the later checks alone; "
                "if one reading is wrong, correct it or leave it out",
                column="time",
                value=str(times[place].date()),
            )
        count = place
        why = f"The limits come from the first {count} checks and not from {asked}: {words}."
    days = _days_of(times)
    line = fit_line(days[:count], means[:count])
    if float(line.slope_p) < STEP_LEVEL:
        sigma = float(individuals_limits(means[:count]).sigma)
        drifted = np.abs(float(line.slope)) * (days[:count] - days[0]) > sigma
        kept = max(LEAST_BASELINE, int(drifted.argmax()) if drifted.any() else count)
        if kept < count:
            moved = Estimate(float(line.slope) * float(days[count - 1] - days[0]), unit=unit)
            return kept, (
                f"The limits come from the first {kept} checks and not from {asked}: over the "
                f"first {count} the readings drift by {moved:+} ({p_text(float(line.slope_p))})."
            )
    return count, why


def _break(
    times: pd.DatetimeIndex,
    means: Array,
    count: int,
    step: StepChange | None,
    unit: str,
) -> tuple[int, str] | None:
    """Return the first check after a step in the baseline, or a wild check, and the words for it.

    A step found in all checks counts where it lies in the baseline; else the baseline is
    searched alone.
    """
    found = step
    if found is None or int(found.first_after) >= count:
        found = _step(_days_of(times[:count]), means[:count])
    if found is not None:
        place = int(found.first_after)
        moved = Estimate(float(found.size), unit=unit)
        before, after = times[place - 1].date(), times[place].date()
        return place, (
            f"between {before} and {after} the readings step by {moved:+} "
            f"({p_text(float(found.p))})"
        )
    wild = wild_points(means[:count], level=STEP_LEVEL)
    if not wild:
        return None
    place, p = min(wild)
    off = Estimate(float(means[place] - np.median(means[:count])), unit=unit)
    return place, (f"the check of {times[place].date()} lies {off:+} from the others ({p_text(p)})")


def _chart(
    asked: Literal["auto"] | Chart, readings: list[Array], counts: Array, frozen: int
) -> tuple[Chart, float | None]:
    """Return the kind of chart, and p of scatter between checks where it was tested."""
    alike = bool((counts == counts[0]).all()) and counts[0] > 1
    if asked == "mean and range" and not alike:
        raise StudyError(
            "Mean and range need the same number of readings, two or more, in each check",
            "Use chart='individuals', which charts the mean of each check",
            value=", ".join(map(str, np.unique(counts))) + " readings",
        )
    if asked != "auto":
        return asked, None
    if not alike:
        return "individuals", None
    p = float(between_checks(np.stack(readings[:frozen])))
    return ("individuals" if p < 0.05 else "mean and range"), p


def _limits(
    kind: Chart, readings: list[Array], means: Array, frozen: int, resolution: float | None
) -> tuple[ChartLimits, Array, bool]:
    """Return frozen limits, a range for each check, and whether the last digit sets the limits.

    The first moving range is NaN.
    """

    def limits_at(least_sigma: float) -> ChartLimits:
        if kind == "mean and range":
            return mean_range_limits(np.stack(readings[:frozen]), least_sigma=least_sigma)
        return individuals_limits(means[:frozen], least_sigma=least_sigma)

    limits = limits_at(0.0)
    sd = float(limits.sigma) * math.sqrt(limits.per_check)
    coarse = resolution is not None and sd < COARSE_SIGMA * resolution
    if resolution is not None and coarse:
        limits = limits_at(COARSE_SIGMA * resolution)
    if kind == "mean and range":
        return limits, np.ptp(np.stack(readings), axis=1), coarse
    return limits, np.append(np.nan, moving_ranges(means)), coarse


def _step(days: Array, means: Array) -> StepChange | None:
    """Return a step that chance does not explain; None without one, or with few checks."""
    step = step_change(days, means) if len(means) >= 6 else None
    return None if step is None or float(step.p) > STEP_LEVEL else step


def _drift(days: Array, means: Array, step: StepChange | None, level: float, unit: str) -> Estimate:
    """Return the drift a year: a straight line, beside a step where there is one.

    A step too small to be found is part of the drift (``tests/coverage``).
    """
    if step is None:
        line = fit_line(days, means)
        slope, error, df = float(line.slope), float(line.slope_error), line.df
    else:
        slope, error, df = float(step.slope), float(step.slope_error), step.df
    reach = float(t_quantile(0.5 + level / 2.0, df)) * error
    return Estimate(slope, slope - reach, slope + reach, unit).times(DAYS_A_YEAR)


def _alarm_table(result: StabilityResult) -> Table:
    """Return one row a check at which there is an alarm."""
    step = result.resolution
    if step is not None and result.counts.max() > 1:
        step /= 10.0  # a mean has a digit more
    rows = [
        [f"{time.date()}", size(float(mean), step, result.unit), ", ".join(names)]
        for time, mean, names in zip(result.times, result.means, result.rules_met, strict=True)
        if names
    ]
    if more := len(rows[MOST_LISTED:]):
        rows[MOST_LISTED:] = [[f"and {counted(more, 'more check')}", "", ""]]
    return Table(["Alarm at", "reading", "why"], rows)


def _sentences(result: StabilityResult) -> list[str]:
    """Return what the checks say, one sentence after the other."""
    unit, step, drift, allowance = result.unit, result.step, result.drift, result.allowance
    lines = [
        _alarm_sentence(result),
        *(f"{rule.name}: {rule.says}." for rule in result.rules if result.met[rule.name].any()),
        *_rate_sentences(result),
    ]
    if step is not None and result.step_between is not None:
        before, after = (time.date() for time in result.step_between)
        size_of_step = Estimate(float(step.size), unit=unit)
        lines.append(
            f"A step of {size_of_step} lies most likely between the checks of {before} and {after} "
            f"({p_text(float(step.p))})."
        )
    lines.append(f"Drift {drift:s} a year ({100 * result.level:g} % interval {drift:r}).")
    if result.reference is not None:
        bias = float(result.limits.centre) - result.reference
        far = length(abs(bias), unit)
        way = f"{far} above" if bias > 0 else f"{far} below" if bias < 0 else "at"
        lines.append(
            f"In the baseline the readings lie {way} the calibrated value of the check standard."
        )
    if result.alarm_now:
        lines.append(
            "Next check: as soon as the cause is found and put right, and before the gauge is used "
            "again."
        )
    elif result.recheck_days is None or allowance is None:
        lines.append(
            "No interval to the next check is proposed: that needs a tolerance with two limits. "
            "Keep to the laboratory's procedure."
        )
    else:
        lines.append(
            f"Next check: at the latest {result.next_check}, {_whole_days(result.recheck_days)} "
            "after the last. Until then the drift, at the faster end of its interval, stays under "
            f"{100 * result.share:g}{JOIN}% of the tolerance ({length(allowance, unit)}), and the "
            "interval is no longer than the longest between two checks so far "
            f"({_whole_days(result.longest_gap)}). This is for drift only: after a fall or a "
            "knock check at once. The laboratory's procedure takes precedence."
        )
    return [*lines, *result.notes]


def _alarm_sentence(result: StabilityResult) -> str:
    if result.alarm_now:
        changed = "Alarm at the latest check: something has changed since the baseline."
        words = result.newest_words
        return f"Alarm at the latest check. {words}" if words else changed
    if not result.signals:
        return result.newest_words or "No alarm at any check."
    if result.alarmed:
        return "There were alarms after the baseline; at the latest check there is none."
    return "There are alarms within the baseline only: find the cause, or choose another baseline."


def _rate_sentences(result: StabilityResult) -> list[str]:
    """Return how often the chart alarms for nothing, and how soon it notices a change."""
    sigma, months, unit = float(result.limits.sigma), result.months_a_false_alarm, result.unit
    if sigma == 0.0:
        return [
            "How often the chart alarms for nothing cannot be said: the baseline's readings are "
            "all alike. State the gauge's resolution."
        ]

    def noticed(shift: float) -> str:
        checks = result.checks_to_notice(shift)
        if math.isinf(checks):
            return "is seldom noticed: limits from more checks would lie closer"
        after = f"{counted(int(checks), 'check')}, {_days(checks * result.days_between)}"
        return f"is noticed within {after}, in half of all cases"

    rounded = float(f"{months:.2g}")
    after = f"{months / 12.0:.0f} years" if months >= 24.0 else f"{rounded:.0f} months"
    one = "at most one" if result.coarse else "one"
    sentences = [
        f"While nothing changes there is {one} false alarm in about {CHECKS_A_FALSE_ALARM} checks "
        f"({percent(100.0 * result.watch.chance)} within {CHECKS_WATCHED} checks): at one check in "
        f"{_days(result.days_between)}, one in about {after}.",
        f"A shift of one standard deviation of a check ({length(sigma, unit)}) {noticed(sigma)}.",
    ]
    if result.allowance is not None:
        sentences.append(
            f"A shift of {100 * result.share:g}{JOIN}% of the tolerance "
            f"({length(result.allowance, unit)}) {noticed(result.allowance)}."
        )
    alarms, ahead = result.alarms, ""
    if alarms is None:
        return sentences
    if result.chance_ahead is not None:
        ahead = (
            f" With limits from {result.baseline} checks the chance that they do within "
            f"{AHEAD} checks is about {100 * result.chance_ahead:.0f}{JOIN}%."
        )
    about = "about " if alarms.standard_error > 0.0 else ""
    return [
        *sentences,
        f"The run rules watched besides ({result.rule_names}) alarm for nothing once in {about}"
        f"{alarms.run_length:.0f} checks even with exact limits.{ahead}",
    ]


def _days(days: float) -> str:
    """Return a time as people say it."""
    if days >= 1.5 * DAYS_A_YEAR:
        return f"{days / DAYS_A_YEAR:.1f} years"
    if days >= 2.0 * DAYS_A_MONTH:
        return f"{days / DAYS_A_MONTH:.0f} months"
    return _whole_days(round(days) if days >= 1.0 else days)


def _whole_days(days: float) -> str:
    """Return a time that must not be longer, in days, or in hours where it is short."""
    hours = counted(max(1, round(24.0 * days)), "hour")
    return counted(int(days), "day") if days >= 1.0 else hours


def _notes(result: StabilityResult) -> list[str]:
    notes = [f"Missing readings: {result.missing}; they are left out."] if result.missing else []
    if result.baseline < ENOUGH:
        notes.append(
            f"The limits come from {result.baseline} checks only and are wide for that reason: so "
            f"few show neither the centre nor the scatter well. Compute them again from {ENOUGH} "
            "checks made while all was well."
        )
    if result.scatter_p is not None and result.chart == "individuals":
        notes.append(
            "The checks scatter more than the readings within them explain "
            f"({p_text(result.scatter_p)}), "
            "so each check's mean counts as one point, with limits from moving ranges."
        )
    elif result.chart_asked == "auto" and result.chart == "mean and range":
        notes.append("Limits from the ranges within checks; the checks scatter no more than that.")
    digits = result.digits
    if result.coarse:
        notes.append(
            "The readings scatter less than the last digit shows, so their standard deviation is "
            "taken as half a digit: a reading that flips by one digit is no alarm."
        )
    elif digits is not None and digits.too_few:
        notes.append(
            f"The ranges can take only {counted(digits.possible, 'value')}, and "
            f"{percent(100 * digits.zeros)} of them are zero: the last digit hides the "
            "scatter. Equal readings in a row say little here; read one more digit if the gauge "
            "has it."
        )
    if result.step is not None:
        notes.append("The drift is measured with the step taken out.")
    return notes


AFTER = {
    "dropped": AfterCheck(
        "A gauge that fell is out of use until it has been qualified again.",
        (
            "Tag it. A fall bends a frame or chips a face without changing the zero.",
            "Check the faces (flatness, parallelism) and the free run of the spindle.",
            "Measure the reference part and blocks over the range again (notebook 8), "
            "and compare with the page on file.",
            "If anything has changed: recheck the parts measured since the last good check, have "
            "the gauge repaired and calibrated, and qualify it again.",
        ),
    ),
    "repaired": AfterCheck(
        "A repaired or adjusted gauge is a new gauge.",
        (
            "Have it calibrated; keep the readings from before the repair (as found).",
            "Qualify it again (notebook 8): reference part, range, uncertainty; the study on "
            "parts too where the force or the faces were changed.",
            "Start a new baseline for its checks.",
        ),
    ),
}
