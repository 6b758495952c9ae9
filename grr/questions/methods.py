"""`grr.compare_methods`: is the candidate good enough, or is the baseline needed?

The rule is this project's own; wrong decisions are simulated in tests/coverage. Sources of
what it rests on: Schuirmann (1987, equivalence); Berger, Technometrics 24 (1982), 295-300
(intersection-union tests); and those of `grr.questions.method_differences`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType
from typing import Literal, cast

import numpy as np
import pandas as pd

from grr.formulas.conformity import Risks, global_risks
from grr.formulas.improvement import Change, GrrVariances, grr_after, readings_for
from grr.formulas.method_comparison import (
    MethodEvidence,
    choice_confidence,
    confidence_over,
    method_choice,
    p_inside_margin,
    p_outside_margin,
)
from grr.model.blocks import Banner, Block, Bullets, Fold, Heading, Prose, Table
from grr.model.choices import OperatorsAre
from grr.model.errors import StudyError
from grr.model.names import begun, shortened
from grr.model.printed import Printed
from grr.model.rounding import JOIN, MOST_PERCENT, counted, figures, length, listed, percent
from grr.model.study import Study, checked_study
from grr.model.values import number, one_of
from grr.questions.check import check
from grr.questions.drift import DriftNumbers, MethodDrift, drift_or_reason, duration, re_zero
from grr.questions.gauge import EXAMPLE, GaugeResult, tolerance_text
from grr.questions.intervals import pivots_of, specification_of
from grr.questions.method_differences import (
    LONGEST_HEAD,
    MethodNumbers,
    agreement_sentence,
    anova_table,
    method_numbers,
    named_methods,
    operator_table,
    operators_sentence,
    ratio_sentence,
    time_sentence,
)
from grr.questions.risk import circumstances
from grr.questions.verdict import Criterion, bounded, conditions_of_use, ratio_draws

#: Which method: the candidate will do, the baseline is needed, neither will do, it is open.
Choice = Literal["candidate", "baseline", "neither", "open"]
#: What each choice is called.
DECISIONS: Mapping[Choice, str] = {
    "candidate": "candidate is good enough for this tolerance",
    "baseline": "baseline is needed",
    "neither": "neither is good enough",
    "open": "can't tell yet",
}
#: What each choice looks like: a mark beside the words, and a colour.
LOOKS: Mapping[Choice, tuple[str, str]] = {
    "candidate": ("●", "#00664a"),
    "baseline": ("◐", "#00527a"),
    "neither": ("✖", "#a63d00"),
    "open": ("○", "#57606a"),
}
#: The margin where none is stated: percent of the tolerance.
DEFAULT_MARGIN_PERCENT = 5.0
#: Where a study folder states it before the first reading: a key of ``[facts]``.
MARGIN_FACT = "difference_margin_percent"
#: So many findings to mend are told.
MOST_MENDED = 6
#: Longest name in a headline.
LONGEST_NAME = 30
WITHOUT_DRIFT = "without drift, that is with gloves or an insulating grip"
CAUTION = (
    "This comparison does not replace the drawing, the customer's requirements, the calibration "
    "of the gauge or the judgement of a competent person."
)


def compare_methods(
    study: Study,
    *,
    baseline: str | None = None,
    candidate: str | None = None,
    operators: OperatorsAre = "fixed",
    margin_share: float | None = None,
    margin: float | None = None,
    level: float = 0.95,
) -> MethodComparison:
    """Compare two ways of measuring the same parts by the same operators.

    The candidate is good enough where its GRR is surely under the limit of acceptance and
    its mean difference from the baseline surely inside the margin; the baseline is needed
    where the candidate surely fails and the baseline surely holds the limit. Each decision
    is made wrongly with at most 1 − the study's confidence.

    Parameters
    ----------
    study : Study
        With a column ``method``.
    baseline, candidate : str, optional
        Names of the methods; with two methods one of them is enough.
    operators : {"fixed", "random"}
        These are all who will ever measure, or a sample of those who will.
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
    """
    checked_study(study)
    level = number("level", level, above=0.5, below=1.0)
    allowed = margin_of(study, margin_share, margin)
    one_of("operators", operators, ("fixed", "random"))
    names = named_methods(study, baseline, candidate)
    return study.once(
        ("compare_methods", names, operators, allowed, level),
        lambda: _compared(study, names, operators, allowed, level),
    )


def _compared(
    study: Study,
    names: tuple[str, str],
    operators: OperatorsAre,
    margin: Margin | None,
    level: float,
) -> MethodComparison:
    numbers = method_numbers(study, *names, operators=operators, level=level)
    judgements = {name: judged(numbers.results[name]) for name in numbers.methods}
    evidence = method_evidence(numbers, judgements, margin)
    choice: Choice = "open"
    confidence = 0.0
    to_mend = tuple(f"{f.place}: {f.todo}" for f in check(study) if f.severity == "mend")
    if evidence is not None and not to_mend:
        choice = cast("Choice", str(method_choice(evidence, study.rules.confidence)))
        confidence = float(choice_confidence(evidence, choice))
    limit = None if margin is None else margin.length
    found, no_drift = ((), "") if choice == "candidate" else remedies(study, numbers, margin=limit)
    return MethodComparison(
        numbers=numbers,
        judgements=MappingProxyType(judgements),
        margin=margin,
        evidence=evidence,
        choice=choice,
        confidence=confidence,
        risks=method_risks(numbers),
        remedies=found,
        no_drift=no_drift,
        to_mend=to_mend,
    )


def compare_with_baseline(study: Study, baseline: str | None = None) -> list[MethodComparison]:
    """Return the comparison of every other method with the baseline.

    The baseline is the first method of the plan, where none is named.
    """
    planned = () if study.plan is None else study.plan.methods
    base = baseline or next(name for name in (*planned, *study.methods) if name in study.methods)
    others = [name for name in study.methods if name != base]
    return [compare_methods(study, baseline=base, candidate=name) for name in others]


@dataclass(frozen=True, eq=False, repr=False)
class MethodComparison(Printed):
    """A decision between two methods, and what it rests on.

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
    choice : {"candidate", "baseline", "neither", "open"}
    confidence : float
        How sure the decision is, 0 to 1; that of the surest decision where it is open.
    risks : MethodRisks
    remedies : tuple of Remedy
        What would make the candidate good enough; empty where it is.
    no_drift : str
        Why it is not known whether drift plays a part; "" where it is, or does not matter.
    to_mend : tuple of str
        What must be settled first: readings with something to mend decide nothing.
    """

    numbers: MethodNumbers
    judgements: Mapping[str, MethodJudgement]
    margin: Margin | None
    evidence: MethodEvidence | None
    choice: Choice
    confidence: float
    risks: MethodRisks
    remedies: tuple[Remedy, ...]
    no_drift: str = ""
    to_mend: tuple[str, ...] = ()

    @property
    def decision(self) -> str:
        """The decision: candidate is good enough for this tolerance, baseline is needed, …"""
        return DECISIONS[self.choice]

    @property
    def headline(self) -> str:
        """The decision with the names of the methods."""
        return _headline(self.numbers, self.choice)

    @property
    def study(self) -> Study:
        """The study compared, with the operators as they are counted."""
        return self.numbers.study

    def to_frame(self) -> pd.DataFrame:
        """Return one row a method: sds and shares with limits, risks, seconds a reading."""
        rows = {}
        for name in self.numbers.methods:
            result, found = self.numbers.results[name], self.judgements[name].criterion
            row: dict[str, float | None] = {
                f"{quantity}_sd": result.value(quantity, "sd") for quantity in ("EV", "AV", "GRR")
            }
            row["percent"] = None if found is None else found.value
            row["percent_lower"] = None if found is None else found.lower
            row["percent_upper"] = None if found is None else found.upper
            known = bool(self.risks.by_method)
            row["misjudged_per_thousand"] = self.risks.misjudged(name) if known else None
            row["seconds_per_reading"] = self.numbers.seconds.get(name)
            rows[name] = row
        table = pd.DataFrame.from_dict(rows, orient="index")
        table.index.name = "method"
        return table

    def blocks(self) -> list[Block]:
        """Return the decision, the numbers, what they rest on, what it costs, what next."""
        mark, colour = LOOKS[self.choice]
        study, numbers = self.study, self.numbers
        opening = [
            *([EXAMPLE] if study.example else []),
            study.summary,
            f"Tolerance: {tolerance_text(study)}. Baseline: {numbers.baseline}; candidate: "
            f"{numbers.candidate}.",
        ]
        blocks: list[Block] = [
            Banner(mark, self.headline.upper(), colour),
            Prose([*opening, confidence_text(self)]),
            Table(*method_rows(self)),
        ]
        cost = _cost_sentences(numbers, self.judgements, self.risks)
        sections = [("Why", reasons(self)), ("What it costs", cost), what_next(self)]
        for title, sentences in sections:
            if sentences:
                blocks += [Heading(title), Bullets(sentences)]
        blocks.append(Fold("Each operator's own difference", [operator_table(numbers)]))
        table = numbers.anova_table
        if table is not None:
            anova = anova_table(table, study.unit)
            blocks.append(Fold("Analysis of variance", [anova], brief=True))
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
        GRR's share with one-sided bounds; None where there is nothing to judge by.
    over : float
        Confidence that it is over the limit, the doubt counted twice.
    reason : str
        Why there is no criterion.
    """

    criterion: Criterion | None
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
    if share is None and MARGIN_FACT in study.facts:
        percent = number(MARGIN_FACT, study.facts[MARGIN_FACT], above=0.0, below=100.0)
        stated, share = "in the study", percent / 100.0
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


def judged(result: GaugeResult) -> MethodJudgement:
    """Return how one method's GRR stands against the limit of acceptance."""
    study = result.study
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    value = result.value("GRR", measure)
    if math.isnan(value):
        return MethodJudgement(None, 0.0, result.reasons.get(measure, "GRR was not estimated"))
    try:
        draws = ratio_draws(pivots_of(result), specification_of(result), study.purpose)
    except StudyError as error:
        return MethodJudgement(None, 0.0, error.problem)
    criterion = bounded(value, draws, study.rules, study.purpose)
    return MethodJudgement(criterion, float(confidence_over(draws, criterion.limit)), "")


def method_evidence(
    numbers: MethodNumbers, judgements: Mapping[str, MethodJudgement], margin: Margin | None
) -> MethodEvidence | None:
    """Return what the choice rests on; None where something to judge by is missing."""
    baseline, candidate = (judgements[name] for name in numbers.methods)
    if baseline.criterion is None or candidate.criterion is None or margin is None:
        return None
    found = numbers.difference
    test = (found.mean, found.error, found.df, margin.length)
    return MethodEvidence(
        candidate_under=np.asarray(candidate.criterion.below_limit),
        candidate_over=np.asarray(candidate.over),
        baseline_under=np.asarray(baseline.criterion.below_limit),
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
    nothing_given = dict.fromkeys(
        ("tolerance", "grr_sd", "process_mean", "process_sd", "observed_sd")
    )
    try:
        known = circumstances(numbers.results[numbers.baseline], **nothing_given)
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
            for name, bias in zip(
                numbers.methods, (0.0, float(numbers.difference.mean)), strict=True
            )
        }
    except StudyError as error:
        return MethodRisks(MappingProxyType({}), error.reason)
    return MethodRisks(MappingProxyType(found), "")


@dataclass(frozen=True)
class Remedy:
    """One change of the candidate and what is predicted of it.

    Attributes
    ----------
    what : str
        The change, as the beginning of a sentence.
    share : float
        Predicted share that GRR takes, in percent of what the study is judged by.
    difference : float
        Predicted mean difference from the baseline, in the unit of the study.
    enough : bool
        Whether both would then be inside what is allowed, as estimated.
    """

    what: str
    share: float
    difference: float
    enough: bool


def remedies(
    study: Study, numbers: MethodNumbers, *, margin: float | None
) -> tuple[tuple[Remedy, ...], str]:
    """Return what would help the candidate, and why drift is not known to play a part.

    Means of several readings, and no drift. Predictions are estimates, not bounds: what a
    change really brings, a new study shows.
    """
    result = numbers.results[numbers.candidate]
    difference = float(numbers.difference.mean)
    found = [_several(numbers, result, difference, margin, "the mean of {n} readings")]
    drift, no_drift = drift_or_reason(study)
    steady = None if drift is None else drift.methods.get(numbers.candidate)
    if drift is not None and steady is not None and steady.shape != "none":
        base = drift.methods.get(numbers.baseline)
        left = difference - (steady.mean - (0.0 if base is None else base.mean))
        words = _zeroed(drift, numbers, margin)
        after = _without_drift(result, steady)
        found.append(_remedy(numbers, after, left, margin, words))
        found.append(
            _several(numbers, after, left, margin, "the same, and the mean of {n} readings")
        )
    return tuple(remedy for remedy in found if remedy is not None), no_drift


def _zeroed(drift: DriftNumbers, numbers: MethodNumbers, margin: float | None) -> str:
    """Return how often to zero, or how long to hold the gauge at most."""
    if margin is None or drift.taken.unit != "min":
        return WITHOUT_DRIFT
    every = re_zero(drift, numbers.candidate, margin, math.nan).estimate
    if not math.isfinite(every):
        return WITHOUT_DRIFT
    return f"{WITHOUT_DRIFT}, or zeroed again (or put down to cool) within {duration(every)}"


def _variances(result: GaugeResult) -> GrrVariances:
    ev, av, interaction, grr = (
        0.0 if math.isnan(value) else value
        for value in (result.value(name, "variance") for name in ("EV", "AV", "INT", "GRR"))
    )
    return GrrVariances(ev, av, interaction, grr, result.study.resolution)


def _without_drift(result: GaugeResult, drift: MethodDrift) -> GrrVariances:
    """Return the variances if the readings scattered about a drift that is no more."""
    now = _variances(result)
    ev = min(float(now.repeatability), drift.scatter**2)
    gone = float(now.repeatability) - ev
    return replace(now, repeatability=ev, grr=max(ev, float(now.grr) - gone))


def _several(
    numbers: MethodNumbers,
    source: GaugeResult | GrrVariances,
    difference: float,
    margin: float | None,
    words: str,
) -> Remedy | None:
    """Return the fewest readings whose mean would be under the limit; None if none or one."""
    now = _variances(source) if isinstance(source, GaugeResult) else source
    result = numbers.results[numbers.candidate]
    share = _share(result, math.sqrt(float(now.grr)))
    limit = result.study.rules.limit_percent
    if not share > limit:
        return None
    n = readings_for(now, float(now.grr) * (limit / share) ** 2)
    if n is None or n < 2:
        return None
    after = replace(now, grr=float(grr_after(now, Change(readings=n))))
    return _remedy(numbers, after, difference, margin, words.format(n=n))


def _remedy(
    numbers: MethodNumbers, after: GrrVariances, difference: float, margin: float | None, what: str
) -> Remedy:
    result = numbers.results[numbers.candidate]
    share = _share(result, math.sqrt(float(after.grr)))
    inside = margin is None or abs(difference) < margin
    return Remedy(what, share, difference, share <= result.study.rules.limit_percent and inside)


def _share(result: GaugeResult, grr_sd: float) -> float:
    """Return the share that a GRR would take, in percent of what the study is judged by."""
    measure = "percent_tolerance" if result.study.purpose == "accept" else "percent_tv"
    now = result.value("GRR", "sd")
    return result.value("GRR", measure) * grr_sd / now if now > 0.0 else math.nan


def confidence_text(found: MethodComparison) -> str:
    """Return how sure the decision is."""
    asked = f"{100 * found.study.rules.confidence:g}{JOIN}%"
    if found.to_mend:
        return (
            f"{counted(len(found.to_mend), 'finding')} must be settled before the methods can be "
            "compared; see grr.check."
        )
    if found.choice == "open":
        return f"No decision reaches {asked} confidence."
    sure = 100 * found.confidence
    shown = f"over 99.9{JOIN}%" if sure > 99.9 else f"{sure:.1f}{JOIN}%"
    return f"Confidence {shown} (at least {asked} is required)."


def method_rows(found: MethodComparison) -> tuple[list[str], list[list[str]]]:
    """Return head and rows of the table of methods."""
    numbers, unit = found.numbers, found.study.unit
    rows = []
    for label, quantity in (
        ("repeatability EV", "EV"),
        ("reproducibility AV", "AV"),
        ("GRR", "GRR"),
    ):
        row = [f"{label} (sd)"]
        for method in numbers.methods:
            value = numbers.results[method].value(quantity, "sd")
            row.append("not estimated" if math.isnan(value) else length(value, unit))
        ratio = {"EV": numbers.ev_ratio, "GRR": numbers.grr_ratio}.get(quantity)
        row.append(f"× {ratio}" if ratio is not None and ratio.known else "")
        rows.append(row)
    criteria = [found.judgements[name].criterion for name in numbers.methods]
    if criteria[0] is not None and criteria[1] is not None:
        name = criteria[0].name
        rows.append([f"GRR {name}", *(percent(c.value) for c in criteria if c is not None), ""])
    if found.risks.by_method:
        per, of = _out_of(found.risks)
        misjudged = [figures(per * found.risks.misjudged(name)) for name in numbers.methods]
        rows.append([f"misjudged in {of} parts", *misjudged, ""])
    if len(numbers.seconds) >= 2:
        times = [numbers.seconds.get(name, math.nan) for name in numbers.methods]
        rows.append(
            [
                "time for a reading",
                *("—" if math.isnan(s) else f"{s:.1f}{JOIN}s" for s in times),
                "",
            ]
        )
    return ["", *(shortened(name, LONGEST_HEAD) for name in numbers.methods), "ratio"], rows


def reasons(found: MethodComparison) -> list[str]:
    """Return what the decision rests on."""
    return [
        _share_sentence(found.numbers, found.judgements),
        _difference_sentence(found.numbers, found.margin, found.evidence),
        ratio_sentence(found.numbers),
        agreement_sentence(found.numbers),
        operators_sentence(found.numbers),
    ]


def what_next(found: MethodComparison) -> tuple[str, list[str]]:
    """Return a title and what to do next."""
    if found.to_mend:
        return "What to do next", list(found.to_mend[:MOST_MENDED])
    margin = None if found.margin is None else found.margin.length
    changes = [_remedy_sentence(found.numbers, remedy, margin) for remedy in found.remedies]
    if found.no_drift:
        changes.append(f"Whether drift plays a part is not known: {found.no_drift}.")
    if found.choice == "candidate":
        return "Conditions", [
            *conditions_of_use(found.numbers.results[found.numbers.candidate].study),
            "Watch the gauge with a check standard, measured by the same method.",
        ]
    if found.choice == "open":
        return "What would decide", [
            *_open_sentences(found.numbers, found.judgements, found.margin, found.evidence),
            *changes,
        ]
    corrections = _correction_sentences(found.numbers, found.margin, found.remedies)
    changes += corrections
    if not found.remedies and not corrections:
        changes = [
            "No mean of a practicable number of readings makes the candidate good enough. Reduce "
            "what dominates first: grr.compare_operators and grr.drift say what.",
            *changes,
        ]
    return f"What would make {found.numbers.candidate} good enough", changes


def _headline(numbers: MethodNumbers, choice: Choice) -> str:
    """Return the decision with the names of the methods."""
    baseline, candidate = (shortened(name, LONGEST_NAME) for name in numbers.methods)
    return {
        "candidate": f"{candidate} is good enough for this tolerance",
        "baseline": f"{baseline} is needed",
        "neither": f"Neither {baseline} nor {candidate} is good enough",
        "open": f"Can't tell yet whether {candidate} will do",
    }[choice]


def _share_sentence(numbers: MethodNumbers, judgements: Mapping[str, MethodJudgement]) -> str:
    """Return what either method's GRR takes, and how sure that is against the limit."""
    phrases, name, limit = [], "", math.nan
    for method in numbers.methods:
        found = judgements[method].criterion
        if found is None:
            return f"What {method} takes was not estimated: {judgements[method].reason}."
        name, limit = found.name, found.limit
        phrases.append(f"{percent(found.value)} by {method} ({_bound(found)})")
    confidence = f"{100 * numbers.study.rules.confidence:g}{JOIN}%"
    return (
        f"GRR takes {listed(phrases)} {name}, bounds with {confidence} confidence each; the limit "
        f"is {limit:g}{JOIN}%."
    )


def _bound(found: Criterion) -> str:
    if found.upper <= found.limit:
        return f"under {percent(found.upper)}"
    if found.lower > found.limit:
        return f"over {percent(found.lower)}"
    upper = percent(found.upper) if found.upper < 1000 else "more than the whole"
    return f"between {percent(found.lower)} and {upper}"


def _difference_sentence(
    numbers: MethodNumbers, margin: Margin | None, evidence: MethodEvidence | None
) -> str:
    """Return the mean difference with its interval, and what it is against the margin."""
    found = numbers.mean_difference
    text = (
        f"{begun(numbers.candidate)} reads {length(abs(found.value), found.unit)} "
        f"{'lower' if found.value < 0 else 'higher'} than {numbers.baseline} on average "
        f"({100 * numbers.level:g}{JOIN}% interval {found:+l} to {found:+u})"
    )
    if margin is None:
        return text + "; no margin was stated to judge it by."
    confidence = numbers.study.rules.confidence
    shown = "not shown to be inside or outside of"
    if evidence is not None and float(evidence.difference_within) >= confidence:
        shown = "shown to be inside"
    elif evidence is not None and float(evidence.difference_beyond) >= confidence:
        shown = "shown to be outside"
    return f"{text}: {shown} the margin of ±{_margin_text(numbers, margin)}."


def _margin_text(numbers: MethodNumbers, margin: Margin) -> str:
    """Return the margin with where it comes from."""
    source = {
        "in the study": "stated in the study",
        "when comparing": "given for this comparison",
        "by default": "taken by default; state it in the study before the first reading",
    }[margin.stated]
    share = ""
    if not math.isnan(margin.share):
        share = f"{percent(100 * margin.share)} of the tolerance, "
    return f"{length(margin.length, numbers.study.unit)} ({share}{source})"


def _cost_sentences(
    numbers: MethodNumbers, judgements: Mapping[str, MethodJudgement], risks: MethodRisks
) -> list[str]:
    """Return what choosing the candidate costs, and what it saves."""
    base, candidate = (judgements[name].criterion for name in numbers.methods)
    lines = []
    if base is not None and candidate is not None:
        lines += _share_more(numbers, base, candidate)
    if risks.by_method:
        per, of = _out_of(risks)
        phrases = [
            f"{figures(per * risks.misjudged(name))} by {name} "
            f"({figures(per * risks.bad_accepted(name))} of them bad and accepted)"
            for name in numbers.methods
        ]
        lines.append(f"Misjudged in {of} parts: {listed(phrases)}.")
    elif risks.reason:
        lines.append(f"Parts misjudged: not estimated, {risks.reason}.")
    return [*lines, time_sentence(numbers)]


def _out_of(risks: MethodRisks) -> tuple[float, str]:
    """Return what turns parts misjudged in a thousand into a readable count, and of how many."""
    most = max(risks.misjudged(name) for name in risks.by_method)
    return (1.0, "1000") if most >= 1.0 else (1000.0, "a million")


def _share_more(numbers: MethodNumbers, base: Criterion, candidate: Criterion) -> list[str]:
    """Return by how many percentage points the shares differ, as they are shown."""
    if max(base.value, candidate.value) >= MOST_PERCENT:
        return []
    digits = 1 if max(base.value, candidate.value) < 99.95 else 0
    more = round(candidate.value, digits) - round(base.value, digits)
    who = begun(numbers.candidate)
    if round(more, digits) == 0.0:
        return [f"{who} takes as much {candidate.name} as {numbers.baseline}."]
    return [
        f"{who} takes {abs(more):.{digits}f} percentage points {'more' if more > 0 else 'less'} "
        f"{candidate.name} than {numbers.baseline}."
    ]


def _correction_sentences(
    numbers: MethodNumbers, margin: Margin | None, remedies: tuple[Remedy, ...]
) -> list[str]:
    """Return what to do about a mean difference that none of the remedies takes away."""
    mean = float(numbers.difference.mean)
    if margin is None or abs(mean) < margin.length:
        return []
    if any(abs(remedy.difference) < margin.length for remedy in remedies):
        return []
    return [
        f"A constant mean difference can be corrected: zero the gauge as "
        f"{numbers.candidate} holds it, on a master of the part's size, and compare again."
    ]


def _open_sentences(
    numbers: MethodNumbers,
    judgements: Mapping[str, MethodJudgement],
    margin: Margin | None,
    evidence: MethodEvidence | None,
) -> list[str]:
    """Return what keeps the decision open, and what would close it."""
    confidence = numbers.study.rules.confidence
    if margin is None:
        return [
            "State how far the methods may differ: margin_share= with a tolerance of two limits, "
            "or margin= as a length."
        ]
    if evidence is None:
        reasons = [j.reason for j in judgements.values() if j.reason]
        return [f"There is nothing to judge by: {listed(reasons)}."]
    lines = []
    if numbers.study.operators == "random":
        lines.append(
            'If these are all the operators there will be, compare with operators="fixed": the '
            "answer is then much surer."
        )
    if float(evidence.candidate_good) < confidence and float(evidence.candidate_bad) < confidence:
        if float(evidence.candidate_under) < confidence:
            lines.append(
                f"GRR of {numbers.candidate} is too near the limit to tell: more trials and parts "
                "narrow it down, or reduce what dominates and measure again."
            )
        if float(evidence.difference_within) < confidence:
            lines.append("The mean difference is too near the margin to tell: measure more parts.")
    else:
        lines.append(
            f"{begun(numbers.candidate)} is not good enough, but it is open whether "
            f"{numbers.baseline} is: study that method first."
        )
    return lines


def _remedy_sentence(numbers: MethodNumbers, remedy: Remedy, margin: float | None) -> str:
    """Return a remedy in words."""
    of = "the tolerance" if numbers.study.purpose == "accept" else "the total variation"
    text = (
        f"{remedy.what[0].upper()}{remedy.what[1:]}: GRR of {numbers.candidate} would take about "
        f"{percent(remedy.share)} of {of}"
    )
    digit = numbers.study.resolution
    if digit is not None and abs(remedy.difference) < 0.5 * digit:
        text += f", and on average it would read like {numbers.baseline}"
    elif margin is not None:
        way = "lower" if remedy.difference < 0 else "higher"
        text += (
            f", and it would read {length(abs(remedy.difference), numbers.study.unit)} {way} than "
            f"{numbers.baseline}"
        )
    verdict = "enough, as estimated" if remedy.enough else "not enough by itself"
    return f"{text}: {verdict}."
