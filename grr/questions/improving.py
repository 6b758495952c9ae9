"""`grr.what_would_help`: what a change of the measuring would make of GRR."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import (
    percent_tolerance_draws,
    two_sided_limits,
    upper_bound,
    variance_draws,
)
from grr.formulas.improvement import (
    MOST_READINGS,
    Change,
    GrrVariances,
    combined,
    grr_after,
    ranked,
    single_changes,
    smallest_change,
)
from grr.formulas.second_look import confidence_of
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.choices import WHOLE, Measure
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.frames import frame
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import figures, with_unit
from grr.model.values import needs, number
from grr.questions.gauge import GaugeResult, spread_text
from grr.questions.intervals import pivots_of, specification_of

#: How many readings are averaged in the list of changes.
AVERAGED = (2, 3, 5)

#: A finer gauge shows one more digit.
FINER = 10.0

#: A change that leaves more of GRR than this is not combined with others.
NOTICEABLE = 0.98


def what_would_help(result: GaugeResult, *, level: float = 0.95) -> Improvement:
    """Predict GRR if readings are averaged, operators made alike, or the digit made finer.

    Parameters
    ----------
    result : GaugeResult
    level : float
        Confidence of the two-sided intervals of the predictions.

    Returns
    -------
    Improvement
        Ranked changes, and the smallest that reaches the study's two thresholds (10 % and
        30 % by default), or that none would.

    Raises
    ------
    StudyError
        Nothing to compare GRR with, or GRR is 0.

    Notes
    -----
    A prediction from the variances of this study, by the model of the analysis of
    variance; a study after the change has to confirm it. Averaging n readings divides
    the repeatability's variance by n and touches neither the operators' differences nor
    the interaction. Source: JCGM 100:2008 (GUM), 4.2.3 and F.2.2.1; Burdick, Borror &
    Montgomery (SIAM 2005), section 3.2.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> help_ = grr.what_would_help(grr.anova(study))
    >>> help_.to_frame()["change"][0]
    'as it is now'
    """
    level = number("level", level, above=0.0, below=1.0)
    study = needs(result, GaugeResult).study
    return study.once(("what_would_help", result.key, level), lambda: _improvement(result, level))


@dataclass(frozen=True, eq=False, repr=False)
class Improvement(Printed):
    """Predicted GRR after changes of the measuring.

    Attributes
    ----------
    result : GaugeResult
    measure : {"percent_tolerance", "percent_tv"}
        What the percentages are of: as the study's purpose judges.
    table : DataFrame
        One row a change, the most effective first; columns change (in words), readings
        (averaged), operators_alike, no_interaction, resolution, steps (how many things are
        changed), grr_sd, percent, lower, upper.
    smallest : mapping
        Threshold in percent → the smallest `Change` that brings the estimate to it; None
        where none does.
    level : float
        Confidence of the intervals.
    notes : tuple of str

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.what_would_help(grr.anova(study))
    Improvement(Example with invented readings: dowel pins in a stand: 10 …)
    """

    result: GaugeResult
    measure: Measure
    smallest: Mapping[float, Change | None]
    level: float
    notes: tuple[str, ...]
    table: pd.DataFrame = frame()

    def to_frame(self) -> pd.DataFrame:
        """Return the table of changes."""
        return self.table

    def blocks(self) -> list[Block]:
        """Return the changes, the most effective first, and what they reach."""
        study, spread, whole = self.result.study, self.result.spread, WHOLE[self.measure]
        now = Estimate(float(self.table.iloc[0]["percent"]), unit=PERCENT)
        opening = [
            *([EXAMPLE] if study.example else []),
            study.summary,
            f"GRR now takes {now} of {whole}. What it would take after a change, the most "
            "effective first:",
        ]
        head = ["Change", f"GRR ({spread:g} sd)", f"of {whole}", f"{100 * self.level:g} % interval"]
        rows = []
        for row in self.table.to_dict("records"):
            share = Estimate(row["percent"], row["lower"], row["upper"], PERCENT)
            interval = f"{share:r}" if math.isfinite(share.upper) else "no limit"
            shown = spread_text(self.result, row["grr_sd"] * spread)
            rows.append([row["change"], shown, f"{share}", interval])
        lines, otherwise = [], ": another gauge or another way of measuring is needed"
        if {*_FURTHER} & {*self.result.source_names}:
            otherwise = ""
        for threshold, change in sorted(self.smallest.items(), reverse=True):
            aim = f"{threshold:g} % of {whole}"
            if change is None:
                lines.append(
                    f"Nothing in this list would bring GRR to {aim}, not even all of it together "
                    f"with the mean of {MOST_READINGS} readings{otherwise}."
                )
            elif change == Change():
                lines.append(f"GRR is within {aim} as it is (by the calculated value).")
            else:
                words = change_text(change, study.unit)
                lines.append(f"The smallest change that would bring GRR to {aim}: {words}.")
        return [Prose(opening), Table(head, rows), Bullets([*lines, *self.notes])]


def _improvement(result: GaugeResult, level: float) -> Improvement:
    study = result.study
    measure = _measure(result)
    now = grr_variances(result)
    finer = None if study.resolution is None else study.resolution / FINER
    singles = single_changes(now, finer=finer)
    changes = ranked(now, tuple(dict.fromkeys(_candidates(now, singles))))
    after = _percent_draws(result, measure)
    rows = []
    for change in (Change(), *changes):
        grr = float(grr_after(now, change))
        low, high = two_sided_limits(after(change), level)
        rows.append(
            {
                "change": change_text(change, study.unit),
                "readings": change.readings,
                "operators_alike": change.operators_alike,
                "no_interaction": change.no_interaction,
                "resolution": math.nan if change.resolution is None else change.resolution,
                "steps": change.steps,
                "grr_sd": math.sqrt(grr),
                "percent": _percent(result, measure, grr),
                "lower": float(low),
                "upper": float(high),
            }
        )
    rules = study.rules
    smallest = {
        threshold: smallest_to_reach(result, threshold)
        for threshold in (rules.limit_percent, rules.good_percent)
    }
    return Improvement(
        result=result,
        measure=measure,
        smallest=MappingProxyType(smallest),
        level=level,
        notes=_notes(result, measure),
        table=pd.DataFrame(rows),
    )


def _percent_draws(result: GaugeResult, measure: Measure) -> Callable[[Change], Array]:
    """Return the function from a change to draws of GRR's percentage after it."""
    pivots, specification = pivots_of(result), specification_of(result)
    ev, av, both, all_of_it = (
        np.nan_to_num(variance_draws(pivots, name, specification)) for name in _PARTS
    )
    now = GrrVariances(ev, av, both, all_of_it, result.study.resolution)

    def after(change: Change) -> Array:
        grr = grr_after(now, change)
        if measure == "percent_tolerance":
            return percent_tolerance_draws(replace(pivots, grr=grr), "GRR", specification)
        return 100.0 * np.sqrt(grr / (variance_draws(pivots, "PV", specification) + grr))

    return after


#: More readings than this are not averaged as a matter of routine.
MOST_AVERAGED = 5
#: GRR and what it is made of.
_PARTS = ("EV", "AV", "INT", "GRR")
#: No change at all.
AS_NOW = "as it is now"


def mean_that_reaches(result: GaugeResult, goal: float) -> tuple[int, Estimate] | None:
    """Return how many readings to average so that GRR falls under ``goal`` percent.

    Returns
    -------
    (int, Estimate) or None
        The fewest for which it is shown at the study's confidence, else the fewest by
        value; GRR then, with the one-sided upper bound as its upper limit. None where the
        mean of five does not do it.
    """
    measure = _measure(result)
    now = grr_variances(result)
    values = {
        n: _percent(result, measure, float(grr_after(now, Change(readings=n))))
        for n in range(2, MOST_AVERAGED + 1)
    }
    enough = [n for n, value in values.items() if value < goal]
    if not enough:
        return None
    draws = _percent_draws(result, measure)
    bounds = {
        n: float(upper_bound(draws(Change(readings=n)), confidence_of(result.study)))
        for n in enough
    }
    n = next((n for n in enough if bounds[n] < goal), enough[0])
    return n, Estimate(values[n], 0.0, max(bounds[n], values[n]), PERCENT)


def smallest_to_reach(result: GaugeResult, threshold: float) -> Change | None:
    """Return the smallest change that brings GRR to a threshold in percent; None if none does."""
    now, measure = grr_variances(result), _measure(result)
    finer = None if result.study.resolution is None else result.study.resolution / FINER
    share = (threshold / 100.0) ** 2
    goal = result.value("PV", "variance") * share / (1.0 - share) if share < 1.0 else math.inf
    if measure == "percent_tolerance":
        before = result.value("GRR", "variance")
        goal = before * (threshold / result.value("GRR", measure)) ** 2
    return smallest_change(now, goal, single_changes(now, finer=finer))


def _measure(result: GaugeResult) -> Measure:
    """Return what the percentages are of: as the purpose judges, or else as is possible."""
    both: tuple[Measure, Measure] = ("percent_tolerance", "percent_tv")
    for measure in both if result.study.judged_by == both[0] else both[::-1]:
        known = measure == "percent_tolerance" or not math.isnan(result.value("PV", "variance"))
        if known and result.value("GRR", measure) > 0.0:
            return measure
    if result.value("GRR", "sd") == 0.0:
        raise StudyError(
            "GRR was found to be 0, so nothing would make it smaller",
            "State the gauge's resolution in the study, so that its rounding error counts",
        )
    raise StudyError(
        "There is nothing to compare GRR with: neither a tolerance nor the process's spread",
        "Give the tolerance on the drawing",
    )


def grr_variances(result: GaugeResult) -> GrrVariances:
    """Return the variances of a result, 0 where one was not estimated."""
    ev, av, both, grr = (float(np.nan_to_num(result.value(n, "variance"))) for n in _PARTS)
    return GrrVariances(ev, av, both, grr, result.study.resolution)


def _candidates(now: GrrVariances, singles: tuple[Change, ...]) -> list[Change]:
    """Return the single changes, and combinations of those that do anything worth naming."""
    worth = tuple(c for c in singles if grr_after(now, c) < NOTICEABLE**2 * now.grr)
    together = [change for change in combined(worth) if change.steps]
    averaged = [Change(readings=n) for n in AVERAGED]
    return [*singles, *together, *averaged, *(replace(c, readings=3) for c in together)]


def _percent(result: GaugeResult, measure: Measure, grr: float) -> float:
    """Return GRR's percentage with another GRR; the part variation stays as it is."""
    before = result.value("GRR", "variance")
    if measure == "percent_tolerance":
        return result.value("GRR", measure) * math.sqrt(grr / before)
    return 100.0 * math.sqrt(grr / (result.value("PV", "variance") + grr))


#: What sources that no change of the list touches are, in words.
_FURTHER = {"GAU": "gauges differ by", "SES": "changes from session to session"}


def change_text(change: Change, unit: str) -> str:
    """Return a change in words."""
    steps = []
    if change.operators_alike:
        steps.append("operators alike")
    if change.no_interaction:
        steps.append("no interaction")
    if change.resolution is not None:
        steps.append(f"last digit {with_unit(figures(change.resolution, 1), unit)}")
    if change.readings > 1:
        steps.append(f"mean of {change.readings} readings")
    return ", ".join(steps) if steps else AS_NOW


def _notes(result: GaugeResult, measure: Measure) -> tuple[str, ...]:
    """Return what the reader must know about the predictions."""
    study = result.study
    notes = [
        "Predicted from this study's variances; a study after the change has to confirm it.",
        "Operators alike: by training, by agreeing on feel, or by a stand. No interaction: by a "
        "marked place on the part, or one fixture for all.",
        "Averaging means several readings of a part by one operator: it reduces repeatability "
        "only. Differences between operators, and those from part to part (interaction), are "
        "the same in every one of these readings and do not average.",
    ]
    for name in (name for name in _FURTHER if name in result.source_names):
        left = result.value("GRR", "variance") - result.value(name, "variance")
        share = Estimate(_percent(result, measure, max(left, 0.0)), unit=PERCENT)
        notes.append(
            f"What {_FURTHER[name]} ({name}) is in every row; without it GRR would take {share} "
            f"of {WHOLE[measure]}."
        )
    if result.floored:
        notes.append(
            "The readings repeat to the last digit: averaging changes nothing, and a finer "
            "digit may show less of an improvement than this best case."
        )
    if len(study.operator_names) < 2:
        notes.append("One operator measured, so nothing is known about the others.")
    elif result.value("AV", "variance") == 0.0:
        notes.append("No difference between operators was found, so training is not listed.")
    if study.trials < 2:
        notes.append(
            "With one trial EV contains the interaction, which does not average: the means are "
            "the best case."
        )
    return tuple(notes)
