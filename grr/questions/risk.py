"""`grr.misclassification`: how many parts are judged wrongly, and which way."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import partial, wraps
from inspect import signature
from typing import ParamSpec, TypeVar

import numpy as np
import pandas as pd
from scipy.special import ndtri

from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import ConfidenceLimits, two_sided_limits, variance_draws
from grr.formulas.conformity import (
    HOLDABLE,
    Risks,
    Zone,
    conformance_factor,
    global_risks,
    guard_for_risk,
    refuse_values_without_risk,
    specific_risk,
)
from grr.model.blocks import Block, Bullets, Heading, Prose, Table
from grr.model.errors import StudyError
from grr.model.estimate import CHANCE, Estimate
from grr.model.frames import frame
from grr.model.printed import EXAMPLE, Printed
from grr.model.rounding import (
    chance,
    decimals_for,
    figures,
    length,
    limits_text,
    same_decimals,
    size,
    with_unit,
)
from grr.model.tolerance import Tolerance
from grr.model.values import at_least_zero, number, one_of
from grr.questions.acceptance import predicted_guard, rounded_inwards, zone_of
from grr.questions.gauge import GaugeResult
from grr.questions.intervals import pivots_of, specification_of

Answer = TypeVar("Answer")
Given = ParamSpec("Given")

#: What happens to a part: name → in words.
MEANINGS = {
    "bad": "a part is bad (out of tolerance)",
    "accepted": "a part is accepted",
    "bad_accepted": "a part is bad and accepted",
    "good_rejected": "a part is good and rejected",
    "accepted_if_bad": "a bad part is accepted",
    "bad_if_accepted": "an accepted part is bad",
    "rejected_if_good": "a good part is rejected",
    "good_if_rejected": "a rejected part is good",
    "reading_bad": "the part with this reading is bad",
    "reading_bad_without_process": "the same, by the reading alone",
}


@dataclass(frozen=True, eq=False, repr=False)
class Misclassification(Printed):
    """Probabilities that parts are judged wrongly.

    Attributes
    ----------
    table : DataFrame
        Index: bad, accepted, bad_accepted (global consumer's risk), good_rejected (global
        producer's risk), accepted_if_bad, bad_if_accepted, rejected_if_good,
        good_if_rejected, and for a given reading reading_bad and
        reading_bad_without_process; columns meaning, estimate, lower, upper.
    circumstances : Circumstances
        Tolerance, measuring system and process.
    process : Process
    acceptance : Tolerance
        Limits of the readings at which a part is accepted.
    bias : float
    reading : float or None
    level : float
        Confidence of the intervals.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.misclassification(grr.anova(study))
    Misclassification(Example with invented readings: dowel pins in a stand: 10 …)
    """

    circumstances: Circumstances
    process: Process
    acceptance: Tolerance
    bias: float
    reading: float | None
    level: float
    table: pd.DataFrame = frame()

    def value(self, name: str) -> float:
        """Return one probability, such as ``value("bad_accepted")``."""
        return self.estimate(name).value

    def estimate(self, name: str) -> Estimate:
        """Return one probability with its interval."""
        table = self.table
        if name not in table.index:
            raise StudyError(
                "There is no risk of this name",
                f"Use one of: {', '.join(table.index)}",
                value=name,
            )
        value, lower, upper = (float(table[end][name]) for end in ("estimate", "lower", "upper"))
        return Estimate(value, lower, upper, CHANCE)

    def to_frame(self) -> pd.DataFrame:
        """Return the table of probabilities."""
        return self.table

    def blocks(self) -> list[Block]:
        """Return what the risks are of, the risks, and what they rest on."""
        known, opening = self.circumstances, _situation(self.circumstances)
        if self.acceptance != known.tolerance:
            accepted = limits_text(self.acceptance, known.resolution, known.unit)
            opening.append(f"Accepted are readings: {accepted}.")
        if self.bias != 0.0:
            bias = length(self.bias, known.unit)
            opening.append(f"Bias of the readings, not corrected: {bias}.")
        head, rows = ["How likely is it that", "probability"], []
        if known.estimated:
            head.append(f"{100 * self.level:g} % interval")
        for name, meaning in self.table["meaning"].items():
            found = self.estimate(str(name))
            rows.append([str(meaning), f"{found}", f"{found:r}"][: len(head)])
        return [Prose(opening), Table(head, rows), Bullets(_risk_notes(self))]


def _remembered(work_out: Callable[Given, Answer]) -> Callable[Given, Answer]:
    """Let an answer about a result be worked out once for each set of options.

    Options are told apart by their kind too: what was answered for 1 is no answer for True.
    """

    @wraps(work_out)
    def answer(*args: Given.args, **options: Given.kwargs) -> Answer:
        try:
            given = signature(work_out).bind(*args, **options)
            given.apply_defaults()
            result, *rest = given.arguments.items()
            key = (work_out.__name__, *((name, type(value), value) for name, value in rest))
            hash(key)
        except TypeError:  # an unknown name, or a list, say: refused by the work itself, in words
            return work_out(*args, **options)
        if not isinstance(result[1], GaugeResult):
            return work_out(*args, **options)
        return result[1].study.once((*key, result[1].key), lambda: work_out(*args, **options))

    return answer


@_remembered
def misclassification(
    result: GaugeResult | None = None,
    *,
    tolerance: Tolerance | None = None,
    acceptance: Tolerance | None = None,
    process_mean: float | None = None,
    process_sd: float | None = None,
    observed_sd: float | None = None,
    grr_sd: float | None = None,
    bias: float = 0.0,
    bias_uncertainty: float | None = None,
    reading: float | None = None,
    level: float = 0.95,
) -> Misclassification:
    """Return how likely it is that a part is judged wrongly by one reading.

    Parameters
    ----------
    result : GaugeResult, optional
        Gives what is not given by name: tolerance, GRR, mean and part variation; then
        every probability carries the interval that the study allows.
    tolerance : Tolerance, optional
        What makes a part good.
    acceptance : Tolerance, optional
        Readings at which a part is accepted; the tolerance by default. See
        `grr.guard_band`.
    process_mean : float, optional
    process_sd : float, optional
        Standard deviation of the parts' *true* values.
    observed_sd : float, optional
        Standard deviation of *readings* of the process; GRR is taken off it.
    grr_sd : float, optional
        Standard deviation of the error of one reading.
    bias : float
        Mean error of the readings that are compared with the acceptance limits; 0 where
        a known bias is corrected.
    bias_uncertainty : float, optional
        Standard uncertainty of the bias: it widens the intervals. By default that of a bias
        within the bound that the study states (``bias_at_most`` among its facts; JCGM
        100:2008, 4.3.7: the bound over √3), 0 where it states none.
    reading : float, optional
        One reading: how likely is this part bad?
    level : float
        Confidence of the two-sided intervals.

    Returns
    -------
    Misclassification

    Raises
    ------
    StudyError
        Something is missing or cannot be used, such as a process sd of 0.

    Notes
    -----
    True values and errors are taken as normal. Exact by integration, not by simulation.
    Source: JCGM 106:2012, clauses 9.3 to 9.5 (global and conditional risks), clause 7 and
    A.4 (one reading).

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> risks = grr.misclassification(grr.anova(study)).to_frame()
    >>> print(f"{1e6 * risks.loc['bad_accepted', 'estimate']:.0f} parts of a million")
    331 parts of a million
    """
    known = circumstances(
        result,
        tolerance=tolerance,
        grr_sd=grr_sd,
        process_mean=process_mean,
        process_sd=process_sd,
        observed_sd=observed_sd,
    )
    if known.process is None:
        raise StudyError(
            f"Risks need the process: {known.no_process}",
            "Give process_mean and process_sd (of true values) or observed_sd (of readings)",
        )
    if acceptance is not None and not isinstance(acceptance, Tolerance):
        raise StudyError(
            "The acceptance limits are not a Tolerance",
            "Write acceptance=grr.Tolerance(lower=..., upper=...)",
            value=acceptance,
        )
    level = number("level", level, above=0.0, below=1.0)
    bias = number("bias", bias)
    accept = known.tolerance if acceptance is None else acceptance
    at = None if reading is None else number("reading", reading)
    process = known.process
    doubt = _doubt_about_bias(result, bias_uncertainty)
    risks = partial(_all_risks, known, accept, reading=at)
    point = risks(mean=process.mean, sd=process.sd, grr_sd=known.grr_sd, bias=bias)
    limits: dict[str, ConfidenceLimits] = {}
    if known.estimated or doubt > 0.0:
        draws = max(np.size(known.grr_draws), np.size(process.mean_draws))
        spread = np.random.default_rng(1995).standard_normal(
            draws if known.estimated else BIAS_DRAWS
        )
        drawn = risks(
            mean=process.mean_draws,
            sd=known.process_sd_draws if known.estimated else process.sd,
            grr_sd=known.grr_draws,
            bias=bias + doubt * spread if doubt > 0.0 else bias,
        )
        limits = {name: two_sided_limits(np.atleast_1d(d), level) for name, d in drawn.items()}
    table = pd.DataFrame(
        {
            "meaning": [MEANINGS[name] for name in point],
            "estimate": [float(value) for value in point.values()],
            "lower": [float(limits[name][0]) if limits else math.nan for name in point],
            "upper": [float(limits[name][1]) if limits else math.nan for name in point],
        },
        index=pd.Index(list(point), name="risk"),
    )
    return Misclassification(known, process, accept, bias, at, level, table)


#: Draws of a bias that is known only so well, where nothing else is in doubt.
BIAS_DRAWS = 10_000


def _doubt_about_bias(result: GaugeResult | None, given: float | None) -> float:
    """Return the standard uncertainty of the bias: as given, or as the study bounds it."""
    if given is not None:
        return at_least_zero("bias_uncertainty", given)
    most = None if result is None else result.study.facts.get("bias_at_most")
    return 0.0 if most is None else abs(float(most)) / math.sqrt(3.0)


def _all_risks(
    known: Circumstances,
    acceptance: Tolerance,
    *,
    bias: Array | float,
    reading: float | None,
    mean: Array | float,
    sd: Array | float,
    grr_sd: Array | float,
) -> dict[str, Array]:
    risks = global_risks(
        known.zone,
        zone_of(acceptance),
        process_mean=mean,
        process_sd=sd,
        grr_sd=grr_sd,
        bias=bias,
    )
    found = {field.name: getattr(risks, field.name) for field in fields(Risks)}
    if reading is not None:
        about: dict[str, Array | float] = {"grr_sd": grr_sd, "bias": bias}
        found["reading_bad"] = specific_risk(
            reading, known.zone, process_mean=mean, process_sd=sd, **about
        )
        found["reading_bad_without_process"] = specific_risk(reading, known.zone, **about)
    return found


ASSUMED = (
    "Assumed: true values and errors are normal, the process stays as it is, and each part is "
    "judged by one reading."
)
PPM = "ppm: parts per million."
CAUTION = (
    "How much risk is allowed is for the drawing, the customer and the law to say, not for "
    "this calculation."
)


def _situation(known: Circumstances) -> list[str]:
    """Return tolerance, measuring system and process as sentences."""
    unit, process = known.unit, known.process
    lines = [
        *([EXAMPLE] if known.example else []),
        *([known.title] if known.title else []),
        f"Tolerance: {limits_text(known.tolerance, known.resolution, unit)}.",
        f"Measuring system: sd {length(known.grr_sd, unit)} ({known.grr_is}).",
    ]
    if process is not None:
        mean = with_unit(same_decimals(process.mean, process.sd), unit)
        lines.append(
            f"Process: mean {mean}, sd of true values {length(process.sd, unit)} ({process.sd_is})."
        )
    return lines


def _risk_notes(result: Misclassification) -> list[str]:
    """Return the risks in numbers of parts, and what is assumed."""
    lines = []
    bad, good = result.value("bad_accepted"), result.value("good_rejected")
    if math.isfinite(bad) and math.isfinite(good):
        lines.append(
            f"Of a million parts {_count(bad)} are bad and accepted, and {_count(good)} are good "
            "and rejected."
        )
    known = result.circumstances
    if result.reading is not None:
        shown = size(result.reading, known.resolution, known.unit)
        lines.append(
            f"A part that reads {shown} is bad with probability "
            f"{result.estimate('reading_bad')}, given what this process makes; by the "
            "reading alone, without knowledge of the process, with "
            f"{result.estimate('reading_bad_without_process')}."
        )
    if known.estimated:
        lines.append(
            "The intervals carry the uncertainty of the study: with few operators GRR itself is "
            "not known well."
        )
    return [*lines, PPM, ASSUMED, CAUTION]


def _count(probability: float) -> str:
    expected = 1e6 * probability
    if expected < 1.0:
        return "less than one"
    return f"about {expected:.2g}" if expected < 10.0 else f"about {float(f'{expected:.3g}'):.0f}"


RULES = ("predictive", "conformance", "expanded", "risk")
#: Draws behind the interval of a guard band that holds a risk.
_DRAWS = 1000


@dataclass(frozen=True, eq=False, repr=False)
class GuardBand(Printed):
    """Acceptance limits, and what they cost.

    Attributes
    ----------
    circumstances : Circumstances
    rule : {"predictive", "conformance", "expanded", "risk"}
    aim : str
        What the limits achieve, as a sentence.
    guard : Estimate
        The width at each limit with its interval at ``level``, or why there are no limits;
        `width`, `lower`, `upper` and `why_not` are its parts.
    level : float
    bias : float
        Known bias: taken off each reading, or put onto the limits.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> grr.guard_band(grr.anova(study))
    GuardBand(Example with invented readings: dowel pins in a stand: 10 …)
    """

    circumstances: Circumstances
    rule: str
    aim: str
    guard: Estimate
    level: float
    bias: float

    @property
    def width(self) -> float:
        """Distance of each acceptance limit from its tolerance limit; NaN without limits."""
        return self.guard.value

    @property
    def lower(self) -> float:
        """Lower limit of the width; NaN where nothing was estimated."""
        return self.guard.lower

    @property
    def upper(self) -> float:
        """Upper limit of the width; infinite where it reaches a spread without limits."""
        return self.guard.upper

    @property
    def why_not(self) -> str:
        """Why there are no acceptance limits; "" where there are."""
        return self.guard.why

    @property
    def possible(self) -> bool:
        """Whether there are acceptance limits at all."""
        return self.guard.known

    @property
    def acceptance(self) -> Tolerance | None:
        """Limits for the corrected reading (known bias taken off); None where impossible."""
        return self._limits(self.width, 0.0)

    @property
    def on_the_gauge(self) -> Tolerance | None:
        """The same limits for the reading as shown, known bias in it."""
        return self._limits(self.width, self.bias)

    @property
    def cautious(self) -> Tolerance | None:
        """Limits for the corrected reading by the upper end of the width's interval."""
        return self._limits(self.upper, 0.0)

    @property
    def risks(self) -> Risks | None:
        """The risks with these limits; None without limits or without a process."""
        return self._risks(self.acceptance)

    @property
    def risks_unguarded(self) -> Risks | None:
        """The risks with the tolerance limits as acceptance limits."""
        return self._risks(self.circumstances.tolerance)

    @property
    def extra_rejected(self) -> float:
        """Share of all parts that are good and rejected more than without a guard band."""
        now, before = self.risks, self.risks_unguarded
        if now is None or before is None:
            return math.nan
        return float(now.good_rejected) - float(before.good_rejected)

    def _limits(self, width: float, moved: float) -> Tolerance | None:
        tolerance = self.circumstances.tolerance
        return tolerance.narrowed(width, moved) if math.isfinite(width) else None

    def _risks(self, acceptance: Tolerance | None) -> Risks | None:
        process = self.circumstances.process
        if process is None or acceptance is None:
            return None
        return global_risks(
            self.circumstances.zone,
            zone_of(acceptance),
            process_mean=process.mean,
            process_sd=process.sd,
            grr_sd=self.circumstances.grr_sd,
        )

    def to_frame(self) -> pd.DataFrame:
        """Return the limits and what they do as a table of one row."""
        accept, shown = self.acceptance, self.on_the_gauge
        now, before = self.risks, self.risks_unguarded
        row = {
            "rule": self.rule,
            "possible": self.possible,
            "width": self.width,
            "width_lower": self.lower,
            "width_upper": self.upper,
            "accept_from": None if accept is None else accept.lower,
            "accept_to": None if accept is None else accept.upper,
            "bias": self.bias,
            "gauge_from": None if shown is None else shown.lower,
            "gauge_to": None if shown is None else shown.upper,
            "bad_accepted": math.nan if now is None else float(now.bad_accepted),
            "good_rejected": math.nan if now is None else float(now.good_rejected),
            "bad_accepted_unguarded": math.nan if before is None else float(before.bad_accepted),
            "extra_rejected": self.extra_rejected,
        }
        return pd.DataFrame([row])

    def blocks(self) -> list[Block]:
        """Return the acceptance limits and what they cost."""
        opening = _situation(self.circumstances)
        if self.bias != 0.0:
            opening.append(f"Known bias: {length(self.bias, self.circumstances.unit)}.")
        return [
            Prose([*opening, self.aim]),
            _limits_table(self) if self.possible else Heading("No acceptance limits"),
            Bullets(_guard_notes(self)),
        ]


@_remembered
def guard_band(
    result: GaugeResult | None = None,
    *,
    rule: str | None = None,
    tolerance: Tolerance | None = None,
    u: float | None = None,
    confidence: float | None = None,
    k: float = 2.0,
    risk: float = 0.001,
    hold: str = "bad_accepted",
    process_mean: float | None = None,
    process_sd: float | None = None,
    observed_sd: float | None = None,
    bias: float = 0.0,
    level: float = 0.95,
) -> GuardBand:
    """Return acceptance limits that allow for the uncertainty of a reading.

    Parameters
    ----------
    result : GaugeResult, optional
        Gives what is not given by name.
    rule : {"predictive", "conformance", "expanded", "risk"}, optional
        "predictive": a part on a limit of the tolerance is accepted with a chance of 1 −
        ``confidence``, the doubt of the study about GRR counted in, and the bias that the
        study states (``bias_at_most``): the limits of `grr.verdict`, and what is taken where
        u comes from a study. "conformance": at the limit the true value conforms with this
        ``confidence`` if u is known (ISO 14253-1: 95 %); what is taken where u is given.
        "expanded": the older rule, one expanded uncertainty k·u. "risk": the consumer's risk
        of the whole process is at most ``risk``.
    tolerance : Tolerance, optional
    u : float, optional
        Standard uncertainty of one reading. GRR of the result by default, which leaves
        out calibration, temperature and what else the study did not vary.
    confidence : float, optional
        For "predictive" and "conformance"; that of the study's rules by default, or 0.95.
    k : float
        For "expanded".
    risk : float
        For "risk".
    hold : {"bad_accepted", "accepted_if_bad", "bad_if_accepted"}
        For "risk": which of the consumer's risks; see `grr.misclassification`.
    process_mean, process_sd, observed_sd : float, optional
        The process, as for `grr.misclassification`. "risk" needs it; the other rules use
        it to say what the limits cost.
    bias : float
        Known bias of the gauge. The limits hold for the corrected reading; those for the
        reading as shown are given too.
    level : float
        Confidence of the interval of the guard band.

    Returns
    -------
    GuardBand
        Where the tolerance is too small for any limits it says so.

    Raises
    ------
    StudyError
        Something is missing or cannot be used.

    Notes
    -----
    Source: ISO 14253-1:2017 (proving conformance; the factor is 1.65 for a large
    tolerance and is solved for where the tolerance is small against u); ISO
    14253-1:1998 (one expanded uncertainty); JCGM 106:2012, clauses 8.3 and 9.5.

    Examples
    --------
    >>> study = grr.open_study("demo_data/dowel_pin")
    >>> limits = grr.guard_band(grr.anova(study)).acceptance
    >>> print(f"accept from {limits.lower:.5f} to {limits.upper:.5f} mm")
    accept from 10.00613 to 10.01187 mm
    """
    of_study = isinstance(result, GaugeResult) and u is None
    rule = one_of("rule", rule or ("predictive" if of_study else "conformance"), RULES)
    one_of("hold", hold, HOLDABLE)
    if confidence is None:
        confidence = result.study.rules.confidence if isinstance(result, GaugeResult) else 0.95
    confidence = number("confidence", confidence, above=0.5, below=1.0)
    k = number("k", k, above=0.0)
    risk = number("risk", risk, above=0.0, below=1.0)
    bias = number("bias", bias)
    level = number("level", level, above=0.0, below=1.0)
    known = circumstances(
        result,
        tolerance=tolerance,
        grr_sd=u,
        process_mean=process_mean,
        process_sd=process_sd,
        observed_sd=observed_sd,
    )
    if rule == "risk":
        guard = _by_risk(known, risk, hold, level)
    elif rule != "predictive":
        guard = _by_multiple(known, rule, confidence, k, level)
    elif result is None or u is not None:
        raise StudyError(
            "The predictive rule counts in the doubt of a study about GRR, and no study is asked",
            "Give the result of grr.anova without u, or rule='conformance'",
        )
    else:
        width = predicted_guard(result, confidence)
        fits = 2.0 * width < (known.tolerance.width or math.inf)
        guard = Estimate(width if fits else math.inf, unit=known.unit)
    factor = guard.value / known.grr_sd
    if math.isinf(guard.value):
        guard = replace(guard, value=math.nan, why=_why_not(known, rule, confidence, k))
    return GuardBand(
        circumstances=known,
        rule=rule,
        aim=_aim(rule, confidence=confidence, k=k, risk=risk, hold=hold, factor=factor),
        guard=guard,
        level=level,
        bias=bias,
    )


def _by_multiple(
    known: Circumstances, rule: str, confidence: float, k: float, level: float
) -> Estimate:
    """Return a multiple of u, infinite where nothing is left; it rises with u, and so do limits."""
    tolerance_width = known.tolerance.width or math.inf

    def width(u: float) -> float:
        if rule == "conformance":
            factor = float(conformance_factor(tolerance_width / u, confidence))
            return math.inf if math.isnan(factor) else factor * u
        return k * u if 2.0 * k * u < tolerance_width else math.inf

    if not isinstance(known.grr_draws, np.ndarray):
        return Estimate(width(known.grr_sd), unit=known.unit)
    low, high = two_sided_limits(known.grr_draws, level)
    return Estimate(width(known.grr_sd), width(float(low)), width(float(high)), known.unit)


def _by_risk(known: Circumstances, risk: float, hold: str, level: float) -> Estimate:
    process = known.process
    if process is None:
        raise StudyError(
            f"A risk of the process needs the process: {known.no_process}",
            "Give process_mean and process_sd (of true values) or observed_sd (of readings)",
        )

    def width(mean: Array | float, sd: Array | float, grr_sd: Array | float) -> Array:
        found = guard_for_risk(
            known.zone, risk, process_mean=mean, process_sd=sd, grr_sd=grr_sd, hold=hold
        )
        return np.where(np.isnan(found), np.inf, found)

    point = float(width(process.mean, process.sd, known.grr_sd))
    if not known.estimated:
        return Estimate(point, unit=known.unit)
    draws = (process.mean_draws, known.process_sd_draws, known.grr_draws)
    low, high = two_sided_limits(
        width(*(np.broadcast_to(d, RISK_DRAWS)[:_DRAWS] for d in draws)), level
    )
    return Estimate(point, float(low), float(high), known.unit)


def _aim(rule: str, *, confidence: float, k: float, risk: float, hold: str, factor: float) -> str:
    if rule == "predictive":
        return (
            "A part on a limit of the tolerance is accepted with a chance of "
            f"{100 * (1 - confidence):.3g} %, the doubt of the study about GRR counted in."
        )
    if rule == "conformance":
        shown = "" if not math.isfinite(factor) else f"; {figures(factor, 4)}·u"
        return (
            "For a part accepted at the limit the conformance probability is "
            f"{100 * confidence:g} % (ISO 14253-1{shown})."
        )
    if rule == "expanded":
        return (
            f"The limits lie one expanded uncertainty ({k:g}·u) inside the tolerance (the older "
            "rule of ISO 14253-1)."
        )
    held = {
        "bad_accepted": "of all parts are bad and accepted",
        "accepted_if_bad": "of the bad parts are accepted",
        "bad_if_accepted": "of the accepted parts are bad",
    }[hold]
    return f"At most {chance(risk)} {held}."


def _why_not(known: Circumstances, rule: str, confidence: float, k: float) -> str:
    width, u, unit = known.tolerance.width, known.grr_sd, known.unit
    if rule == "risk" or width is None:
        return (
            "No acceptance limits keep to this risk: even parts that read in the middle of the "
            "tolerance are too likely to be bad. Centre the process, or reduce the measurement "
            "uncertainty."
        )
    if rule == "predictive":
        return (
            "The study knows GRR too little: the limits would leave nothing of the tolerance. "
            "A larger study may allow some; or reduce the measurement uncertainty."
        )
    needed = 2.0 * (k if rule == "expanded" else float(ndtri(0.5 + 0.5 * confidence)))
    return (
        f"The tolerance is {figures(width / u, 3)} times the uncertainty u and would have to be "
        f"at least {figures(needed, 3)} times: u may be at most {length(width / needed, unit)}. "
        "With this measurement no reading proves that a part is good."
    )


AGREED = (
    "Which rule counts is for supplier and customer to agree; these limits are for whoever "
    "states that parts conform. Where the drawing or the contract names a rule, that one holds."
)
ONLY_GRR = (
    "u is GRR alone: calibration, temperature and whatever else the study did not vary are not "
    "in it. Give u from an uncertainty budget where there is one."
)


def _limits_table(band: GuardBand) -> Table:
    known, corrected, guard = band.circumstances, band.bias != 0.0, band.guard

    def shown(limits: Tolerance | None, finer: float = 10.0 if corrected else 1.0) -> str:
        """Return limits rounded inwards to the gauge's digit: the last readings to accept."""
        step = known.resolution
        step = 10.0 ** -decimals_for(band.width or 1.0) if step is None else step / finer
        inside = None if limits is None else rounded_inwards(limits, step)
        return "none" if inside is None else limits_text(inside, step, known.unit)

    rows = [["Guard band at each limit", f"{guard}"]]
    if guard.bounded:
        high = "no limits possible" if math.isinf(band.upper) else f"{guard:u}"
        rows.append([f"  its {100 * band.level:g} % interval", f"{guard:l} to {high}"])
    which = "corrected readings" if corrected else "readings"
    rows.append([f"Accept {which}", shown(band.acceptance)])
    if corrected:
        rows.append(["Accept readings as the gauge shows them", shown(band.on_the_gauge, 1.0)])
    if guard.bounded:
        rows.append(["Cautious limits (upper end of the interval)", shown(band.cautious)])
    return Table(["Acceptance limits", ""], rows)


def _guard_notes(band: GuardBand) -> list[str]:
    """Return what the limits cost, and on what they rest."""
    lines = [band.why_not] if band.why_not else []
    now, before = band.risks, band.risks_unguarded
    if now is not None and before is not None:
        lines += [
            f"Bad and accepted: {chance(float(now.bad_accepted))} of all parts, instead of "
            f"{chance(float(before.bad_accepted))} with the tolerance limits themselves.",
            f"Good and rejected: {chance(float(now.good_rejected))} of all parts, instead of "
            f"{chance(float(before.good_rejected))}. {chance(float(now.accepted))} of all parts "
            "are accepted.",
        ]
        if float(now.accepted) < 0.5:
            lines.append(
                "Fewer than half of the parts would be accepted: improve the measurement or the "
                "process instead."
            )
    elif band.possible:
        lines.append(f"What the limits cost is not known: {band.circumstances.no_process}.")
    if band.width == 0.0:
        lines.append("The tolerance limits themselves keep to this risk; no guard band is needed.")
    if math.isinf(band.upper) and band.possible:
        lines.append(
            "The study is also compatible with a spread at which no acceptance limits are left."
        )
    if band.circumstances.grr_is != "given":
        lines.append(ONLY_GRR)
    if now is not None:
        lines.append(PPM)
    return [*lines, AGREED]


#: Draws behind the interval of a risk.
RISK_DRAWS = 4000


@dataclass(frozen=True)
class Process:
    """Mean and sd of the parts' true values: the value, and draws of it where estimated."""

    mean: float
    sd: float
    mean_draws: Array | float
    sd_draws: Array | float
    sd_is: str


@dataclass(frozen=True)
class Circumstances:
    """Tolerance, spread of the measuring system, and the process where it is known.

    Attributes
    ----------
    tolerance : Tolerance
    unit : str
    resolution : float or None
    title : str
        What the numbers are from; "" for plain numbers.
    example : bool
    grr_sd : float
    grr_draws : ndarray or float
        Draws of it where it was estimated from a study; the value where it was given.
    grr_is : str
        Where it comes from.
    process : Process or None
    no_process : str
        Why there is no process.
    """

    tolerance: Tolerance
    unit: str
    resolution: float | None
    title: str
    example: bool
    grr_sd: float
    grr_draws: Array | float
    grr_is: str
    process: Process | None
    no_process: str

    @property
    def zone(self) -> Zone:
        """The tolerance zone for the formulas."""
        return zone_of(self.tolerance)

    @property
    def estimated(self) -> bool:
        """Whether anything comes from a study and has an interval."""
        process = self.process
        return any(
            isinstance(value, np.ndarray)
            for value in (
                self.grr_draws,
                *((process.mean_draws, process.sd_draws) if process else ()),
            )
        )

    @property
    def process_sd_draws(self) -> Array | float:
        """Draws of the process sd, none so small that a risk cannot be held as a number.

        A study may be compatible with parts that do not differ at all. A floor at a 35th
        of the distance to the nearest limit changes no probability by more than 1e-260,
        and keeps those that are conditional on a bad part defined.
        """
        process = self.process
        if process is None:
            return math.nan
        mean = process.mean_draws
        distance = np.minimum(np.abs(mean - self.zone.lower), np.abs(self.zone.upper - mean))
        floor = np.maximum(distance / 35.0, 1e-3 * np.asarray(self.grr_draws))
        return np.maximum(process.sd_draws, floor)


def circumstances(
    result: GaugeResult | None,
    *,
    tolerance: Tolerance | None = None,
    grr_sd: float | None = None,
    process_mean: float | None = None,
    process_sd: float | None = None,
    observed_sd: float | None = None,
) -> Circumstances:
    """Collect tolerance, gauge and process from a result and from numbers given.

    Raises
    ------
    StudyError
        No tolerance, no spread of the measuring system, or a value that cannot be used.
    """
    if result is not None and not isinstance(result, GaugeResult):
        raise StudyError(
            "The first argument is not a result of a gauge study",
            "Give what grr.anova returned, or give the numbers by name",
            value=type(result).__name__,
        )
    study = None if result is None else result.study
    limits = tolerance if tolerance is not None else (study.tolerance if study else None)
    if not isinstance(limits, Tolerance):
        raise StudyError(
            "There is no tolerance, so no part is good or bad",
            "Give tolerance=grr.Tolerance(lower=..., upper=...)",
            value=limits,
        )
    grr = _gauge(result, grr_sd)
    process = _process(result, grr, mean=process_mean, sd=process_sd, observed=observed_sd)
    return Circumstances(
        tolerance=limits,
        unit="" if study is None else study.unit,
        resolution=None if study is None else study.resolution,
        title="" if study is None else study.summary,
        example=study is not None and study.example,
        grr_sd=grr[0],
        grr_draws=grr[1],
        grr_is="given" if grr_sd is not None else "GRR of this study",
        process=None if isinstance(process, str) else process,
        no_process=process if isinstance(process, str) else "",
    )


#: A number, and draws of it where a study estimated it (the number itself where given).
_Known = tuple[float, Array | float]


def _gauge(result: GaugeResult | None, given: float | None) -> _Known:
    if given is not None:
        value = number("grr_sd", given)
        refuse_values_without_risk(0.0, 1.0, value)
        return value, value
    if result is None:
        raise StudyError(
            "The spread of the measuring system is missing",
            "Give a result of grr.anova, or grr_sd",
        )
    value = result.value("GRR", "sd")
    if not value > 0.0:
        raise StudyError(
            "GRR was found to be 0: the readings repeat to the last digit",
            "State the gauge's resolution in the study, so that its rounding error counts",
        )
    return value, _sd_draws(result, "GRR")


def _sd_draws(result: GaugeResult, source: str) -> Array:
    pivots = pivots_of(result, draws=RISK_DRAWS)
    return np.sqrt(variance_draws(pivots, source, specification_of(result)))


def _process(
    result: GaugeResult | None,
    grr: _Known,
    *,
    mean: float | None,
    sd: float | None,
    observed: float | None,
) -> Process | str:
    """Return the process, or why it is not known."""
    if sd is not None and observed is not None:
        raise StudyError(
            "Both the true and the observed sd of the process were given",
            "Give process_sd (true values) or observed_sd (readings), not both",
        )
    centre = _mean(result, mean)
    if isinstance(centre, str):
        return centre
    if sd is not None:
        value = number("process_sd", sd)
        refuse_values_without_risk(centre[0], value, grr[0])
        return Process(centre[0], value, centre[1], value, "given")
    if observed is not None:
        total = number("observed_sd", observed)
        if total <= grr[0]:
            raise StudyError(
                "The observed sd of the process is not above that of the measuring system alone",
                "Check both: the readings of a process contain the measuring system's spread",
                value=f"{total:g} and {grr[0]:g}",
            )
        draws = np.sqrt(np.maximum(total**2 - np.square(grr[1]), 0.0))
        value = math.sqrt(total**2 - grr[0] ** 2)
        return Process(centre[0], value, centre[1], draws, "observed less GRR")
    if result is None:
        return "no sd of the process was given"
    study = result.study
    if study.parts_from == "chosen" and study.process_sd is None:
        return "the parts were chosen, so how they differ is not how the process varies"
    value = result.value("PV", "sd")
    if math.isnan(value):
        return result.reasons.get("PV", "the part variation was not estimated")
    if value == 0.0:
        return "the part variation was estimated as 0, so the sd of the process is not known"
    source = "part variation (PV) of this study"
    if study.process_sd is not None:
        source = "process sd of the records less GRR"
    return Process(centre[0], value, centre[1], _sd_draws(result, "PV"), source)


def _mean(result: GaugeResult | None, given: float | None) -> _Known | str:
    """Return the mean of the process, or why it is not known."""
    if given is None and result is not None:
        given = result.study.process_mean
    if given is not None:
        return (number("process_mean", given),) * 2
    if result is None:
        return "no mean of the process was given"
    if result.study.parts_from == "chosen":
        return "the parts were chosen, so their mean is not the process's"
    return result.mean, pivots_of(result, draws=RISK_DRAWS).mean
