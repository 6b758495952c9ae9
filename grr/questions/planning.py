"""`grr.expected_precision` and `grr.compare_designs`: what a study can decide, beforehand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, NoReturn

import numpy as np
import pandas as pd

from grr.formulas.pivots import SEED
from grr.formulas.precision import Design, Precision, Shares, designs_within, simulated_precision
from grr.model.blocks import Block, Bullets, Prose, Table
from grr.model.errors import StudyError
from grr.model.printed import Printed
from grr.model.rounding import JOIN, counted, figures, length, percent, whole_percent
from grr.model.rules import Plan, Rules
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import needs, number

if TYPE_CHECKING:
    from tqdm import tqdm


#: What a good and a bad gauge truly take of the tolerance, in percent.
GOOD_GAUGE, BAD_GAUGE = 8.0, 40.0
#: A gauge between the thresholds, for the table.
BETWEEN = 20.0


@dataclass(frozen=True)
class PlanningQuestion:
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
class ExpectedPrecision(Printed):
    """What studies of one design would find, by simulation.

    Attributes
    ----------
    precision : Precision
        The simulated studies.
    question : PlanningQuestion
    studies : int
    """

    precision: Precision
    question: PlanningQuestion
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

    def blocks(self) -> list[Block]:
        """Return what the design is expected to show."""
        return [Prose(_opening(self)), Table(*_rows(self)), Bullets(_closing(self))]


@dataclass(frozen=True, eq=False, repr=False)
class DesignComparison(Printed):
    """Designs that fit a number of readings, the one that decides most first.

    Attributes
    ----------
    table : DataFrame
        Columns parts, operators, trials, readings, good_shown_good, bad_shown_bad,
        decides (their mean) and width (expected width of the interval of GRR, as a
        multiple of the true GRR).
    budget : int
        The readings that there are.
    question : PlanningQuestion
    operators_are : {"random", "fixed"} or int
    shares : Shares
    studies : int
    """

    table: pd.DataFrame
    budget: int
    question: PlanningQuestion
    operators_are: str | int
    shares: Shares
    studies: int

    def to_frame(self) -> pd.DataFrame:
        """Return the table of designs."""
        return self.table.copy()

    def blocks(self) -> list[Block]:
        """Return the designs side by side."""
        return [
            Prose(_comparison_opening(self)),
            Table(*_comparison_rows(self)),
            Bullets(_comparison_closing(self)),
        ]


def expected_precision(
    parts: int,
    operators: int,
    trials: int = 3,
    *,
    operators_are: str | int = "random",
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
    operators_are : {"random", "fixed"} or int
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
    question = PlanningQuestion(good_gauge, bad_gauge, Rules() if rules is None else rules)
    design = Design(parts, operators, trials, operators_are)
    refuse_two_as_a_sample(operators, operators_are)
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
    operators_are: str | int = "random",
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
    question = PlanningQuestion(good_gauge, bad_gauge, Rules() if rules is None else rules)
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


#: How many designs are printed.
SHOWN = 10
KNOWN_WHOLE = (
    "Percentages refer to a known whole: a two-sided tolerance, or a process sd from records."
)


def _opening(found: ExpectedPrecision) -> list[str]:
    design = found.precision.design
    who = (
        "the result holds for that person only"
        if design.operators == 1
        else f"the operators are {_who(design.operators_are)}"
    )
    return [
        f"{counted(design.parts, 'part')} × {counted(design.operators, 'operator')} × "
        f"{counted(design.trials, 'trial')} = {counted(design.readings, 'reading')}; {who}.",
        f"What {found.studies} such studies would show, by simulation:",
    ]


def _who(operators_are: str | int) -> str:
    if operators_are == "fixed":
        return "all who will ever measure"
    if isinstance(operators_are, int):
        return f"some of the {operators_are} people who will ever measure"
    return "a sample of those who will measure"


def _rows(found: ExpectedPrecision) -> tuple[list[str], list[list[str]]]:
    rules = found.question.rules
    head = [
        "GRR truly takes",
        f"typical {100 * found.precision.level:g} % interval",
        f"shown under {rules.good_percent:g} %",
        f"under {rules.limit_percent:g} %",
        f"over {rules.limit_percent:g} %",
    ]
    rows = [
        [
            f"{row['true_percent']:g}{JOIN}%",
            f"{percent(row['lower'])} to {percent(row['upper'])}",
            whole_percent(row["shown_under_good"]),
            whole_percent(row["shown_under_limit"]),
            whole_percent(row["shown_over_limit"]),
        ]
        for row in found.to_frame().to_dict("records")
    ]
    return head, rows


def _closing(found: ExpectedPrecision) -> list[str]:
    rules, question = found.question.rules, found.question
    lines = [
        f"A gauge that truly takes {question.good_gauge:g} % is declared good in "
        f"{whole_percent(found.good_shown_good)} of the studies, one that truly takes "
        f"{question.bad_gauge:g} % declared bad in {whole_percent(found.bad_shown_bad)}, each with "
        f"{100 * rules.confidence:g} % confidence.",
        f"The expected width of the interval is {figures(found.precision.width)} times GRR itself.",
    ]
    if found.precision.design.operators_are == "random" and found.good_shown_good < 0.5:
        lines.append(
            "Too few sampled operators to show that a good gauge is good: more parts or trials "
            "hardly help, more operators do. If these are all who will ever measure, plan with "
            "operators_are='fixed'."
        )
    return [*lines, _assumed(found.precision.shares), KNOWN_WHOLE]


def _assumed(shares: Shares) -> str:
    return (
        f"Assumed: of the variance GRR {whole_percent(shares.repeatability)} is EV, "
        f"{whole_percent(shares.operator)} AV and {whole_percent(shares.interaction)} INT; "
        "give shares where you know better."
    )


def _comparison_opening(found: DesignComparison) -> list[str]:
    question = found.question
    return [
        f"Designs with at most {counted(found.budget, 'reading')}, those that decide most often "
        f"first; the operators are {_who(found.operators_are)}.",
        f"Good shown good: a gauge that truly takes {question.good_gauge:g} % is shown to be under "
        f"{question.rules.good_percent:g} %. Bad shown bad: one that takes "
        f"{question.bad_gauge:g} % is shown to be over {question.rules.limit_percent:g} %.",
    ]


def _comparison_rows(found: DesignComparison) -> tuple[list[str], list[list[str]]]:
    head = [
        "Parts × operators × trials",
        "readings",
        "good shown good",
        "bad shown bad",
        "width",
    ]
    rows = [
        [
            f"{row['parts']} × {row['operators']} × {row['trials']}",
            f"{row['readings']}",
            whole_percent(row["good_shown_good"]),
            whole_percent(row["bad_shown_bad"]),
            f"{figures(row['width'])} × GRR",
        ]
        for row in found.table.head(SHOWN).to_dict("records")
    ]
    return head, rows


def _comparison_closing(found: DesignComparison) -> list[str]:
    more = len(found.table) - SHOWN
    lines = [f"{counted(more, 'further design')} in to_frame()."] if more > 0 else []
    return [
        *lines,
        "Width: expected width of the 95 % interval.",
        f"Each by {found.studies} simulated studies: differences of a few percentage points "
        "between designs are chance.",
        _assumed(found.shares),
        KNOWN_WHOLE,
        "Where the whole is to come from the parts of the study itself, take 10 parts or more "
        "(AIAG MSA, 4th ed., chapter III section B): part variation from five is hardly known.",
    ]


#: Units that a new study may have: those that gauges show.
UNITS = ("mm", "µm", "in", "µin")


def refuse_two_as_a_sample(operators: int, operators_are: str | int) -> None:
    """Refuse a plan in which two people stand for no end of others.

    Simulated, such studies decide almost nothing whatever the parts and trials: 12 of 100
    show a gauge of 6 % good, 84 of 100 leave one of 15 % open.

    Raises
    ------
    StudyError
        Two operators as a sample.
    """
    if operators == 2 and operators_are == "random":
        raise StudyError(
            "Two people are too few to stand for others: such a study decides almost nothing",
            "Let more people measure, or say how many will ever measure",
            column="operators",
            value=operators,
        )


def refuse_joined_names(names: Sequence[str]) -> None:
    """Refuse a name that seems to be several: "Ravi; Lena; Tom" is not one person.

    Raises
    ------
    StudyError
        A comma, a semicolon or a stroke stands in a name.
    """
    for name in names:
        if any(mark in name for mark in ",;/|"):
            raise StudyError(
                "The name of an operator seems to hold several names",
                "Give each person a name of their own, without commas, semicolons and strokes",
                column="operators",
                value=name,
            )


def shop_unit(text: str) -> str:
    """Return the unit of a new study.

    Raises
    ------
    StudyError
        It is none that gauges show.
    """
    unit = canonical_unit(text)
    if unit not in UNITS:
        raise StudyError(
            "A new study is in a unit that gauges show", "Use mm, um, in or uin", value=text
        )
    return unit


def refuse_coarse(resolution: float | None, tolerance: Tolerance | None, unit: str) -> None:
    """Refuse a gauge whose last digit is as wide as the tolerance: it cannot judge a part.

    Raises
    ------
    StudyError
        It is.
    """
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution >= width * (1 - 1e-9):
        raise StudyError(
            f"The gauge's last digit, {length(resolution, unit)}, is coarser than the tolerance, "
            f"{length(width, unit)}",
            "Correct the resolution or the limits, or use a finer gauge",
            value=resolution,
        )


def warnings_about(
    plan: Plan, resolution: float | None, tolerance: Tolerance | None, unit: str
) -> list[str]:
    """Return what a study will not be able to tell, planned like this.

    Notes
    -----
    Source of the tenth: AIAG MSA, 4th ed., chapter II (rule of tens; from memory).
    """
    found = []
    width = None if tolerance is None else tolerance.width
    if resolution is not None and width is not None and resolution > width / 10 * (1 + 1e-9):
        found.append(
            f"The gauge's last digit, {length(resolution, unit)}, is "
            f"{percent(100 * resolution / width)} of the tolerance; a tenth is the usual limit."
        )
    if plan.trials < 2:
        found.append(
            "Each part read once by each operator: repeatability and interaction cannot be told "
            "apart. Two or three readings can."
        )
    if len(plan.operators) < 2:
        found.append("One operator: differences between operators cannot be seen.")
    if len(plan.parts) < 5:
        found.append(f"Only {len(plan.parts)} parts: part variation will be poorly known.")
    return found


#: No vowels, so that no words appear, and no letters that are mistaken for digits.
_LETTERS = "CDFHJKLMNPRTVWXY"
_STREAM = 7


def part_codes(parts: Sequence[str], seed: int) -> dict[str, str]:
    """Return a code of letters for each part, drawn at random without repeats.

    Parameters
    ----------
    parts : sequence of str
    seed : int
        The same seed gives the same codes.
    """
    length = 2 if len(parts) <= len(_LETTERS) ** 2 // 2 else 3
    chosen = np.random.default_rng([seed, _STREAM]).permutation(len(_LETTERS) ** length)
    return {part: _code(int(n), length) for part, n in zip(parts, chosen, strict=False)}


def _code(number: int, length: int) -> str:
    letters = ""
    for _ in range(length):
        number, letter = divmod(number, len(_LETTERS))
        letters += _LETTERS[letter]
    return letters
