"""`grr.verdict`: may this gauge be used for this tolerance?"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from grr.model import tables
from grr.model.errors import StudyError
from grr.model.rounding import JOIN, MOST_PERCENT, counted, figures, length, percent
from grr.model.study import Study
from grr.questions.advice import bench_advice
from grr.questions.check import check
from grr.questions.conditions import conditions_of_use
from grr.questions.criteria import (
    Criterion,
    class_of,
    criterion,
    dominant_source,
    least_categories,
    share_of_parts_shown,
)
from grr.questions.decision import DO_NOT_USE, LIKE_THIS, NOT_DECIDED, USE, decide
from grr.questions.findings import Findings
from grr.questions.misclassifying import misclassification
from grr.questions.of_record import result_of_record
from grr.questions.printing import opening
from grr.questions.result import GaugeResult
from grr.questions.sources import NAMES
from grr.questions.undecided import ways_to_decide

#: What each decision looks like: a mark beside the words, and a colour.
LOOKS = {
    USE: ("●", "#00664a"),
    LIKE_THIS: ("◐", "#00527a"),
    DO_NOT_USE: ("✖", "#a63d00"),
    NOT_DECIDED: ("○", "#57606a"),
}
_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}
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
class Verdict:
    """A decision on a measuring system, and what it rests on.

    Attributes
    ----------
    decision : str
        One of USE, USE ONLY LIKE THIS, DO NOT USE FOR THIS TOLERANCE, NOT DECIDED YET.
    result : GaugeResult
    criterion : Criterion or None
        The ratio judged by; None where the study cannot give one.
    by_manual, by_confidence : str
        The manual's rule on the calculated value, and how sure that is.
    reasons, conditions, next_steps : tuple of str
    findings : Findings
        What `grr.check` found.
    """

    decision: str
    result: GaugeResult
    criterion: Criterion | None
    by_manual: str
    by_confidence: str
    reasons: tuple[str, ...]
    conditions: tuple[str, ...]
    next_steps: tuple[str, ...]
    findings: Findings

    def to_frame(self) -> pd.DataFrame:
        """Return the verdict as a table of one row."""
        found = self.criterion
        return pd.DataFrame(
            [
                {
                    "decision": self.decision,
                    "purpose": self.result.study.purpose,
                    "value": None if found is None else found.value,
                    "lower_bound": None if found is None else found.lower,
                    "upper_bound": None if found is None else found.upper,
                    "confidence": self.result.study.rules.confidence,
                    "dominant": dominant_source(self.result),
                    "must_mend": self.findings.must_mend,
                }
            ]
        )

    @property
    def conditions_title(self) -> str:
        """What the conditions are called: a USE holds for what was studied."""
        return "As studied" if self.decision == USE else "Conditions of use"

    def _sections(self) -> list[tuple[str, tuple[str, ...]]]:
        return [
            ("Why", self.reasons),
            (self.conditions_title, self.conditions),
            ("What to do next", self.next_steps),
        ]

    def __str__(self) -> str:
        mark, _ = LOOKS[self.decision]
        lines = [f"{mark} {self.decision}", ""]
        lines += [tables.paragraph(line) for line in opening(self.result)[:-1]]
        lines += ["", tables.paragraph(self.by_manual), tables.paragraph(self.by_confidence)]
        for title, sentences in self._sections():
            if sentences:
                lines += ["", title, *(tables.bullet(sentence) for sentence in sentences)]
        return "\n".join([*lines, "", tables.paragraph(CAUTION)])

    __repr__ = __str__

    def _repr_html_(self) -> str:
        mark, colour = LOOKS[self.decision]
        blocks = [
            tables.html_banner(f"{mark} {self.decision}", colour=colour),
            tables.html_prose(*opening(self.result)[:-1]),
            tables.html_prose(self.by_manual, self.by_confidence),
        ]
        for title, sentences in self._sections():
            if sentences:
                blocks += [tables.html_heading(title, 4), tables.html_list(sentences)]
        return "".join([*blocks, tables.html_prose(CAUTION)])


def verdict(result: GaugeResult | Study) -> Verdict:
    """Judge a measuring system for its purpose, with confidence.

    The manual's rule is applied to the calculated value; the decision also needs the
    one-sided bound at the study's confidence on the right side of the threshold. Readings
    in which `grr.check` finds something to mend decide nothing.

    Parameters
    ----------
    result : GaugeResult or Study
        From `grr.anova` or `grr.average_range`; a study is judged by its method of record.

    Returns
    -------
    Verdict

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter II section D (thresholds, ndc of at least 5); the
    confidence rule is this project's own.
    """
    if isinstance(result, Study):
        result = result_of_record(result)
    if not isinstance(result, GaugeResult):
        raise StudyError(
            "A verdict needs a study or a result",
            "Write grr.verdict(study) or grr.verdict(grr.anova(study))",
            value=type(result).__name__,
        )
    study = result.study
    findings = check(study)
    try:
        found = criterion(result)
    except StudyError as error:
        return Verdict(
            NOT_DECIDED,
            result,
            None,
            "No rule applies.",
            f"{error.problem}.",
            _to_mend(findings),
            (),
            (*_remedies(findings), error.remedy + "."),
            findings,
        )
    categories = least_categories(result) if study.purpose == "control" else None
    decision = decide(
        found,
        categories=categories,
        least_categories=study.rules.least_ndc,
        one_operator=len(study.operator_names) == 1,
        must_mend=findings.must_mend,
    )
    return Verdict(
        decision=decision,
        result=result,
        criterion=found,
        by_manual=_by_manual(result, found, findings),
        by_confidence=_by_confidence(result, found, categories, findings),
        reasons=_reasons(result, findings),
        conditions=_conditions(result, found, decision),
        next_steps=_next_steps(result, found, decision, findings),
        findings=findings,
    )


def _by_manual(result: GaugeResult, found: Criterion, findings: Findings) -> str:
    """Return the class of the calculated value by the thresholds of the study."""
    takes = f"GRR takes {percent(found.value)} {found.name}"
    if findings.must_mend:
        return f"No rule is applied yet; as the readings stand, {takes}."
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
    as_shown = share_of_parts_shown(result)
    if as_shown > found.value and class_of(as_shown, found) != found.by_value:
        lines.append(
            f"Summed from the sources as shown, with those below zero as 0, it would be "
            f"{percent(as_shown)}, another class: take it as undecided between the two."
        )
    return " ".join(lines)


def _by_confidence(
    result: GaugeResult,
    found: Criterion,
    categories: tuple[float, float] | None,
    findings: Findings,
) -> str:
    """Return what is shown at the study's confidence."""
    if findings.must_mend:
        return "How sure that is cannot be said of readings in which something must be mended."
    level = f"With {100 * result.study.rules.confidence:g} % confidence"
    lines = [f"{level} {_shown(result, found)}"]
    if result.method == "average_range":
        lines.append(
            "The bounds are those of the analysis of variance, which also sees the interaction."
        )
    if categories is not None:
        lines.append(_categories(categories, result.study.rules.least_ndc, level))
    return " ".join(lines)


def _shown(result: GaugeResult, found: Criterion) -> str:
    grr = "GRR" if len(result.study.operator_names) > 1 else "GRR (one operator: EV alone)"
    if found.by_confidence == "over":
        return f"{grr} takes more than {percent(min(found.lower, MOST_PERCENT))} {found.name}."
    if found.by_confidence == "open":
        return (
            f"it can only be said that {grr} takes between {percent(found.lower)} and "
            f"{_upper(found)} {found.name} (each a one-sided bound): the limit of "
            f"{found.limit:g} % lies between. Confidence that it is under {found.limit:g} %: "
            f"{_confidence(found.below_limit)}."
        )
    addition = ""
    if found.by_value == "good" and found.by_confidence == "between":
        addition = (
            f" Under {found.good:g} % is not shown: confidence {_confidence(found.below_good)}."
        )
    return f"{grr} takes less than {percent(found.upper)} {found.name}.{addition}"


def _categories(categories: tuple[float, float], least: int, level: str) -> str:
    """Return what is shown about ndc, the bound that decides."""
    low, high = categories
    if high < least:
        return f"{level} ndc, not rounded, is under {figures(high, 2)}: fewer than {least}."
    if low < least:
        return f"That ndc is at least {least} is not shown: {level.lower()} over {figures(low, 2)}."
    return f"{level} ndc, not rounded, is over {figures(low, 2)}."


def _classes(number: int) -> str:
    return "one category" if number == 1 else f"{number} categories"


def _confidence(share: float) -> str:
    return f"{100 * min(max(share, 0.001), 0.999):.{1 if share > 0.99 or share < 0.01 else 0}f} %"


def _upper(found: Criterion) -> str:
    return percent(found.upper) if found.upper < 1000 else "more than the whole"


def _reasons(result: GaugeResult, findings: Findings) -> tuple[str, ...]:
    study = result.study
    source = dominant_source(result)
    reasons = list(_to_mend(findings))
    grr = result.value("GRR", "variance")
    if grr > 0.0 and not findings.must_mend:
        share = min(result.value(source, "variance") / grr, 1.0)
        reasons.append(
            f"The measuring system spreads over "
            f"{length(result.value('GRR', 'spread'), study.unit)} ({result.spread:g} sd); most "
            f"of it is {NAMES[source]} ({source}, {percent(100 * share)} of the variance)."
        )
    if study.purpose == "accept" and not findings.must_mend:
        reasons += _misjudged(result)
    looks = sum(finding.severity == "look" for finding in findings)
    if looks:
        reasons.append(f"{counted(looks, 'finding')} to look at, see the check of the data.")
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
    return tuple(reasons)


def _conditions(result: GaugeResult, found: Criterion, decision: str) -> tuple[str, ...]:
    if decision not in {USE, LIKE_THIS}:
        return ()
    conditions = list(conditions_of_use(result.study)) or [UNSTATED]
    accepts = result.study.purpose == "accept"
    if decision == LIKE_THIS and found.by_confidence != "good" and accepts:
        conditions.append(
            f"GRR is not shown to be under {found.good:g} %: near the limits good and bad parts "
            "are mixed up. Use acceptance limits where that matters."
        )
    return tuple(conditions)


def _next_steps(
    result: GaugeResult, found: Criterion, decision: str, findings: Findings
) -> tuple[str, ...]:
    if findings.must_mend:
        return _remedies(findings)
    advice = bench_advice(result)
    if decision == NOT_DECIDED:
        return ways_to_decide(result, found, advice[0])
    if decision == USE:
        return (
            "Record on the gauge's card how it was used here, and watch the gauge with a check "
            "standard.",
        )
    return advice


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


def _remedies(findings: Findings) -> tuple[str, ...]:
    mend = [f"{f.place}: {f.todo}" for f in findings if f.severity == "mend"]
    return tuple(mend[:6])
