"""`grr.verdict`: may this gauge be used for this tolerance?"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.arrays import Array
from grr.formulas.coarse_digit import as_read
from grr.formulas.confidence_limits import (
    careful_lower_bound,
    confidence_below,
    lower_bound,
    ndc_draws,
    percent_tolerance_draws,
    percent_tv_draws,
    upper_bound,
)
from grr.formulas.pivots import Pivots, crossed_pivots
from grr.formulas.second_look import confidence_of, look_of, rules_at_look
from grr.formulas.sources_of_variation import Specification
from grr.model.blocks import Banner, Block, Bullets, Heading, Prose
from grr.model.choices import FIX_FIRST, NAMES, Decision
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.printed import Printed
from grr.model.readings_table import natural_order
from grr.model.rounding import (
    JOIN,
    MOST_PERCENT,
    chance,
    confidence_text,
    counted,
    figures,
    listed,
    percent,
)
from grr.model.rules import Rules
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.questions.acceptance import (
    NO_PRICE,
    Narrowed,
    ProvenFor,
    limit_sentences,
    narrowed,
    proven_for,
)
from grr.questions.by_cause import (
    OperatorUse,
    by_operator,
    operator_sentence,
    size_sentence,
    usable_up_to,
)
from grr.questions.causes import Cause, Causes, causes_in, short
from grr.questions.check import Findings, check, must_mend
from grr.questions.deciding import Criterion, decide
from grr.questions.drift import zero_interval
from grr.questions.gauge import GaugeResult, opening, result_of_record, spread_text
from grr.questions.intervals import (
    degrees_of_freedom,
    pivots_as_read,
    pivots_of,
    specification_of,
    uneven_sentence,
)
from grr.questions.next_steps import (
    WATCH,
    Step,
    another_gauge,
    changes_class,
    cost_of,
    improvements,
    in_general,
    to_fix,
)
from grr.questions.risk import misclassification
from grr.questions.scatter import scatter_of
from grr.questions.second_stage import look_sentences, second_stage_of, stage_sentence
from grr.questions.sittings import has_own_sessions, measured_on_one_day

#: What each decision looks like: a mark beside the words, and a colour.
LOOKS: dict[str, tuple[str, str]] = {
    Decision.USE: ("●", "#00664a"),
    Decision.LIKE_THIS: ("◐", "#00527a"),
    Decision.WITH_LIMITS: ("◨", "#00527a"),
    Decision.DO_NOT_USE: ("✖", "#a63d00"),
    Decision.NOT_DECIDED: ("○", "#57606a"),
    FIX_FIRST: ("▲", "#8a4b00"),
}
#: The decisions, from the best to the one that is open.
USE, LIKE_THIS, WITH_LIMITS, NOT_DECIDED, DO_NOT_USE = Decision
_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}
WITHIN_LIMITS = "Accept a part only where it reads within the acceptance limits."
UNSTATED = (
    "How the gauge was held, zeroed and used was not stated: this holds only for measuring just as "
    "in the study."
)
#: The thresholds of the manual (AIAG MSA, 4th ed., chapter II section D), in percent.
MANUAL = (10.0, 30.0)
CAUTION = (
    "This study does not replace the drawing, the customer's requirements, the calibration of "
    "the gauge or the judgement of a competent person."
)


@dataclass(frozen=True, repr=False)
class Verdict(Printed):
    """A decision on a measuring system, and what it rests on.

    Attributes
    ----------
    decision : Decision
        One of USE, USE LIKE THIS, USE WITH LIMITS, DO NOT USE FOR THIS TOLERANCE, NOT
        DECIDED YET; see `decide`.
    result : GaugeResult
    criterion : Criterion or None
        The ratio judged by; None where the study cannot give one.
    by_manual, by_confidence : str
        The manual's rule on the calculated value, and how sure that is.
    reasons, conditions : tuple of str
    steps : tuple of Step
        What to do next, with what each step would bring.
    causes : tuple of Cause
        What makes GRR large, the largest share first; without the background.
    findings : Findings
        What `grr.check` found.
    acceptance_limits : Tolerance or None
        Readings to accept while GRR is not known better, not rounded; None where nothing is
        left of the tolerance, or none can be given.
    price : Estimate
        Percent of the good parts that these limits refuse: the value with GRR as estimated,
        ``upper`` with GRR as large as the limits allow for, ``lower`` with limits and GRR at
        GRR's lower bound.
    acceptance : tuple of str
        The same in sentences.
    proven_for : ProvenFor or None
        The smallest tolerances for which GRR is shown to be good, and acceptable.
    by_operator : tuple of OperatorUse
        Each operator's own decision, where one scatters more than the others; else empty.
    usable_up_to : Estimate
        Up to which size the gauge is shown to be good, where scatter grows with size.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> verdict = grr.verdict(study)
    >>> verdict
    Verdict(USE)
    >>> print(verdict.reasons[0])
    The last digit of 0.10 µm is coarse: with a fine digit, GRR 6.7 % → 6.1 % of the tolerance.
    """

    decision: Decision
    result: GaugeResult
    criterion: Criterion | None
    by_manual: str
    by_confidence: str
    reasons: tuple[str, ...]
    conditions: tuple[str, ...]
    steps: tuple[Step, ...]
    causes: tuple[Cause, ...]
    findings: Findings
    acceptance_limits: Tolerance | None = None
    price: Estimate = NO_PRICE
    acceptance: tuple[str, ...] = ()
    proven_for: ProvenFor | None = None
    by_operator: tuple[OperatorUse, ...] = ()
    usable_up_to: Estimate = Estimate(math.nan, why="scatter does not grow with size")

    @property
    def banner(self) -> str:
        """The decision, or FIX THE DATA FIRST where readings must be mended before it."""
        return FIX_FIRST if self.findings.must_mend else self.decision

    @property
    def next_steps(self) -> tuple[str, ...]:
        """What to do next, in sentences."""
        return tuple(step.sentence for step in self.steps)

    @property
    def cause(self) -> Cause | None:
        """The biggest cause; None where nothing stands out."""
        return self.causes[0] if self.causes else None

    def to_frame(self) -> pd.DataFrame:
        """Return the verdict as a table of one row."""
        found, limits, proven = self.criterion, self.acceptance_limits, self.proven_for
        return pd.DataFrame(
            [
                {
                    "decision": self.decision,
                    "purpose": self.result.study.purpose,
                    "value": None if found is None else found.value,
                    "lower_bound": None if found is None else found.lower,
                    "upper_bound": None if found is None else found.upper,
                    "confidence": confidence_of(self.result.study),
                    "dominant": self.result.dominant_source,
                    "cause": None if self.cause is None else self.cause.kind,
                    "must_mend": self.findings.must_mend,
                    "accept_from": None if limits is None else limits.lower,
                    "accept_to": None if limits is None else limits.upper,
                    "refused_percent": self.price.upper,
                    "proven_under_good": None if proven is None else proven.good.value,
                    "proven_under_limit": None if proven is None else proven.limit.value,
                }
            ]
        )

    @property
    def conditions_title(self) -> str:
        """What the conditions are called: a USE holds for what was studied."""
        return "As studied" if self.decision == Decision.USE else "Conditions of use"

    @property
    def acceptance_title(self) -> str:
        """What the acceptance limits are called: part of the decision, or for the meantime."""
        decided = self.decision in {Decision.WITH_LIMITS, Decision.LIKE_THIS}
        return "Acceptance limits" if decided else "Accept meanwhile"

    def _sections(self) -> list[tuple[str, tuple[str, ...]]]:
        return [
            ("Why", self.reasons),
            (self.acceptance_title, self.acceptance),
            (self.conditions_title, self.conditions),
            ("What to do next", self.next_steps),
        ]

    def blocks(self) -> list[Block]:
        """Return the decision, what it rests on, its conditions, and what to do next."""
        mark, colour = LOOKS[self.banner]
        proven = [] if self.proven_for is None else [str(self.proven_for)]
        found: list[Block] = [
            Banner(mark, self.banner, colour),
            Prose(opening(self.result)[:-1]),
            Prose([self.by_manual, self.by_confidence, *proven]),
        ]
        if self.findings.must_mend:
            found += [Heading("Look at this first"), Bullets(self.findings.look_first)]
        for title, sentences in self._sections():
            if sentences:
                found += [Heading(title), Bullets(sentences)]
        return [*found, Prose([CAUTION])]


class HasBias(Protocol):
    """What knows the bias left in the readings, such as a reference study or a qualification."""

    @property
    def known_bias(self) -> Estimate:
        """The bias with one-sided bounds, the reference value's uncertainty in them."""


def verdict(result: GaugeResult | Study, *, bias: HasBias | Estimate | None = None) -> Verdict:
    """Judge a measuring system for its purpose, with confidence.

    The manual's rule is applied to the calculated value; the decision also needs the
    one-sided bound at the study's confidence on the right side of the threshold, or
    acceptance limits that cost little: see `decide`. Readings in which `grr.check` finds
    something to mend decide nothing.

    Parameters
    ----------
    result : GaugeResult or Study
        From `grr.anova` or `grr.average_range`; a study is judged by its method of record.
    bias : ReferenceResult, Qualification or Estimate, optional
        What is left of the bias in the readings, with its bounds: the acceptance limits and
        their price then allow for it. By default what the study states (``bias_at_most``
        among its facts); where nobody says, the limits are called apart from bias.

    Returns
    -------
    Verdict

    Raises
    ------
    StudyError
        No study or result, or a bias that is not known or in another unit.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter II section D (thresholds, ndc of at least 5); the
    confidence rule is this project's own.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> verdict = grr.verdict(grr.anova(study))
    >>> verdict.decision.name
    'USE'
    >>> verdict.decision.exit_status
    0
    """
    if isinstance(result, Study):
        result = result_of_record(result)
    if not isinstance(result, GaugeResult):
        raise StudyError(
            "A verdict needs a study or a result",
            "Write grr.verdict(study) or grr.verdict(grr.anova(study))",
            value=type(result).__name__,
        )
    if bias is not None:
        result = _allowing_for(bias, result)
    asked = result
    return result.study.once(("verdict", result.key), lambda: _verdict(asked))


def _allowing_for(bias: HasBias | Estimate, result: GaugeResult) -> GaugeResult:
    """Return the result of the study that states how large the bias may be.

    Its bound and that of GRR add up, as in ISO 14253-2 and JCGM 100:2008 (GUM), F.2.4.5.
    """
    found, study = getattr(bias, "known_bias", bias), result.study
    if not isinstance(found, Estimate):
        raise StudyError(
            "The bias given is none",
            "Give a result of grr.reference_study or grr.qualify, or an Estimate",
            value=type(bias).__name__,
        )
    if not found.known:
        raise StudyError(f"The bias is not known: {found.why}", "Measure a reference part")
    if canonical_unit(found.unit) != study.unit:
        raise StudyError(
            "The bias is in another unit than the readings",
            "Give both in one unit",
            value=found.unit or "no unit",
        )
    ends = (found.lower, found.upper) if found.bounded else (found.value, found.value)
    most = max(map(abs, ends))

    def stated() -> GaugeResult:
        facts = {**study.facts, "bias_at_most": most}
        return replace(result, study=replace(study, facts=facts))

    return study.once(("allowing for bias", result.key, most), stated)


def _verdict(result: GaugeResult) -> Verdict:
    findings, causes = check(result.study), causes_in(result)
    found, decision = judged(result)
    if isinstance(found, StudyError):
        return Verdict(
            decision,
            result,
            None,
            "No rule applies.",
            f"{found.problem}.",
            _to_mend(findings),
            (),
            (*to_fix(findings), Step("fix", f"{found.remedy}.")),
            causes.named,
            findings,
        )
    known = None if findings.must_mend else narrowed(result)
    mended = Causes((), ()) if findings.must_mend else causes
    operators, up_to = by_operator(result, mended), usable_up_to(result, mended)
    return Verdict(
        decision=decision,
        result=result,
        criterion=found,
        by_manual=_by_manual(result, found, findings),
        by_confidence=_by_confidence(result, found, decision, findings),
        reasons=(
            *_reasons(result, findings, causes),
            *_of_scatter(result, decision),
            *([operator_sentence(operators, result)] if operators else []),
            *([size_sentence(up_to, result)] if up_to.known else []),
        ),
        conditions=_conditions(result, found, decision),
        steps=_next_steps(result, found, decision, findings, causes),
        causes=causes.named,
        findings=findings,
        acceptance_limits=None if known is None else known.limits,
        price=NO_PRICE if known is None else known.price,
        acceptance=() if known is None else limit_sentences(result, known, decision),
        proven_for=None if findings.must_mend else proven_for(result),
        by_operator=operators,
        usable_up_to=up_to,
    )


def judged(result: GaugeResult) -> tuple[Criterion | StudyError, Decision]:
    """Return the ratio that a study is judged by, or why there is none, and the decision.

    It is `verdict` without the sentences, for those who judge thousands of studies.
    """
    return result.study.once(("judged", result.key), lambda: _judged(result))


def _judged(result: GaugeResult) -> tuple[Criterion | StudyError, Decision]:
    try:
        found = criterion(result)
    except StudyError as error:
        return error, Decision.NOT_DECIDED
    study = result.study
    known = narrowed(result)
    decision = decide(
        found,
        NO_PRICE if known is None else known.price,
        most_refused=study.rules.most_refused_percent,
        purpose=study.purpose,
        one_operator=len(study.operator_names) == 1,
        must_mend=must_mend(study),
        scatter_forbids=scatter_of(study).forbids_use,
    )
    return found, decision


def decision_of(study: Study) -> Decision:
    """Return the decision that `verdict` tells of a study by one method."""
    return judged(result_of_record(study))[1]


def _of_scatter(result: GaugeResult, decision: Decision) -> tuple[str, ...]:
    """Return what the scatter of the repeats says for or against a decision for the gauge."""
    if decision not in {Decision.USE, Decision.LIKE_THIS}:
        return ()
    scatter = scatter_of(result.study)
    told = (*scatter.why_not_use, scatter.outliers_sentence, scatter.not_tested)
    return tuple(sentence for sentence in told if sentence)


def _by_manual(result: GaugeResult, found: Criterion, findings: Findings) -> str:
    """Return the class of the calculated value by the thresholds of the study."""
    takes = f"GRR takes {percent(found.value)} {found.name}"
    if findings.must_mend:
        return "No rule is applied yet: GRR is not stated before the data are fixed."
    rule = "the manual's rule (AIAG MSA, 4th ed.)"
    if (found.good, found.limit) != MANUAL:
        rule = "this study's own limits, which are not the manual's 10 % and 30 %"
    classes = {
        "good": f"under {found.good:g} %: good",
        "between": f"between {found.good:g} % and {found.limit:g} %: may be acceptable, depending "
        "on the use, the cost of the gauge and of a wrong decision",
        "over": f"over {found.limit:g} %: not acceptable",
    }
    how = result.estimator_name.lower()
    lines = [f"By {rule}, calculated by {how}: {takes}, {classes[found.by_value]}."]
    if result.study.purpose == "control" and result.ndc is not None:
        least = result.study.rules.least_ndc
        enough = "enough" if result.ndc >= least else "too few"
        lines.append(
            f"It tells {_classes(result.ndc)} of parts apart (ndc; at least {least} are asked "
            f"for): {enough}. Judged for controlling the process, not against the tolerance."
        )
    return " ".join(lines)


def _by_confidence(
    result: GaugeResult, found: Criterion, decision: Decision, findings: Findings
) -> str:
    """Return what is shown at the study's confidence: the bound that decided first."""
    if findings.must_mend:
        return "No confidence can be stated before the findings to fix first are settled."
    study = result.study
    grr = "GRR"
    if len(study.operator_names) < 2:
        beside = [name for name in ("SES", "GAU") if name in result.source_names]
        alone = " and ".join(["EV", *beside]) if beside else "EV alone"
        grr = f"GRR (one operator: {alone})"
    sure, careful = (
        f"with {100 * level:g} % confidence"
        for level in (confidence_of(study), 0.5 * (1.0 + confidence_of(study)))
    )
    at_most = f"{sure} {grr} takes at most {percent(found.upper)} {found.name}"
    at_least = f"{careful} at least {_more_than(found.lower)}"
    if found.lower > found.limit:
        lines = [f"{careful} {grr} takes at least {_more_than(found.lower)} {found.name}."]
    elif decision == Decision.DO_NOT_USE:
        lines = [f"{at_most}, {at_least}.", *_too_dear(narrowed(result), study.rules)]
    elif decision == Decision.NOT_DECIDED and found.upper > found.limit:
        lines = [
            f"{at_most}, {at_least}: the limit of {found.limit:g} % lies between. Confidence that "
            f"it is under {found.limit:g} %: {confidence_text(found.below_limit)}.",
        ]
    else:
        lines = [f"{at_most}."]
    if found.value < found.good < found.upper <= found.limit:
        lines.append(
            f"Under {found.good:g} % is not shown: confidence {confidence_text(found.below_good)}."
        )
    if result.method == "average_range":
        lines.append(
            "The bounds are those of the analysis of variance, which also sees the interaction."
        )
    uneven = uneven_sentence(study)
    lines += [uneven] if uneven else []
    if pivots_as_read(result) is not pivots_of(result):
        lines.append("The digit is coarse: the bound counts a sixth of its square for rounding.")
    if found.categories is not None:
        low, high = (figures(bound, 2) for bound in found.categories)
        lines.append(
            f"Beside it, ndc, not rounded: at least {low} and at most {high}, {careful} each; at "
            f"least {study.rules.least_ndc} are asked for."
        )
    text = " ".join([*lines, *look_sentences(study)])
    return text[0].upper() + text[1:]


def _too_dear(known: Narrowed | None, rules: Rules) -> list[str]:
    """Return why acceptance limits do not help, however well GRR were known."""
    if known is None:
        return []
    return [
        "Even were GRR and the spread of the parts as small as the study allows, acceptance "
        f"limits would refuse {chance(known.price.lower / 100.0)} of the good parts; "
        f"{rules.most_refused_percent:g} % are allowed. More readings would not help."
    ]


def _more_than(bound: float) -> str:
    """Return a lower bound: one past what means much is told as that."""
    return percent(min(bound, MOST_PERCENT))


def _classes(number: int) -> str:
    return "one category" if number == 1 else f"{number} categories"


def _reasons(result: GaugeResult, findings: Findings, causes: Causes) -> tuple[str, ...]:
    study = result.study
    reasons = list(_to_mend(findings))
    if causes.named and not findings.must_mend:
        reasons.append(short(causes.named[0], result))
    if result.value("GRR", "variance") > 0.0 and not findings.must_mend:
        reasons.append(_spread(result, causes))
    if study.purpose == "accept" and not findings.must_mend:
        reasons += _misjudged(result)
    told = causes.named[0].kind if causes.named else "nothing"
    looks = sum(f.severity == "look" and f.cause != told for f in findings)
    if looks:
        other = "other finding" if any(f.cause == told for f in findings) else "finding"
        reasons.append(f"{counted(looks, other)} to look at, see the check of the data.")
    if result.floored:
        reasons.append(
            "The last digit hides the scatter of the repeats: EV is taken as the rounding error, "
            "and every bound rests on that."
        )
    if study.rules.method_of_record != result.method:
        record = _METHODS[study.rules.method_of_record]
        reasons.append(
            f"The method of record of this study is {record}; this verdict is by the other "
            "method and for information only."
        )
    return (*reasons, *_within_parts(result))


def _within_parts(result: GaugeResult) -> tuple[str, ...]:
    """Return what readings change by with the place on a part, which GRR does not hold."""
    if "WPV" not in result.source_names:
        return ()
    takes = result.estimate("WPV", "percent_tolerance")
    told = f", {takes} of the tolerance" if takes.known else ""
    marked = result.study.facts.get("place_marked")
    what = "keep to the marked place" if marked else "mark the place where parts are measured"
    return (
        f"From place to place on a part readings spread over "
        f"{spread_text(result, result.value('WPV', 'spread'))} ({result.spread:g} sd){told}: "
        f"within-part variation, such as taper and roundness. It is not in GRR, so {what}.",
    )


def _spread(result: GaugeResult, causes: Causes) -> str:
    """Return how far the measuring system spreads; most of what, where no cause says it."""
    source = result.dominant_source
    share = min(result.value(source, "variance") / result.value("GRR", "variance"), 1.0)
    spread = spread_text(result, result.value("GRR", "spread"))
    most = f"; most of it is {NAMES[source]} ({source}, {percent(100 * share)} of GRR's variance)"
    told = "" if causes.named or len(result.study.operator_names) < 2 else most
    return f"The measuring system spreads over {spread} ({result.spread:g} sd){told}."


def _conditions(result: GaugeResult, found: Criterion, decision: Decision) -> tuple[str, ...]:
    if decision not in {Decision.USE, Decision.LIKE_THIS, Decision.WITH_LIMITS}:
        return ()
    conditions = list(conditions_of_use(result.study)) or [UNSTATED]
    if decision == Decision.WITH_LIMITS:
        conditions.insert(0, WITHIN_LIMITS)
    accepts = result.study.purpose == "accept"
    if decision == Decision.LIKE_THIS and found.by_confidence != "good" and accepts:
        conditions.append(
            f"GRR is not shown to be under {found.good:g} %: near the limits good and bad parts "
            "are mixed up. Use the acceptance limits where that matters."
        )
    return (*conditions, *_day_to_day(result.study))


def _day_to_day(study: Study) -> tuple[str, ...]:
    """Return what a study of one day says of the others."""
    if not measured_on_one_day(study):
        return ()
    return (
        "Nobody measured on two days: what changes from day to day, such as a fresh zero, is "
        "not in GRR.",
    )


def _next_steps(
    result: GaugeResult,
    found: Criterion,
    decision: Decision,
    findings: Findings,
    causes: Causes,
) -> tuple[Step, ...]:
    """Return what to do next; first what must be fixed, or else what changes the decision."""
    if findings.must_mend:
        return to_fix(findings)
    if decision == Decision.USE:
        return (Step("watch", WATCH),)
    steps = improvements(result, causes)
    deciding = any(changes_class(step, result) for step in steps)
    if not steps:
        steps = (in_general(result),)
    if decision == Decision.NOT_DECIDED:
        first = steps if deciding else ()
        return (*first, *ways_to_decide(result, found, () if deciding else steps))
    if decision == Decision.DO_NOT_USE and not deciding:
        last = another_gauge(result)
        return steps if last is None else (*steps, last)
    return steps


def _misjudged(result: GaugeResult) -> list[str]:
    """Return how many parts would be judged wrongly; nothing where the study cannot tell."""
    try:
        risks = misclassification(result)
    except StudyError:
        return []
    table = risks.table
    bad, good = (
        _per_million(*(float(table[end][name]) for end in ("estimate", "lower", "upper")))
        for name in ("bad_accepted", "good_rejected")
    )
    return [
        f"Of a million parts made like these, {bad} would be bad and accepted, and {good} good and "
        f"rejected, judged at the tolerance limits ({100 * risks.level:g} % intervals; true sizes "
        "and errors taken as normal)."
    ]


def _per_million(estimate: float, lower: float, upper: float) -> str:
    """Return "about 840 (210 to 3600)": a share of a million with its interval."""
    if 1e6 * upper < 1.0:
        return _rough(1e6 * upper)
    value, low, high = (_rough(1e6 * share) for share in (estimate, lower, upper))
    return f"{'' if value.startswith('less') else 'about '}{value} ({low} to {high})"


def _rough(number: float) -> str:
    """Return a count to two figures, thousands set apart."""
    if number < 1.0:
        return "less than one"
    return f"{float(f'{number:.1e}'):,.0f}".replace(",", JOIN)


def _to_mend(findings: Findings) -> tuple[str, ...]:
    """Return the sentence that says how much must be settled first; none where nothing must."""
    count = sum(finding.severity == "mend" for finding in findings)
    if not count:
        return ()
    return (
        f"{counted(count, 'finding')} must be settled before these numbers can be trusted, see the "
        "check of the data.",
    )


def ratio_draws(pivots: Pivots, specification: Specification, purpose: str) -> Array:
    """Return draws of the ratio that the purpose is judged by, in percent."""
    if purpose == "accept":
        return percent_tolerance_draws(pivots, "GRR", specification)
    return percent_tv_draws(pivots, "GRR", specification)


def criterion(result: GaugeResult) -> Criterion:
    """Return the ratio that this study is judged by.

    Purpose "accept": GRR's percent of tolerance. Purpose "control": percent of TV.

    Raises
    ------
    StudyError
        The study cannot give the ratio, and why.

    Notes
    -----
    Source of the thresholds: AIAG MSA, 4th ed., chapter II section D (10 % and 30 %).
    """
    study = result.study
    measure = "percent_tolerance" if study.purpose == "accept" else "percent_tv"
    value = result.value("GRR", measure)
    if math.isnan(value):
        reason = result.reasons.get(measure, "GRR could not be estimated")
        raise StudyError(f"Nothing to judge by: {reason}", _remedy(study))
    if study.purpose == "control" and study.process_sd is not None and "PV" in result.reasons:
        raise StudyError(
            f"Nothing to judge by: {result.reasons['PV']}",
            "Check the process sd (the total, as observed) and its unit",
        )
    return criterion_from(
        value,
        pivots_of(result),
        specification_of(result),
        rules_at_look(study),
        study.purpose,
        read=pivots_as_read(result),
    )


def criterion_from(
    value: float,
    pivots: Pivots,
    specification: Specification,
    rules: Rules,
    purpose: str,
    *,
    read: Pivots,
) -> Criterion:
    """Return a calculated ratio with the bounds that its pivots give, and those of ndc.

    ``read`` gives the upper bound: where the digit is coarse, what is read is less sure than
    GRR, see `grr.formulas.coarse_digit.as_read`.
    """
    draws = ratio_draws(pivots, specification, purpose)
    of_read = draws if read is pivots else ratio_draws(read, specification, purpose)
    found = bounded(value, draws, of_read, rules, purpose)
    if purpose == "accept":
        return found
    ndc = ndc_draws(pivots, specification)
    # Half the doubt on either side: the plain bounds of ndc were wrong in 6 to 9 % of studies.
    careful = 0.5 * (1.0 + rules.confidence)
    low, high = lower_bound(ndc, careful), upper_bound(ndc, careful)
    return replace(found, categories=(float(low), float(high)))


def bounded(value: float, draws: Array, read: Array, rules: Rules, purpose: str) -> Criterion:
    """Return a calculated ratio with the bounds that its draws give, the upper one as read."""
    return Criterion(
        name="of the tolerance" if purpose == "accept" else "of the total variation",
        value=value,
        good=rules.good_percent,
        limit=rules.limit_percent,
        lower=float(careful_lower_bound(draws, rules.confidence)),
        upper=float(upper_bound(read, rules.confidence)),
        below_good=float(confidence_below(read, rules.good_percent)),
        below_limit=float(confidence_below(read, rules.limit_percent)),
    )


def _remedy(study: Study) -> str:
    if study.purpose == "accept" and study.tolerance is None:
        return "Give the tolerance on the drawing, or judge for purpose 'control'"
    if study.purpose == "control":
        return "Give the process sd from records, or measure parts that represent the process"
    return "Check the limits and the process mean"


def conditions_of_use(study: Study, *, zeroing: bool = True) -> tuple[str, ...]:
    """Return the conditions under which the study was taken, as conditions of use.

    Zero is to be checked as often as in the study, or as often as `grr.drift` asks for where
    that is oftener; not told with ``zeroing=False``.
    """
    conditions = []
    readings = study.readings
    readings = readings[readings["reading"].notna()]
    names = natural_order(readings["operator"])
    if len(names) == 1:
        conditions.append(f"Only operator {names[0]}: nobody else was studied.")
    elif study.all_studied:
        conditions.append(f"Only the operators studied: {listed(names)}.")
    elif math.isfinite(study.people):
        conditions.append(
            f"Only the {study.people:.0f} people of whom {len(names)} were studied "
            f"({listed(names)}); the others are taken to be like these."
        )
    if len(study.methods) == 1:
        conditions.append(f"Only measured like this: {study.methods[0]}.")
    conditions += _gauges_and_places(study, readings)
    facts = study.facts
    for key, sentence in (
        ("holding", "Hold the gauge as in the study: {}."),
        ("measuring_place", "Measure where the study did: {}."),
        ("soak_minutes", "Let gauge and parts soak together for at least {} minutes."),
        ("zero_orientation", "Zero it held as in the study: {}."),
        ("zeroed_how_often", "Check zero as often as in the study: {}."),
        ("ratchet_turns", "Close with {} turns of the ratchet."),
    ):
        value = facts.get(key)
        if key == "zeroed_how_often":
            every = zero_interval(study)
            if not zeroing:
                continue
            if every:
                conditions.append(f"Zero the gauge {every}: the drift that was seen asks for it.")
                continue
        if value not in (None, ""):
            conditions.append(sentence.format(value))
    return tuple(conditions)


#: More places than these are not listed.
_MOST_PLACES = 6


def _gauges_and_places(study: Study, readings: pd.DataFrame) -> list[str]:
    """Return for which gauges, and which places on a part, a study of several holds."""
    told = []
    gauges = natural_order(readings["gauge"]) if "gauge" in readings else ()
    if len(gauges) > 1:
        names, used = listed(gauges), study.gauges_used
        if used == len(gauges):
            told.append(f"Only with the gauges studied: {names}.")
        elif math.isfinite(used):
            told.append(
                f"Only with the {used:.0f} gauges of which {len(gauges)} were studied ({names}); "
                "the others are taken to be like these."
            )
        else:
            told.append(f"With gauges of the same kind as {names}, which count as a sample.")
    places = natural_order(readings["place"]) if "place" in readings else ()
    stated = study.facts.get("measuring_place") not in (None, "")
    if 1 < len(places) <= _MOST_PLACES and not stated:
        told.append(f"Measure at the places studied: {listed(places)}.")
    return told


#: More sampled operators than this are not practicable.
MOST_OPERATORS = 12
_DRAWS = 20_000


def if_operators_fixed(result: GaugeResult, found: Criterion) -> list[Step]:
    """Return what the same readings decide if these are all the operators there will be."""
    study = replace(result.study, operators="fixed")
    fixed, specification = replace(result, study=study), specification_of(result)
    draws, read = (
        ratio_draws(pivots, specification, study.purpose)
        for pivots in (pivots_of(fixed), pivots_as_read(fixed))
    )
    confidence = confidence_of(study)
    low, high = float(careful_lower_bound(draws, confidence)), float(upper_bound(read, confidence))
    opening = (
        "If the operators studied are all who will ever use it (to be stated before the "
        "readings are taken)"
    )
    if high <= found.limit:
        told = f"these readings decide: GRR is under {percent(high)} {found.name}."
    elif low > found.limit:
        told = f"these readings decide against it: GRR is over {percent(low)}."
    else:
        return []
    return [Step("people", f"{opening}, {told}")]


def operators_needed(result: GaugeResult, found: Criterion) -> int | None:
    """Return how many sampled operators would decide, if the variances are as estimated.

    None where more than 12 would be needed. Each number of operators is tried with every
    mean square at the value that the estimates lead to expect, parts and trials as they are.
    """
    shape = result.study.cube().packed.shape
    specification, rules = specification_of(result), rules_at_look(result.study)
    seen = degrees_of_freedom(result.study)
    known = float(seen.used / seen.counted) if seen.used < seen.counted else None

    def decides(operators: int) -> bool:
        expected = _expected(result, shape[0], operators, shape[2])
        df = None if known is None else known * expected.df_error
        pivots = crossed_pivots(expected, draws=_DRAWS, df_error=df)
        if found.value <= found.limit:
            pivots = as_read(pivots, result.value("GRR", "sd"), result.study.resolution)
        draws = ratio_draws(pivots, specification, result.study.purpose)
        if found.value <= found.limit:
            return float(upper_bound(draws, rules.confidence)) <= found.limit
        return float(careful_lower_bound(draws, rules.confidence)) > found.limit

    # More operators decide more: the fewest is between one that does not and one that does.
    too_few, enough = shape[1], MOST_OPERATORS
    if too_few >= enough or not decides(enough):
        return None
    while enough - too_few > 1:
        middle = (too_few + enough) // 2
        too_few, enough = (too_few, middle) if decides(middle) else (middle, enough)
    return int(enough)


def _expected(result: GaugeResult, p: int, o: int, r: int) -> CrossedAnova:
    """Return the sums of squares that the estimated variances lead to expect."""
    part, operator, interaction, error = (
        np.asarray(np.nan_to_num(result.value(name, "variance")))
        for name in ("PV", "AV", "INT", "EV")
    )
    if "SES" in result.source_names:  # everyone who comes brings sessions of their own
        operator = operator + np.asarray(result.value("SES", "variance"))
    cell = error + r * interaction
    return CrossedAnova(
        parts=p,
        operators=o,
        trials=r,
        mean=np.asarray(result.mean),
        ss_part=(p - 1) * (cell + o * r * part),
        ss_operator=(o - 1) * (cell + p * r * operator),
        ss_interaction=(p - 1) * (o - 1) * cell,
        ss_error=p * o * (r - 1) * error,
    )


def _meanwhile(result: GaugeResult) -> str:
    """Return how to measure until it is decided."""
    if result.study.purpose == "control":
        return (
            "Until it is decided, do not steer the process by single readings: use means of "
            "several."
        )
    known = narrowed(result)
    if known is not None and known.limits is None:
        return "Until it is decided, measure parts near a limit with another gauge."
    if known is not None:
        return "Until it is decided, accept parts only within the acceptance limits."
    return (
        "Until it is decided, accept parts only within limits narrowed by the measurement "
        "uncertainty (notebook 5, Risk and limits)."
    )


def _more_operators(result: GaugeResult, found: Criterion) -> Step:
    study = result.study
    if study.design == "nested" or not study.balanced:
        return Step(
            "operators", "More operators, each with parts of their own, would narrow it down."
        )
    needed = operators_needed(result, found)
    if needed is None:
        return Step(
            "operators",
            "No practicable study with sampled operators decides this: more than "
            f"{MOST_OPERATORS} would be needed.",
        )
    readings = needed * len(study.parts) * study.trials
    return Step(
        "operators",
        f"A study with about {needed} operators instead of {len(study.operator_names)} "
        f"({cost_of(readings, study)}) has a better than even chance to decide it, if the "
        "spread is as estimated.",
        readings=readings,
    )


def _more_of_sources(result: GaugeResult) -> Step | None:
    """Return of what more would narrow it down where sessions, gauges or places are sources.

    None where the number of people that decides can be worked out: each brings their own sessions.
    """
    study, names = result.study, {*result.source_names}
    more = [
        several
        for several, sampled in (
            ("operators", study.operators == "random" and len(study.operator_names) > 1),
            ("gauges", "GAU" in names and study.gauges_used == math.inf),
            ("sessions", "SES" in names),
        )
        if sampled
    ]
    own = more[:1] == ["operators"] and has_own_sessions(study) and not {"GAU", "WPV"} & names
    if not more or own or not {"SES", "GAU", "WPV"} & names:
        return None
    return Step(
        "operators",
        f"More {listed(more)}, measuring the same parts, would narrow it down. How many decide is "
        "not told: where sessions, gauges or places are sources, larger studies are not simulated.",
    )


def ways_to_decide(
    result: GaugeResult, found: Criterion, improving: tuple[Step, ...]
) -> tuple[Step, ...]:
    """Return what would decide, in the order in which to consider it."""
    study = result.study
    steps = []
    sampled = study.operators == "random" and len(study.operator_names) > 1
    if sampled:
        steps += if_operators_fixed(result, found)
    unseen = study.people - len(study.operator_names)
    if 0 < unseen < math.inf:
        readings = round(unseen) * len(study.parts) * study.trials
        cost = cost_of(readings, study)
        told = (
            f"Measure with the {unseen:.0f} other people as well ({cost}): then nothing needs to "
            "be assumed about them."
            if unseen > 1
            else f"Measure with the one other person as well ({cost}): then nothing needs to be "
            "assumed."
        )
        steps.append(Step("people", told, readings=readings))
    steps += improving
    steps.append(Step("meanwhile", _meanwhile(result)))
    further = second_stage_of(result)
    if further is not None:
        told = stage_sentence(further, cost_of(further.readings, study))
        steps.append(Step("operators", told, readings=further.readings))
    if (of_sources := _more_of_sources(result)) is not None:
        steps.append(of_sources)
    elif sampled and look_of(study).number == 1:
        steps.append(_more_operators(result, found))
    elif len(study.operator_names) == 1:
        steps.append(Step("operators", "More readings by this operator would narrow it down."))
    return tuple(steps)
