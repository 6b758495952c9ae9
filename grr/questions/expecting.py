"""`grr.expected_precision` and `grr.compare_designs`: what a study can decide, beforehand."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

import pandas as pd

from grr.formulas.pivots import SEED
from grr.formulas.precision import Design, Precision, Shares, designs_within, simulated_precision
from grr.model.errors import StudyError
from grr.model.rules import Rules
from grr.model.values import needs, number
from grr.questions.expecting_printing import (
    comparison_html,
    comparison_text,
    expectation_html,
    expectation_text,
)

if TYPE_CHECKING:
    from tqdm import tqdm

#: What a good and a bad gauge truly take of the tolerance, in percent.
GOOD_GAUGE, BAD_GAUGE = 8.0, 40.0
#: A gauge between the thresholds, for the table.
BETWEEN = 20.0


@dataclass(frozen=True)
class Question:
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
class ExpectedPrecision:
    """What studies of one design would find, by simulation.

    Attributes
    ----------
    precision : Precision
        The simulated studies.
    question : Question
    studies : int
    """

    precision: Precision
    question: Question
    studies: int

    @property
    def good_shown_good(self) -> float:
        """Assurance, 0 to 1, that a truly good gauge is declared good with confidence."""
        return self.question.assurances(self.precision)[0]

    @property
    def bad_shown_bad(self) -> float:
        """Assurance, 0 to 1, that a truly bad gauge is declared bad with confidence."""
        return self.question.assurances(self.precision)[1]

    def to_frame(self) -> pd.DataFrame:
        """Return one row a true percentage.

        Columns: true_percent, lower and upper (limits in the middle study), width
        (expected width of the interval), and the assurances shown_under_good,
        shown_under_limit, shown_over_limit.
        """
        rules, found = self.question.rules, self.precision
        rows = []
        for true in (self.question.good_gauge, BETWEEN, self.question.bad_gauge):
            low, high = found.limits(true)
            rows.append(
                {
                    "true_percent": true,
                    "lower": low,
                    "upper": high,
                    "width": found.width * true,
                    "shown_under_good": found.assurance_under(rules.good_percent, true),
                    "shown_under_limit": found.assurance_under(rules.limit_percent, true),
                    "shown_over_limit": found.assurance_over(rules.limit_percent, true),
                }
            )
        return pd.DataFrame(rows)

    def __str__(self) -> str:
        return expectation_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return expectation_html(self)


@dataclass(frozen=True, eq=False, repr=False)
class DesignComparison:
    """Designs that fit a number of readings, the one that decides most first.

    Attributes
    ----------
    table : DataFrame
        Columns parts, operators, trials, readings, good_shown_good, bad_shown_bad,
        decides (their mean) and width (expected width of the interval of GRR, as a
        multiple of the true GRR).
    budget : int
        The readings that there are.
    question : Question
    operators_are : {"random", "fixed"}
    shares : Shares
    studies : int
    """

    table: pd.DataFrame
    budget: int
    question: Question
    operators_are: str
    shares: Shares
    studies: int

    def to_frame(self) -> pd.DataFrame:
        """Return the table of designs."""
        return self.table.copy()

    def __str__(self) -> str:
        return comparison_text(self)

    __repr__ = __str__

    def _repr_html_(self) -> str:
        return comparison_html(self)


def expected_precision(
    parts: int,
    operators: int,
    trials: int = 3,
    *,
    operators_are: str = "random",
    good_gauge: float = GOOD_GAUGE,
    bad_gauge: float = BAD_GAUGE,
    shares: tuple[float, float, float] = (0.6, 0.3, 0.1),
    rules: Rules | None = None,
    level: float = 0.95,
    studies: int = 2000,
    seed: int = SEED,
    progress: bool = True,
) -> ExpectedPrecision:
    """Simulate studies of a design: how wide the interval of GRR, how sure a verdict.

    Parameters
    ----------
    parts, operators, trials : int
    operators_are : {"random", "fixed"}
        A sample of those who will measure, or all who ever will.
    good_gauge, bad_gauge : float
        What a good and a bad gauge truly take of the tolerance, in percent.
    shares : three floats
        How the variance GRR splits into EV, AV and INT.
    rules : Rules, optional
        Thresholds (10 % and 30 %) and confidence (95 %) of the declarations.
    level : float
        Confidence of the two-sided interval.
    studies : int
        How many are simulated.
    seed : int
    progress : bool
        Whether to show a progress bar.

    Returns
    -------
    ExpectedPrecision

    Raises
    ------
    StudyError
        A design or setting that cannot be used.

    Notes
    -----
    For percentages of a known whole: a two-sided tolerance, or a process sd from records.
    Source: see `grr.formulas.precision.simulated_precision`.
    """
    question = Question(good_gauge, bad_gauge, Rules() if rules is None else rules)
    design = Design(parts, operators, trials, operators_are)
    with _bar(studies, "studies", progress) as bar:
        found = simulated_precision(
            design,
            _shares(shares),
            level=level,
            confidence=question.rules.confidence,
            studies=studies,
            seed=seed,
            progress=bar.update,
        )
    return ExpectedPrecision(found, question, studies)


def compare_designs(
    readings: int,
    *,
    most_operators: int = 12,
    most_parts: int = 50,
    operators_are: str = "random",
    good_gauge: float = GOOD_GAUGE,
    bad_gauge: float = BAD_GAUGE,
    shares: tuple[float, float, float] = (0.6, 0.3, 0.1),
    rules: Rules | None = None,
    studies: int = 300,
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
    operators_are, good_gauge, bad_gauge, shares, rules, studies, seed, progress
        As for `grr.expected_precision`.

    Returns
    -------
    DesignComparison

    Raises
    ------
    StudyError
        No design fits, or a setting cannot be used.
    """
    question = Question(good_gauge, bad_gauge, Rules() if rules is None else rules)
    split = _shares(shares)
    designs = designs_within(
        readings,
        most_operators=most_operators,
        most_parts=most_parts,
        operators_are=operators_are,
    )
    rows = []
    with _bar(len(designs), "designs", progress) as bar:
        for design in designs:
            found = simulated_precision(
                design,
                split,
                confidence=question.rules.confidence,
                studies=studies,
                draws=1000,
                seed=seed,
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
            bar.update(1)
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


@contextmanager
def _bar(total: int, unit: str, shown: bool) -> Iterator[tqdm[NoReturn]]:
    from tqdm import tqdm

    with tqdm(
        total=total, unit=f" {unit}", desc="Simulating", leave=False, disable=not shown
    ) as bar:
        yield bar
