"""Which acceptance limits to stand by while GRR is known only so well, and what they cost.

And for which tolerances the gauge is proven, whatever the tolerance of this study.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from grr.formulas.arrays import Array
from grr.formulas.coarse_digit import COARSE_FOR_GUARD, as_read
from grr.formulas.confidence_limits import (
    careful_lower_bound,
    two_sided_limits,
    upper_bound,
    variance_draws,
)
from grr.formulas.conformity import (
    Zone,
    largest_cheap_sd,
    limits_and_price,
    parts_that_fill,
    predictive_guard,
)
from grr.formulas.pivots import Pivots, crossed_pivots
from grr.formulas.precision import Design, anova_of_variances, design_components
from grr.formulas.second_look import rules_at_look
from grr.model.choices import Decision
from grr.model.errors import StudyError
from grr.model.estimate import PERCENT, Estimate
from grr.model.rounding import (
    chance,
    decimals_for,
    length,
    limits_text,
    rounded_up,
)
from grr.model.rules import Rules
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.questions.gauge import GaugeResult
from grr.questions.intervals import pivots_as_read, pivots_of, specification_of

#: The price where there are no acceptance limits.
NO_PRICE = Estimate(math.nan, unit=PERCENT, why="no acceptance limits can be given")


def zone_of(tolerance: Tolerance) -> Zone:
    """Return limits as numbers, infinite where there is none."""
    return Zone(
        -math.inf if tolerance.lower is None else tolerance.lower,
        math.inf if tolerance.upper is None else tolerance.upper,
    )


def rounded_inwards(limits: Tolerance, step: float) -> Tolerance | None:
    """Return the last readings to accept: limits moved inwards to the digit; None if none left."""
    lower = None if limits.lower is None else math.ceil(limits.lower / step - 1e-6) * step
    upper = None if limits.upper is None else math.floor(limits.upper / step + 1e-6) * step
    if lower is not None and upper is not None and lower >= upper:
        return None
    return Tolerance(lower, upper)


@dataclass(frozen=True)
class Narrowed:
    """Acceptance limits inside the tolerance.

    Attributes
    ----------
    limits : Tolerance or None
        Not rounded; None where the guard bands leave nothing.
    guard : float
        Distance of each limit from that of the tolerance, in the unit of the study.
    bias : float or None
        How much of it allows for the bias; None where the bias is not known.
    price : Estimate
        See `Verdict.price`.
    parts : str
        For which parts the price is.
    """

    limits: Tolerance | None
    guard: float
    bias: float | None
    price: Estimate
    parts: str


def narrowed(result: GaugeResult) -> Narrowed | None:
    """Return acceptance limits and their price; None for purpose "control" or no tolerance."""
    study = result.study
    if study.purpose != "accept" or study.tolerance is None:
        return None
    return study.once(("narrowed", result.key), lambda: _narrowed(result))


def _narrowed(result: GaugeResult) -> Narrowed | None:
    study, tolerance = result.study, result.study.tolerance
    grr = result.value("GRR", "sd")
    if tolerance is None or not grr > 0.0:
        return None
    bias = _bias(study)
    parts = parts_of(result, tolerance)
    guard, price = guard_and_price(
        tolerance,
        _grr_draws(pivots_of(result), result),
        grr,
        read=_grr_draws(pivots_as_read(result, below=COARSE_FOR_GUARD), result),
        parts=parts,
        rules=study.rules,
        bias=bias,
    )
    return Narrowed(
        limits=tolerance.narrowed(guard),
        guard=guard,
        bias=bias,
        price=price,
        parts=parts.which,
    )


def guard_and_price(
    tolerance: Tolerance,
    draws: Array,
    grr: float,
    *,
    read: Array,
    parts: PricedParts,
    rules: Rules,
    bias: float | None = None,
) -> tuple[float, Estimate]:
    """Return the guard band at each limit, and the percent of good parts that it refuses.

    Parameters
    ----------
    tolerance : Tolerance
    draws : ndarray, shape (draws,)
        Draws of GRR's sd.
    grr : float
        GRR's sd as estimated.
    read : ndarray, shape (draws,)
        Draws of the sd of what is read: the same, with a coarse digit more, see
        `grr.formulas.coarse_digit.as_read` (``COARSE_FOR_GUARD``). They make the guard band.
    parts : PricedParts
    rules : Rules
    bias : float, optional
        How far off the readings may be on average.
    """
    found = limits_and_price(
        zone_of(tolerance),
        read,
        grr_sd=grr,
        grr_at_least=careful_lower_bound(draws, rules.confidence),
        process_mean=parts.mean,
        process_sd=parts.sd,
        process_at_least=parts.at_least,
        bias=bias or 0.0,
        confidence=rules.confidence,
    )
    value, lower, upper = (
        100.0 * float(share) for share in (found.price, found.at_least, found.at_most)
    )
    return float(found.guard), Estimate(value, lower, upper, PERCENT)


def _bias(study: Study) -> float | None:
    """Return how far off the readings may be on average; None where nobody says."""
    stated = study.facts.get("bias_at_most")
    return None if stated is None else abs(float(stated))


def _grr_draws(pivots: Pivots, result: GaugeResult) -> Array:
    return np.sqrt(variance_draws(pivots, "GRR", specification_of(result)))


def predicted_guard(result: GaugeResult, confidence: float) -> float:
    """Return the guard band at each limit, the bias stated included; see `predictive_guard`."""
    read = _grr_draws(pivots_as_read(result, below=COARSE_FOR_GUARD), result)
    guard = float(predictive_guard(read, 1.0 - confidence))
    return guard + (_bias(result.study) or 0.0)


#: Studies simulated to say what a larger one would bring, and draws of the bounds of each.
STUDIES, DRAWS_OF_EACH = 200, 500
#: More people than this are not practicable.
MOST_PEOPLE = 12


class Larger(NamedTuple):
    """A larger study, and the chance that the limits it gives are cheap enough."""

    design: Design
    chance: float
    words: str


def larger_study(result: GaugeResult) -> Larger | None:
    """Return the chance that acceptance limits are cheap after a study twice as large.

    Twice the people where those studied stand for others, else twice the parts. Studies are
    simulated with variances drawn from the pivot of this one, so the chance is an average
    over what this study leaves open, not that for its estimates.

    Returns
    -------
    Larger or None
        None where no larger study is practicable, or this one gives no draws of its variances.
    """
    study = result.study
    if study.tolerance is None or study.design == "nested" or study.trials < 2:
        return None
    if {"SES", "GAU"} & {*result.source_names}:  # what they add is not simulated
        return None
    return study.once(("larger study", result.key), lambda: _larger_study(result))


def _larger_study(result: GaugeResult) -> Larger | None:
    study, tolerance = result.study, result.study.tolerance
    p, o, r = len(study.parts), len(study.operator_names), study.trials
    assert tolerance is not None
    design = Design(2 * p, o, r, operators_are=study.operators)
    words = f"With {2 * p} parts instead of {p}"
    if o > 1 and study.people > o:
        people = int(min(2 * o, MOST_PEOPLE, study.people))
        if people <= o:
            return None
        design = Design(p, people, r, operators_are=study.operators)
        words = f"With {people} people instead of {o}"
    try:
        seen = pivots_of(result)
    except StudyError:
        return None
    rng = np.random.default_rng(design.readings)
    some = np.linspace(0, seen.grr.size - 1, STUDIES).astype(int)
    names = ("repeatability", "operator", "interaction", "part")
    drawn = {name: np.maximum(np.nan_to_num(getattr(seen, name)[some]), 0.0) for name in names}
    simulated = anova_of_variances(design, **drawn, studies=STUDIES, rng=rng)
    again = crossed_pivots(simulated, draws=DRAWS_OF_EACH, operators=study.operators)
    estimated = np.sqrt(design_components(simulated, design).grr)
    again = as_read(again, estimated, study.resolution, below=COARSE_FOR_GUARD)
    sd = np.sqrt(np.maximum(again.grr, 0.0))
    parts, bias = parts_of(result, tolerance), _bias(study) or 0.0
    confidence = study.rules.confidence
    cheap = largest_cheap_sd(
        zone_of(tolerance),
        study.rules.most_refused_percent / 100.0,
        process_mean=parts.mean,
        process_sd=parts.sd,
        bias=bias,
        confidence=confidence,
    )
    # The price counts GRR as large as the guard band allows for, see `limits_and_price`; the
    # predictive guard band is no wider than this one where the mean chance is no larger.
    guard = float(ndtri(confidence)) * float(cheap)
    wide = ndtr(-guard / np.maximum(sd, 1e-300)).mean(axis=-1) <= 1.0 - confidence
    return Larger(design, float(wide.mean()), words)


class PricedParts(NamedTuple):
    """Mean and sd of the true values of the parts that pay the price, and which they are.

    ``at_least`` are the mean and sd at which they would pay least, within what the study knows.
    """

    mean: float
    sd: float
    at_least: tuple[float, float]
    which: str


def parts_of(result: GaugeResult, tolerance: Tolerance) -> PricedParts:
    """Return for which parts the price of a study's limits is counted."""
    study = result.study
    return priced_parts(
        tolerance,
        mean=result.mean,
        part_sd=result.value("PV", "sd"),
        pivots=pivots_of(result),
        confidence=study.rules.confidence,
        process_mean=study.process_mean,
        process_sd=study.process_sd,
        parts_from=study.parts_from,
    )


def priced_parts(
    tolerance: Tolerance,
    *,
    mean: float,
    part_sd: float,
    pivots: Pivots,
    confidence: float,
    process_mean: float | None,
    process_sd: float | None,
    parts_from: str,
) -> PricedParts:
    """Return for which parts the price is counted.

    For the process stated; else for PV where the parts represent the process; else, or where
    that gives no sd, for parts whose ±3 sd fill the tolerance.

    Parameters
    ----------
    tolerance : Tolerance
    mean, part_sd : float
        Mean of the readings, and PV (the process's where its sd is stated).
    pivots : Pivots
        Draws for this study.
    confidence : float
    process_mean, process_sd, parts_from
        As in `grr.Study`.
    """
    centre = mean if process_mean is None else process_mean
    if process_mean is None and parts_from == "chosen" and tolerance.two_sided:
        centre = float(parts_that_fill(zone_of(tolerance), mean)[0])
    if part_sd > 0.0 and process_sd is not None:
        return PricedParts(centre, part_sd, (centre, part_sd), "a process with the sd stated")
    if part_sd > 0.0 and parts_from == "process":
        draws = np.sqrt(np.maximum(pivots.part, 0.0))
        least = min(float(careful_lower_bound(draws, confidence)), part_sd)
        kindest = centre
        if process_mean is None:
            # Of the means that the study allows the one nearest to the middle, or farthest in.
            low, high = two_sided_limits(pivots.mean, confidence)
            ends = zone_of(tolerance)
            kindest = float(np.clip(0.5 * (ends.lower + ends.upper), low, high))
        which = "parts that vary as those of this study (PV)"
        return PricedParts(centre, part_sd, (kindest, least), which)
    filled, sd = (float(value) for value in parts_that_fill(zone_of(tolerance), centre))
    return PricedParts(filled, sd, (filled, sd), "parts whose ±3 sd fill the tolerance")


def limit_sentences(result: GaugeResult, known: Narrowed, decision: Decision) -> tuple[str, ...]:
    """Return the acceptance limits and their price in sentences; none where the gauge is good."""
    if decision == Decision.USE:
        return ()
    study, rules = result.study, result.study.rules
    step = study.resolution
    if step is None:
        step = 10.0 ** -decimals_for(known.guard)
    readings = None if known.limits is None else rounded_inwards(known.limits, step)
    if readings is None:
        return (
            f"No acceptance limits help: they would have to lie {length(known.guard, study.unit)} "
            "inside the tolerance at each end, and nothing would be left.",
        )
    bias = "apart from bias"
    if known.bias is not None:
        bias = f"of which {length(known.bias, study.unit)} for the bias"
    each = "each limit" if known.limits is not None and known.limits.two_sided else "the limit"
    about, careful = (chance(share / 100.0) for share in (known.price.value, known.price.upper))
    lines = [
        f"Accept readings: {limits_text(readings, step, study.unit)}, "
        f"{length(known.guard, study.unit)} inside {each} of the tolerance, {bias}.",
        f"They refuse about {about} of the good parts, {careful} with the doubt about GRR "
        f"counted in; up to {rules.most_refused_percent:g} % are allowed. Counted for "
        f"{known.parts}.",
        "Judged by the acceptance limits, a part on a limit of the tolerance is accepted with a "
        f"chance of {100 * (1 - rules.confidence):.3g} %, the doubt about GRR counted in.",
    ]
    if decision == Decision.NOT_DECIDED and (larger := larger_study(result)) is not None:
        lines.append(
            f"{larger.words} ({larger.design.readings} readings) they would refuse no more than "
            f"{rules.most_refused_percent:g} % with a chance of {_chance(larger.chance)} "
            "(simulated from what this study shows)."
        )
    elif decision == Decision.NOT_DECIDED and {"SES", "GAU"} & {*result.source_names}:
        lines.append(
            "The chance that a larger study makes them cheap enough is not told: it would depend "
            "on how many more sessions and gauges it takes in, and is not simulated."
        )
    if decision == Decision.DO_NOT_USE and not known.price.lower > rules.most_refused_percent:
        lines.append(
            "That the gauge must not be used is the manual's rule on GRR; these limits keep the "
            "risk small all the same."
        )
    return tuple(lines)


def _chance(share: float) -> str:
    """Return a simulated chance to whole percents; the few studies tell no more."""
    if share < 0.01:
        return "under 1 %"
    return "over 99 %" if share > 0.99 else f"about {100 * share:.0f} %"


@dataclass(frozen=True)
class ProvenFor:
    """The smallest tolerances for which a gauge is shown to be good, and to be acceptable.

    Attributes
    ----------
    good, limit : Estimate
        Width of a tolerance of which GRR is shown to take no more than the rule's percentage
        for a good gauge, and for an acceptable one.
    rules : Rules
    who : str
        For whom alone, where one operator measured.
    sides : str
        "two-sided ", where the study's own tolerance has one limit.
    """

    good: Estimate
    limit: Estimate
    rules: Rules
    who: str
    sides: str = ""

    def __str__(self) -> str:
        good, limit = (
            length(rounded_up(one.value, one.unit), one.unit) for one in (self.good, self.limit)
        )
        return (
            f"Proven{self.who} ({100 * self.rules.confidence:g} % confidence): GRR takes at most "
            f"{self.rules.limit_percent:g} % of {self.sides}tolerances from {limit} up, at most "
            f"{self.rules.good_percent:g} % from {good} up."
        )


def proven_for(result: GaugeResult) -> ProvenFor | None:
    """Return for which tolerances the gauge is proven; None where GRR has no bound."""
    rules, unit = rules_at_look(result.study), result.study.unit
    try:
        draws = variance_draws(pivots_as_read(result), "GRR", specification_of(result))
    except StudyError:
        return None
    spread = result.spread * math.sqrt(float(upper_bound(draws, rules.confidence)))
    if not 0.0 < spread < math.inf:
        return None
    good, limit = (
        Estimate(100.0 * spread / share, unit=unit)
        for share in (rules.good_percent, rules.limit_percent)
    )
    names, own = result.study.operator_names, result.study.tolerance
    who = f" for operator {names[0]}" if len(names) == 1 else ""
    sides = "" if own is None or own.two_sided else "two-sided "
    return ProvenFor(good, limit, rules, who, sides)
