"""`grr.drift`: do the readings drift while measuring, and when to zero again."""

from __future__ import annotations

import math
from dataclasses import dataclass

import pandas as pd

from grr.model import tables
from grr.model.errors import StudyError
from grr.model.names import shortened
from grr.model.rounding import figures, length, listed
from grr.model.study import Study, checked_study
from grr.model.values import number
from grr.questions.drift_numbers import DriftNumbers, MethodDrift, drift_numbers
from grr.questions.drift_words import (
    ReZero,
    begun,
    bump_sentences,
    change_sentences,
    drift_sentence,
    re_zero,
    re_zero_sentence,
    unlike_sentence,
    warming_sentence,
    zero_sentence,
)
from grr.questions.printing import EXAMPLE
from grr.questions.trial_words import change_words, who_changed

#: Longest name in a headline.
LONGEST_NAME = 30

CAUTION = (
    "Zero on a master of the part's size: an even warming of gauge and spindle cannot be seen on "
    "closed faces. The calibration procedure of the gauge comes first."
)


@dataclass(frozen=True, eq=False, repr=False)
class Drift:
    """Whether readings drift while measuring, by method and operator.

    Attributes
    ----------
    numbers : DriftNumbers
        ``numbers.series`` (each operator by each method), ``numbers.methods``.
    re_zero : dict
        Method → ReZero; empty where nothing says what may drift.
    warmed_mm : float
        Length of steel that a warming is told for, in mm.
    headline : str
        The answer in one sentence.
    """

    numbers: DriftNumbers
    re_zero: dict[str, ReZero]
    warmed_mm: float
    headline: str

    @property
    def study(self) -> Study:
        """The study looked at."""
        return self.numbers.study

    def method(self, name: str) -> MethodDrift:
        """Return the drift under one method."""
        if name not in self.numbers.methods:
            raise StudyError(
                "No drift was fitted for this method",
                f"Use one of: {', '.join(self.numbers.methods)}",
                value=name,
            )
        return self.numbers.methods[name]

    @property
    def sudden(self) -> list[str]:
        """What changes at once, in words: between trials, or by a bump."""
        return _sudden(self.numbers)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a method and operator."""
        return self.numbers.series.copy()

    @property
    def sentences(self) -> tuple[str, ...]:
        """What was found, method by method."""
        lines = []
        for name, found in self.numbers.methods.items():
            lines.append(drift_sentence(self.numbers, found))
            lines.append(unlike_sentence(self.numbers, found))
            if name in self.re_zero:
                lines.append(re_zero_sentence(self.numbers, found, self.re_zero[name]))
            lines.append(warming_sentence(self.numbers, found, self.warmed_mm))
            lines.append(zero_sentence(self.numbers, found))
        lines += [*change_sentences(self.numbers), *bump_sentences(self.numbers)]
        return tuple(line for line in lines if line)

    def _opening(self) -> list[str]:
        return [*([EXAMPLE] if self.study.example else []), self.study.summary]

    def _rows(self) -> tuple[list[str], list[list[str]]]:
        per = "a minute" if self.numbers.taken.unit == "min" else "a reading"
        head = ["Method, operator", f"drift {per}", "over a session", "p"]
        unit = self.study.unit
        columns = self.numbers.series[["slope", "lower", "upper", "over", "p"]].reset_index()
        rows = [
            [
                f"{method}, {operator}" if method else operator,
                f"{_signed(slope, unit)} ± {length((high - low) / 2, unit)}",
                _signed(over, unit),
                "< 0.001" if p < 0.001 else figures(p),
            ]
            for method, operator, slope, low, high, over, p in columns.itertuples(
                index=False, name=None
            )
        ]
        return head, rows

    def __str__(self) -> str:
        lines = [tables.paragraph(line) for line in (*self._opening(), "", self.headline, "")]
        lines += [tables.bullet(sentence) for sentence in self.sentences]
        lines += ["", tables.text_table(*self._rows()), "", tables.paragraph(CAUTION)]
        return "\n".join(lines)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return (
            tables.html_prose(*self._opening())
            + tables.html_heading(self.headline)
            + tables.html_list(self.sentences)
            + tables.html_folded("Operator by operator", tables.html_table(*self._rows()))
            + tables.html_prose(CAUTION)
        )


def drift(
    study: Study,
    *,
    allowed_share: float = 0.05,
    allowed: float | None = None,
    warmed_mm: float = 25.0,
    level: float = 0.95,
) -> Drift:
    """Look for drift from picking the gauge up to putting it down.

    Readings against the minutes since the gauge was zeroed (or the session began; the
    order taken where times are missing), once the means of parts and sessions are taken
    off within each operator and method. A straight line for each operator; a settling
    curve for each method where it explains more than a line at 1 %; the most likely bump
    in each series; and the change of the zero where it was checked before and after.

    Parameters
    ----------
    study : Study
        With the column ``time``, or ``order``; one method or several.
    allowed_share : float
        Share of the tolerance that drift may eat before the gauge is zeroed again.
    allowed : float, optional
        The same as a length, in the unit of the study; needed for one-sided tolerances.
    warmed_mm : float
        Length of steel in mm for which a drift is told as a warming: the frame.
    level : float
        Confidence of the intervals.

    Returns
    -------
    Drift

    Raises
    ------
    StudyError
        No times and no order, or nobody measured a part at two different times.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, chapter 15 (analysis of
    covariance); Andrews, Econometrica 61 (1993), 821-856 (bump and curve, p simulated);
    Newton's law of cooling (curve).
    """
    checked_study(study)
    level = number("level", level, above=0.5, below=1.0)
    warmed_mm = number("warmed_mm", warmed_mm, above=0.0)
    share = number("allowed_share", allowed_share, above=0.0, below=1.0)
    numbers = drift_numbers(study, level=level)
    limit, share = _allowed(study, share, allowed)
    when = {}
    if limit is not None:
        when = {
            name: re_zero(numbers, name, limit, share)
            for name, found in numbers.methods.items()
            if float(found.slope.error) > 0.0
        }
    return Drift(numbers, when, warmed_mm, _headline(numbers))


def _allowed(study: Study, share: float, allowed: float | None) -> tuple[float | None, float]:
    """Return what may drift as a length, and as a share of the tolerance."""
    width = None if study.tolerance is None else study.tolerance.width
    if allowed is not None:
        limit = number("allowed", allowed, above=0.0)
        return limit, math.nan if width is None else limit / width
    return (None, math.nan) if width is None else (share * width, share)


def _headline(numbers: DriftNumbers) -> str:
    """Return the drift, and what changed at once: between trials, or by a bump."""
    drift, sudden = _drift_words(numbers), _sudden(numbers)
    if not sudden:
        return f"{begun(drift)}."
    return f"{begun(drift)}; but {listed(sudden)}."


def _sudden(numbers: DriftNumbers) -> list[str]:
    """Return the changes at once; a bump only where no change between trials tells of it."""
    study, found = numbers.study, []
    told: set[tuple[str, str]] = set()
    for method, changes in numbers.changes.items():
        for change in changes:
            told.update((method, name) for name in change.operators)
            who = who_changed(change, study)
            how = f", {shortened(method, LONGEST_NAME)}" if method else ""
            found.append(f"{change_words(change, study)} ({who}{how})")
    bumped = {b.operator for b in numbers.bumps if (b.method, b.operator) not in told}
    if bumped:
        names = listed([shortened(n, LONGEST_NAME) for n in study.operator_names if n in bumped])
        found.append(f"the readings of {names} jump within a session")
    return found


def _drift_words(numbers: DriftNumbers) -> str:
    changes = {name: numbers.change(name) for name in numbers.methods}
    steady = [shortened(name, LONGEST_NAME) for name, change in changes.items() if change == 0.0]
    if len(steady) == len(changes):
        return "no drift shows while measuring"
    phrases = []
    for name, change in changes.items():
        if change != 0.0:
            who = shortened(numbers.fastest(name) or "the gauge", LONGEST_NAME)
            how = f" ({shortened(name, LONGEST_NAME)})" if name else ""
            way = "falls" if change < 0 else "rises"
            size = length(abs(change), numbers.study.unit)
            phrases.append(f"what {who} reads{how} {way} by {size} in a session")
    text = "; ".join(phrases)
    return f"{text}; {listed(steady)} shows no drift" if steady else text


def _signed(value: float, unit: str) -> str:
    return f"{'−' if value < 0 else '+'}{length(abs(value), unit)}" if value else "0"
