"""Limits and decisions of a stack of studies at once, from evenly spread points.

What `grr.formulas.confidence_limits`, `grr.questions.verdict` and `grr.questions.acceptance` say
of one study, said of thousands as arrays. Where a decision could turn on how far these limits lie
from those of random draws, it is left to the exact way (`Decisions.close`).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.arrays import Array, Mask
from grr.formulas.coarse_digit import COARSE, COARSE_FOR_GUARD
from grr.formulas.confidence_limits import sd_interval
from grr.formulas.conformity import Zone, limits_and_price, parts_that_fill, predictive_guard
from grr.formulas.even_draws import SIZE
from grr.formulas.pivots import Pivots, crossed_pivots
from grr.formulas.sources_of_variation import NDC_FACTOR, rounding_floor
from grr.formulas.unweighted_means import UnweightedMeans
from grr.many.even_limits import EndsWanted, Limits, MeanSquares
from grr.model.choices import SOURCES, Decision
from grr.model.rules import Rules

#: A decision that would change if GRR's bounds were so much larger or smaller is worked out
#: exactly; twice as much where two operators measured, and twice again for purpose "control",
#: whose shares lie further off. What the bounds of 100,000 draws lie apart from seed to seed, see
#: ``tests/coverage/even_draws.md``.
MARGIN = 0.006
#: So many times that where less than half of the degrees of freedom of EV count: the bounds of
#: two seeds' draws lie up to 5 % apart there.
UNEVEN = 10
#: The best first, as `grr.questions.deciding.decide` goes through them.
_DECISIONS = np.array(list(Decision), dtype=object)
_USE, _LIKE_THIS, _WITH_LIMITS, _NOT_DECIDED, _DO_NOT_USE = range(len(Decision))
#: So many of the ordered points stand for all in a mean over GRR.
_KEPT = 128
#: Points along the last axis, of half the digits where that is enough.
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
        digit = self.given.resolution
        floor = np.where(hidden, np.square(rounding_floor(np.nan_to_num(digit))), 0.0)
        read, for_guard = (
            np.where(grr_sd / self.unit < below * digit, np.square(digit) / 6.0, 0.0)
            for below in (COARSE, COARSE_FOR_GUARD)
        )
        self.floor = floor
        few = not np.any(scaled.df_error)
        df = np.asarray(scaled.df_interaction if few else scaled.df_error, dtype=np.float64)
        square = (scaled.ss_interaction if few else scaled.ss_error) / df
        self.repeat_sd, self.repeat_df = np.sqrt(square), df if df_error is None else df_error
        self.uneven = np.broadcast_to(self.repeat_df < 0.5 * df, self.unit.shape)
        self._known: dict[EndsWanted, Limits] = {}
        self.squares: MeanSquares | None = None
        if operators == "random" or anova.operators == 1:
            self.squares = MeanSquares(
                scaled, df_error, floor=floor, added=read, for_guard=for_guard
            )
        if self.squares is None or self.given.one_sided.any():
            how: dict[str, Any] = {"operators": operators, "df_error": df_error}
            self._draw(crossed_pivots(scaled, even=True, **how), read[:, None], for_guard[:, None])

    def _draw(self, pivots: Pivots, read: Array, for_guard: Array) -> None:
        """Take even points for what is no sum of mean squares."""
        lifted = np.maximum(self.floor[:, None] - pivots.repeatability, 0.0)
        self.mean, grr = pivots.mean, pivots.grr + lifted
        self.draws = {
            name: values.astype(np.float32)
            for name, values in {
                "EV": pivots.repeatability + lifted,
                "AV": pivots.operator,
                "INT": pivots.interaction,
                "GRR": grr,
                "PV": pivots.part,
                "TV": pivots.total + lifted,
                "READ": np.where(read > 0.0, pivots.grr + read, grr),
                "GUARD": np.where(for_guard > 0.0, pivots.grr + for_guard, grr),
            }.items()
        }

    # What a person reads, and its limits.

    def limits(self, tail: float) -> dict[str, Limits]:
        """Return the limits that leave ``tail`` on either side, by the names of the columns."""
        shares = (
            ("EV", "AV", "INT", "GRR")
            if self.squares is not None
            else ("EV", "AV", "INT", "GRR", "PV")
        )
        self._find([(name, False) for name in SOURCES] + [(name, True) for name in shares], tail)
        found: dict[str, Limits] = {}
        with np.errstate(divide="ignore", invalid="ignore"):
            own = self.variance("GRR", tail), self.share("GRR", tail)
            for name in SOURCES:
                variance = self._with_process(name, own[0], tail)
                stated = np.square(self.given.process_sd)
                share = (variance[0] / stated, variance[1] / stated)
                if np.isnan(stated).any():
                    share = self._where_stated(share, self._own_share(name, own[1], tail))
                found |= self._measures(name, variance, share, tail)
            signal = self._signal(*own, tail)
        found["ndc"] = (NDC_FACTOR * np.sqrt(signal[0]), NDC_FACTOR * np.sqrt(signal[1]))
        found["ICC"] = (1.0 - 1.0 / (1.0 + signal[0]), 1.0 - 1.0 / (1.0 + signal[1]))
        return found

    def variance(self, name: str, tail: float) -> Limits:
        """Return the limits of the variance of a source of the study's own."""
        return self._limits(EndsWanted(name, share=False, tail=tail))

    def share(self, name: str, tail: float) -> Limits:
        """Return the limits of a source's share of the study's own total, not under GRR."""
        return self._limits(EndsWanted(name, share=True, tail=tail))

    def _limits(self, asked: EndsWanted) -> Limits:
        if asked not in self._known:
            self._find([(asked.name, asked.share)], asked.tail)
        return self._known[asked]

    def _find(self, what: list[tuple[str, bool]], tail: float) -> None:
        """Find what is to be read later, together: that is faster."""
        asked = [EndsWanted(name, share, tail) for name, share in what]
        repeats = EndsWanted("EV", share=False, tail=tail)
        if repeats in asked:
            ends = sd_interval(self.repeat_sd, self.repeat_df, level=1.0 - 2.0 * tail)
            low, high = (np.maximum(np.square(sd), self.floor) for sd in ends)
            self._known[repeats] = (low, high)
        asked = [one for one in asked if one not in self._known]
        if self.squares is not None:
            self._known |= self.squares.limits(asked)
        else:
            self._known |= {one: self._plainly(one) for one in asked}

    def _plainly(self, asked: EndsWanted) -> Limits:
        values = np.maximum(self.draws[asked.name], 0.0)
        if asked.share:
            grr = np.maximum(self.draws["READ" if asked.name == "READ" else "GRR"], 0.0)
            more = grr - self.draws["GRR"]
            with np.errstate(divide="ignore", invalid="ignore"):
                values = np.minimum(values / np.maximum(self.draws["TV"] + more, grr), 1.0)
        return _plain(values, asked.tail)

    def _with_process(self, name: str, grr: Limits, tail: float) -> Limits:
        """Return the limits of a variance; PV and TV by the process sd where it is stated."""
        own = grr if name == "GRR" else self.variance(name, tail)
        stated = np.square(self.given.process_sd)
        if name == "TV":
            return self._where_stated((stated, stated), own)
        if name == "PV":
            rest = (np.maximum(stated - grr[1], 0.0), np.maximum(stated - grr[0], 0.0))
            return self._where_stated(rest, own)
        return own

    def _where_stated(self, stated: Limits, own: Limits) -> Limits:
        there = ~np.isnan(self.given.process_sd)
        return np.where(there, stated[0], own[0]), np.where(there, stated[1], own[1])

    def _own_share(self, name: str, grr: Limits, tail: float) -> Limits:
        if name == "PV" and self.squares is not None:
            return 1.0 - grr[1], 1.0 - grr[0]
        if name == "TV":
            whole = np.where(np.isnan(grr[0]), np.nan, 1.0)
            return whole, whole
        return grr if name == "GRR" else self.share(name, tail)

    def _signal(self, grr: Limits, share: Limits, tail: float) -> Limits:
        """Return the limits of PV²/GRR²."""
        if self.squares is not None:
            own = (1.0 / share[1] - 1.0, 1.0 / share[0] - 1.0)
        else:
            above, below = (np.maximum(self.draws[name], 0.0) for name in ("PV", "GRR"))
            own = _plain(above / below, tail)
        stated = np.square(self.given.process_sd)
        rest = (
            np.maximum(stated - grr[1], 0.0) / grr[1],
            np.maximum(stated - grr[0], 0.0) / grr[0],
        )
        return self._where_stated(rest, own)

    def _measures(
        self, name: str, variance: Limits, share: Limits, tail: float
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
                one, draws = given.one_sided, self.draws[name]
                if name == "TV":
                    draws = self._or_stated(draws, np.square(given.process_sd))
                if name == "PV":
                    rest = np.square(given.process_sd)[:, None] - np.maximum(self.draws["GRR"], 0.0)
                    draws = self._or_stated(draws, rest)
                ends = _plain(self._of_one_limit(draws), tail)
                percent = (np.where(one, ends[0], percent[0]), np.where(one, ends[1], percent[1]))
            found[f"{name}_percent_tolerance"] = percent
        return found

    def _or_stated(self, draws: Ordered, stated: Array) -> Ordered:
        stated = stated if stated.ndim > 1 else stated[:, None]
        return np.where(np.isnan(self.given.process_sd)[:, None], draws, stated)

    def _of_one_limit(self, variance: Ordered) -> Array:
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
        return (
            self._ratio(purpose, "GRR", 0.5 * (1.0 - confidence))[0],
            self._ratio(purpose, "READ", 1.0 - confidence)[1],
        )

    def _ratio(self, purpose: str, name: str, tail: float) -> Limits:
        given = self.given
        variance = self.variance(name, tail)
        if purpose == "control":
            stated = np.square(given.process_sd)
            found = (variance[0] / stated, variance[1] / stated)
            if np.isnan(stated).any():
                with np.errstate(divide="ignore", invalid="ignore"):
                    found = self._where_stated(found, self.share(name, tail))
            return 100.0 * np.sqrt(found[0]), 100.0 * np.sqrt(found[1])
        factor = 100.0 * self.spread / (given.upper - given.lower)
        found = (factor * np.sqrt(variance[0]), factor * np.sqrt(variance[1]))
        if given.one_sided.any():
            one = _plain(self._of_one_limit(self.draws[name]), tail)
            return np.where(given.one_sided, one[0], found[0]), np.where(
                given.one_sided, one[1], found[1]
            )
        return found

    def priced(
        self,
        values: dict[str, Array],
        parts_from: str,
        confidence: float,
        rows: NDArray[np.intp],
    ) -> Priced:
        """Return for which parts the price is counted; see `grr.questions.acceptance.priced_parts`.

        Parameters
        ----------
        values : dict
            mean, GRR_sd and PV_sd of each study, as estimated.
        parts_from, confidence
            As in `grr.Study`.
        rows : ndarray
            The studies wanted.
        """
        given, tail = self.given.of(rows), 0.5 * (1.0 - confidence)
        mean, grr_sd, part_sd = (
            values[name][rows] / self.unit[rows] for name in ("mean", "GRR_sd", "PV_sd")
        )
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
            low, high = self._mean(mean, tail, rows)
            middle = np.clip(0.5 * (zone.lower + zone.upper), low, high)
            kindest = np.where(seen & np.isnan(given.process_mean), middle, centre)
            bound = np.sqrt(self.variance("PV", tail)[0][rows])
            least = np.where(seen, np.minimum(bound, part_sd), sd)
        if self.squares is not None:
            guard = _guard(self.squares.weighted("GUARD", rows), 1.0 - confidence)
        else:
            in_order = ordered(np.maximum(self.draws["GUARD"][rows], 0.0)).astype(np.float64)
            every = SIZE // _KEPT
            guard = predictive_guard(np.sqrt(in_order[:, every // 2 :: every]), 1.0 - confidence)
        return Priced(
            zone,
            np.where(grr_sd > 0.0, grr_sd, np.nan),
            centre,
            sd,
            kindest,
            least,
            guard_sd=guard / float(ndtri(confidence)),
            at_least=np.sqrt(self.variance("GRR", tail)[0][rows]),
        )

    def _mean(self, mean: Array, tail: float, rows: NDArray[np.intp]) -> Limits:
        """Return the limits of the mean."""
        if self.squares is None:
            return _plain(self.mean[rows], tail)
        half = _guard(self.squares.weighted("mean", rows), tail)
        return mean - half, mean + half


@dataclass(frozen=True)
class Priced:
    """For which parts the price of limits is counted, in the unit of `StackDraws`; (studies,).

    ``guard_sd`` is the sd that, were it known, would need the guard band.
    """

    zone: Zone
    grr_sd: Array
    mean: Array
    sd: Array
    kindest: Array
    least_sd: Array
    guard_sd: Array
    at_least: Array

    def prices(self, factor: Array, confidence: float) -> Limits:
        """Return the least and the most that acceptance limits refuse, in percent of good parts.

        With every point of GRR of a study times its ``factor``.
        """
        found = limits_and_price(
            self.zone,
            factor[:, None] * self.guard_sd[:, None],
            grr_sd=self.grr_sd,
            grr_at_least=factor * self.at_least,
            process_mean=self.mean,
            process_sd=self.sd,
            process_at_least=(self.kindest, self.least_sd),
            confidence=confidence,
        )
        unknown = np.isnan(self.grr_sd)
        return (
            np.where(unknown, np.nan, 100.0 * found.at_least),
            np.where(unknown, np.nan, 100.0 * found.at_most),
        )


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
    """Decide as `grr.questions.deciding.decide` does, with GRR's bounds off either way.

    How far off: `MARGIN`.

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
    margin = MARGIN * np.where(draws.uneven, UNEVEN, 1)
    margin *= (2 if draws.people == 2 else 1) * (2 if purpose == "control" else 1)
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
        parts = draws.priced(values, parts_from, rules.confidence, rows)
        for found, factor in zip(ends, (1.0 - margin, 1.0 + margin), strict=True):
            least, most = parts.prices(factor[rows], rules.confidence)
            undecided = found[rows] == _NOT_DECIDED
            found[rows[undecided & (least > rules.most_refused_percent)]] = _DO_NOT_USE
            found[rows[undecided & (most <= rules.most_refused_percent)]] = _WITH_LIMITS
    return Decisions(np.asarray(_DECISIONS[ends[0]]), np.asarray(ends[0] != ends[1]))


def ordered(draws: Array) -> Ordered:
    """Return values in order along the last axis, NaN last, in half the digits: 1e-7 is enough."""
    return np.sort(draws.astype(np.float32), axis=-1)


def _plain(values: Array, tail: float) -> Limits:
    """Return the limits of values at the points; what is under 0 counts as 0."""
    return limits_of(ordered(values), tail)


def _guard(variance: tuple[Ordered, Ordered], risk: float) -> Array:
    """Return how far a normal value of these weighted variances lies off with this chance."""
    draws, weights = variance
    return predictive_guard(
        np.sqrt(np.maximum(draws, 0.0)).astype(np.float64), risk, weights.astype(np.float64)
    )


def limits_of(in_order: Ordered, tail: float) -> Limits:
    """Return what lies at a share ``tail`` from either end, between two of the ordered points.

    NaN where any point is.
    """
    size = in_order.shape[-1]
    place = min(max(tail * size - 0.5, 0.0), size - 2.0)
    first = int(place)
    share = place - first
    near = in_order[:, [first, first + 1, size - 2 - first, size - 1 - first]].astype(np.float64)
    with np.errstate(invalid="ignore"):
        low = np.where(share > 0.0, near[:, 0] * (1.0 - share) + near[:, 1] * share, near[:, 0])
        high = near[:, 3] * (1.0 - share) + np.where(share > 0.0, near[:, 2] * share, 0.0)
        # Where one point is infinite, so is the limit next to it.
        high = np.where(np.isinf(near[:, 3]), near[:, 3], high)
    undefined = np.isnan(in_order[:, -1])
    return np.where(undefined, np.nan, low), np.where(undefined, np.nan, high)
