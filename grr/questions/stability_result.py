"""The result of checks over time: what `grr.stability` returns."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array, Mask
from grr.formulas.change_points import StepChange
from grr.formulas.control_charts import NELSON, WESTERN_ELECTRIC, ChartLimits, FalseAlarms, RunRule
from grr.model.tolerance import Tolerance
from grr.questions.stability_printing import stability_html, stability_text

RANGE_RULE = "range beyond its limit"


class Drift(NamedTuple):
    """Change a year, and its two-sided interval."""

    rate: float
    lower: float
    upper: float


class Signal(NamedTuple):
    """A check at which a rule is met."""

    check: int
    time: pd.Timestamp
    value: float
    rule: str


@dataclass(frozen=True, eq=False, repr=False)
class StabilityResult:
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
    limits : ChartLimits
        From the baseline, frozen.
    rules : tuple of RunRule
    met : dict
        Name of a rule → for each check whether it is met there.
    alarms : FalseAlarms
        How often the rules alarm with nothing wrong and limits known.
    chance_ahead : float or None
        Chance of a false alarm within the next twelve checks, the limits being from so
        few checks (simulated); None for mean and range.
    drift : Drift
        In the unit of the readings, a year; with a step taken out where there is one.
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
    notes : tuple of str
    title : str
    example : bool
    """

    times: pd.DatetimeIndex
    means: Array
    counts: Array
    ranges: Array
    chart: str
    limits: ChartLimits
    rules: tuple[RunRule, ...]
    met: dict[str, Mask]
    alarms: FalseAlarms
    chance_ahead: float | None
    drift: Drift
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
    notes: tuple[str, ...]
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
    def range_signals(self) -> Mask:
        """Whether the range at each check lies beyond its limits."""
        with np.errstate(invalid="ignore"):
            above = self.ranges > self.limits.range_upper
            below = self.ranges < self.limits.range_lower
        return np.asarray(above | below)

    @property
    def signals(self) -> tuple[Signal, ...]:
        """Every check at which a rule is met, in order of time."""
        found = []
        for check in range(len(self.means)):
            names = [rule.name for rule in self.rules if self.met[rule.name][check]]
            if self.range_signals[check]:
                names.append(RANGE_RULE)
            found += [
                Signal(check, self.times[check], float(self.means[check]), name) for name in names
            ]
        return tuple(found)

    @property
    def alarmed(self) -> bool:
        """Whether a rule is met after the baseline, or anywhere where all is baseline."""
        if self.baseline == len(self.means):
            return bool(self.signals)
        return any(signal.check >= self.baseline for signal in self.signals)

    @property
    def alarm_now(self) -> bool:
        """Whether a rule is met at the latest check."""
        return any(signal.check == len(self.means) - 1 for signal in self.signals)

    @property
    def last_good(self) -> pd.Timestamp | None:
        """The last check before the run of alarms that reaches the latest check.

        The latest check itself without an alarm there; None where no check is good.
        """
        alarmed = {signal.check for signal in self.signals}
        for check in range(len(self.means) - 1, -1, -1):
            if check not in alarmed:
                return self.times[check]
        return None

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

        None without a two-sided tolerance, and while a rule is met at the latest check.
        """
        if self.recheck_days is None or self.alarm_now:
            return None
        return (self.times[-1] + timedelta(days=int(self.recheck_days))).date()

    def to_frame(self) -> pd.DataFrame:
        """Return one row a check, by its time: mean, readings, range, rules met."""
        names: list[list[str]] = [[] for _ in self.means]
        for signal in self.signals:
            names[signal.check].append(signal.rule)
        return pd.DataFrame(
            {
                "mean": self.means,
                "readings": self.counts,
                "range": self.ranges,
                "baseline": np.arange(len(self.means)) < self.baseline,
                "rules_met": [", ".join(met) for met in names],
            },
            index=pd.Index(self.times, name="time"),
        )

    def __str__(self) -> str:
        return stability_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return stability_html(self)
