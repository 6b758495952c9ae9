"""May this gauge be used on this tolerance, with all that is known of it: `grr.qualify`.

One page puts together what is asked of a gauge: its resolution, bias, repeatability on a reference,
linearity, uncertainty, a study on real parts, and stability. The worst of them decides. A known
bias is corrected, or it stands in the uncertainty.

Source: what is asked of each stands in the file of its own question (`reference`, `linearity`,
`budget`, `verdict`, `stability`); the outcomes and how they decide are this project's own.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any, Literal

import pandas as pd

from grr.formulas.bias import t_quantile
from grr.formulas.capability import LIMIT_PROCESS
from grr.model.blocks import Banner, Block, Bullets, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.facts import CLOSED_FACES, checked_facts
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import (
    JOIN,
    chance,
    counted,
    decimals_for,
    figures,
    length,
    limits_text,
    listed,
    percent,
)
from grr.model.tolerance import Tolerance, a_tolerance
from grr.model.units import canonical_unit, same_unit
from grr.model.values import needs, number
from grr.questions.acceptance import rounded_inwards
from grr.questions.budget import BIAS_LINE, BudgetUse, Contribution, UncertaintyBudget
from grr.questions.gauge import GaugeResult
from grr.questions.linearity import LinearityResult
from grr.questions.reference import RESOLUTION_SHARE, ReferenceResult
from grr.questions.stability import DAYS_A_YEAR, ENOUGH, StabilityResult
from grr.questions.verdict import (
    CAUTION,
    DO_NOT_USE,
    LIKE_THIS,
    LOOKS,
    NOT_DECIDED,
    USE,
    WITH_LIMITS,
    WITHIN_LIMITS,
    Verdict,
    conditions_of_use,
    verdict,
)

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

Outcome = Literal["pass", "conditional", "fail", "can't tell", "not done"]

#: The outcomes from the worst to the best, each with its mark.
OUTCOMES: dict[Outcome, str] = {
    "fail": "✖",
    "not done": "—",
    "can't tell": "○",
    "conditional": "◐",
    "pass": "●",
}
RESOLUTION, BIAS, REPEATABILITY = "Resolution", "Bias", "Repeatability on a reference"
RANGE, UNCERTAINTY = "Linearity over the range", "Uncertainty"
STUDY, STABILITY = "GR&R on real parts", "Stability"
#: What a gauge without checks over time shows.
NO_HISTORY = "no history yet"
#: A share used up is told up to this many times what is allowed.
MOST_USED = 10.0
#: Largest bias as a share of the tolerance: half of the share that Cg grants.
BIAS_SHARE = 0.1
#: What acceptance limits must leave of the tolerance to be of use (this project's own).
LEAST_LEFT = 50.0

ASKED_RESOLUTION = f"at most {100 * RESOLUTION_SHARE:g} % of the tolerance"
ASKED_UNCERTAINTY = f"Q_MP = 2·(2u + |bias|) at most {LIMIT_PROCESS:g} % of the tolerance"
ASKED_STABILITY = "no alarm, and a drift small against the tolerance"
TODO_REFERENCE = (
    "Measure one calibrated part at least 25 times (grr.reference_study), taking it out between "
    "readings."
)
TODO_RANGE = (
    "Measure gauge blocks over the range, five readings each (grr.linearity), at sizes that stop "
    "the spindle at different angles of turn."
)
TODO_BUDGET = "Make an uncertainty budget (grr.UncertaintyBudget, grr.MicrometerLines)."
SAY_BIAS = (
    "Give the budget a line for the bias (MicrometerLines.bias): readings corrected for it, or "
    "not. Until then it is added to U."
)
TODO_STUDY = "Do a gauge study on real parts (grr.anova, grr.verdict)."
TODO_CHART = (
    "Start a chart: read a check standard at the interval of the laboratory's procedure "
    "(grr.stability)."
)
PART_SIZED_BLOCK = (
    "Check zero on a gauge block of about the part's size: an even warming of the frame does not "
    "show on closed faces."
)
FROM_THE_FIRST_DAY = (
    "Read a check standard from the first day on, at the interval of the laboratory's procedure."
)

#: The decisions with which a gauge may be used.
RELEASED = (USE, LIKE_THIS, WITH_LIMITS)
#: A decision that is not here holds under conditions.
_OUTCOME_OF_DECISION: dict[str, Outcome] = {
    USE: "pass",
    DO_NOT_USE: "fail",
    NOT_DECIDED: "can't tell",
}
_RESULTS: tuple[type[Any], ...] = (
    ReferenceResult,
    LinearityResult,
    UncertaintyBudget,
    GaugeResult,
    StabilityResult,
)


def qualify(
    tolerance: Tolerance,
    *,
    unit: str,
    gauge: str = "",
    characteristic: str = "",
    reference: ReferenceResult | None = None,
    linearity: LinearityResult | None = None,
    budget: UncertaintyBudget | None = None,
    study: GaugeResult | None = None,
    stability: StabilityResult | None = None,
    resolution: float | None = None,
    bias_share: float = BIAS_SHARE,
    confidence: float = 0.95,
    mean_of: int = 1,
    rezero_minutes: float | None = None,
    facts: Mapping[str, Any] | None = None,
    report: str = "",
    example: bool = False,
) -> Qualification:
    """Put all that is asked of a gauge for one tolerance on one page and decide.

    Each result may be left out, and what it would answer is then "not done"; the page can be
    filled step by step.

    Parameters
    ----------
    tolerance : Tolerance
        With two limits.
    unit : str
        Of every result given.
    gauge, characteristic : str
        Number of the gauge, and what it measures.
    reference : ReferenceResult, optional
        From `grr.reference_study`: resolution, bias, repeatability.
    linearity : LinearityResult, optional
    budget : UncertaintyBudget, optional
        With a line (`MicrometerLines.bias`, `Contribution.of_bias`) that says whether
        readings are corrected for the bias that reference and blocks show. Without one they
        are taken as not corrected, and the bias is added to U.
    study : GaugeResult, optional
        From `grr.anova` or `grr.average_range`, on real parts.
    stability : StabilityResult, optional
        A new gauge has none: it then passes on condition that it is watched.
    resolution : float, optional
        The last digit, where no result states it.
    bias_share : float
        Largest bias as a share of the tolerance.
    confidence : float
        Of each one-sided statement.
    mean_of : int
        How many readings make one result in use.
    rezero_minutes : float, optional
        How often zero is checked, from a study of drift.
    facts : mapping, optional
        As `Study.facts`; those of the study count where they are not given.
    report : str
        Number under which the page is filed.
    example : bool
        Whether anything in it is invented.

    Returns
    -------
    Qualification

    Raises
    ------
    StudyError
        A tolerance with one limit, or a result in another unit or for another tolerance.

    Examples
    --------
    >>> files = "demo_data/micrometer_25"
    >>> tolerance = grr.Tolerance(lower=10.006, upper=10.012)
    >>> block = grr.reference_study(
    ...     grr.read_columns(f"{files}/reference.csv"),
    ...     tolerance=tolerance,
    ...     reference=10.0,
    ...     expanded_uncertainty=0.000055,
    ...     coverage=2,
    ...     unit="mm",
    ...     resolution=0.0001,
    ... )
    >>> grr.qualify(tolerance, unit="mm", reference=block)
    Qualification(NOT DECIDED YET)
    """
    unit = canonical_unit(unit)
    width = _checked(tolerance, unit, reference, linearity, budget, study, stability)
    mean_of = int(number("mean_of", mean_of, above=0.0))
    if rezero_minutes is not None:
        rezero_minutes = number("rezero_minutes", rezero_minutes, above=0.0)
    confidence = number("confidence", confidence, above=0.5, below=1.0)
    limit = number("bias_share", bias_share, above=0.0, below=1.0) * width
    if facts is not None:
        needs(facts, Mapping, "facts")  # type: ignore[type-abstract]
    stated = {**(dict(study.study.facts) if study else {}), **checked_facts(facts or {})}
    if resolution is not None:
        resolution = number("resolution", resolution, above=0.0)
    sources = (reference, linearity, study.study if study else None)
    stated_steps = (source.resolution for source in sources if source is not None)
    step = resolution or next((step for step in stated_steps if step), None)
    corrected = budget is not None and any(line.corrected for line in budget.lines)
    known = _known_bias(reference, linearity, tolerance, confidence)
    left = Estimate(
        math.nan, why="no reference part and no blocks of the parts' size were measured"
    )
    if known is not None:
        found = left = known.found
        if corrected:
            left = Estimate(0.0, found.lower - found.value, found.upper - found.value, found.unit)
    judged = None if study is None else verdict(study, bias=left if left.known else None)
    unsaid = ""
    if budget is not None and known is not None and not corrected:
        budget, unsaid = _with_bias(budget, known)
    use = None if budget is None else budget.against(tolerance)
    correction = Estimate(math.nan, why="the budget does not say that readings are corrected")
    if known is not None and corrected:
        correction = Estimate(-known.found.value, unit=known.found.unit)
    results = (reference, linearity, stability, budget, None if study is None else study.study)
    least = math.nan
    if budget is not None and judged is not None and judged.proven_for is not None:
        least = max(judged.proven_for.limit.value, 200.0 * budget.expanded / LIMIT_PROCESS)
    requirements = (
        _judge_resolution(step, width, unit),
        _judge_bias(known, left, limit, confidence, corrected=corrected),
        _judge_repeatability(reference, confidence, corrected=corrected),
        _judge_range(linearity, limit, correction),
        _judge_uncertainty(budget, use, step, unsaid=unsaid),
        _judge_study(judged),
        _judge_stability(stability),
    )
    accepted = _accepted(use, step, judged)
    told = [
        (mean_of > 1, f"One result is the mean of {mean_of} readings."),
        (rezero_minutes is not None, f"Check zero at least every {rezero_minutes or 0:g} minutes."),
        (stated.get("zeroed_on") in (None, "", CLOSED_FACES), PART_SIZED_BLOCK),
        (
            correction.known,
            f"Correct every reading by {correction:+}; the uncertainty budget rests on that.",
        ),
        (accepted != "", f"Accept parts by {accepted}, no further out."),
        (stability is None, FROM_THE_FIRST_DAY),
    ]
    return Qualification(
        tolerance=tolerance,
        unit=unit,
        resolution=step,
        gauge=str(gauge or stated.get("gauge_number", "")),
        characteristic=str(characteristic or stated.get("characteristic", "")),
        requirements=requirements,
        bias=left,
        correction=correction,
        decision=_decision(requirements, judged),
        conditions=(*_from_study(judged), *(words for holds, words in told if holds)),
        mean_of=mean_of,
        rezero_minutes=rezero_minutes,
        facts=stated,
        valid_until=_valid_until(stated, stability),
        report=str(report),
        example=example or any(one is not None and one.example for one in results),
        seal=study.study.record.seal if study and study.study.record else "",
        least_tolerance=least,
    )


@dataclass(frozen=True)
class Requirement:
    """One thing asked of a gauge: what was found, and how sure that is.

    Attributes
    ----------
    name : str
    asked : str
    found : str
        The result.
    interval : str
        How sure it is; "" where it is exact or was not done.
    outcome : {"pass", "conditional", "fail", "can't tell", "not done"}
    used : float
        What of the requirement is used up at the unfavourable end of the interval, 1
        being all of it; NaN where that has no meaning.
    why, todo : str
        The outcome in a sentence, and what to do about it (for a pass as a rule "").
    """

    name: str
    asked: str
    found: str
    interval: str
    outcome: Outcome
    used: float = math.nan
    why: str = ""
    todo: str = ""

    @property
    def mark(self) -> str:
        """The outcome as a mark."""
        return OUTCOMES[self.outcome]

    @property
    def used_text(self) -> str:
        """The share used up, as a percentage; "" where it has no meaning."""
        if math.isnan(self.used):
            return ""
        if self.used >= MOST_USED:
            return f"over {percent(100.0 * MOST_USED)}"
        share = 100.0 * self.used
        # close to all of it, the digits say on which side
        return percent(share) if 99.0 < share < 101.0 else f"{share:.0f}{JOIN}%"

    @property
    def severity(self) -> tuple[int, float]:
        """Sorts the one nearest its limit first."""
        first = {"fail": 0, "not done": 1}.get(self.outcome, 2)
        return first, -self.used if not math.isnan(self.used) else math.inf


@dataclass(frozen=True, eq=False, repr=False)
class Qualification(Printed):
    """All that is asked of one gauge for one tolerance.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    resolution : float or None
    gauge, characteristic : str
    requirements : tuple of Requirement
    bias : Estimate
        What is left of the bias in the readings, 0 where they are corrected for it, with
        one-sided bounds at the page's confidence; without a value where it is not known.
    correction : Estimate
        What is to be added to every reading, as the budget says; without a value where
        readings are not corrected.
    decision : str
        One of USE, USE LIKE THIS, USE WITH LIMITS, DO NOT USE FOR THIS TOLERANCE, NOT DECIDED
        YET.
    conditions : tuple of str
        Conditions of use.
    mean_of : int
    rezero_minutes : float or None
    facts : mapping
    valid_until : date or None
        None: the interval of the laboratory's procedure.
    report : str
    example : bool
    seal : str
        Of the study's folder; "" where the study was opened from none.
    least_tolerance : float
        Width of the smallest tolerance for which GRR is shown to be acceptable and U is small
        enough; NaN where either is not known.

    Examples
    --------
    >>> limits = grr.Tolerance(lower=9.99, upper=10.01)
    >>> readings = [10.0001, 10.0000, 10.0002, 10.0001, 10.0000] * 5
    >>> block = grr.reference_study(readings, reference=10.0, unit="mm", tolerance=limits)
    >>> grr.qualify(limits, unit="mm", reference=block)
    Qualification(NOT DECIDED YET)
    """

    tolerance: Tolerance
    unit: str
    resolution: float | None
    gauge: str
    characteristic: str
    requirements: tuple[Requirement, ...]
    bias: Estimate
    correction: Estimate
    decision: str
    conditions: tuple[str, ...]
    mean_of: int
    rezero_minutes: float | None
    facts: Mapping[str, Any]
    valid_until: date | None
    report: str = ""
    example: bool = False
    seal: str = ""
    least_tolerance: float = math.nan

    @property
    def known_bias(self) -> Estimate:
        """What is left of the bias, as `grr.verdict` takes it."""
        return self.bias

    @property
    def in_order(self) -> tuple[Requirement, ...]:
        """The requirements, that nearest its limit first, on one scale: the share used up.

        What fails comes before what was not done, and that before all that is within its
        limit. That a new gauge has no history yet is no weakness of its own.
        """
        return tuple(sorted(self.requirements, key=lambda one: one.severity))

    @property
    def weakest(self) -> Requirement:
        """The requirement nearest its limit."""
        return self.in_order[0]

    @property
    def nearest(self) -> str:
        """Which requirement lies nearest its limit, or beyond it, and why: a sentence or two."""
        one = self.weakest
        undone = [other.name for other in self.in_order if other.outcome == "not done"]
        if one.outcome == "not done":
            return f"Not done yet: {listed(undone)}."
        if not one.used_text:
            return f"Not decided: {one.name}. {one.why}"
        where = "Nearest to its limit" if one.used <= 1.0 else "Beyond its limit"
        if one.outcome == "can't tell":
            where = "Not shown to be within its limit"
        return f"{where}: {one.name}, {one.used_text} of what is allowed. {one.why}"

    def requirement(self, name: str) -> Requirement:
        """Return a requirement by its name."""
        return next(one for one in self.requirements if one.name == name)

    @property
    def next_steps(self) -> tuple[str, ...]:
        """What to do about everything that does not pass, that nearest its limit first."""
        names: dict[str, list[str]] = {}
        for one in self.in_order:
            if one.todo:
                names.setdefault(one.todo, []).append(one.name)
        return tuple(f"{listed(of)}: {todo}" for todo, of in names.items())

    def plot(self) -> Figure:
        """Return the figure of `grr.show.nearest_limit`."""
        from grr.show import nearest_limit

        return nearest_limit(self)

    def to_frame(self) -> pd.DataFrame:
        """Return one row a requirement: asked, found, interval, outcome, used, why, todo."""
        columns = ["asked", "found", "interval", "outcome", "used", "why", "todo"]
        return pd.DataFrame(
            [[getattr(one, column) for column in columns] for one in self.requirements],
            index=pd.Index([one.name for one in self.requirements], name="requirement"),
            columns=columns,
        )

    def blocks(self) -> list[Block]:
        """Return the decision, every requirement, conditions of use, and what to do next."""
        named = [
            f"Gauge {self.gauge}" if self.gauge else "",
            self.characteristic,
            f"report {self.report}" if self.report else "",
        ]
        name = ", ".join(text for text in named if text)
        mark, colour = LOOKS[self.decision]
        title, until = "Conditions of use", "calibration or next check, whichever comes first"
        valid = (
            f"Valid until {self.valid_until} ({until})"
            if self.valid_until is not None
            else "Valid until the next check of the laboratory's procedure"
        )
        last = f"{valid}; a dropped, adjusted or repaired gauge must be qualified again."
        if self.decision not in RELEASED:
            title = f"{title}, once it may be used"
            last = "The gauge is not released: do not accept or reject parts with it."
        nothing_done = all(
            one.outcome == "not done" or one.found == NO_HISTORY for one in self.requirements
        )
        return [
            Banner(mark, self.decision, colour),
            Prose(
                [
                    *([EXAMPLE] if self.example else []),
                    *([f"{name}."] if name else []),
                    f"Tolerance: {limits_text(self.tolerance, self.resolution, self.unit)}.",
                    self.nearest,
                ]
            ),
            Table(
                ["Requirement", "asked", "found", "how sure", "share of what is allowed"],
                [
                    [
                        f"{one.mark} {one.name}: {one.outcome}",
                        one.asked,
                        one.found,
                        one.interval,
                        one.used_text,
                    ]
                    for one in self.in_order
                ],
                left=4,
            ),
            *(
                block
                for heading, sentences in (
                    (title, () if nothing_done else self.conditions),
                    ("What to do next", self.next_steps),
                )
                if sentences
                for block in (Heading(heading), Bullets(sentences))
            ),
            Prose([last, CAUTION]),
        ]


def _checked(tolerance: Tolerance, unit: str, *results: Any) -> float:
    """Return the tolerance's width; refuse results that belong to something else."""
    width = a_tolerance(tolerance).width
    if width is None:
        raise StudyError(
            "A qualification needs a tolerance with two limits: it takes shares of the width",
            "Judge a one-sided tolerance by grr.verdict and grr.misclassification",
        )
    for result, kind in zip(results, _RESULTS, strict=True):
        if result is None:
            continue
        needs(result, kind)
        source = result.study if isinstance(result, GaugeResult) else result
        same_unit(f"A result ({kind.__name__})", source.unit, "the tolerance", unit)
        other = getattr(source, "tolerance", tolerance)
        if other != tolerance:
            raise StudyError(
                f"A result ({type(result).__name__}) was judged for another tolerance "
                f"({limits_text(other, None, unit)})",
                f"Work it out for {limits_text(tolerance, None, unit)}, or qualify for its own",
            )
    return width


def _not_done(name: str, asked: str, todo: str) -> Requirement:
    return Requirement(name, asked, "not done", "", "not done", todo=todo)


def _judge_resolution(step: float | None, width: float, unit: str) -> Requirement:
    """Judge the gauge's last digit.

    Notes
    -----
    Source: common practice; AIAG MSA, 4th ed., chapter II (from memory).
    """
    if step is None:
        todo = "State the gauge's last digit as resolution."
        return _not_done(RESOLUTION, ASKED_RESOLUTION, todo)
    share = step / width
    # a ratio of decimals such as 0.0006/0.006 misses by rounding
    fine = share <= RESOLUTION_SHARE * (1.0 + 1e-9)
    return Requirement(
        RESOLUTION,
        ASKED_RESOLUTION,
        f"{length(step, unit)}, {percent(100.0 * share)}",
        "",
        "pass" if fine else "fail",
        used=share / RESOLUTION_SHARE,
        why=f"The last digit is {percent(100.0 * share)} of the tolerance.",
        todo="" if fine else "Use a gauge with a finer digit for this tolerance.",
    )


@dataclass(frozen=True)
class _KnownBias:
    """A bias at the size of the parts: from where, how well known, with one-sided bounds."""

    found: Estimate
    standard_u: float
    df: float


def _known_bias(
    reference: ReferenceResult | None,
    linearity: LinearityResult | None,
    tolerance: Tolerance,
    confidence: float,
) -> _KnownBias | None:
    """Return the bias on the reference part, or else that of the range at the parts' size.

    None where neither was measured, or where the blocks do not reach the parts' size.
    """
    if reference is not None:
        return _KnownBias(reference.bias_bounds(confidence), *reference.bias_u)
    sizes = [limit for limit in (tolerance.lower, tolerance.upper) if limit is not None]
    if linearity is None:
        return None
    at_parts = linearity.bias_of_line(sum(sizes) / len(sizes), confidence)
    if at_parts is None:
        return None
    df = linearity.line.df
    reach = (at_parts.upper - at_parts.lower) / 2.0
    return _KnownBias(at_parts, reach / float(t_quantile(confidence, df)), df)


def _with_bias(budget: UncertaintyBudget, known: _KnownBias) -> tuple[UncertaintyBudget, str]:
    """Return the budget with the known bias left in the readings, and what to do about it.

    Where the budget holds it already as it is. Source: JCGM 100:2008 (GUM), F.2.4.5; ISO 14253-2
    (from memory).
    """
    found = known.found
    # a line made from the same readings may miss by rounding
    if abs(budget.bias) >= abs(found.value) * (1.0 - 1e-9):
        return budget, ""
    line = Contribution.of_bias(
        found.value, known.standard_u, corrected=False, df=known.df, unit=budget.unit
    )
    if all(line.name != BIAS_LINE for line in budget.lines):
        return budget.with_line(line), SAY_BIAS
    stated = Estimate(budget.bias, unit=budget.unit)
    return budget.with_line(line), (
        f"Make the budget's line for the bias anew (MicrometerLines.bias): it says {stated:+}, and "
        f"{found:+} was measured, which is taken here."
    )


def _decided(passes: bool, fails: bool, if_not: str, if_open: str) -> tuple[Outcome, str]:
    """Return the outcome and what to do about it, nothing where it passes."""
    if passes:
        return "pass", ""
    return ("fail", if_not) if fails else ("can't tell", if_open)


def _judge_bias(
    known: _KnownBias | None, left: Estimate, limit: float, confidence: float, *, corrected: bool
) -> Requirement:
    """Judge the bias that is left in the readings, its own uncertainty in the interval."""
    if known is None:
        return _not_done(BIAS, "within its share of the tolerance", TODO_REFERENCE)
    low, high, unit = left.lower, left.upper, known.found.unit
    nearest = 0.0 if low <= 0.0 <= high else min(abs(low), abs(high))
    farthest = max(abs(low), abs(high))
    outcome, todo = _decided(
        farthest <= limit,
        nearest > limit,
        "Zero or adjust the gauge and measure the reference part again; or correct every reading "
        "for the bias, and say so in the budget (MicrometerLines.bias).",
        "Take more readings, or use a reference part with a smaller calibration uncertainty.",
    )
    sure = f"{100 * confidence:g}{JOIN}% confidence"
    most = f"at most {length(farthest, unit)}, {sure}"
    told = most if outcome == "pass" else f"{left:r}, each end with {sure}"
    return Requirement(
        BIAS,
        f"within ±{length(limit, unit)}",
        f"{known.found:s}, {'' if corrected else 'not '}corrected",
        f"left in the readings {told}" if corrected else told,
        outcome,
        used=farthest / limit,
        why=f"{'What the correction leaves of the' if corrected else 'The'} bias is {most}.",
        todo=todo,
    )


def _judge_repeatability(
    result: ReferenceResult | None, confidence: float, *, corrected: bool
) -> Requirement:
    """Judge Cg and Cgk; Cg alone where readings are corrected for the bias."""
    if result is None:
        return _not_done(REPEATABILITY, "Cg and Cgk at least 1.33", TODO_REFERENCE)
    limit = result.asked.limit
    asked = f"Cg at least {limit:g}" if corrected else f"Cg and Cgk at least {limit:g}"
    found = result.capability_at(2.0 * confidence - 1.0)
    if found is None:
        return Requirement(
            REPEATABILITY,
            asked,
            "not estimated",
            "",
            "can't tell",
            why=f"Cg and Cgk are not estimated: {result.quantities()['Cg'].why}.",
            todo="State the gauge's resolution, so that readings all alike can be judged.",
        )
    smaller = result.cg if corrected else min(result.cg, result.cgk)
    low, high = float(found.cg_lower), float(found.cg_upper)
    if not corrected:
        low, high = min(low, float(found.cgk_lower)), float(found.cgk_upper)
    if result.floored:
        low = high = smaller
    mend = "The bias lowers Cgk: zero or adjust the gauge, and measure again."
    if result.cg < limit:
        mend = (
            "Clean the faces, close the gauge with the ratchet in the same way each time, hold it "
            "in a stand. If that does not help, it is good for tolerances of "
            f"{length(result.smallest_tolerance, result.unit)} or more."
        )
    more = "Take more readings of the reference part: 50 where 25 leave it open."
    outcome, todo = _decided(low >= limit, high < limit, mend, more)
    of_two = ("both reach", "the smaller of the two misses", "the smaller")
    reach, miss, name = ("Cg reaches", "Cg misses", "Cg") if corrected else of_two
    by_value = reach if smaller >= limit else miss
    confident = f"{100 * confidence:g}{JOIN}% confidence"
    least = f"at least {figures(low, 3)}, {confident}"
    sure = f"{name} is {least}" if low > 0.0 else "the bias alone may use up the whole share"
    low_shown = f"{'−' if low < 0.0 else ''}{figures(abs(low), 3)}"
    both = f"{low_shown} to {figures(high, 3)}, each end with {confident}"
    if outcome == "fail":
        sure = f"{name} is {both}"
    cgk = "readings corrected for the bias" if corrected else f"Cgk {figures(result.cgk, 3)}"
    return Requirement(
        REPEATABILITY,
        asked,
        f"Cg {figures(result.cg, 3)}, {cgk}",
        "" if result.floored else least if outcome == "pass" else both,
        outcome,
        used=limit / low if low > 0.0 else math.inf,
        why=f"By the calculated value {by_value} {limit:g}; {sure}.",
        todo=todo,
    )


def _judge_range(result: LinearityResult | None, limit: float, correction: Estimate) -> Requirement:
    """Judge the bias over the range, and the permissible error where it is given.

    The bias counts as it is left by the correction; the permissible error is one of the gauge's
    indication, so that no correction touches it.
    """
    if result is None:
        return _not_done(RANGE, "bias within its share of the tolerance everywhere", TODO_RANGE)
    limit = result.bias_limit or limit
    left = result.corrected_by(correction.value) if correction.known else result
    place = left.against(limit)
    largest, level = left.in_words(left.largest_possible_bias), f"{100 * result.level:g}{JOIN}%"
    used = left.largest_possible_bias / limit
    asked = f"bias within ±{length(limit, result.unit)} everywhere"
    sure = f"up to {largest}, {level} interval"
    why = f"By the {level} intervals the bias is up to {largest}."
    if result.mpe is not None:
        permitted = f"±{length(result.mpe, result.unit)}"
        asked += f"; errors within {permitted} (ISO 14253-1)"
        errors = length(result.mpe_used * result.mpe, result.unit)
        sure += f"; errors up to {errors}, the blocks' U included"
        why += (
            f" Errors of indication are up to {errors}, the blocks' U included, of {permitted} "
            f"permitted: {result.mpe_state}."
        )
        used = max(used, result.mpe_used)
    outcome, todo = _decided(
        place == "within" and result.mpe_state not in ("open", "does not conform"),
        place == "beyond" or result.mpe_state == "does not conform",
        "Have the gauge adjusted or repaired, or use it only in the part of the range where the "
        "blocks agree.",
        "More readings a block, or blocks with a smaller uncertainty (temperature included), would "
        "decide.",
    )
    return Requirement(
        RANGE,
        asked,
        f"{left.in_words(left.largest_bias)}{', corrected' if correction.known else ''}",
        sure,
        outcome,
        used=used,
        why=why,
        todo=todo,
    )


def _judge_uncertainty(
    budget: UncertaintyBudget | None,
    use: BudgetUse | None,
    resolution: float | None,
    *,
    unsaid: str,
) -> Requirement:
    """Judge the uncertainty: small enough, with acceptance limits, or too large.

    ``unsaid``: what to do where the budget does not hold the known bias, so that it was added.
    """
    if budget is None or use is None:
        return _not_done(UNCERTAINTY, ASKED_UNCERTAINTY, TODO_BUDGET)
    largest = str(budget.to_frame().index[0])
    if abs(budget.bias) > budget.contributions[largest]:
        largest = f"the bias of {Estimate(budget.bias, unit=budget.unit):+} left in the readings"
    outcome: Outcome
    if use.q_mp <= LIMIT_PROCESS:
        outcome, todo = "pass", ""
    elif use.left_percent >= LEAST_LEFT:
        outcome = "conditional"
        todo = (
            f"Accept parts only by {use.acceptance_readings(resolution)}; or reduce the largest "
            f"contribution, {largest}."
        )
    else:
        outcome = "fail"
        todo = (
            f"Reduce the largest contribution, {largest}; as it is, acceptance limits would leave "
            f"{percent(use.left_percent)} of the tolerance."
        )
    if unsaid:
        todo = f"{todo} {unsaid}".strip()
    of = f"u {length(budget.standard_u, budget.unit)}"
    if budget.bias:
        of += f", bias {Estimate(budget.bias, unit=budget.unit):s}"
    return Requirement(
        UNCERTAINTY,
        ASKED_UNCERTAINTY,
        f"U {length(budget.expanded, budget.unit)} ({of}), Q_MP {percent(use.q_mp)}",
        f"U: {100 * budget.level:g}{JOIN}% coverage",
        outcome,
        used=use.q_mp / LIMIT_PROCESS,
        why=f"The largest contribution is {largest}.",
        todo=todo,
    )


def _judge_study(found: Verdict | None) -> Requirement:
    """Judge the study on real parts, by its verdict."""
    if found is None:
        return _not_done(STUDY, "GRR at most 30 % of the tolerance", TODO_STUDY)
    ratio = found.criterion
    todo = found.next_steps[0] if found.next_steps else ""
    rules = found.result.study.rules
    asked = f"GRR at most {rules.limit_percent:g} %"
    if ratio is None:
        why = found.by_confidence
        return Requirement(STUDY, asked, "not estimated", "", "can't tell", why=why, todo=todo)
    outcome = _OUTCOME_OF_DECISION.get(found.decision, "conditional")
    sure = f"{100 * rules.confidence:g}{JOIN}% confidence"
    if found.decision == WITH_LIMITS:
        allowed = f"{rules.most_refused_percent:g} % of the good parts"
        return Requirement(
            STUDY,
            f"{asked} {ratio.name}, or acceptance limits that refuse at most {allowed}",
            f"GRR {percent(ratio.value)} {ratio.name}, with limits",
            f"refused at most {chance(found.price.upper / 100.0)}, {sure}",
            outcome,
            used=found.price.upper / rules.most_refused_percent,
            why="Parts are accepted within the acceptance limits only; with them the doubt about "
            "GRR costs few good parts.",
            todo=todo,
        )
    bound = f"at most {percent(ratio.upper)}, {sure}"
    if outcome == "fail":
        bound = f"{percent(ratio.lower)} to {percent(ratio.upper)}, each end with {sure}"
    return Requirement(
        STUDY,
        f"{asked} {ratio.name}",
        f"GRR {percent(ratio.value)} {ratio.name}",
        bound,
        outcome,
        used=ratio.upper / ratio.limit,
        why=found.by_confidence,
        todo="" if outcome == "pass" else todo,
    )


def _judge_stability(result: StabilityResult | None) -> Requirement:
    """Judge the checks over time; a new gauge passes on condition that it is watched."""
    if result is None:
        return Requirement(
            STABILITY,
            ASKED_STABILITY,
            NO_HISTORY,
            "",
            "conditional",
            why="A new gauge has no history.",
            todo=TODO_CHART,
        )
    drift = result.drift
    # the larger share: of the running mean's limit, or of the drift between two checks
    shares = [1.0] if result.alarm_now else []
    latest = abs(float(result.running_means[-1] - result.limits.centre))
    if result.alarm_now and result.step is not None:
        latest = max(latest, abs(float(result.step.size)))
    if result.mean_limit > 0.0 and not math.isnan(latest):
        shares.append(latest / result.mean_limit)
    if result.allowance is not None:
        fastest = max(abs(drift.lower), abs(drift.upper))
        shares.append(fastest * result.longest_gap / DAYS_A_YEAR / result.allowance)
    outcome: Outcome
    if result.alarm_now:
        outcome, why = "fail", "There is an alarm at the latest check."
        todo = "Take the gauge out of use and follow grr.after_check."
    elif result.alarmed:
        outcome, why = "can't tell", "There were alarms earlier."
        todo = "Find out what happened then; once it is put right, start a new baseline."
    elif result.recheck_days is not None and result.recheck_days < result.longest_gap:
        outcome = "conditional"
        why = "From one check to the next the drift may use up more than its share."
        todo = f"Check at least every {counted(max(1, int(result.recheck_days)), 'day')}."
    elif len(result.means) < ENOUGH:
        outcome, why = "conditional", f"There are fewer than {ENOUGH} checks."
        todo = (
            f"Go on checking at the interval of the laboratory's procedure up to {ENOUGH} checks."
        )
    else:
        outcome, why, todo = "pass", "There is no alarm after the baseline.", ""
    return Requirement(
        STABILITY,
        ASKED_STABILITY,
        f"{counted(len(result.means), 'check')}, drift {drift:s} a year",
        f"{drift:r} a year, {100 * result.level:g}{JOIN}% interval",
        outcome,
        used=max(shares, default=math.nan),
        why=why,
        todo=todo,
    )


def _decision(requirements: tuple[Requirement, ...], judged: Verdict | None) -> str:
    outcomes = {one.outcome for one in requirements}
    if "fail" in outcomes:
        return DO_NOT_USE
    if outcomes & {"not done", "can't tell"}:
        return NOT_DECIDED
    if judged is not None and judged.decision == WITH_LIMITS:
        return WITH_LIMITS
    return LIKE_THIS if "conditional" in outcomes else USE


def _from_study(judged: Verdict | None) -> tuple[str, ...]:
    if judged is None:
        return ()
    told = [line for line in judged.conditions if line != WITHIN_LIMITS]
    return tuple(told) or conditions_of_use(judged.result.study)


def _accepted(use: BudgetUse | None, resolution: float | None, judged: Verdict | None) -> str:
    """Return the readings by which parts are accepted; "" where the uncertainty is small.

    Of those of the uncertainty budget and those that the verdict rests on the narrower.
    """
    by_budget = use if use is not None and use.q_mp > LIMIT_PROCESS else None
    limits = judged.acceptance_limits if judged and judged.decision == WITH_LIMITS else None
    if limits is not None and judged is not None:
        of_study = judged.result.study
        tolerance = needs(of_study.tolerance, Tolerance)
        ends = ((limits.lower, tolerance.lower), (limits.upper, tolerance.upper))
        guards = [abs(own - outer) for own, outer in ends if own is not None and outer is not None]
        step = resolution or 10.0 ** -decimals_for(guards[0])
        inside = rounded_inwards(limits, step)
        if inside is not None and (by_budget is None or max(guards) > by_budget.guard):
            return f"readings {limits_text(inside, step, of_study.unit)}"
    return "" if by_budget is None else by_budget.acceptance_readings(resolution)


def _valid_until(facts: Mapping[str, Any], stability: StabilityResult | None) -> date | None:
    """Return the earlier of the calibration's end and the next check; None where unknown."""
    days = [facts.get("calibration_due"), stability.next_check if stability else None]
    try:
        known = [date.fromisoformat(str(day)) for day in days if day]
    except ValueError:
        raise StudyError(
            "The day on which the calibration is due is not a date",
            "Write it like 2027-03-31",
            column="calibration_due",
            value=days[0],
        ) from None
    return min(known) if known else None
