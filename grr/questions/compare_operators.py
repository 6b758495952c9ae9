"""`grr.compare_operators`: who reads high, who scatters, and who needs what."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from grr.model.names import shortened
from grr.model.rounding import length, listed
from grr.model.study import Study, checked_study
from grr.model.values import number
from grr.questions.offset_words import AGREES
from grr.questions.operator_numbers import OperatorNumbers, operator_numbers
from grr.questions.operator_printing import operators_html, operators_text
from grr.questions.operator_words import (
    OperatorConclusion,
    in_plural,
    operator_conclusions,
)

#: Longest name in a headline.
LONGEST_NAME = 30


@dataclass(frozen=True, eq=False, repr=False)
class OperatorComparison:
    """How the operators of a study compare.

    Attributes
    ----------
    numbers : OperatorNumbers
        Every figure behind it: ``numbers.table``, ``numbers.pairs``,
        ``numbers.scatter_tests``, ``numbers.cells``.
    conclusions : tuple of OperatorConclusion
        One an operator: findings, a sentence, usual causes, how to confirm.
    headline : str
        The answer in one sentence.
    """

    numbers: OperatorNumbers
    conclusions: tuple[OperatorConclusion, ...]
    headline: str

    @property
    def study(self) -> Study:
        """The study compared."""
        return self.numbers.study

    def about(self, operator: str) -> OperatorConclusion:
        """Return the conclusion about one operator."""
        return next(c for c in self.conclusions if c.operator == operator)

    def to_frame(self) -> pd.DataFrame:
        """Return one row an operator: the figures, and the findings in words."""
        findings = [", ".join(c.in_words) for c in self.conclusions]
        return self.numbers.table.assign(findings=findings)

    def __str__(self) -> str:
        return operators_text(self.numbers, self.conclusions, self.headline)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return operators_html(self.numbers, self.conclusions, self.headline)


def compare_operators(study: Study, *, level: float = 0.95) -> OperatorComparison:
    """Compare the operators of a study: offset, scatter, part by part, and over time.

    Each operator's mean is compared with the others on the same parts, the error being
    the part-by-operator interaction; all pairs by Tukey's test. Repeatabilities are
    compared by Bartlett's and Cochran's tests on the pooled variance within cells.

    Parameters
    ----------
    study : Study
        Readings by one method; take one of several with ``study.for_method``.
    level : float
        Confidence of the intervals; each question is asked of all operators together at
        1 − level.

    Returns
    -------
    OperatorComparison

    Raises
    ------
    StudyError
        Two methods, one operator, fewer than three parts, or a part that somebody did not
        measure.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 3.5.7 and 13.3
    (Tukey's test; mixed model); ISO 5725-2 and ASTM E691 (Cochran's C, h and k).
    """
    numbers = operator_numbers(
        checked_study(study), level=number("level", level, above=0.5, below=1.0)
    )
    conclusions = operator_conclusions(numbers)
    return OperatorComparison(numbers, conclusions, _headline(numbers, conclusions))


def _headline(numbers: OperatorNumbers, conclusions: tuple[OperatorConclusion, ...]) -> str:
    by_finding: dict[str, list[str]] = {}
    for conclusion in conclusions:
        for finding in conclusion.findings:
            by_finding.setdefault(finding, []).append(shortened(conclusion.operator, LONGEST_NAME))
    by_finding.pop(AGREES, None)
    if not by_finding and not any(c.agrees_with for c in conclusions):
        return _all_agree(numbers)
    phrases = [
        f"{listed(names)} {in_plural(finding, len(names))}" for finding, names in by_finding.items()
    ]
    return "; ".join([*phrases, *_agreement(conclusions)]) + "."


def _all_agree(numbers: OperatorNumbers) -> str:
    differences = numbers.pairs["difference"].abs()
    worst = float(differences.max())
    if bool((numbers.pairs["p"] < 1.0 - numbers.level).any()):
        return (
            "The operators agree to the last digit: their means lie up to "
            f"{length(worst, numbers.study.unit)} apart, less than one digit of the gauge; nobody "
            "scatters more, drifts or shifts."
        )
    seen = "" if math.isnan(worst) else " within what this study can see"
    return f"The operators agree{seen}: nobody reads off, scatters more, drifts or shifts."


def _agreement(conclusions: tuple[OperatorConclusion, ...]) -> list[str]:
    """Return who agrees: with everyone, or with whom."""
    alike = [c for c in conclusions if c.findings == (AGREES,) and not c.agrees_with]
    phrases = []
    if alike:
        names = listed([shortened(c.operator, LONGEST_NAME) for c in alike])
        phrases.append(f"{names} {'agrees' if len(alike) == 1 else 'agree'}")
    partly = [c for c in conclusions if c.agrees_with]
    group = {c.operator for c in partly}
    if len(group) > 1 and all({c.operator, *c.agrees_with} == group for c in partly):
        names = listed([shortened(c.operator, LONGEST_NAME) for c in partly])
        return [*phrases, f"{names} agree with each other"]
    return phrases + [
        f"{shortened(c.operator, LONGEST_NAME)} "
        f"agrees with {listed([shortened(name, LONGEST_NAME) for name in c.agrees_with], 3)}"
        for c in partly
    ]
