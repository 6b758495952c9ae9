"""What a comparison of two methods says, in words."""

from __future__ import annotations

import math

from grr.formulas.method_comparison import BASELINE, CANDIDATE, NEITHER, OPEN, MethodEvidence
from grr.model.names import begun, shortened
from grr.model.rounding import JOIN, counted, figures, length, listed, percent
from grr.questions.method_evidence import Margin, MethodJudgement
from grr.questions.method_help import Remedy
from grr.questions.method_numbers import MethodNumbers, Ratio
from grr.questions.method_risks import MethodRisks
from grr.questions.verdict import Criterion

#: What each choice is called.
DECISIONS = {
    CANDIDATE: "candidate is good enough for this tolerance",
    BASELINE: "baseline is needed",
    NEITHER: "neither is good enough",
    OPEN: "can't tell yet",
}


#: Longest name in a headline.
LONGEST_NAME = 30
#: With fewer degrees of freedom than this, equivalence is hopeless.
FEW_DF = 5.0


def headline(numbers: MethodNumbers, choice: str) -> str:
    """Return the decision with the names of the methods."""
    baseline, candidate = (shortened(name, LONGEST_NAME) for name in numbers.methods)
    return {
        CANDIDATE: f"{candidate} is good enough for this tolerance",
        BASELINE: f"{baseline} is needed",
        NEITHER: f"Neither {baseline} nor {candidate} is good enough",
        OPEN: f"Can't tell yet whether {candidate} will do",
    }[choice]


def share_sentence(numbers: MethodNumbers, judgements: dict[str, MethodJudgement]) -> str:
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


def difference_sentence(
    numbers: MethodNumbers, margin: Margin | None, evidence: MethodEvidence | None
) -> str:
    """Return the mean difference with its interval, and what it is against the margin."""
    found, study = numbers.difference, numbers.study
    mean = float(found.mean)
    low, high = (float(v) for v in found.limits(numbers.level))
    text = (
        f"{begun(numbers.candidate)} reads {length(abs(mean), study.unit)} "
        f"{'lower' if mean < 0 else 'higher'} than {numbers.baseline} on average "
        f"({100 * numbers.level:g}{JOIN}% interval {_signed(low, study.unit)} to "
        f"{_signed(high, study.unit)})"
    )
    if margin is None:
        return text + "; no margin was stated to hold it against."
    confidence = numbers.study.rules.confidence
    shown = "not shown to be inside or outside of"
    if evidence is not None and float(evidence.difference_within) >= confidence:
        shown = "shown to be inside"
    elif evidence is not None and float(evidence.difference_beyond) >= confidence:
        shown = "shown to be outside"
    return f"{text}: {shown} the margin of ±{margin_text(numbers, margin)}."


def margin_text(numbers: MethodNumbers, margin: Margin) -> str:
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


def ratio_sentence(numbers: MethodNumbers) -> str:
    """Return how much more the candidate scatters, and how much larger its GRR is."""
    phrases = [
        f"{what} {_times(ratio)}"
        for what, ratio in (("repeatability", numbers.ev_ratio), ("GRR", numbers.grr_ratio))
        if ratio is not None
    ]
    if not phrases:
        return "The repeatabilities cannot be compared: nothing was repeated, or nothing scatters."
    if len(phrases) == 2 and numbers.ev_ratio is numbers.grr_ratio:
        phrases = phrases[:1]
    return f"{begun(numbers.candidate)} over {numbers.baseline}: {listed(phrases)}."


def _times(ratio: Ratio) -> str:
    return f"× {figures(ratio.estimate)} ({figures(ratio.lower)} to {figures(ratio.upper)})"


def agreement_sentence(numbers: MethodNumbers) -> str:
    """Return between what limits single readings by the two methods differ."""
    found, unit = numbers.agreement, numbers.study.unit
    low, high = float(found.lower), float(found.upper)
    return (
        f"95 of 100 single readings by {numbers.candidate} lie between {_signed(low, unit)} and "
        f"{_signed(high, unit)} of a reading by {numbers.baseline}, same part, same operator "
        "(limits of agreement)."
    )


def operators_sentence(numbers: MethodNumbers) -> str:
    """Return how the operators are counted, and what that means."""
    count = counted(len(numbers.study.operator_names), "operator")
    if numbers.study.operators == "fixed":
        return f"The {count} count as all who will ever measure: this holds for them only."
    df = float(numbers.difference.df)
    text = (
        f"The {count} count as a sample of those who will measure; the mean difference then has "
        f"{figures(df)} degrees of freedom"
    )
    if df >= FEW_DF:
        return f"{text}."
    return (
        f'{text}, with which agreement can hardly be shown. operators="fixed" asks about these '
        "operators only."
    )


def cost_sentences(
    numbers: MethodNumbers, judgements: dict[str, MethodJudgement], risks: MethodRisks
) -> list[str]:
    """Return what choosing the candidate costs, and what it saves."""
    base, candidate = (judgements[name].criterion for name in numbers.methods)
    lines = []
    if base is not None and candidate is not None:
        more = candidate.value - base.value
        lines.append(
            f"{begun(numbers.candidate)} takes {percent(abs(more))} "
            f"{'more' if more >= 0 else 'less'} {candidate.name} than {numbers.baseline}."
        )
    if risks.by_method:
        phrases = [
            f"{figures(risks.misjudged(name))} by {name} "
            f"({figures(risks.bad_accepted(name))} of them bad and accepted)"
            for name in numbers.methods
        ]
        lines.append(f"Of a thousand parts are misjudged: {listed(phrases)}.")
    elif risks.reason:
        lines.append(f"Parts misjudged: not estimated, {risks.reason}.")
    seconds = [numbers.seconds.get(name) for name in numbers.methods]
    if seconds[0] is not None and seconds[1] is not None:
        slower = seconds[0] - seconds[1]
        who = numbers.baseline if slower >= 0 else numbers.candidate
        lines.append(
            f"A reading takes {figures(seconds[0])}{JOIN}s by {numbers.baseline} and "
            f"{figures(seconds[1])}{JOIN}s by {numbers.candidate}: {who} costs "
            f"{figures(abs(slower))}{JOIN}s a reading."
        )
    return lines


def correction_sentences(
    numbers: MethodNumbers, margin: Margin | None, remedies: tuple[Remedy, ...]
) -> list[str]:
    """Return what to do about a mean difference that none of the remedies takes away."""
    mean = float(numbers.difference.mean)
    if margin is None or abs(mean) < margin.length:
        return []
    if any(abs(remedy.difference) < margin.length for remedy in remedies):
        return []
    return [
        f"A mean difference that stays the same can be set right: zero the gauge as "
        f"{numbers.candidate} holds it, on a master of the part's size, and compare again."
    ]


def open_sentences(
    numbers: MethodNumbers,
    judgements: dict[str, MethodJudgement],
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


def _signed(value: float, unit: str) -> str:
    return f"{'−' if value < 0 else '+'}{length(abs(value), unit)}" if value else "0"
