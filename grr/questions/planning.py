"""`grr.expected_precision` and `grr.compare_designs`: what a study can decide, beforehand."""

from __future__ import annotations

import math
import warnings
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import TYPE_CHECKING, NamedTuple, get_args

import numpy as np
import pandas as pd
from scipy.special import ndtri

from grr.formulas.arrays import Array
from grr.formulas.conformity import Zone, good_parts_refused, parts_that_fill
from grr.formulas.pivots import SEED
from grr.formulas.precision import (
    Design,
    Precision,
    Ratio,
    Shares,
    designs_within,
    tabulated_precision,
    tabulated_shares,
)
from grr.formulas.second_look import first_confidence
from grr.model.blocks import Block, Bullets, Heading, Prose, Table
from grr.model.choices import Decision, Purpose
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.printed import Printed
from grr.model.rounding import JOIN, counted, figures, length, listed, percent, whole_percent
from grr.model.rules import Plan, Rules
from grr.model.settings import Settings
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number, one_of, people_who_measure
from grr.questions.acceptance import zone_of
from grr.questions.deciding import Criterion, decide

if TYPE_CHECKING:
    from plotly.graph_objects import Figure


#: What a good and a bad gauge truly take of the tolerance, in percent.
GOOD_GAUGE, BAD_GAUGE = 8.0, 40.0
#: What gauges truly take, for which the chances of a design are told.
TRUE_PERCENTS = (6.0, 15.0, 20.0, 30.0, 45.0)
#: More people than this are not practicable.
MOST_PEOPLE = 12


@dataclass(frozen=True)
class PlanningQuestion:
    """What a planned study is asked to show.

    Attributes
    ----------
    good_gauge, bad_gauge : float
        What a good and a bad gauge truly take, in percent of the tolerance (or of another
        known whole).
    rules : Rules
        The thresholds and the confidence.
    """

    good_gauge: float = GOOD_GAUGE
    bad_gauge: float = BAD_GAUGE
    rules: Rules = Rules()

    def __post_init__(self) -> None:
        needs(self.rules, Rules, "rules")
        good = number("good_gauge", self.good_gauge, above=0.0)
        bad = number("bad_gauge", self.bad_gauge, above=0.0)
        if not (good < self.rules.good_percent and bad > self.rules.limit_percent):
            raise StudyError(
                f"A good gauge takes under {self.rules.good_percent:g} %, a bad one over "
                f"{self.rules.limit_percent:g} %",
                "Correct good_gauge or bad_gauge, or give other rules",
                value=f"{good:g} and {bad:g}",
            )

    def assurances(self, precision: Precision) -> tuple[float, float]:
        """Return how often the good gauge is shown good, and the bad one shown bad."""
        return (
            precision.assurance_under(self.rules.good_percent, self.good_gauge),
            precision.assurance_over(self.rules.limit_percent, self.bad_gauge),
        )


@dataclass(frozen=True, eq=False, repr=False)
class ExpectedPrecision(Printed):
    """How often studies of one design give each answer, by simulation.

    Attributes
    ----------
    design : Design
    purpose : {"accept", "control"}
    rules : Rules
    shares : Shares
    parts_priced : str
        For which parts the price of acceptance limits is counted; "" for purpose "control".
    studies : int
        How many were simulated.
    chances : DataFrame
        One row an answer to "are these all who will ever measure?" and a true percentage.
        Columns: operators_are ("fixed" for yes; for no "random" or how many), true_percent,
        and the share of studies, 0 to 1, that end with each decision: use, like_this ...
    better : DataFrame
        Other designs where others will measure too; may be empty. Columns: design_for
        ("the same readings", "the same people", "all who will ever measure"), parts,
        operators, trials, readings, operators_are, use_at_best (how often a gauge that
        truly takes the least of `TRUE_PERCENTS` is USE), decides.

    Examples
    --------
    >>> grr.expected_precision(10, 3, 3, operators_are="fixed")
    ExpectedPrecision(10 parts × 3 operators × 3 trials = 90 readings. How often …)
    """

    design: Design
    purpose: Purpose
    rules: Rules
    shares: Shares
    parts_priced: str
    studies: int
    chances: pd.DataFrame
    better: pd.DataFrame

    def decides(self, operators_are: str | int | None = None) -> float:
        """Return the share of studies that decide, over gauges of all `TRUE_PERCENTS`.

        Parameters
        ----------
        operators_are : {"random", "fixed"} or int, optional
            One of those in `chances`; that of the design by default.
        """
        who = self.design.operators_are if operators_are is None else operators_are
        return _decides(self.chances[self.chances["operators_are"] == who])

    def of_twenty(self, operators_are: str | int | None = None) -> str:
        """Return the same in words, such as "15 decide"."""
        return f"{round(20 * self.decides(operators_are))} decide"

    def to_frame(self) -> pd.DataFrame:
        """Return the chances of each decision, one row an answer and a true percentage."""
        return self.chances.copy()

    def blocks(self) -> list[Block]:
        """Return the chances for both answers, and the designs that decide more."""
        design = self.design
        opening = (
            f"{counted(design.parts, 'part')} × {counted(design.operators, 'operator')} × "
            f"{counted(design.trials, 'trial')} = {counted(design.readings, 'reading')}. How often "
            f"such studies give each answer, of {self.studies} simulated:"
        )
        found: list[Block] = [Prose([opening])]
        for who in dict.fromkeys(self.chances["operators_are"]):
            chances = self.chances[self.chances["operators_are"] == who]
            rows = [
                [
                    f"{row['true_percent']:g}{JOIN}%",
                    *(whole_percent(row[decision.name.lower()]) for decision in Decision),
                ]
                for row in chances.to_dict("records")
            ]
            head = ["GRR truly takes", *(_WORDS[decision] for decision in Decision)]
            found += [Heading(_answer_in_words(self, who)), Table(head, rows)]
        if len(self.better):
            best = f"USE at {min(TRUE_PERCENTS):g}{JOIN}%"
            rows = [
                [
                    str(row["design_for"]),
                    f"{row['parts']} × {row['operators']} × {row['trials']}",
                    f"{row['readings']}",
                    whole_percent(row["use_at_best"]),
                    f"{round(20 * row['decides'])} of 20",
                ]
                for row in self.better.to_dict("records")
            ]
            head = ["For", "parts × people × trials", "readings", best, "decide"]
            found += [Heading(BETTER), Table(head, rows, left=2)]
        return [*found, Bullets(_closing(self))]


@dataclass(frozen=True, eq=False, repr=False)
class DesignComparison(Printed):
    """Designs that fit a number of readings, the one that decides most first.

    Attributes
    ----------
    table : DataFrame
        Columns parts, operators, trials, readings, good_shown_good, bad_shown_bad,
        decides (their mean) and width (expected width of the interval of GRR, as a
        multiple of the true GRR).
    budget : int
        The readings that there are.
    question : PlanningQuestion
    operators_are : {"random", "fixed"} or int
    shares : Shares
    studies : int

    Examples
    --------
    >>> grr.compare_designs(30, most_operators=3)
    DesignComparison(Designs with at most 30 readings, those that decide most …)
    """

    table: pd.DataFrame
    budget: int
    question: PlanningQuestion
    operators_are: str | int
    shares: Shares
    studies: int

    def plot(self) -> Figure:
        """Return the figure of `grr.show.certainty_bought`."""
        from grr.show import certainty_bought

        return certainty_bought(self)

    def to_frame(self) -> pd.DataFrame:
        """Return the table of designs."""
        return self.table.copy()

    def blocks(self) -> list[Block]:
        """Return the designs side by side."""
        question, rules, more = self.question, self.question.rules, len(self.table) - SHOWN
        opening = [
            f"Designs with at most {counted(self.budget, 'reading')}, those that decide most often "
            f"first; the operators are {_who(self.operators_are)}.",
            f"Good shown good: a gauge that truly takes {question.good_gauge:g} % is shown to be "
            f"under {rules.good_percent:g} %. Bad shown bad: one that takes "
            f"{question.bad_gauge:g} % is shown to be over {rules.limit_percent:g} %.",
        ]
        head = [
            "Parts × operators × trials",
            "readings",
            "good shown good",
            "bad shown bad",
            "width",
        ]
        rows = [
            [
                f"{row['parts']} × {row['operators']} × {row['trials']}",
                f"{row['readings']}",
                whole_percent(row["good_shown_good"]),
                whole_percent(row["bad_shown_bad"]),
                f"{figures(row['width'])} × GRR",
            ]
            for row in self.table.head(SHOWN).to_dict("records")
        ]
        closing = [
            *([f"{counted(more, 'further design')} in to_frame()."] if more > 0 else []),
            "Width: expected width of the 95 % interval of GRR.",
            f"Each by {self.studies} simulated studies: differences of a few percentage points "
            "between designs are chance.",
            _assumed(self.shares),
            KNOWN_WHOLE,
            "For percentages of the total variation of the study's own parts take 10 parts or more "
            "(AIAG MSA, 4th ed., chapter III section B): five show part variation poorly.",
        ]
        return [Prose(opening), Table(head, rows), Bullets(closing)]


def usual_design(
    operators: int,
    operators_are: str | int = "random",
    *,
    purpose: Purpose = "accept",
    process_sd: float | None = None,
    unequal_parts: bool = False,
) -> Design:
    """Return how many parts and trials so many operators are usually planned with.

    Where those who measure are all who ever will: 10 parts, 3 trials. Where others will
    measure too only the number of people counts: 5 parts across the tolerance, 2 trials, and
    as many people as there are, up to 12.

    Parameters
    ----------
    operators : int
    operators_are : {"random", "fixed"} or int
        As in `grr.Study`.
    purpose : {"accept", "control"}
        For "control" the parts must show how much the process varies, which five cannot:
        10 parts, unless ``process_sd`` is known from records.
    process_sd : float, optional
    unequal_parts : bool
        Whether scatter is feared to depend on the part or its size: 10 parts.

    Notes
    -----
    Simulated in ``tests/coverage/designs.py``: 10 × 3 × 3 shows a gauge of 6 % good in a
    quarter of the studies, 5 × 6 × 2 in three quarters, 5 × 9 × 2 in 95 of 100.
    """
    people = people_who_measure(operators_are, operators, "operators_are")
    if operators in (1, people):
        return Design(10, operators, 3, operators_are)
    estimated = purpose == "control" and process_sd is None
    return Design(10 if estimated or unequal_parts else 5, operators, 2, operators_are)


#: What five parts cannot show.
PRICE_OF_FIVE = (
    "Five parts tell little of part variation (4 degrees of freedom) and show scatter that depends "
    "on the part or its size half as often as ten. Take ten where either matters."
)


def expected_precision(
    parts: int | None = None,
    operators: int | None = None,
    trials: int | None = None,
    *,
    operators_are: str | int = "random",
    purpose: Purpose = "accept",
    tolerance: Tolerance | None = None,
    process_sd: float | None = None,
    process_mean: float | None = None,
    shares: tuple[float, float, float] = (0.6, 0.3, 0.1),
    rules: Rules | None = None,
    studies: int = 1000,
    seed: int = SEED,
    good_gauge: float | None = None,
    bad_gauge: float | None = None,
    level: float | None = None,
    progress: bool | None = None,
) -> ExpectedPrecision:
    """Return how often studies of a design decide, and how, for good and for bad gauges.

    For gauges that truly take each of `TRUE_PERCENTS`, and for both answers to "are these all
    who will ever measure?". Every simulated study is judged by the rule of `grr.verdict`. A
    design takes some tenths of a second the first time, and none after that.

    Parameters
    ----------
    parts, trials : int, optional
        Those of `usual_design` by default.
    operators : int
        How many people measure.
    operators_are : {"random", "fixed"} or int
        A sample of those who will measure, all who ever will, or how many will ever measure.
    purpose : {"accept", "control"}
    tolerance : Tolerance, optional
        With the process sd it gives the price of acceptance limits; without either the price is
        counted for parts whose ±3 sd fill the tolerance.
    process_sd : float, optional
        Standard deviation of the process from records. For purpose "control" it is the whole
        that GRR is compared with; without it the parts of the study must give that.
    process_mean : float, optional
        Mean of the process; the middle of the tolerance by default.
    shares : three floats
        How the variance GRR splits into EV, AV and INT.
    rules : Rules, optional
        Thresholds (10 % and 30 %) and confidence (95 %).
    studies : int
        How many are simulated for each answer; 1000 give a chance to about ±3 percentage
        points.
    seed : int
    good_gauge, bad_gauge, level, progress
        Of version 0.1.0; without effect now, and gone in the next version.

    Returns
    -------
    ExpectedPrecision

    Raises
    ------
    StudyError
        A design or setting that cannot be used, or two people as a sample.

    Notes
    -----
    Each simulated study takes the degrees of freedom of one whose scatter is even, not the usual
    ones. The tests of scatter are not simulated: of 100 clean studies that are counted as USE two
    or three end as USE LIKE THIS because one of them alarms. What was told beside what whole
    studies came to: ``tests/coverage/promised.py``.

    Source: see `grr.formulas.precision.tabulated_precision`.

    Examples
    --------
    >>> chances = grr.expected_precision(5, 6, 2).to_frame()
    >>> chances.query("operators_are == 'random'")[["true_percent", "use"]].round(1).head(2)
       true_percent  use
    5           6.0  0.7
    6          15.0  0.0
    """
    if operators is None:
        raise StudyError(
            "It is not said how many people measure", "Give operators, a whole number from 1"
        )
    former = {"good_gauge": good_gauge, "bad_gauge": bad_gauge, "level": level}
    _warn_of_former({**former, "progress": progress})
    one_of("purpose", purpose, get_args(Purpose))
    if tolerance is not None:
        needs(tolerance, Tolerance, "tolerance")
    if process_sd is not None:
        number("process_sd", process_sd, above=0.0)
    if process_mean is not None:
        number("process_mean", process_mean)
    rules = Rules() if rules is None else rules
    needs(rules, Rules, "rules")
    usual = usual_design(operators, operators_are, purpose=purpose, process_sd=process_sd)
    design = Design(
        usual.parts if parts is None else parts,
        operators,
        usual.trials if trials is None else trials,
        operators_are,
    )
    refuse_two_as_a_sample(operators, operators_are)
    split = _shares(shares)
    own_parts = purpose == "control" and process_sd is None
    priced = None if purpose == "control" else _priced(tolerance, process_mean, process_sd)

    def chances(of: Design) -> pd.DataFrame:
        return _chances(of, split, rules, priced, own_parts=own_parts, how=(studies, seed))

    # yes, and no, to whether those who measure are all who ever will
    all_there_are = operators_are in ("fixed", operators)
    others = "random" if all_there_are else operators_are
    answers = [operators_are if all_there_are else "fixed", others]
    both = [
        replace(design, operators_are=who)
        for who in (answers if operators > 1 else [operators_are])
    ]
    told = [chances(one) for one in both]
    better = [
        {
            "design_for": words,
            "parts": other.parts,
            "operators": other.operators,
            "trials": other.trials,
            "readings": other.readings,
            "operators_are": other.operators_are,
            "use_at_best": float(chances(other)["use"].iloc[0]),
            "decides": _decides(chances(other)),
        }
        for words, other in _other_designs(both[-1], purpose, process_sd)
        if _decides(chances(other)) >= _decides(told[-1]) - _AS_OFTEN
    ]
    return ExpectedPrecision(
        design,
        purpose,
        rules,
        split,
        "" if priced is None else priced.which,
        studies,
        pd.concat(told, ignore_index=True),
        pd.DataFrame(better),
    )


def refuse_by_ranges(settings: Settings) -> None:
    """Refuse a plan that ranges are to judge, which know neither places nor gauges.

    Raises
    ------
    StudyError
        It is one.
    """
    plan, method = settings.plan, settings.rules.method_of_record
    if plan is not None and method == "average_range" and (plan.places or plan.gauges):
        raise StudyError(
            "By average and range, the method of record, no study with places on the parts or "
            "several gauges can be judged",
            'State method_of_record = "anova" in study.toml before the first reading',
            column="method_of_record",
            value=method,
        )


def chances_of_plan(settings: Settings) -> ExpectedPrecision:
    """Return `expected_precision` of a study's plan, by its purpose and its rules.

    Where two looks are planned, that of the first. Places on a part and gauges are counted as
    trials where those gauges are all in use: what comes then is within 10 of 100 studies of it,
    mostly more (simulated: ``tests/coverage/further_sources.md``).

    Raises
    ------
    StudyError
        There is no plan, it measures nothing twice, its gauges stand for others, or it would be
        judged by ranges, which know neither places nor gauges.
    """
    plan, rules = settings.plan, settings.rules
    if plan is None:
        raise StudyError("The study has no plan", "Plan parts, operators and trials")
    refuse_by_ranges(settings)
    gauges = len(plan.gauges)
    if gauges and people_who_measure(settings.gauges_are, gauges, "gauges_are") > gauges:
        raise StudyError(
            "How often a plan decides is not told where its gauges stand for others: two of a "
            "sample seldom decide, and counted as trials they would promise far too much",
            "State that these are all the gauges in use, or plan one gauge",
            column="gauges",
            value=", ".join(plan.gauges),
        )
    if plan.looks == 2:
        rules = replace(rules, confidence=first_confidence(rules.confidence))
    return expected_precision(
        len(plan.parts),
        len(plan.operators),
        plan.times,
        operators_are=settings.operators_are,
        purpose=settings.purpose,
        tolerance=settings.tolerance,
        process_sd=settings.process_sd,
        process_mean=settings.process_mean,
        rules=rules,
    )


def _warn_of_former(given: dict[str, object]) -> None:
    """Warn of parameters of version 0.1.0, which are still taken for a version."""
    for name in (name for name, value in given.items() if value is not None):
        warnings.warn(
            f"expected_precision does not use {name} any more: it tells the chances for gauges of "
            f"{listed([f'{true:g}' for true in TRUE_PERCENTS])} %",
            DeprecationWarning,
            stacklevel=3,
        )


class PricedZone(NamedTuple):
    """The tolerance, the process that pays the price of limits inside it, and which it is.

    ``observed``: the sd is of readings, so that the gauge's scatter is in it.
    """

    zone: Zone
    mean: float
    sd: float
    which: str
    observed: bool = False

    @property
    def whole(self) -> float:
        """What percentages are of: the tolerance, or twice the distance to its one limit."""
        lower, upper = float(self.zone.lower), float(self.zone.upper)
        if math.isfinite(upper - lower):
            return upper - lower
        return 2.0 * min(abs(lower - self.mean), abs(upper - self.mean))


def _priced(
    tolerance: Tolerance | None, process_mean: float | None, process_sd: float | None
) -> PricedZone:
    """Return for which parts acceptance limits are priced beforehand."""
    filling = "parts whose ±3 sd fill the tolerance"
    usual = Zone(-0.5, 0.5)
    assumed = PricedZone(usual, 0.0, float(parts_that_fill(usual, 0.0)[1]), filling)
    if tolerance is None or process_sd is None:
        return assumed
    zone = zone_of(tolerance)
    if tolerance.width is not None:
        middle = float(0.5 * (zone.lower + zone.upper))
        mean = middle if process_mean is None else process_mean
        which = f"the process stated (sd {percent(100 * process_sd / tolerance.width)} of the"
        where = "about its middle" if process_mean is None else "about the mean stated"
        return PricedZone(zone, mean, process_sd, f"{which} tolerance, {where})", observed=True)
    if process_mean is None or not zone.lower < process_mean < zone.upper:
        return assumed  # one limit alone: its distance is what the parts fill
    found = PricedZone(zone, process_mean, process_sd, "", observed=True)
    inside = figures(0.5 * found.whole / process_sd)
    return found._replace(which=f"the process stated (its mean {inside} sd inside the limit)")


#: Shares of studies that differ by less are taken as the same: half of one in 20.
_AS_OFTEN = 0.025


def _other_designs(
    design: Design, purpose: Purpose, process_sd: float | None
) -> Iterator[tuple[str, Design]]:
    """Yield designs for those who stand for others: with more people, or with fewer readings."""
    people = people_who_measure(design.operators_are, design.operators)
    if design.operators in (1, people):
        return
    who = design.operators_are
    usual = usual_design(design.operators, who, purpose=purpose, process_sd=process_sd)
    most = int(min(MOST_PEOPLE, people, design.readings // (usual.parts * usual.trials)))
    if most > max(design.operators, 2):
        trials = usual.trials + (design.readings >= usual.parts * most * (usual.trials + 1))
        yield "the same readings", Design(usual.parts, most, trials, who)
    if usual.readings < design.readings and design.operators > 2:
        yield "the same people", usual
    if design.operators < people <= MOST_PEOPLE:
        everyone = int(people)
        yield "all who will ever measure", Design(usual.parts, everyone, usual.trials, who)


@lru_cache(maxsize=128)
def _chances(
    design: Design,
    shares: Shares,
    rules: Rules,
    priced: PricedZone | None,
    *,
    own_parts: bool,
    how: tuple[int, int],
) -> pd.DataFrame:
    """Return the share of simulated studies that end with each decision, a row a true percent.

    Parameters
    ----------
    priced : PricedZone or None
        None for purpose "control".
    """
    studies, seed = how
    if own_parts:
        ratios = tabulated_shares(
            design, TRUE_PERCENTS, shares, confidence=rules.confidence, studies=studies, seed=seed
        )
    else:
        precision = tabulated_precision(
            design, shares, confidence=rules.confidence, studies=studies, seed=seed
        )
        ratios = tuple(precision.ratio(true) for true in TRUE_PERCENTS)
    rows = []
    for true, ratio in zip(TRUE_PERCENTS, ratios, strict=True):
        counts = decisions_of(ratio, rules, priced, one_operator=design.operators == 1)
        rows.append(
            {"operators_are": design.operators_are, "true_percent": true}
            | {one.name.lower(): counts[one] / studies for one in Decision}
        )
    return pd.DataFrame(rows)


def decisions_of(
    ratio: Ratio, rules: Rules, priced: PricedZone | None, *, one_operator: bool
) -> Counter[Decision]:
    """Count what a verdict would say of each simulated study, were nothing to mend.

    `decide` compares its numbers with three thresholds only, so it is asked once for all the
    studies whose numbers lie between the same ones.
    """
    price = np.full((2, ratio.estimate.size), np.nan)
    price = price if priced is None else _prices(ratio, rules, priced)
    numbers = np.stack([ratio.estimate, ratio.at_least, ratio.at_most, *price])
    thresholds = sorted({rules.good_percent, rules.limit_percent, rules.most_refused_percent})
    # Between which thresholds each number lies, as one whole number a study.
    between = (len(thresholds) + 1) ** np.arange(5) @ np.searchsorted(thresholds, numbers)
    _, first, counts = np.unique(between, return_index=True, return_counts=True)
    found: Counter[Decision] = Counter()
    for at, count in zip(first.tolist(), counts.tolist(), strict=True):
        estimate, at_least, at_most, low, high = numbers[:, at].tolist()
        criterion = Criterion(
            name="",
            value=estimate,
            good=rules.good_percent,
            limit=rules.limit_percent,
            lower=at_least,
            upper=at_most,
            below_good=math.nan,
            below_limit=math.nan,
        )
        decision = decide(
            criterion,
            Estimate(low, low, high, PERCENT),
            most_refused=rules.most_refused_percent,
            purpose="control" if priced is None else "accept",
            one_operator=one_operator,
            must_mend=False,
        )
        found[decision] += count
    return found


def _prices(ratio: Ratio, rules: Rules, priced: PricedZone) -> Array:
    """Return the careful bounds of what acceptance limits would cost, in percent of good parts.

    Each study prices as a verdict does: for true sizes with the sd that its own GRR leaves of
    the one observed, or parts whose ±3 sd fill the tolerance where it leaves nothing.

    Returns
    -------
    ndarray, shape (2, studies)
        At least and at most.
    """
    if ratio.guard is None:
        return np.full((2, ratio.estimate.size), np.nan)
    of_one = priced.whole / (100.0 * rules.spread)  # an sd in percent, to one in units
    factor = float(ndtri(rules.confidence))
    guards = np.stack([factor * ratio.at_least, ratio.guard]) * of_one

    def at(guards: Array, sd: float, mean: float = priced.mean) -> Array:
        true = priced._replace(mean=mean, sd=sd, observed=False)
        return np.asarray(np.interp(guards, *_prices_of_guards(true, factor)))

    if not priced.observed:
        return at(guards, priced.sd)
    left = priced.sd**2 - np.square(ratio.estimate * of_one)
    mean, sd = (float(value) for value in parts_that_fill(priced.zone, priced.mean))
    found = at(guards, sd, mean)
    # Curves at some sds of true sizes, and straight lines between them.
    sds, step = np.linspace(0.02, 1.0, _SDS, retstep=True)
    place = np.clip((np.sqrt(np.maximum(left, 0.0)) / priced.sd - sds[0]) / step, 0.0, _SDS - 1.0)
    curve = np.minimum(place.astype(int), _SDS - 2)
    for below in np.unique(curve):
        rows = (curve == below) & (left > 0.0)
        low, high = (at(guards[:, rows], priced.sd * float(sds[n])) for n in (below, below + 1))
        found[:, rows] = low + (place[rows] - below) * (high - low)
    return found


#: Standard deviations of true sizes at which curves of prices are worked out.
_SDS = 30


@lru_cache(maxsize=128)
def _prices_of_guards(priced: PricedZone, factor: float) -> tuple[Array, Array]:
    """Return 400 guard bands and what `good_parts_refused` says each costs, in percent.

    Between them straight lines will do.
    """
    guards = np.linspace(1e-9, 0.5, 400) * priced.whole  # nothing is left beyond the middle
    if not (np.isfinite(priced.zone.lower) and np.isfinite(priced.zone.upper)):
        guards = guards * (1.0 + 16.0 * priced.sd / priced.whole)
    refused = good_parts_refused(
        priced.zone,
        guards,
        process_mean=priced.mean,
        process_sd=priced.sd,
        grr_sd=guards / factor,
    )
    return guards, 100.0 * refused


def _decides(chances: pd.DataFrame) -> float:
    return float(1.0 - chances[Decision.NOT_DECIDED.name.lower()].mean())


def compare_designs(
    readings: int,
    *,
    most_operators: int = 12,
    most_parts: int = 50,
    operators_are: str | int = "random",
    good_gauge: float = GOOD_GAUGE,
    bad_gauge: float = BAD_GAUGE,
    shares: tuple[float, float, float] = (0.6, 0.3, 0.1),
    rules: Rules | None = None,
    studies: int = 1000,
    seed: int = SEED,
    progress: bool = True,
) -> DesignComparison:
    """Compare all designs that fit a number of readings, the most deciding first.

    Parameters
    ----------
    readings : int
        How many readings there is time for.
    most_operators, most_parts : int
        How many of each there are.
    good_gauge, bad_gauge : float
        What a good and a bad gauge truly take of the tolerance, in percent.
    operators_are, shares, rules, studies, seed
        As for `grr.expected_precision`.
    progress : bool
        Whether to show a progress bar.

    Returns
    -------
    DesignComparison

    Raises
    ------
    StudyError
        No design fits, or a setting cannot be used.

    Examples
    --------
    >>> designs = grr.compare_designs(30, most_operators=3)
    >>> designs.to_frame()[["parts", "operators", "trials"]]
       parts  operators  trials
    0      5          3       2
    """
    from tqdm import tqdm

    question = PlanningQuestion(good_gauge, bad_gauge, Rules() if rules is None else rules)
    split = _shares(shares)
    designs = designs_within(
        readings,
        most_operators=most_operators,
        most_parts=most_parts,
        operators_are=operators_are,
    )
    rows = []
    for design in tqdm(
        designs, unit=" designs", desc="Simulating", leave=False, disable=not progress
    ):
        found = tabulated_precision(
            design, split, confidence=question.rules.confidence, studies=studies, seed=seed
        )
        good, bad = question.assurances(found)
        rows.append(
            {
                "parts": design.parts,
                "operators": design.operators,
                "trials": design.trials,
                "readings": design.readings,
                "good_shown_good": good,
                "bad_shown_bad": bad,
                "decides": 0.5 * (good + bad),
                "width": found.width,
            }
        )
    table = pd.DataFrame(rows).sort_values(
        ["decides", "width", "readings"], ascending=[False, True, True], ignore_index=True
    )
    return DesignComparison(table, int(readings), question, operators_are, split, studies)


def _shares(shares: object) -> Shares:
    if not isinstance(shares, (tuple, list)) or len(shares) != 3:
        raise StudyError(
            "The shares are not three numbers",
            "Give the shares of EV, AV and INT, such as (0.6, 0.3, 0.1)",
            value=shares,
        )
    return Shares(*shares)


#: How many designs are printed.
SHOWN = 10
KNOWN_WHOLE = (
    "The percentages are of a tolerance with two limits, or of a process sd known from records."
)
BETTER = "If others measure too: designs that decide more often, or as often with fewer readings"
ONE_LIMIT = (
    "For a tolerance with one limit the distance from it to the process mean is taken as known; "
    "the doubt about it makes a study decide less often."
)


def _who(operators_are: str | int) -> str:
    if operators_are == "fixed":
        return "all who will ever measure"
    if isinstance(operators_are, int):
        return f"some of the {operators_are} people who will ever measure"
    return "a sample of those who will measure"


def _answer_in_words(found: ExpectedPrecision, who: str | int) -> str:
    count = found.design.operators
    of_twenty = f"{round(20 * found.decides(who))} of 20 such studies decide"
    if count == 1:
        return f"It holds for that person only: {of_twenty}"
    if who in ("fixed", count):
        return f"If these {count} are all who will ever measure: {of_twenty}"
    return f"If others measure too, and these {count} are {_who(who)}: {of_twenty}"


_WORDS = {
    Decision.USE: "USE",
    Decision.LIKE_THIS: "LIKE THIS",
    Decision.WITH_LIMITS: "LIMITS",
    Decision.DO_NOT_USE: "DO NOT USE",
    Decision.NOT_DECIDED: "NOT DECIDED",
}


def _closing(found: ExpectedPrecision) -> list[str]:
    design = found.design
    lines = [
        "“Decide” is the mean over gauges that truly take "
        f"{listed([f'{p:g}' for p in TRUE_PERCENTS])} %. Hardly any study decides about a gauge "
        "that lies right at a limit.",
    ]
    if design.operators > 1 and people_who_measure(design.operators_are, design.operators) > (
        design.operators
    ):
        lines.append(
            "Where others will measure too only the number of people counts; more parts or trials "
            "hardly help. The others are taken to be like those who measure."
        )
    if design.parts <= 5:
        lines.append(PRICE_OF_FIVE)
    if found.purpose == "control":
        lines.append("Judged for controlling a process, by percent of the total variation.")
    else:
        lines.append(ONE_LIMIT)
    if design.operators > 1:
        lines.append(_assumed(found.shares))
    if found.parts_priced:
        lines.append(
            "LIMITS is USE WITH LIMITS: acceptance limits that refuse few good parts, here of "
            f"{found.parts_priced}."
        )
    return lines


def _assumed(shares: Shares) -> str:
    return (
        f"Assumed: of the variance GRR {whole_percent(shares.repeatability)} is EV, "
        f"{whole_percent(shares.operator)} AV and {whole_percent(shares.interaction)} INT; "
        "give shares where you know better."
    )


#: Units that a new study may have: those that gauges show.
UNITS = ("mm", "µm", "in", "µin")


def refuse_two_as_a_sample(operators: int, operators_are: str | int) -> None:
    """Refuse a plan in which two people stand for no end of others.

    Simulated, such studies decide almost nothing whatever the parts and trials: 12 of 100
    show a gauge of 6 % good, 84 of 100 leave one of 15 % open.

    Raises
    ------
    StudyError
        Two operators as a sample.
    """
    if operators == 2 and operators_are == "random":
        raise StudyError(
            "Two people are too few to stand for others: such a study decides almost nothing",
            "Let more people measure, or say how many will ever measure",
            column="operators",
            value=operators,
        )


#: What is said of two gauges that stand for others: their difference is one degree of freedom.
TWO_GAUGES = "Two gauges are too few to stand for others: such a study hardly ever decides"


def refuse_joined_names(names: Sequence[str]) -> None:
    """Refuse a name that seems to be several: "Ravi; Lena; Tom" is not one person.

    Raises
    ------
    StudyError
        A comma, a semicolon or a stroke stands in a name.
    """
    for name in names:
        if any(mark in name for mark in ",;/|"):
            raise StudyError(
                "The name of an operator seems to hold several names",
                "Give each person a name of their own, without commas, semicolons and strokes",
                column="operators",
                value=name,
            )


def shop_unit(text: str) -> str:
    """Return the unit of a new study.

    Raises
    ------
    StudyError
        It is none that gauges show.
    """
    unit = canonical_unit(text)
    if unit not in UNITS:
        raise StudyError(
            "A new study is in a unit that gauges show", "Use mm, um, in or uin", value=text
        )
    return unit


def refuse_coarse(resolution: float | None, tolerance: Tolerance | None, unit: str) -> None:
    """Refuse a gauge whose last digit is as wide as the tolerance: it cannot judge a part.

    Raises
    ------
    StudyError
        It is.
    """
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution >= width * (1 - 1e-9):
        raise StudyError(
            f"The gauge's last digit, {length(resolution, unit)}, is coarser than the tolerance, "
            f"{length(width, unit)}",
            "Correct the resolution or the limits, or use a finer gauge",
            value=resolution,
        )


def warnings_about(
    plan: Plan, resolution: float | None, tolerance: Tolerance | None, unit: str
) -> list[str]:
    """Return what a study will not be able to tell, planned like this.

    Notes
    -----
    Source of the tenth: AIAG MSA, 4th ed., chapter II (rule of tens; from memory).
    """
    found = []
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution > width / 10 * (1 + 1e-9):
        found.append(
            f"The gauge's last digit, {length(resolution, unit)}, is "
            f"{percent(100 * resolution / width)} of the tolerance; a tenth is the usual limit."
        )
    if plan.trials < 2:
        found.append(
            "Each part read once by each operator: repeatability and interaction cannot be told "
            "apart. Two or three readings can."
        )
    if len(plan.operators) < 2:
        found.append("One operator: differences between operators cannot be seen.")
    if len(plan.parts) < 5:
        found.append(f"Only {len(plan.parts)} parts: part variation will be poorly known.")
    return found


#: No vowels, so that no words appear, and no letters that are mistaken for digits.
_LETTERS = "CDFHJKLMNPRTVWXY"
_STREAM = 7


def part_codes(parts: Sequence[str], seed: int) -> dict[str, str]:
    """Return a code of letters for each part, drawn at random without repeats.

    Parameters
    ----------
    parts : sequence of str
    seed : int
        The same seed gives the same codes.
    """
    length = 2 if len(parts) <= len(_LETTERS) ** 2 // 2 else 3
    chosen = np.random.default_rng([seed, _STREAM]).permutation(len(_LETTERS) ** length)
    digits = chosen[:, None] // len(_LETTERS) ** np.arange(length) % len(_LETTERS)
    codes = np.array(list(_LETTERS))[digits]
    return {part: "".join(code) for part, code in zip(parts, codes.tolist(), strict=False)}
