"""`grr.compare_methods`: which of two ways of measuring to use, on what conditions, at what price?

`recommend` holds the rules, which are this project's own; how often they name the right method
is simulated in tests/coverage. Sources of what they rest on: Schuirmann (1987, equivalence);
Berger, Technometrics 24 (1982), 295-300 (intersection-union tests); and those of
`grr.questions.method_differences`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING, Literal, cast

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from grr.formulas.conformity import Risks, global_risks
from grr.formulas.improvement import MOST_READINGS, Change, grr_after
from grr.formulas.method_comparison import (
    MethodEvidence,
    choice_confidence,
    confidence_over,
    method_choice,
    p_inside_margin,
    p_outside_margin,
)
from grr.formulas.second_look import confidence_of, rules_at_look
from grr.model.blocks import Banner, Block, Bullets, Fold, Heading, Prose, Table
from grr.model.choices import FIX_FIRST, WHOLE, Decision, OperatorsAre
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.names import LONGEST_NAME, begun, shortened
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import JOIN, MOST_PERCENT, counted, figures, length, listed, percent
from grr.model.study import Study, checked_study
from grr.model.values import number, one_of
from grr.questions.check import RUINED, check
from grr.questions.deciding import Criterion
from grr.questions.drift import DEFAULT_MARGIN_PERCENT, drift, stated_margin, zero_every
from grr.questions.gauge import GaugeResult, spread_text, tolerance_text
from grr.questions.improving import grr_variances, mean_that_reaches
from grr.questions.intervals import pivots_as_read, pivots_of, specification_of
from grr.questions.method_differences import (
    LONGEST_HEAD,
    MethodNumbers,
    WorstPoint,
    agreement_sentence,
    method_numbers,
    named_methods,
    operator_table,
    operators_sentence,
    ratio_sentence,
    time_sentence,
    without_drift,
)
from grr.questions.risk import circumstances
from grr.questions.verdict import (
    LOOKS as DECISION_LOOKS,
)
from grr.questions.verdict import (
    MOST_OPERATORS,
    bounded,
    conditions_of_use,
    criterion,
    decision_of,
    ratio_draws,
)

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

#: Whether the candidate may replace the baseline: it will do, the baseline is needed, neither
#: will do, it is open.
Choice = Literal["candidate", "baseline", "neither", "open"]


class Recommendation(StrEnum):
    """Which of two methods to use; the codes are stable."""

    USE = "use"
    EITHER = "either"
    ONLY_IF = "only if"
    NEITHER = "neither"
    CANT_TELL = "can't tell yet"


#: What each recommendation looks like: a mark beside the words, and a colour.
LOOKS: Mapping[Recommendation, tuple[str, str]] = {
    Recommendation.USE: ("●", "#00664a"),
    Recommendation.EITHER: ("◉", "#00664a"),
    Recommendation.ONLY_IF: ("◐", "#00527a"),
    Recommendation.NEITHER: ("✖", "#a63d00"),
    Recommendation.CANT_TELL: ("○", "#57606a"),
}
#: A method is better where the other's error, at its worst, is larger by this factor at least.
BETTER_FROM = 1.5
#: So many findings to mend are told.
MOST_MENDED = 6
CAUTION = (
    "This comparison does not replace the drawing, the customer's requirements, the calibration "
    "of the gauge or the judgement of a competent person."
)


def compare_methods(
    study: Study,
    *,
    baseline: str | None = None,
    candidate: str | None = None,
    operators: OperatorsAre | None = None,
    margin_share: float | None = None,
    margin: float | None = None,
    level: float = 0.95,
) -> MethodComparison:
    """Recommend one of two ways of measuring, compared on the same parts by the same operators.

    Weighed are the error of each at the worst point of a session, drift included; whether it
    is surely under the limit of acceptance; the mean difference between the two, as zeroed,
    against the margin; and the time a reading takes. See `recommend` for the rules.

    Parameters
    ----------
    study : Study
        With a column ``method``.
    baseline, candidate : str, optional
        Names of the methods; with two methods one of them is enough.
    operators : {"fixed", "random"}, optional
        These are all who will ever measure, or a sample of those who will. By default as the
        study says; fewer than three count as all, since they cannot stand for others.
    margin_share : float, optional
        How far the methods may differ on average, as a share of the tolerance. By default
        what the study states (``difference_margin_percent`` among its facts), or 0.05.
    margin : float, optional
        The same as a length, in the unit of the study.
    level : float
        Confidence of the two-sided intervals.

    Returns
    -------
    MethodComparison

    Raises
    ------
    StudyError
        One method only, a method measured by other operators or on other parts, a
        combination never measured, fewer than three parts, or fewer than three operators
        where they are a sample.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 5.4 and 13.3 (three
    factors, mixed model); Schuirmann (1987, equivalence); Bland & Altman (1986 and 1999,
    limits of agreement). The rule is this project's own; wrong decisions are simulated in
    tests/coverage.

    Examples
    --------
    >>> pins = grr.open_study("demo_data/pins_two_ways")
    >>> compared = grr.compare_methods(pins, baseline="stand", candidate="handheld")
    >>> compared.recommended
    'stand'
    """
    checked_study(study)
    level = number("level", level, above=0.5, below=1.0)
    allowed = margin_of(study, margin_share, margin)
    counted_as: OperatorsAre | int = study.operators if operators is None else operators
    if operators is None and len(study.operator_names) < 3 and not study.all_studied:
        counted_as = "fixed"
    if operators is not None:
        one_of("operators", operators, ("fixed", "random"))
    names = named_methods(study, baseline, candidate)
    return study.once(
        ("compare_methods", names, counted_as, allowed, level),
        lambda: _compared(study, names, counted_as, allowed, level),
    )


def _compared(
    study: Study,
    names: tuple[str, str],
    operators: OperatorsAre | int,
    margin: Margin | None,
    level: float,
) -> MethodComparison:
    numbers = method_numbers(study, *names, operators=operators, level=level)
    judgements = {name: judged(numbers.results[name], numbers.worst[name]) for name in names}
    evidence = method_evidence(numbers, judgements, margin)
    findings = check(study)
    to_mend = tuple(f"{f.place}: {f.todo}" for f in findings if f.severity == "mend")
    choice: Choice = "open"
    confidence = 0.0
    if evidence is not None and not to_mend:
        choice = cast("Choice", str(method_choice(evidence, study.rules.confidence)))
        confidence = float(choice_confidence(evidence, choice))
    bound = {name: condition_of(study, numbers, name) for name in names}
    conditions = {name: found for name, found in bound.items() if found is not None}
    case = method_case(numbers, evidence, conditions, settled=not to_mend)
    recommendation, recommended, reason = recommend(case)
    by_itself = {name: decision_of(study.for_method(name)) for name in names}
    return MethodComparison(
        numbers=numbers,
        judgements=MappingProxyType(judgements),
        margin=margin,
        evidence=evidence,
        case=case,
        recommendation=recommendation,
        recommended=recommended,
        reason=reason,
        conditions=MappingProxyType(conditions),
        choice=choice,
        confidence=confidence,
        risks=method_risks(numbers),
        to_mend=to_mend,
        look_first=findings.look_first,
        ruined=findings.ruined,
        by_itself=MappingProxyType(by_itself),
        as_stated=study.operators == operators or study.all_studied == (operators == "fixed"),
    )


# Which method: the rules, and what they look at.
# ------------------------------------------------

#: Whether a method is shown to hold the limit of acceptance, shown not to, or neither.
Fit = Literal["shown", "not", "open"]
#: Whether the mean difference of the methods is shown to be inside the margin, or beyond it.
Apart = Literal["inside", "beyond", "open"]
#: Why a method is recommended, or none.
Reason = Literal[
    "not judged",
    "better",
    "better but slower",
    "alike",
    "apart",
    "only one is shown",
    "neither holds the limit",
    "nothing is shown",
    "difference is open",
]


@dataclass(frozen=True)
class MethodCase:
    """All that the rules look at.

    Attributes
    ----------
    baseline, candidate : str
    settled : bool
        Whether the readings can be judged at all: a tolerance, a margin, nothing to mend.
    fit : dict
        Method → "shown" where `grr.verdict` lets it be used and its error is surely under the
        limit of acceptance at the worst point of a session too; "not" where the verdict is
        against it or the error is surely over; "open".
    better : str or None
        The method whose error at its worst is smaller, the other's being half as large
        again at least, and whose GRR or repeatability is smaller beyond chance.
    quicker : str or None
        The method whose readings take less time beyond chance.
    apart : {"inside", "beyond", "open"}
        The mean difference as zeroed, against the margin.
    mended : tuple of str
        The methods that their conditions would bring under the limit, as estimated, the one
        with the smallest error first.
    """

    baseline: str
    candidate: str
    settled: bool
    fit: Mapping[str, Fit]
    better: str | None
    quicker: str | None
    apart: Apart
    mended: tuple[str, ...]

    def other(self, method: str) -> str:
        """Return the method that is not this one."""
        return self.baseline if method == self.candidate else self.candidate


def recommend(case: MethodCase) -> tuple[Recommendation, str | None, Reason]:
    """Return which method to use, its name where it is one, and why.

    1. Readings that cannot be judged tell nothing.
    2. One method is better: use it, unless the other is quicker and both are shown to be good
       enough and to read alike: then either will do, and the quicker is recommended. Where
       even the better one fails the limit, use a method only on conditions, or neither.
    3. Neither is better, both are good enough: either will do if they read alike; if they do
       not, use the baseline, which the parts were judged by so far.
    4. One is shown to be good enough: use it.
    5. Both fail the limit: use a method only on conditions, or neither.
    6. Everything else can't be told yet.
    """
    if not case.settled:
        return Recommendation.CANT_TELL, None, "not judged"
    shown = [name for name in (case.baseline, case.candidate) if case.fit[name] == "shown"]
    neither: tuple[Recommendation, str | None, Reason]
    neither = (Recommendation.NEITHER, None, "neither holds the limit")
    if case.mended:
        neither = (Recommendation.ONLY_IF, case.mended[0], "neither holds the limit")
    if case.better is not None:
        if case.fit[case.better] == "not":
            return neither
        other = case.other(case.better)
        if other == case.quicker and len(shown) == 2 and case.apart == "inside":
            return Recommendation.EITHER, other, "better but slower"
        return Recommendation.USE, case.better, "better"
    if len(shown) == 2:
        if case.apart == "inside":
            return Recommendation.EITHER, case.quicker, "alike"
        if case.apart == "beyond":
            return Recommendation.USE, case.baseline, "apart"
        return Recommendation.CANT_TELL, None, "difference is open"
    if len(shown) == 1:
        return Recommendation.USE, shown[0], "only one is shown"
    if set(case.fit.values()) == {"not"}:
        return neither
    return Recommendation.CANT_TELL, None, "nothing is shown"


def method_case(
    numbers: MethodNumbers,
    evidence: MethodEvidence | None,
    conditions: Mapping[str, Condition],
    *,
    settled: bool,
) -> MethodCase:
    """Return what the rules look at."""
    base, candidate = numbers.methods
    zones = [numbers.worst[name].zone for name in (base, candidate)]
    better = None
    if min(zones) > 0.0 and max(zones) >= BETTER_FROM * min(zones):
        # What the operators differ by, they differ by under both: with few of them it blurs the
        # ratio of the GRRs, and not which of the two repeats better.
        both = (numbers.worst_ratio, numbers.ev_ratio)
        better = base if zones[0] < zones[1] and any(one.lower > 1.0 for one in both) else None
        if zones[1] < zones[0] and any(one.upper < 1.0 for one in both):
            better = candidate
    fit: dict[str, Fit] = {base: "open", candidate: "open"}
    apart: Apart = "open"
    if evidence is not None:
        sure = numbers.study.rules.confidence
        at_limit = (
            (evidence.baseline_under, evidence.baseline_over),
            (evidence.candidate_under, evidence.candidate_over),
        )
        for name, (under, over) in zip(numbers.methods, at_limit, strict=True):
            decision = decision_of(numbers.results[name].study)
            if decision is Decision.DO_NOT_USE or float(over) >= sure:
                fit[name] = "not"
            elif decision is not Decision.NOT_DECIDED and float(under) >= sure:
                fit[name] = "shown"
        if float(evidence.difference_within) >= sure:
            apart = "inside"
        elif float(evidence.difference_beyond) >= sure:
            apart = "beyond"
    mended = [name for name, found in conditions.items() if found.enough]
    return MethodCase(
        baseline=base,
        candidate=candidate,
        settled=settled and evidence is not None,
        fit=MappingProxyType(fit),
        better=better,
        quicker=numbers.quicker,
        apart=apart,
        mended=tuple(sorted(mended, key=lambda name: conditions[name].share)),
    )


def compare_with_baseline(study: Study, baseline: str | None = None) -> list[MethodComparison]:
    """Return the comparison of every other method with the baseline.

    The baseline is the first method of the plan, where none is named.
    """
    planned = () if study.plan is None else study.plan.methods
    base = baseline or next(name for name in (*planned, *study.methods) if name in study.methods)
    others = [name for name in study.methods if name != base]
    return [compare_methods(study, baseline=base, candidate=name) for name in others]


def recommended_of(comparisons: Sequence[MethodComparison]) -> str | None:
    """Return the method to use of all that were compared with one baseline; None if none is.

    Of several that are recommended instead of the baseline it is the one with the smallest
    error at the worst point of a session.
    """
    instead = [c for c in comparisons if c.recommended == c.numbers.candidate]
    if instead:
        best = min(instead, key=lambda c: c.numbers.worst[c.numbers.candidate].zone)
        return best.recommended
    found = {c.recommended for c in comparisons}
    return found.pop() if len(found) == 1 else None


@dataclass(frozen=True, eq=False, repr=False)
class MethodComparison(Printed):
    """Which of two methods to use, and what that rests on.

    Attributes
    ----------
    numbers : MethodNumbers
        Every figure: ``numbers.results``, ``numbers.difference``, ``numbers.agreement``,
        ``numbers.by_operator``, ``numbers.by_part``, ``numbers.anova_table``, …
    judgements : dict
        Method → MethodJudgement.
    margin : Margin or None
    evidence : MethodEvidence or None
        How sure each statement is; None where something to judge by is missing.
    case : MethodCase
        What the rules look at.
    recommendation : Recommendation
        "use", "either", "only if", "neither" or "can't tell yet".
    recommended : str or None
        The method; None where it is neither, or not one of the two.
    reason : str
        Why: a stable code.
    conditions : dict
        Method → Condition: what binds it. A method that needs nothing is not in it.
    choice : {"candidate", "baseline", "neither", "open"}
        Whether the candidate is shown to be good enough to replace the baseline.
    confidence : float
        How sure that is, 0 to 1; that of the surest statement where it is open.
    risks : MethodRisks
    to_mend : tuple of str
        What must be settled first: readings with something to mend decide nothing.
    look_first : tuple of str
        The one or two readings or facts to look at first.
    ruined : bool
        Whether readings themselves are wrong: what is calculated from them is not printed.
    by_itself : dict
        Method → what `grr.verdict` says of it, the operators counted as the study states.
    as_stated : bool
        Whether the comparison counts the operators so too.

    Examples
    --------
    >>> pins = grr.open_study("demo_data/pins_two_ways")
    >>> grr.compare_methods(pins, baseline="stand", candidate="handheld")
    MethodComparison(USE STAND)
    """

    numbers: MethodNumbers
    judgements: Mapping[str, MethodJudgement]
    margin: Margin | None
    evidence: MethodEvidence | None
    case: MethodCase
    recommendation: Recommendation
    recommended: str | None
    reason: Reason
    conditions: Mapping[str, Condition]
    choice: Choice
    confidence: float
    risks: MethodRisks
    to_mend: tuple[str, ...] = ()
    look_first: tuple[str, ...] = ()
    ruined: bool = False
    by_itself: Mapping[str, Decision] = field(default_factory=dict)
    as_stated: bool = True

    @property
    def look(self) -> tuple[str, str]:
        """What the answer looks like: a mark beside the words, and a colour."""
        return DECISION_LOOKS[FIX_FIRST] if self.to_mend else LOOKS[self.recommendation]

    @property
    def headline(self) -> str:
        """The recommendation with the names of the methods."""
        if self.to_mend:
            return begun(FIX_FIRST.lower())
        name, kinds = "", Recommendation
        if self.recommended:
            name = shortened(self.recommended, LONGEST_NAME)
        either = f"Either will do; {name} is quicker" if name else "Either will do"
        condition = self.conditions.get(self.recommended or "")
        return {
            kinds.USE: f"Use {name}",
            kinds.EITHER: either,
            kinds.ONLY_IF: f"{begun(name)} only if {'' if condition is None else condition.words}",
            kinds.NEITHER: "Use neither for this tolerance",
            kinds.CANT_TELL: "Can't tell yet",
        }[self.recommendation]

    @property
    def answer(self) -> str:
        """Why, in one or two sentences: what the other method takes, costs or saves."""
        return _answer(self)

    @property
    def price(self) -> Estimate:
        """What the method with the larger error costs: so much more of the tolerance, as a length.

        At the worst point of a session, drift included. `costly` is that method.
        """
        found = self.numbers.price
        if self.costly == self.numbers.candidate:
            return found
        return Estimate(-found.value, -found.upper, -found.lower, found.unit, found.why)

    @property
    def costly(self) -> str:
        """The method whose error is larger at the worst point of a session."""
        return self.numbers.baseline if self.numbers.price.value < 0.0 else self.numbers.candidate

    @property
    def readings_to_tell(self) -> int | None:
        """About how many readings by both methods together would tell; None where none need be.

        Also None where no practicable number would.
        """
        return _readings_to_tell(self)

    @property
    def otherwise(self) -> MethodComparison | None:
        """The comparison with the operators counted the other way, where it recommends otherwise.

        None where it recommends the same, or cannot be made.
        """
        study = self.study
        if self.to_mend or len(study.operator_names) < 3:
            return None
        words: OperatorsAre = "random" if study.all_studied else "fixed"
        margin = self.margin
        other = study.once(
            ("compare_methods otherwise", self.numbers.methods, margin, self.numbers.level),
            lambda: _compared(study, self.numbers.methods, words, margin, self.numbers.level),
        )
        same = (other.recommendation, other.recommended) == (self.recommendation, self.recommended)
        return None if same else other

    @property
    def study(self) -> Study:
        """The study compared, with the operators as they are counted."""
        return self.numbers.study

    def plot(self) -> Figure:
        """Return the figure of `grr.show.method_rulers`."""
        from grr.show import method_rulers

        return method_rulers(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a method: sds and shares with limits, risks, seconds a reading."""
        rows = {}
        for name in self.numbers.methods:
            result, found = self.numbers.results[name], self.judgements[name]
            row: dict[str, float | bool | None] = {
                f"{quantity}_sd": result.value(quantity, "sd") for quantity in ("EV", "AV", "GRR")
            }
            for column, one in (("percent", found.criterion), ("percent_worst", found.at_worst)):
                row[column] = None if one is None else one.value
                row[f"{column}_lower"] = None if one is None else one.lower
                row[f"{column}_upper"] = None if one is None else one.upper
            known = bool(self.risks.by_method)
            row["misjudged_per_thousand"] = self.risks.misjudged(name) if known else None
            row["seconds_per_reading"] = self.numbers.seconds.get(name)
            row["recommended"] = name == self.recommended
            rows[name] = row
        table = pd.DataFrame.from_dict(rows, orient="index")
        table.index.name = "method"
        return table

    def blocks(self) -> list[Block]:
        """Return the recommendation, the numbers, what they rest on, what it costs, what next."""
        mark, colour = self.look
        study, numbers = self.study, self.numbers
        opening = [
            *([EXAMPLE] if study.example else []),
            study.summary,
            f"Tolerance: {tolerance_text(study)}. Baseline: {numbers.baseline}; candidate: "
            f"{numbers.candidate}.",
        ]
        blocks: list[Block] = [
            Banner(mark, self.headline.upper(), colour, self.answer),
            Prose(opening),
            RUINED if self.ruined else _method_table(self),
        ]
        held = bool(self.to_mend)
        for title, sentences in [
            ("Look at this first", list(self.look_first)),
            ("What it costs", [] if held else _cost_sentences(self)),
            *what_next(self),
            ("Why", [] if held else _reasons(self)),
        ]:
            if sentences:
                blocks += [Heading(title), Bullets(sentences)]
        if self.ruined:
            return [*blocks, Prose([CAUTION])]
        blocks.append(Fold("Each operator's own difference", [operator_table(numbers)]))
        table = numbers.anova_table
        if table is not None:
            blocks.append(Fold("Analysis of variance", table.blocks(), brief=True))
        return [*blocks, Prose([CAUTION])]


@dataclass(frozen=True)
class Margin:
    """How far the methods may differ on average.

    Attributes
    ----------
    length : float
        In the unit of the study.
    share : float
        Of the tolerance; NaN where there is no two-sided one.
    stated : {"in the study", "when comparing", "by default"}
        Where it comes from.
    """

    length: float
    share: float
    stated: Literal["in the study", "when comparing", "by default"]


@dataclass(frozen=True)
class MethodJudgement:
    """What a method is judged by, and how sure it is.

    Attributes
    ----------
    criterion : Criterion or None
        GRR's share with one-sided bounds, as `grr.verdict` says it; None where there is
        nothing to judge by.
    at_worst : Criterion or None
        The same at the worst point of a session, drift included.
    over : float
        Confidence that it is over the limit at its worst, the doubt counted twice.
    reason : str
        Why there is no criterion.
    """

    criterion: Criterion | None
    at_worst: Criterion | None
    over: float
    reason: str


def margin_of(study: Study, margin_share: float | None, margin: float | None) -> Margin | None:
    """Return the margin: as given, as the study states it, or 5 % of the tolerance.

    None where nothing is stated and the tolerance has one limit or none.

    Raises
    ------
    StudyError
        A value that cannot be used, or a share of a tolerance that has no width.
    """
    width = None if study.tolerance is None else study.tolerance.width
    if margin is not None:
        length = number("margin", margin, above=0.0)
        return Margin(length, math.nan if width is None else length / width, "when comparing")
    stated: Literal["in the study", "when comparing", "by default"] = "when comparing"
    share = margin_share
    if share is None and (in_study := stated_margin(study)) is not None:
        stated, share = "in the study", in_study
    if width is None:
        if margin_share is None:
            return None
        raise StudyError(
            "A margin as a share of the tolerance needs a lower and an upper limit",
            "Give margin= as a length, in the unit of the study",
            value=margin_share,
        )
    if share is None:
        stated, share = "by default", DEFAULT_MARGIN_PERCENT / 100.0
    share = number("margin_share", share, above=0.0, below=1.0)
    return Margin(share * width, share, stated)


def judged(result: GaugeResult, worst: WorstPoint) -> MethodJudgement:
    """Return how one method's GRR stands against the limit of acceptance."""
    study = result.study
    measure = study.judged_by
    value = result.value("GRR", measure)
    if math.isnan(value):
        why = result.reasons.get(measure, "GRR was not estimated")
        return MethodJudgement(None, None, 0.0, why)
    try:
        found = at_worst = criterion(result)
    except StudyError as error:
        return MethodJudgement(None, None, 0.0, error.problem)
    specification, rules = specification_of(result), rules_at_look(study)
    draws, read = (
        ratio_draws(pivots, specification, study.purpose)
        for pivots in (pivots_of(result), pivots_as_read(result))
    )
    if study.purpose == "accept" and worst.drift > 0.0:
        to_length = study.rules.spread * result.value("GRR", "sd") / value
        draws, read = (worst.reached(of * to_length) / to_length for of in (draws, read))
        at_worst = bounded(worst.zone / to_length, draws, read, rules, study.purpose)
    over = float(confidence_over(draws, found.limit))
    return MethodJudgement(found, at_worst, over, "")


def method_evidence(
    numbers: MethodNumbers, judgements: Mapping[str, MethodJudgement], margin: Margin | None
) -> MethodEvidence | None:
    """Return what the choice rests on; None where something to judge by is missing."""
    baseline, candidate = (judgements[name] for name in numbers.methods)
    if baseline.at_worst is None or candidate.at_worst is None or margin is None:
        return None
    found = numbers.at_start
    test = (found.mean, found.error, found.df, margin.length)
    return MethodEvidence(
        candidate_under=np.asarray(candidate.at_worst.below_limit),
        candidate_over=np.asarray(candidate.over),
        baseline_under=np.asarray(baseline.at_worst.below_limit),
        baseline_over=np.asarray(baseline.over),
        difference_within=1.0 - p_outside_margin(*test),
        difference_beyond=1.0 - p_inside_margin(*test),
    )


@dataclass(frozen=True)
class MethodRisks:
    """Parts misjudged by either method, as estimated.

    Attributes
    ----------
    by_method : dict
        Method → Risks; empty where the process is not known.
    reason : str
        Why not.
    """

    by_method: Mapping[str, Risks]
    reason: str

    def bad_accepted(self, method: str) -> float:
        """Return how many of a thousand parts are bad and accepted."""
        return 1000.0 * float(self.by_method[method].bad_accepted)

    def misjudged(self, method: str) -> float:
        """Return how many of a thousand parts are bad and accepted, or good and rejected."""
        return self.bad_accepted(method) + 1000.0 * float(self.by_method[method].good_rejected)


def method_risks(numbers: MethodNumbers) -> MethodRisks:
    """Return the risks of both methods for the process as the baseline sees it.

    The candidate's mean difference from the baseline counts as its bias. Estimates only;
    `grr.misclassification` gives the intervals of one method's.
    """
    biases = {numbers.baseline: 0.0, numbers.candidate: float(numbers.difference.mean)}
    try:
        known = circumstances(numbers.results[numbers.baseline])
        if known.process is None:
            return MethodRisks(MappingProxyType({}), known.no_process)
        found = {
            name: global_risks(
                known.zone,
                process_mean=known.process.mean,
                process_sd=known.process.sd,
                grr_sd=numbers.results[name].value("GRR", "sd"),
                bias=bias,
            )
            for name, bias in biases.items()
        }
    except StudyError as error:
        return MethodRisks(MappingProxyType({}), error.reason)
    return MethodRisks(MappingProxyType(found), "")


@dataclass(frozen=True)
class Condition:
    """What binds a method, and what it would take then.

    Attributes
    ----------
    method : str
    zero_every : str
        How often to zero, as `grr.drift` says it: "every 11 min"; "" where once a session does.
    readings : int
        How many readings to average; 1 for a single one.
    share : float
        Predicted error at the worst point, in percent of what the study is judged by; an
        estimate, not a bound.
    enough : bool
        Whether that is under the limit of acceptance.
    """

    method: str
    zero_every: str
    readings: int
    share: float
    enough: bool

    @property
    def words(self) -> str:
        """The conditions, as the rest of "only if"."""
        words = [f"zeroed {self.zero_every}"] if self.zero_every else []
        if self.readings > 1:
            words.append(f"the mean of {self.readings} readings is taken")
        return " and ".join(words)


def condition_of(study: Study, numbers: MethodNumbers, method: str) -> Condition | None:
    """Return what a method needs: zeroing against its drift, and a mean of several readings.

    None where it holds the limit as it was used, or where nothing practicable helps. The
    interval of zeroing is that of `grr.drift`; what may drift within it stays in the error.
    """
    result, worst = numbers.results[method], numbers.worst[method]
    measure = result.study.judged_by
    now, limit = result.value("GRR", measure), result.study.rules.limit_percent
    if not now > 0.0:
        return None
    spread = study.rules.spread
    to_share = now / (spread * result.value("GRR", "sd"))
    every = zero_every(study, method)
    source, left = grr_variances(result), worst.drift
    if every and numbers.drift is not None:
        source = without_drift(result, numbers.drift.methods[method])
        left = drift(study).re_zero[method].allowed

    def share(readings: int) -> float:
        after = float(grr_after(source, Change(readings=readings)))
        if worst.drift == 0.0:
            return to_share * spread * math.sqrt(after)
        return to_share * (spread * math.sqrt(after) + left)

    readings = next((n for n in range(1, MOST_READINGS + 1) if share(n) <= limit), 1)
    if readings > 1 and not every and worst.drift == 0.0:  # as many as the verdict advises
        shown = mean_that_reaches(result, limit)
        readings = readings if shown is None else shown[0]
    if not every and readings == 1:
        return None
    return Condition(method, every, readings, share(readings), share(readings) <= limit)


def _method_table(found: MethodComparison) -> Table:
    numbers, unit, names = found.numbers, found.study.unit, found.numbers.methods
    results = [numbers.results[name] for name in names]
    rows = []
    for label, quantity, ratio in (
        ("repeatability EV", "EV", numbers.ev_ratio),
        ("reproducibility AV", "AV", None),
        ("GRR", "GRR", numbers.grr_ratio),
    ):
        sds = [result.value(quantity, "sd") for result in results]
        shown = [
            "not estimated" if math.isnan(sd) else spread_text(result, sd, sds=1.0)
            for result, sd in zip(results, sds, strict=True)
        ]
        known = ratio is not None and ratio.known and sds[0] > 0.0
        rows.append([f"{label} (sd)", *shown, f"× {figures(sds[1] / sds[0])}" if known else ""])
    criteria = [c for name in names if (c := found.judgements[name].criterion) is not None]
    if len(criteria) == 2:
        rows.append([f"GRR {criteria[0].name}", *(percent(c.value) for c in criteria), ""])
    if any(point.drift > 0.0 for point in numbers.worst.values()):
        drifts = [length(numbers.worst[name].drift, unit) for name in names]
        worst = [found.judgements[name].at_worst for name in names]
        shown = ["—" if one is None else percent(one.value) for one in worst]
        ratio = numbers.worst_ratio
        rows.append(["drift within a session", *drifts, ""])
        rows.append(["at its worst, drift in", *shown, f"× {ratio}" if ratio.known else ""])
    if found.risks.by_method:
        per, of = _out_of(found.risks)
        misjudged = [figures(per * found.risks.misjudged(name)) for name in names]
        rows.append([f"misjudged in {of} parts", *misjudged, ""])
    if len(numbers.seconds) >= 2:
        times = [numbers.seconds.get(name, math.nan) for name in names]
        shown = ["—" if math.isnan(s) else f"{s:.1f}{JOIN}s" for s in times]
        rows.append(["time for a reading", *shown, ""])
    return Table(["", *(shortened(name, LONGEST_HEAD) for name in names), "ratio"], rows)


def _reasons(found: MethodComparison) -> list[str]:
    """Return what the recommendation rests on."""
    numbers, (base, candidate) = found.numbers, found.numbers.methods
    lines = [_share_sentence(numbers, found.judgements)]
    if all(one.criterion is not None for one in found.judgements.values()):
        words = [f"{name} {decision}" for name, decision in found.by_itself.items()]
        counted_as = "" if found.as_stated else ", the operators counted as the study states"
        lines.append(f"Each judged by itself{counted_as}: {listed(words)}.")
    asked = f"{100 * found.study.rules.confidence:g}{JOIN}%"
    if found.choice == "open" and found.case.fit[candidate] == "not":
        lines.append(f"{begun(candidate)} does not replace {base}: by itself it fails the limit.")
    elif found.choice == "open":
        lines.append(
            f"Whether {candidate} is good enough to replace {base} is not shown with {asked} "
            "confidence."
        )
    else:
        sure = 100 * found.confidence
        shown = f"over 99.9{JOIN}%" if sure > 99.9 else f"{sure:.1f}{JOIN}%"
        words_of = {
            "candidate": f"{begun(candidate)} is good enough to replace {base}",
            "baseline": f"{begun(candidate)} is not good enough to replace {base}",
            "neither": f"Neither {base} nor {candidate} is good enough",
        }
        lines.append(
            f"{words_of[found.choice]}: confidence {shown} (at least {asked} is required)."
        )
    return [
        *lines,
        _difference_sentence(numbers, found.margin, found.case.apart),
        ratio_sentence(numbers),
        agreement_sentence(numbers),
    ]


def what_next(found: MethodComparison) -> list[tuple[str, list[str]]]:
    """Return titles and sentences: on which conditions each method, or what would tell."""
    if found.to_mend:
        return [("What to do next", list(found.to_mend[:MOST_MENDED]))]
    parts = []
    kinds = Recommendation
    if found.recommendation is kinds.CANT_TELL:
        parts.append(("What would tell", _open_sentences(found)))
    if found.recommendation is kinds.NEITHER:
        reduce = "Reduce what dominates first: grr.compare_operators and grr.drift say what."
        parts.append(("What to do next", [reduce]))
    names = [name for name in found.numbers.methods if name != found.recommended]
    if found.recommended is not None:
        title = f"{begun(shortened(found.recommended, LONGEST_NAME))}: conditions"
        own = found.conditions.get(found.recommended)
        lines = [] if own is None else [f"Only if {_only_if(found, found.recommended)}"]
        study = found.numbers.results[found.recommended].study
        zeroing = own is None or not own.zero_every  # else it is told already
        watch = "Watch the gauge with a check standard, measured by the same method."
        parts.append((title, [*lines, *conditions_of_use(study, zeroing=zeroing), watch]))
    if found.case.apart == "beyond":
        candidate = found.numbers.candidate
        correct = (
            f"A constant mean difference can be corrected: zero the gauge as {candidate} holds it, "
            "on a master of the part's size, and compare again."
        )
        parts.append(("To make both read alike", [correct]))
    parts += [
        (f"{begun(shortened(name, LONGEST_NAME))} only if", [_only_if(found, name)])
        for name in names
        if name in found.conditions
    ]
    open_ends, other = [], found.otherwise
    if other is not None:
        whom = "a sample of those who will measure" if found.study.all_studied else "all who will"
        then = f"{other.headline[0].lower()}{other.headline[1:]}"
        open_ends.append(f"If these operators were {whom}: {then}.")
    if found.numbers.no_drift:
        open_ends.append(f"Whether drift plays a part is not known: {found.numbers.no_drift}.")
    return [*parts, ("What this takes as given", [operators_sentence(found.numbers), *open_ends])]


def _only_if(found: MethodComparison, method: str) -> str:
    """Return a condition, and what the method would take then, as the rest of "only if"."""
    condition, seconds = found.conditions[method], found.numbers.seconds.get(method)
    of = WHOLE[found.study.judged_by]
    text = f"{condition.words}: it then takes about {percent(condition.share)} of {of}"
    if condition.readings > 1 and seconds is not None:
        text += f", and {condition.readings * seconds:.0f}{JOIN}s a part"
    return f"{text}{'' if condition.enough else ', which is not enough'}."


def _answer(found: MethodComparison) -> str:
    """Return why, in the order: error, good enough, time."""
    numbers, case = found.numbers, found.case
    if found.to_mend:
        return (
            f"{counted(len(found.to_mend), 'finding')} must be settled before the methods can be "
            "compared; see grr.check."
        )
    if found.reason == "not judged":
        return "There is nothing to judge by."
    base, candidate = (shortened(name, LONGEST_NAME) for name in numbers.methods)
    both = f"{begun(base)} and {candidate} are good enough"
    good = [name for name in numbers.methods if case.fit[name] == "shown"]
    enough = "Neither is shown to be good enough."
    if len(good) == 2:
        enough = "Both are good enough."
    elif good:
        left = case.other(good[0])
        is_not = "as it was used, is not" if case.fit[left] == "not" else "is not shown to be"
        of_one, of_other = (shortened(name, LONGEST_NAME) for name in (good[0], left))
        enough = f"{begun(of_one)} is good enough; {of_other}, {is_not}."
        enough = enough.replace(", is not shown", " is not shown")
    more, apart = _more_sentence(found), numbers.mean_difference
    alike = f"{both}, and read alike."
    if apart.lower * apart.upper > 0.0:  # no chance, but it does not matter here
        size = length(abs(apart.value), apart.unit)
        alike = f"{both}; on average they read {size} apart, which the margin allows."
    sentences: dict[Reason, list[str]] = {
        "better": [more, enough],
        "better but slower": [more, enough],
        "alike": [alike, more],
        "apart": [f"{both}, but read apart: which of them is right, only a master tells.", more],
        "only one is shown": [enough, more],
        "neither holds the limit": ["As it was used neither holds the limit.", more],
        "nothing is shown": ["Neither is shown to hold the limit, or to fail it."],
        "difference is open": [f"{both}; whether they read alike is open."],
    }
    return " ".join(sentence for sentence in sentences[found.reason] if sentence)


def _more_sentence(found: MethodComparison) -> str:
    """Return what the method with the larger error takes, and saves; "" where not known."""
    numbers, costly = found.numbers, found.costly
    if not numbers.worst_ratio.known and found.case.better is None:
        return ""
    least, most = sorted(point.zone for point in numbers.worst.values())
    times = most / least
    of = WHOLE[found.study.judged_by]
    drifts = ", drift included" if numbers.worst[costly].drift > 0.0 else ""
    name, other = (shortened(m, LONGEST_NAME) for m in (costly, found.case.other(costly)))
    text = f"{begun(name)} takes {figures(times)} times as much of {of} as {other}{drifts}"
    if found.case.better is None:
        text = f"What they take of {of} differs by no more than chance may explain"
    if numbers.no_seconds:
        return f"{text}."
    if numbers.quicker is None:
        return f"{text}, and neither is quicker."
    base, candidate = (round(numbers.seconds[m], 1) for m in numbers.methods)
    apart = f"{abs(base - candidate):.1f}{JOIN}s a reading"
    if found.case.better is None:
        return f"{text}; {shortened(numbers.quicker, LONGEST_NAME)} saves {apart}."
    return f"{text}, and {'saves' if numbers.quicker == costly else 'costs'} {apart}."


def _share_sentence(numbers: MethodNumbers, judgements: Mapping[str, MethodJudgement]) -> str:
    """Return what either method's GRR takes, and how sure that is against the limit."""
    phrases, name, limit = [], "", math.nan
    for method in numbers.methods:
        found = judgements[method].criterion
        if found is None:
            return f"What {method} takes was not estimated: {judgements[method].reason}."
        name, limit = found.name, found.limit
        phrase = f"{percent(found.value)} by {method} ({_bound(found)})"
        worst = judgements[method].at_worst
        if worst is not None and worst.value > found.value:
            phrase += f", with drift {percent(worst.value)} ({_bound(worst)}),"
        phrases.append(phrase)
    upper = confidence_of(numbers.study)
    lower = 0.5 * (1.0 + upper)
    return (
        f"GRR takes {listed(phrases).rstrip(',')} {name}, upper bounds with {100 * upper:g}{JOIN}% "
        f"confidence and lower ones with {100 * lower:g}{JOIN}%; the limit is {limit:g}{JOIN}%."
    )


def _bound(found: Criterion) -> str:
    if found.upper <= found.limit:
        return f"under {percent(found.upper)}"
    if found.lower > found.limit:
        return f"over {percent(found.lower)}"
    upper = percent(found.upper) if found.upper < 1000 else "more than the whole"
    return f"between {percent(found.lower)} and {upper}"


def _difference_sentence(numbers: MethodNumbers, margin: Margin | None, apart: Apart) -> str:
    """Return the mean difference with its interval, and what it is against the margin."""
    found = numbers.mean_difference
    text = (
        f"{begun(numbers.candidate)} reads {length(abs(found.value), found.unit)} "
        f"{'lower' if found.value < 0 else 'higher'} than {numbers.baseline} on average "
        f"({100 * numbers.level:g}{JOIN}% interval {found:+l} to {found:+u})"
    )
    if margin is None:
        return text + "; no margin was stated to judge it by."
    shown = {
        "inside": "shown to be inside",
        "beyond": "shown to be outside",
        "open": "not shown to be inside or outside of",
    }[apart]
    low, high = (float(limit) for limit in numbers.at_start.limits(numbers.level))
    start = Estimate(float(numbers.at_start.mean), low, high, numbers.study.unit)
    if start.value != found.value:
        text += f"; without what drifts {start:+} ({start:+l} to {start:+u})"
    source = {
        "in the study": "stated in the study",
        "when comparing": "given for this comparison",
        "by default": "taken by default; state it in the study before the first reading",
    }[margin.stated]
    share = ""
    if not math.isnan(margin.share):
        share = f"{percent(100 * margin.share)} of the tolerance, "
    return (
        f"{text}: {shown} the margin of ±{length(margin.length, numbers.study.unit)} "
        f"({share}{source})."
    )


def _cost_sentences(found: MethodComparison) -> list[str]:
    """Return what the method with the larger error costs: tolerance, parts misjudged, time."""
    numbers, risks = found.numbers, found.risks
    lines = _price_sentence(found)
    if risks.by_method:
        per, of = _out_of(risks)
        phrases = [
            f"{figures(per * risks.misjudged(name))} by {name} "
            f"({figures(per * risks.bad_accepted(name))} of them bad and accepted)"
            for name in numbers.methods
        ]
        lines.append(
            f"Misjudged in {of} parts: {listed(phrases)}; the mean difference counts as the bias "
            f"of {numbers.candidate}."
        )
    elif risks.reason:
        lines.append(f"Parts misjudged: not estimated, {risks.reason}.")
    return [*lines, time_sentence(numbers)]


def _price_sentence(found: MethodComparison) -> list[str]:
    """Return how much more one method takes: in percentage points as they are shown, and in µm."""
    price, numbers = found.price, found.numbers
    name, other = found.costly, found.case.other(found.costly)
    costly, cheap = (found.judgements[method].at_worst for method in (name, other))
    if costly is None or cheap is None or not price.known:
        return []
    digits = 1 if costly.value < 99.95 else 0
    more = round(costly.value, digits) - round(cheap.value, digits)
    text = (
        f"{begun(name)} takes {more:.{digits}f} percentage points more {costly.name} than {other}"
    )
    if costly.value >= MOST_PERCENT or round(more, digits) <= 0.0:
        text = f"{begun(name)} takes about as much {costly.name} as {other}"
    interval = ""
    if price.bounded:
        interval = f" ({100 * numbers.level:g}{JOIN}% interval {price:+l} to {price:+u})"
    return [f"{text}: {price}{interval}."]


def _out_of(risks: MethodRisks) -> tuple[float, str]:
    """Return what turns parts misjudged in a thousand into a readable count, and of how many."""
    most = max(risks.misjudged(name) for name in risks.by_method)
    return (1.0, "1000") if most >= 1.0 else (1000.0, "a million")


#: More parts or people than this are not practicable.
MOST_PARTS = 60


def _open_sentences(found: MethodComparison) -> list[str]:
    """Return what keeps it open, and what would tell."""
    numbers, study = found.numbers, found.study
    if found.margin is None:
        return [
            "State how far the methods may differ: margin_share= with a tolerance of two limits, "
            "or margin= as a length."
        ]
    if found.evidence is None:
        reasons = [j.reason for j in found.judgements.values() if j.reason]
        return [f"There is nothing to judge by: {listed(reasons)}."]
    lines = [
        f"GRR of {name} is too near the limit to tell with these readings."
        for name in numbers.methods
        if found.case.fit[name] == "open"
    ]
    if found.case.apart == "open":
        lines.append("The mean difference is too near the margin to tell with these readings.")
    count = found.readings_to_tell
    if count is not None:
        more = "people" if study.operators == "random" else "parts"
        lines.append(
            f"About {count} readings by both methods together would tell, if all is as estimated: "
            f"{study.taken} were taken. Measure with more {more}."
        )
    else:
        lines.append("No practicable number of readings would tell: reduce what dominates first.")
    return lines


def _readings_to_tell(found: MethodComparison) -> int | None:
    """Return the readings by both methods that would tell, everything as estimated.

    Bounds draw near with the square root of the number of parts, and of people where they are
    a sample.
    """
    if found.recommendation is not Recommendation.CANT_TELL or found.evidence is None:
        return None
    study = found.study
    o, p = len(study.operator_names), len(study.parts)
    sampled = not study.all_studied
    now, most = (o, MOST_OPERATORS) if sampled else (p, MOST_PARTS)
    needed = float(now)
    for name in found.numbers.methods:
        if found.case.fit[name] == "open":
            needed = max(needed, now * _closer(found.judgements[name].at_worst))
    if found.case.apart == "open" and found.margin is not None:
        room = abs(found.margin.length - abs(float(found.numbers.at_start.mean)))
        reach = float(stdtrit(found.numbers.at_start.df, study.rules.confidence))
        reach *= float(found.numbers.at_start.error)
        needed = max(needed, now * (reach / room) ** 2 if room > 0.0 else math.inf)
    if not needed <= most:
        return None
    return math.ceil(study.taken * max(math.ceil(needed), now + 1) / now)


def _closer(found: Criterion | None) -> float:
    """Return by what factor the information must grow for the bound to pass the limit."""
    if found is None or not found.value > 0.0 or found.value == found.limit:
        return math.inf
    bound = found.upper if found.value < found.limit else found.lower
    if not bound > 0.0:
        return math.inf
    return (math.log(bound / found.value) / math.log(found.limit / found.value)) ** 2
