"""`grr.verdict`: may this gauge be used for this tolerance?"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from grr.analysis.misclassifying import misclassification
from grr.analysis.printing import opening
from grr.analysis.result import GaugeResult
from grr.analysis.sources import NAMES
from grr.errors import StudyError
from grr.judge.advice import bench_advice
from grr.judge.check import check
from grr.judge.conditions import conditions_of_use
from grr.judge.criteria import Criterion, criterion, dominant_source, least_categories
from grr.judge.decision import DO_NOT_USE, LIKE_THIS, NOT_DECIDED, USE, decide
from grr.judge.findings import Findings
from grr.judge.undecided import ways_to_decide
from grr.wording import tables
from grr.wording.rounding import counted, figures, length, percent

#: What each decision looks like: a mark beside the words, and a colour.
LOOKS = {
    USE: ("●", "#00664a"),
    LIKE_THIS: ("◐", "#00527a"),
    DO_NOT_USE: ("✖", "#a63d00"),
    NOT_DECIDED: ("○", "#57606a"),
}
_METHODS = {"anova": "analysis of variance", "average_range": "average and range"}
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

    def _sections(self) -> list[tuple[str, tuple[str, ...]]]:
        return [
            ("Why", self.reasons),
            ("Conditions", self.conditions),
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


def verdict(result: GaugeResult) -> Verdict:
    """Judge a measuring system for its purpose, with confidence.

    The manual's rule is applied to the calculated value; the decision also needs the
    one-sided bound at the study's confidence on the right side of the threshold. Readings
    in which `grr.check` finds something to mend decide nothing.

    Parameters
    ----------
    result : GaugeResult
        From `grr.anova` or `grr.average_range`.

    Returns
    -------
    Verdict

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter II section D (thresholds, ndc of at least 5); the
    confidence rule is this project's own.
    """
    if not isinstance(result, GaugeResult):
        raise StudyError(
            "A verdict needs a result",
            "Write grr.verdict(grr.anova(study))",
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
            "By the manual's rule: not applicable.",
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
        by_manual=_by_manual(result, found),
        by_confidence=_by_confidence(result, found),
        reasons=_reasons(result, found, categories, findings),
        conditions=_conditions(result, found, decision),
        next_steps=_next_steps(result, found, decision, findings),
        findings=findings,
    )


def _by_manual(result: GaugeResult, found: Criterion) -> str:
    classes = {
        "good": f"under {found.good:g} %: good",
        "between": f"between {found.good:g} % and {found.limit:g} %: may be acceptable, depending "
        "on the use, the cost of the gauge and of a wrong decision",
        "over": f"over {found.limit:g} %: not acceptable",
    }
    return (
        f"By the manual's rule (AIAG MSA, 4th ed.), calculated by {_METHODS[result.method]}: "
        f"GRR takes {percent(found.value)} {found.name}, {classes[found.by_value]}."
    )


def _by_confidence(result: GaugeResult, found: Criterion) -> str:
    level = f"With {100 * result.study.rules.confidence:g} % confidence"
    if found.by_confidence == "over":
        return f"{level} GRR takes more than {percent(found.lower)} {found.name}."
    if found.by_confidence == "open":
        return (
            f"{level} it can only be said that GRR takes between {percent(found.lower)} and "
            f"{_upper(found)} {found.name} (each a one-sided bound): the limit of "
            f"{found.limit:g} % lies between. Confidence that it is under {found.limit:g} %: "
            f"{_confidence(found.below_limit)}."
        )
    addition = ""
    if found.by_value == "good" and found.by_confidence == "between":
        addition = (
            f" Under {found.good:g} % is not shown: confidence {_confidence(found.below_good)}."
        )
    return f"{level} GRR takes less than {percent(found.upper)} {found.name}.{addition}"


def _confidence(share: float) -> str:
    return f"{100 * min(max(share, 0.001), 0.999):.{1 if share > 0.99 or share < 0.01 else 0}f} %"


def _upper(found: Criterion) -> str:
    return percent(found.upper) if found.upper < 1000 else "more than the whole"


def _reasons(
    result: GaugeResult,
    found: Criterion,
    categories: tuple[float, float] | None,
    findings: Findings,
) -> tuple[str, ...]:
    study = result.study
    source = dominant_source(result)
    reasons = list(_to_mend(findings))
    grr = result.value("GRR", "variance")
    if grr > 0.0:
        share = min(result.value(source, "variance") / grr, 1.0)
        reasons.append(
            f"The measuring system spreads over "
            f"{length(result.value('GRR', 'spread'), study.unit)} ({result.spread:g} sd); most "
            f"of it is {NAMES[source]} ({source}, {percent(100 * share)} of the variance)."
        )
    if study.purpose == "accept":
        reasons += _misjudged(result)
    looks = sum(finding.severity == "look" for finding in findings)
    if looks:
        reasons.append(f"{counted(looks, 'finding')} to look at; see grr.check.")
    if result.floored:
        reasons.append(
            "The last digit hides the scatter of the repeats: how far EV is from the rounding "
            "error cannot be said with any confidence."
        )
    if categories is not None and result.ndc is not None:
        reasons.append(
            f"It tells {result.ndc} {'category' if result.ndc == 1 else 'categories'} of parts "
            f"apart (ndc; at least {study.rules.least_ndc} are asked for), with confidence "
            f"at least {figures(max(1.0, categories[0]), 2)}."
        )
    if study.rules.method_of_record != result.method:
        record = _METHODS[study.rules.method_of_record]
        reasons.append(
            f"The method of record of this study is {record}; this verdict was asked for by the "
            "other method."
        )
    return tuple(reasons)


def _conditions(result: GaugeResult, found: Criterion, decision: str) -> tuple[str, ...]:
    if decision not in {USE, LIKE_THIS}:
        return ()
    conditions = list(conditions_of_use(result.study))
    accepts = result.study.purpose == "accept"
    if decision == LIKE_THIS and found.by_confidence != "good" and accepts:
        conditions.append(
            f"GRR is not shown to be under {found.good:g} %: near the limits good and bad parts "
            "are mixed up. Use acceptance limits (grr.guard_band) where that matters."
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
    bad, good = (1e6 * risks.value(name) for name in ("bad_accepted", "good_rejected"))
    return [
        f"Of a million parts made like these, about {_rough(bad)} would be bad and accepted, "
        f"{_rough(good)} good and rejected, judged at the tolerance limits (grr.misclassification)."
    ]


def _rough(number: float) -> str:
    return "fewer than one" if number < 1.0 else f"{float(f'{number:.1e}'):.0f}"


def _to_mend(findings: Findings) -> tuple[str, ...]:
    """Return the sentence that says how much must be settled first; none where nothing must."""
    count = sum(finding.severity == "mend" for finding in findings)
    if not count:
        return ()
    return (
        f"{counted(count, 'finding')} must be settled before these numbers can be trusted; see "
        "grr.check.",
    )


def _remedies(findings: Findings) -> tuple[str, ...]:
    mend = [f"{f.place}: {f.todo}" for f in findings if f.severity == "mend"]
    return tuple(mend[:6])
