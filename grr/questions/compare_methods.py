"""`grr.compare_methods`: is the candidate good enough, or is the baseline needed?"""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from grr.formulas.method_comparison import (
    CANDIDATE,
    OPEN,
    MethodEvidence,
    choice_confidence,
    method_choice,
)
from grr.model.study import Study, checked_study
from grr.model.values import number
from grr.questions.check import check
from grr.questions.method_evidence import (
    Margin,
    MethodJudgement,
    judged,
    margin_of,
    method_evidence,
)
from grr.questions.method_help import Remedy, remedies
from grr.questions.method_numbers import MethodNumbers, method_numbers
from grr.questions.method_printing import methods_html, methods_text
from grr.questions.method_risks import MethodRisks, method_risks
from grr.questions.method_words import DECISIONS, headline


@dataclass(frozen=True, eq=False, repr=False)
class MethodComparison:
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
    to_mend : tuple of str
        What must be settled first: readings with something to mend decide nothing.
    """

    numbers: MethodNumbers
    judgements: dict[str, MethodJudgement]
    margin: Margin | None
    evidence: MethodEvidence | None
    choice: str
    confidence: float
    risks: MethodRisks
    remedies: tuple[Remedy, ...]
    to_mend: tuple[str, ...] = ()

    @property
    def decision(self) -> str:
        """The decision: candidate is good enough for this tolerance, baseline is needed, …"""
        return DECISIONS[self.choice]

    @property
    def headline(self) -> str:
        """The decision with the names of the methods."""
        return headline(self.numbers, self.choice)

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

    def __str__(self) -> str:
        return methods_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return methods_html(self)


def compare_methods(
    study: Study,
    *,
    baseline: str | None = None,
    candidate: str | None = None,
    operators: str = "fixed",
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
    numbers = method_numbers(
        study, baseline=baseline, candidate=candidate, operators=operators, level=level
    )
    judgements = {name: judged(numbers.results[name]) for name in numbers.methods}
    evidence = method_evidence(numbers, judgements, allowed)
    choice, confidence = OPEN, 0.0
    to_mend = tuple(f"{f.place}: {f.todo}" for f in check(study) if f.severity == "mend")
    if evidence is not None and not to_mend:
        choice = str(method_choice(evidence, study.rules.confidence))
        confidence = float(choice_confidence(evidence, choice))
    limit = None if allowed is None else allowed.length
    return MethodComparison(
        numbers=numbers,
        judgements=judgements,
        margin=allowed,
        evidence=evidence,
        choice=choice,
        confidence=confidence,
        risks=method_risks(numbers),
        remedies=() if choice == CANDIDATE else remedies(numbers, margin=limit),
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
