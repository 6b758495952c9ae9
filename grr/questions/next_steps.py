"""What to do next: what would change the decision first, with what it brings and costs."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from grr.formulas.improvement import Change
from grr.formulas.second_look import confidence_of
from grr.model.choices import WHOLE
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.names import begun
from grr.model.rounding import counted, percent
from grr.model.study import Study
from grr.questions.causes import Cause, Causes, bench_advice, counterfactual, shown_percent
from grr.questions.check import Findings
from grr.questions.gauge import GaugeResult
from grr.questions.improving import change_text, mean_that_reaches, smallest_to_reach
from grr.questions.sittings import seconds_between, sittings

#: What a step is: something to fix, a cause to mend, averaging, who measures, more
#: operators, what to do meanwhile, the bench in general, another gauge, keeping watch.
StepKind = Literal[
    "fix", "cause", "causes", "mean", "people", "operators", "meanwhile", "bench", "gauge", "watch"
]


@dataclass(frozen=True)
class Step:
    """One thing to do.

    Attributes
    ----------
    kind : str
        One of `StepKind`.
    sentence : str
    percent : Estimate
        What GRR would be after it, in percent of what the purpose judges by; not known
        where that cannot be predicted.
    readings : int
        How many readings it takes; 0 where it takes none, or no fixed number.
    cause : Cause or None
        What it mends.
    """

    kind: StepKind
    sentence: str
    percent: Estimate = field(default_factory=lambda: Estimate(math.nan, unit=PERCENT))
    readings: int = 0
    cause: Cause | None = None


#: More steps against causes than this are not named beside a decision.
MOST_STEPS = 3
#: A change that leaves more of GRR than this is not worth a step.
NOTICEABLE = 0.95
#: Topics of findings that are about single readings: looked at before anything else.
_OF_READINGS = (
    "factor",
    "far off",
    "exchanged parts",
    "copied trial",
    "one part out",
    "trials differ",
)
#: Causes whose readings do not average: they move together.
_NOT_AVERAGED = ("drift", "step", "trial_shift", "digit", "autocorrelation", "place")
WATCH = (
    "Record on the gauge's card how it was used here, and watch the gauge with a check standard."
)


def to_fix(findings: Findings) -> tuple[Step, ...]:
    """Return what must be settled first: the readings concerned, then the rest."""
    mend = [finding for finding in findings if finding.severity == "mend"]
    mend.sort(key=lambda finding: finding.topic not in _OF_READINGS)
    return tuple(Step("fix", f"{begun(f.place)}: {f.todo}") for f in mend[:6])


def class_under(value: float, study: Study) -> int:
    """Return 0 under the lower threshold of the study's rules, 1 up to the upper, 2 above."""
    return int(value >= study.rules.good_percent) + int(value > study.rules.limit_percent)


def improvements(result: GaugeResult, causes: Causes) -> tuple[Step, ...]:
    """Return the changes that would make GRR noticeably smaller, the most decisive first.

    First what brings GRR into a better class of the manual's rule, a cause before averaging,
    since a cause is mended once and averaging is paid for with every part.
    """
    study, now = result.study, shown_percent(result)
    if math.isnan(now) or not now > 0.0:
        return ()
    worth = [cause for cause in causes.named if cause.without.value < NOTICEABLE * now]
    steps = [
        _against(cause, result, now, first=cause is causes.named[0]) for cause in worth[:MOST_STEPS]
    ]
    steps.sort(key=lambda step: (class_under(step.percent.value, study), step.percent.value))
    best = min((class_under(step.percent.value, study) for step in steps), default=3)
    together = causes.together
    if len(steps) > 1 and class_under(together.value, study) < best:
        words = "All these" if len(causes.named) > 2 else "Both of these"
        told = f"{words} together: GRR {percent(now)} → {together} of {WHOLE[study.judged_by]}"
        steps.append(Step("causes", f"{told}{_reached(now, together.value, study)}.", together))
        best = class_under(together.value, study)
    if any(cause.kind in _NOT_AVERAGED for cause in causes.named):
        return tuple(steps)
    mean = _mean(result, now)
    if mean and class_under(mean[0].percent.value, study) < best:
        return (*mean, *steps)
    return (*steps, *mean)


def changes_class(step: Step, result: GaugeResult) -> bool:
    """Whether a step brings GRR, by value, into a better class than it is in."""
    now = class_under(shown_percent(result), result.study)
    return step.percent.known and class_under(step.percent.value, result.study) < now


def _reached(now: float, value: float, study: Study) -> str:
    """Return ", under 10 %" where a step passes a threshold of the rules."""
    rules = study.rules
    for threshold in (rules.good_percent, rules.limit_percent):
        if value < threshold <= now:
            return f", under {threshold:g} %"
    return ""


def _against(cause: Cause, result: GaugeResult, now: float, *, first: bool) -> Step:
    """Return the step against one cause: what to do, its cost, and what it brings.

    The first cause is named among the reasons of the decision; the others are named here.
    """
    cost = f" That takes {cost_of(cause.readings, result.study)}." if cause.readings else ""
    brings = begun(counterfactual(cause, result))
    brings += _reached(now, cause.without.value, result.study)
    told = "" if first else f"{cause.what}. "
    sentence = f"{told}{cause.first_step}{cost} {brings}."
    return Step("cause", sentence, cause.without, cause.readings, cause)


def cost_of(readings: int, study: Study) -> str:
    """Return "15 readings, about 4 minutes": at the pace of the study, where it is known."""
    told = counted(readings, "reading")
    try:
        between = seconds_between(sittings(study))
    except StudyError:
        return told
    if not between:
        return told
    pace = float(np.median(np.concatenate(list(between.values()))))
    minutes = max(1, math.ceil(readings * pace / 60.0))
    return f"{told}, about {counted(minutes, 'minute')}"


def _mean(result: GaugeResult, now: float) -> list[Step]:
    """Return the mean of few readings that brings GRR under the next threshold, if any does."""
    study, rules = result.study, result.study.rules
    goal = rules.limit_percent if now > rules.limit_percent else rules.good_percent
    found = mean_that_reaches(result, goal)
    if found is None:
        return []
    n, after = found
    sure = f"at most {percent(after.upper)}, {100 * confidence_of(study):g} % confidence"
    if after.upper < goal:
        reached = f"{_reached(now, after.value, study)} ({sure})"
    else:
        reached = f" ({sure}: not shown to be under {goal:g} %)"
    of = WHOLE[study.judged_by]
    sentence = (
        f"Take the mean of {n} readings of each part: GRR {percent(now)} → {after} of {of}"
        f"{reached}. It costs {n} readings a part in place of one."
    )
    return [Step("mean", sentence, after, n)]


_DIGITS = (
    "The readings repeat to the last digit. A gauge with a finer digit would show how good it "
    "really is."
)
_FIRST = {
    "AV": "The operators differ most, none of them more than chance explains. {look}",
    "INT": "Operators differ from part to part, nowhere more than chance explains. {look}",
    "SES": "A person's own sessions differ most. Set the zero anew before every series, and let "
    "gauge and parts come to one temperature.",
    "GAU": "The gauges differ most. Set all of them to one master, and compare them on it again.",
    "EV": "The repeats themselves scatter most, everyone's and on every part. {look}",
}


def in_general(result: GaugeResult) -> Step:
    """Return what to look at where nothing stands out, without what the facts say is done."""
    if result.floored:
        return Step("bench", _DIGITS)
    source = result.dominant_source
    look = bench_advice(result.study)
    if source == "AV":
        look = "Let everyone measure one part side by side, and compare how."
    elif source == "INT":
        place = "" if result.study.facts.get("place_marked") else "mark the place on the parts, "
        look = begun(f"{place}look at the parts for taper and burrs, and use one fixture for all.")
    return Step("bench", _FIRST[source].format(look=look))


def another_gauge(result: GaugeResult) -> Step | None:
    """Return what remains where no step reaches the upper threshold by itself."""
    limit, of = result.study.rules.limit_percent, WHOLE[result.study.judged_by]
    change = smallest_to_reach(result, limit)
    if change is None:
        return Step(
            "gauge",
            f"No change of this way of measuring brings GRR under {limit:g} % of {of}: "
            "another gauge or another way of measuring is needed.",
        )
    if change == Change():
        return None
    words = change_text(change, result.study.unit)
    return Step(
        "gauge",
        f"The smallest change that would bring GRR to {limit:g} % of {of}: {words}.",
    )
