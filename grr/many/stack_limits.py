"""Limits and decisions of a stack of studies at once, from evenly spread points.

What `grr.formulas.confidence_limits`, `grr.questions.verdict` and `grr.questions.acceptance` say
of one study, said of thousands as arrays. Where a decision could turn on how far these limits lie
from those of random draws, it is left to the exact way (`Decisions.close`).
"""

from __future__ import annotations

from collections.abc import Callable
from copy import copy
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.arrays import Array, Mask
from grr.formulas.coarse_digit import COARSE, COARSE_FOR_GUARD
from grr.formulas.confidence_limits import sd_interval
from grr.formulas.conformity import Zone, limits_and_price, parts_that_fill
from grr.formulas.even_draws import SIZE
from grr.formulas.pivots import crossed_pivots
from grr.formulas.sources_of_variation import NDC_FACTOR, rounding_floor
from grr.formulas.unweighted_means import UnweightedMeans
from grr.model.choices import Decision
from grr.model.rules import Rules

#: A decision that would change if GRR's bounds were so much larger or smaller is worked out
#: exactly; twice as much where two operators measured, and twice again for purpose "control",
#: whose shares lie further off. Two to five times the usual distance from the bounds of 100,000
#: draws, see ``tests/coverage/even_draws.md``.
MARGIN = 0.02
#: The best first, as `grr.questions.deciding.decide` goes through them.
_DECISIONS = np.array(list(Decision), dtype=object)
_USE, _LIKE_THIS, _WITH_LIMITS, _NOT_DECIDED, _DO_NOT_USE = range(len(Decision))
#: Every so many of the ordered points stand for all in a mean over GRR.
_THINNED = 16

Limits = tuple[Array, Array]
#: Points in order along the last axis.
Ordered = NDArray[np.floating[Any]]


@dataclass(frozen=True)
class Given:
    """What each study of a stack is compared with, NaN where not given; arrays (studies,)."""

    lower: Array
    upper: Array
    resolution: Array
    process_sd: Array
    process_mean: Array

    def over(self, unit: Array) -> Given:
        """Return the same in another unit of each study."""
        return Given(**{name: value / unit for name, value in vars(self).items()})

    def of(self, here: NDArray[np.intp]) -> Given:
        """Return some of the studies."""
        return Given(**{name: value[here] for name, value in vars(self).items()})

    @property
    def one_sided(self) -> Mask:
        """Where one limit is given."""
        return np.asarray(np.isnan(self.lower) != np.isnan(self.upper))


class StackDraws:
    """Ordered values of what is read of each study, in the unit of its readings' own spread.

    Parameters
    ----------
    anova : CrossedAnova or UnweightedMeans
        A stack (studies,).
    df_error : ndarray or None
        See `grr.formulas.pivots.crossed_pivots`.
    given : Given
    hidden : ndarray
        Where the repeatability is hidden by rounding.
    grr_sd : ndarray
        As estimated.
    operators : str or int
    spread : float
    """

    def __init__(
        self,
        anova: CrossedAnova | UnweightedMeans,
        df_error: Array | None,
        given: Given,
        *,
        hidden: Mask,
        grr_sd: Array,
        operators: str | int,
        spread: float,
    ) -> None:
        whole = anova.ss_part + anova.ss_operator + anova.ss_interaction + anova.ss_error
        self.unit = np.sqrt(np.where(whole > 0.0, whole, 1.0))
        square = np.square(self.unit)
        scaled = replace(
            anova,
            mean=anova.mean / self.unit,
            ss_part=anova.ss_part / square,
            ss_operator=anova.ss_operator / square,
            ss_interaction=anova.ss_interaction / square,
            ss_error=anova.ss_error / square,
        )
        self.given = given.over(self.unit)
        self.spread = spread
        self.people = anova.operators
        pivots = crossed_pivots(scaled, operators=operators, df_error=df_error, even=True)
        #: The study's total is PV + GRR point by point, unless GRR was lifted over EV.
        self.adds_up = operators == "random" or anova.operators == 1
        digit = self.given.resolution
        floor = np.where(hidden, np.square(rounding_floor(np.nan_to_num(digit))), 0.0)[:, None]
        coarse, for_guard = (
            (grr_sd / self.unit < below * digit)[:, None] for below in (COARSE, COARSE_FOR_GUARD)
        )
        added = np.square(np.nan_to_num(digit))[:, None] / 6.0
        lifted = np.maximum(pivots.repeatability, floor) - pivots.repeatability
        self.floor = floor[:, 0]
        few = not np.any(scaled.df_error)
        df = np.asarray(scaled.df_interaction if few else scaled.df_error, dtype=np.float64)
        square = (scaled.ss_interaction if few else scaled.ss_error) / df
        self.repeat_sd, self.repeat_df = np.sqrt(square), df if df_error is None else df_error
        self.mean = pivots.mean
        self.part = pivots.part
        self.repeatability = pivots.repeatability + lifted
        self.operator, self.interaction = pivots.operator, pivots.interaction
        self.grr, self.total = pivots.grr + lifted, pivots.total + lifted
        self.as_read = None
        self.ordered_grr = ordered(np.maximum(self.grr, 0.0))
        self.ordered_read = self.ordered_for_guard = self.ordered_grr
        if for_guard.any():
            read = pivots.grr + np.where(for_guard, added, lifted)
            self.ordered_for_guard = ordered(np.maximum(read, 0.0))
        if coarse.any():
            lifted = np.where(coarse, added, lifted)
            self.as_read = (pivots.grr + lifted, pivots.total + lifted)
            self.ordered_read = ordered(np.maximum(self.as_read[0], 0.0))
        self.ordered_part = ordered(np.maximum(self.part, 0.0))

    # What a person reads, and its limits.

    def limits(self, tail: float) -> dict[str, Limits]:
        """Return the limits that leave ``tail`` on either side, by the names of the columns."""
        found: dict[str, Limits] = {}
        with np.errstate(divide="ignore", invalid="ignore"):
            share_of_grr = ordered(self._share(self.grr, self.grr, self.total))
            for name, draws in self._draws().items():
                variance, share = self._variance(name, draws, tail), None
                if not np.isnan(self.given.process_sd).all():
                    stated = np.square(self.given.process_sd)
                    share = (variance[0] / stated, variance[1] / stated)
                if share is None or np.isnan(self.given.process_sd).any():
                    own = self._share_limits(name, draws, share_of_grr, tail)
                    share = own if share is None else self._where_stated(share, own)
                found |= self._measures(name, draws, variance, share, tail)
            signal = self._signal(share_of_grr, tail)
        found["ndc"] = (NDC_FACTOR * np.sqrt(signal[0]), NDC_FACTOR * np.sqrt(signal[1]))
        found["ICC"] = (1.0 - 1.0 / (1.0 + signal[0]), 1.0 - 1.0 / (1.0 + signal[1]))
        return found

    def _draws(self) -> dict[str, Array]:
        return {
            "EV": self.repeatability,
            "AV": self.operator,
            "INT": self.interaction,
            "GRR": self.grr,
            "PV": self.part,
            "TV": self.total,
        }

    def _variance(self, name: str, draws: Array, tail: float) -> Limits:
        """Return the limits of a variance; PV and TV by the process sd where it is stated."""
        if name == "EV":
            ends = sd_interval(self.repeat_sd, self.repeat_df, level=1.0 - 2.0 * tail)
            low, high = (np.maximum(np.square(sd), self.floor) for sd in ends)
            return low, high
        known = {"GRR": self.ordered_grr, "PV": self.ordered_part}
        own = limits_of(known[name] if name in known else ordered(np.maximum(draws, 0.0)), tail)
        stated = np.square(self.given.process_sd)
        if name == "TV":
            return self._where_stated((stated, stated), own)
        if name == "PV":
            low, high = limits_of(self.ordered_grr, tail)
            rest = (np.maximum(stated - high, 0.0), np.maximum(stated - low, 0.0))
            return self._where_stated(rest, own)
        return own

    def _where_stated(self, stated: Limits, own: Limits) -> Limits:
        there = ~np.isnan(self.given.process_sd)
        return np.where(there, stated[0], own[0]), np.where(there, stated[1], own[1])

    def _share(self, part: Array, grr: Array, total: Array) -> Array:
        """Return a variance over the study's own total, which is not under GRR."""
        whole = np.maximum(np.maximum(total, grr), 0.0)
        return np.minimum(np.maximum(part, 0.0) / whole, 1.0)

    def _share_limits(self, name: str, draws: Array, of_grr: Ordered, tail: float) -> Limits:
        if name == "GRR":
            return limits_of(of_grr, tail)
        if name == "PV" and self.adds_up:
            low, high = limits_of(of_grr, tail)
            return 1.0 - high, 1.0 - low
        if name == "TV":
            low, _ = limits_of(of_grr, tail)
            whole = np.where(np.isnan(low), np.nan, 1.0)
            return whole, whole
        return limits_of(ordered(self._share(draws, self.grr, self.total)), tail)

    def _signal(self, of_grr: Ordered, tail: float) -> Limits:
        """Return the limits of PV²/GRR²."""
        low, high = limits_of(of_grr, tail)
        if self.adds_up:
            own = (1.0 / high - 1.0, 1.0 / low - 1.0)
        else:
            part, grr = np.maximum(self.part, 0.0), np.maximum(self.grr, 0.0)
            own = limits_of(ordered(part / grr), tail)
        low, high = limits_of(self.ordered_grr, tail)
        stated = np.square(self.given.process_sd)
        rest = (np.maximum(stated - high, 0.0) / high, np.maximum(stated - low, 0.0) / low)
        return self._where_stated(rest, own)

    def _measures(
        self, name: str, draws: Array, variance: Limits, share: Limits, tail: float
    ) -> dict[str, Limits]:
        found = {}
        sd = (np.sqrt(variance[0]), np.sqrt(variance[1]))
        found[f"{name}_sd"] = (sd[0] * self.unit, sd[1] * self.unit)
        found[f"{name}_percent_contribution"] = (100.0 * share[0], 100.0 * share[1])
        found[f"{name}_percent_tv"] = (100.0 * np.sqrt(share[0]), 100.0 * np.sqrt(share[1]))
        given = self.given
        if not (np.isnan(given.lower) & np.isnan(given.upper)).all():
            factor = 100.0 * self.spread / (given.upper - given.lower)
            percent = (factor * sd[0], factor * sd[1])
            if given.one_sided.any():
                one = given.one_sided
                if name == "TV":
                    draws = self._or_stated(draws, np.square(given.process_sd))
                if name == "PV":
                    rest = np.square(given.process_sd)[:, None] - np.maximum(self.grr, 0.0)
                    draws = self._or_stated(draws, rest)
                ends = limits_of(ordered(self._of_one_limit(draws)), tail)
                percent = (np.where(one, ends[0], percent[0]), np.where(one, ends[1], percent[1]))
            found[f"{name}_percent_tolerance"] = percent
        return found

    def _or_stated(self, draws: Array, stated: Array) -> Array:
        stated = stated if stated.ndim > 1 else stated[:, None]
        return np.where(np.isnan(self.given.process_sd)[:, None], draws, stated)

    def _of_one_limit(self, variance: Array) -> Array:
        """Return half the spread in percent of the distance from the mean to the only limit."""
        stated = self.given.process_mean[:, None]
        mean = np.where(np.isnan(stated), self.mean, stated)
        lower, upper = self.given.lower[:, None], self.given.upper[:, None]
        distance = np.maximum(np.where(np.isnan(upper), mean - lower, upper - mean), 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            sd = np.sqrt(np.maximum(variance, 0.0))
            return np.asarray(50.0 * self.spread * sd / distance)

    # What decides.

    def bounds(self, purpose: str, confidence: float) -> Limits:
        """Return the careful lower and the upper bound of the ratio judged by, in percent.

        See `grr.questions.verdict.criterion_from`.
        """
        lower = self._ratio(purpose, self.grr, self.total, self.ordered_grr)
        upper = lower
        if self.as_read is not None:
            upper = self._ratio(purpose, *self.as_read, self.ordered_read)
        return (
            limits_of(lower, 0.5 * (1.0 - confidence))[0],
            limits_of(upper, 1.0 - confidence)[1],
        )

    def _ratio(self, purpose: str, grr: Array, total: Array, in_order: Ordered) -> Ordered:
        given = self.given
        with np.errstate(divide="ignore", invalid="ignore"):
            if purpose == "control":
                ratio = 100.0 * np.sqrt(in_order / np.square(given.process_sd)[:, None])
                without = np.isnan(given.process_sd)
                if without.any():
                    own = 100.0 * np.sqrt(ordered(self._share(grr, grr, total)))
                    ratio = np.where(without[:, None], own, ratio)
                return np.asarray(ratio)
            width = (given.upper - given.lower)[:, None]
            ratio = 100.0 * self.spread * np.sqrt(in_order) / width
        if given.one_sided.any():
            one = ordered(self._of_one_limit(grr))
            ratio = np.where(given.one_sided[:, None], one, ratio)
        return np.asarray(ratio)

    def priced(self, values: dict[str, Array], parts_from: str, confidence: float) -> Priced:
        """Return for which parts the price is counted; see `grr.questions.acceptance.priced_parts`.

        Parameters
        ----------
        values : dict
            mean, GRR_sd and PV_sd of each study, as estimated.
        parts_from, confidence
            As in `grr.Study`.
        """
        given, tail = self.given, 0.5 * (1.0 - confidence)
        mean, grr_sd, part_sd = (values[name] / self.unit for name in ("mean", "GRR_sd", "PV_sd"))
        zone = Zone(
            np.where(np.isnan(given.lower), -np.inf, given.lower),
            np.where(np.isnan(given.upper), np.inf, given.upper),
        )
        centre = np.where(np.isnan(given.process_mean), mean, given.process_mean)
        if parts_from == "chosen":
            middle = parts_that_fill(zone, mean)[0]
            centre = np.where(np.isnan(given.process_mean) & ~given.one_sided, middle, centre)
        filled, fills = parts_that_fill(zone, centre)
        some, stated = part_sd > 0.0, ~np.isnan(given.process_sd)
        seen = some & ~stated & (parts_from == "process")
        own = (some & stated) | seen
        centre, sd = np.where(own, centre, filled), np.where(own, part_sd, fills)
        kindest, least = centre, sd
        if seen.any():
            low, high = limits_of(ordered(self.mean), tail)
            middle = np.clip(0.5 * (zone.lower + zone.upper), low, high)
            kindest = np.where(seen & np.isnan(given.process_mean), middle, centre)
            bound = np.sqrt(limits_of(self.ordered_part, tail)[0])
            least = np.where(seen, np.minimum(bound, part_sd), sd)
        return Priced(zone, np.where(grr_sd > 0.0, grr_sd, np.nan), centre, sd, kindest, least)

    def prices(self, parts: Priced, factor: float, confidence: float) -> Limits:
        """Return the least and the most that acceptance limits refuse, in percent of good parts.

        With every draw of GRR times ``factor``.
        """
        in_order = self.ordered_for_guard.astype(np.float64)
        least = np.sqrt(limits_of(self.ordered_grr.astype(np.float64), 0.5 * (1.0 - confidence))[0])
        found = limits_and_price(
            parts.zone,
            factor * np.sqrt(in_order[:, _THINNED // 2 :: _THINNED]),
            grr_sd=parts.grr_sd,
            grr_at_least=factor * least,
            process_mean=parts.mean,
            process_sd=parts.sd,
            process_at_least=(parts.kindest, parts.least_sd),
            confidence=confidence,
        )
        unknown = np.isnan(parts.grr_sd)
        return (
            np.where(unknown, np.nan, 100.0 * found.at_least),
            np.where(unknown, np.nan, 100.0 * found.at_most),
        )

    def of(self, rows: NDArray[np.intp]) -> StackDraws:
        """Return what a price needs of some of the studies."""
        some = copy(self)
        some.given = self.given.of(rows)
        for name in ("unit", "mean", "ordered_grr", "ordered_for_guard", "ordered_part"):
            setattr(some, name, getattr(self, name)[rows])
        return some


@dataclass(frozen=True)
class Priced:
    """For which parts the price of limits is counted, in the unit of `StackDraws`; (studies,)."""

    zone: Zone
    grr_sd: Array
    mean: Array
    sd: Array
    kindest: Array
    least_sd: Array


@dataclass(frozen=True)
class Decisions:
    """What each study comes to, and where that hangs on the last percent of a bound.

    Attributes
    ----------
    decision : ndarray of Decision
    close : ndarray of bool
    """

    decision: NDArray[np.object_]
    close: Mask


def decisions(
    draws: StackDraws,
    values: dict[str, Array],
    forbids_use: Callable[[NDArray[np.intp]], Mask],
    *,
    rules: Rules,
    purpose: str,
    parts_from: str,
) -> Decisions:
    """Decide as `grr.questions.deciding.decide` does, with GRR's bounds off either way: `MARGIN`.

    Parameters
    ----------
    draws : StackDraws
    values : dict
        Columns of the table: mean, GRR_sd, PV_sd and the ratio judged by.
    forbids_use : callable
        Takes the rows whose bound is good; returns where the scatter of the repeats forbids USE.
    rules, purpose, parts_from
        As in `grr.Study`.
    """
    ratio = values["GRR_percent_tolerance" if purpose == "accept" else "GRR_percent_tv"]
    lower, upper = draws.bounds(purpose, rules.confidence)
    margin = MARGIN * (2 if draws.people == 2 else 1) * (2 if purpose == "control" else 1)
    good = np.flatnonzero((upper * (1.0 - margin) <= rules.good_percent) & (draws.people > 1))
    may_use = np.zeros(len(ratio), dtype=np.bool_)
    may_use[good] = ~forbids_use(good)
    ends = []
    for factor in (1.0 - margin, 1.0 + margin):
        low, high = lower * factor, upper * factor
        like_this = (high <= rules.limit_percent) & (
            (ratio < rules.good_percent) | (purpose == "control")
        )
        found = np.full(len(ratio), _NOT_DECIDED)
        found[like_this] = _LIKE_THIS
        found[(high <= rules.good_percent) & may_use] = _USE
        found[low > rules.limit_percent] = _DO_NOT_USE
        found[np.isnan(ratio)] = _NOT_DECIDED
        ends.append(found)
    open_ = (ends[0] == _NOT_DECIDED) | (ends[1] == _NOT_DECIDED)
    rows = np.flatnonzero(open_ & ~np.isnan(ratio))
    if purpose == "accept" and rows.size:
        some = draws.of(rows)
        own = {name: values[name][rows] for name in ("mean", "GRR_sd", "PV_sd")}
        parts = some.priced(own, parts_from, rules.confidence)
        for found, factor in zip(ends, (1.0 - margin, 1.0 + margin), strict=True):
            least, most = some.prices(parts, factor, rules.confidence)
            undecided = found[rows] == _NOT_DECIDED
            found[rows[undecided & (least > rules.most_refused_percent)]] = _DO_NOT_USE
            found[rows[undecided & (most <= rules.most_refused_percent)]] = _WITH_LIMITS
    return Decisions(np.asarray(_DECISIONS[ends[0]]), np.asarray(ends[0] != ends[1]))


def ordered(draws: Array) -> Ordered:
    """Return values in order along the last axis, NaN last, in half the digits: 1e-7 is enough."""
    return np.sort(draws.astype(np.float32), axis=-1)


def limits_of(in_order: Ordered, tail: float) -> Limits:
    """Return what lies at a share ``tail`` from either end, between two of the ordered points.

    NaN where any point is.
    """
    place = min(max(tail * SIZE - 0.5, 0.0), SIZE - 2.0)
    first = int(place)
    share = place - first
    near = in_order[:, [first, first + 1, SIZE - 2 - first, SIZE - 1 - first]].astype(np.float64)
    with np.errstate(invalid="ignore"):
        low = np.where(share > 0.0, near[:, 0] * (1.0 - share) + near[:, 1] * share, near[:, 0])
        high = near[:, 3] * (1.0 - share) + np.where(share > 0.0, near[:, 2] * share, 0.0)
        # Where one point is infinite, so is the limit next to it.
        high = np.where(np.isinf(near[:, 3]), near[:, 3], high)
    undefined = np.isnan(in_order[:, -1])
    return np.where(undefined, np.nan, low), np.where(undefined, np.nan, high)
