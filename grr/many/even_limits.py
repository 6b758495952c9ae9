"""Limits of sums and shares of the expected mean squares of thousands of studies."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, chdtri, ndtr

from grr.formulas.analysis_of_variance import CrossedAnova
from grr.formulas.arrays import Array, Mask
from grr.formulas.even_draws import FEWER, EvenDraws, by_df
from grr.formulas.unweighted_means import UnweightedMeans, balanced_means

Limits = tuple[Array, Array]
Points = NDArray[np.floating[Any]]

#: Newton's steps go by every so many of the bent points; by all only where two mean squares or
#: more stand at them, and twice for GRR and TV.
_EVERY = (4, 2, 1)
#: How far the slope of a step may be from that of plain points, where two or more stand there.
_LEAST, _MOST = 1.0, 2.0
#: The chance of χ² is tabulated where √(df/2)·ln(χ²/df) is from here on, so many times a unit.
_FROM, _TIMES, _NODES = -10.0, 16, 257
_PART, _OPERATOR, _INTERACTION, _ERROR, _LIFTED, _READ, _GUARD = range(7)


class EndsWanted(NamedTuple):
    """A variance, or its share of the total, and what its limits leave on either side.

    Attributes
    ----------
    name : str
        EV, AV, INT, GRR, PV, TV, or READ: GRR as it is read behind a coarse digit.
    share : bool
    tail : float
    """

    name: str
    share: bool
    tail: float


class _Rows(NamedTuple):
    """What is known of each limit; (studies or 1, limits, ...): low ones first."""

    above: Points
    under: Points
    of_grr: Points
    own: Array
    own_under: Array
    scale: Array
    offset: Array
    first: NDArray[np.int32]
    pattern: NDArray[np.intp]
    several: Mask
    share: Mask
    may_be_sure: Mask
    by_part: Mask
    low: Mask
    tail: Array
    wide: Array

    def some(self, limits: NDArray[np.intp]) -> _Rows:
        """Return some of the limits."""
        each: Any = (of[:, limits] for of in self)
        return _Rows(*each)


class MeanSquares:
    """What the expected mean squares of a stack of studies may be; operators random.

    Each is its sum of squares by χ². All that is asked for is a sum of them, or a share of two
    sums. The one that scatters most towards the limit is taken through all its values at each
    point of a bent lattice, where the others stand: the mean over the points is smooth then, and
    few of them do.

    Parameters
    ----------
    anova : CrossedAnova or UnweightedMeans
        A stack (studies,).
    df_error : ndarray or None
        See `grr.formulas.pivots.crossed_pivots`, which says where the sums come from.
    floor : ndarray, shape (studies,)
        What repeatability is not under where it is hidden; else 0.
    added, for_guard : ndarray, shape (studies,)
        What GRR holds as it is read, and for a guard band, where the digit is coarse; else 0.
    """

    def __init__(
        self,
        anova: CrossedAnova | UnweightedMeans,
        df_error: Array | None,
        *,
        floor: Array,
        added: Array,
        for_guard: Array,
    ) -> None:
        means = balanced_means(anova) if isinstance(anova, CrossedAnova) else anova
        few = not np.any(means.df_error)
        ratio = 1.0 if few or df_error is None else df_error / np.asarray(means.df_error)
        squares = [
            (means.ss_part, means.df_part),
            (means.ss_operator, means.df_operator),
            (means.ss_interaction * ratio, means.df_interaction * ratio),
            (means.ss_error * ratio, means.df_error * ratio),
        ]
        self.ss, self.df = (
            np.stack([np.broadcast_to(np.asarray(v, np.float64), len(floor)) for v in of], axis=-1)
            for of in zip(*squares, strict=True)
        )
        none = self.df == 0.0
        self.ss[none], self.df[none] = 0.0, 1.0
        self.sums = _sums(means, len(floor))
        self.repeats = _INTERACTION if few else _ERROR
        self.hidden = floor > 0.0
        self.at = self._expected(EvenDraws(FEWER, bent=True), floor, added, for_guard)
        self.first = self._expected(EvenDraws(FEWER), floor, added, for_guard)
        self.chances, self.drops = _chances(self.df)

    def _expected(self, even: EvenDraws, floor: Array, *read: Array) -> Points:
        """Return the mean squares at the points, what lifts EV, and that or what is read."""
        found = np.empty((len(floor), 7, FEWER), dtype=np.float32)
        for place, df in enumerate(self.df.T):
            chi_square = even.chisquare(df[0] if (df == df[0]).all() else df[:, None])
            found[:, place] = self.ss[:, place, None] / chi_square
        repeats = found[:, self.repeats]
        found[:, _LIFTED] = np.maximum(floor[:, None] - repeats, 0.0)
        for place, added in zip((_READ, _GUARD), read, strict=True):
            found[:, place] = np.where(added[:, None] > 0.0, added[:, None], found[:, _LIFTED])
        return found

    def weighted(self, name: str, rows: NDArray[np.intp]) -> tuple[Points, Points]:
        """Return a variance of some studies at some of the points, and their weights."""
        sums = self.sums[name][rows]
        weights = _weights(_EVERY[0])[_pattern((sums != 0.0).any(axis=0)[:4])]
        return (sums[:, None] @ self.at[rows, :, :: _EVERY[0]])[:, 0], weights

    def limits(self, asked: Sequence[EndsWanted]) -> dict[EndsWanted, Limits]:
        """Return the limits of each, not under 0, for every study."""
        count = len(asked)
        above = np.stack([self.sums[one.name] for one in asked], axis=1)
        share, tail = np.array([one.share for one in asked]), np.array([one.tail for one in asked])
        of_grr = np.stack(
            [self.sums["READ" if one.name == "READ" else "GRR"] * one.share for one in asked],
            axis=1,
        )
        start, wide = self._start(above, of_grr, share, tail)
        known = np.isfinite(start) & np.isfinite(wide) & (wide > 0.0)
        y = np.where(known, start, 0.0)
        rows = self._rows(
            y, np.concatenate([above] * 2, axis=1), np.concatenate([of_grr] * 2, axis=1)
        )
        rows = rows._replace(tail=np.tile(tail, (1, 2)), wide=wide)
        several = rows.several.any(axis=0)
        with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
            for every in _EVERY[:-1]:
                y = self._stepped(rows, y, every)
            for some in (several, several & ~rows.share[0]):
                here = np.flatnonzero(some)
                y[:, here] = self._stepped(rows.some(here), y[:, here], _EVERY[-1])
        found = np.clip(np.where(known, y, start), 0.0, np.where(rows.share, 1.0, np.inf))
        return {one: (found[:, n], found[:, n + count]) for n, one in enumerate(asked)}

    def _start(
        self, above: Points, of_grr: Points, share: Mask, tail: Array
    ) -> tuple[Array, Array]:
        """Return limits by ordered points, and how far apart as much as the tail lies there."""
        values = above @ self.first
        part = np.maximum(self.sums["PV"][:, None] @ self.first, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            values[:, share] /= of_grr[:, share] @ self.first + part
            values.sort(axis=-1)
            outer, start, inner = (
                np.concatenate([_at_share(values, p), _at_share(values, 1.0 - p)], axis=1)
                for p in (0.5 * tail, tail, 1.5 * tail)
            )
            return start, np.abs(inner - outer)

    def _rows(self, y: Array, above: Points, of_grr: Points) -> _Rows:
        """Return what the steps need: which mean square is taken through all its values."""
        pv, low = self.sums["PV"][:, None], (np.arange(y.shape[1]) < y.shape[1] // 2)[None]
        share = np.asarray(of_grr.any(axis=(0, 2)))[None]
        itself = np.asarray((above == of_grr).all(axis=(0, 2)))[None]
        factor = above - y[..., None] * (of_grr + share[..., None] * pv)
        which = self._scatters_most(factor, (share & ~itself)[0], low[0])
        # Where it is in PV as well, PV goes with it; GRR is never under itself.
        by_part = share & ((which == _PART) | (which == _INTERACTION))
        under = of_grr + by_part[..., None] * pv
        own, own_under = (
            np.take_along_axis(of, which[..., None], axis=-1)[..., 0] for of in (above, under)
        )
        used = (above[..., :4] != 0.0) | share[..., None]
        for of in (above, under, used):
            np.put_along_axis(of, which[..., None], 0, axis=-1)
        row = 4 * np.arange(len(y))[:, None] + which
        with np.errstate(divide="ignore"):
            scale = _TIMES * np.sqrt(0.5 * self.df.ravel()[row])
            offset = scale * np.log((self.ss / self.df).ravel()[row]) - _FROM * _TIMES
        several = used.sum(axis=-1) > 1
        first = (row * _NODES).astype(np.int32)
        return _Rows(
            above, under, of_grr, own, own_under, scale, offset, first, _pattern(used), several,
            share, by_part & ~itself, by_part, low, low, low,
        )  # fmt: skip

    def _stepped(self, rows: _Rows, y: Array, every: int) -> Array:
        """Return the limits after a step of Newton's by every so many of the points.

        The chance that above − y·under ≤ 0 (≤ y for a variance), averaged over the points. The
        total under a share is GRR and what of PV is over 0.
        """
        at = self.at[..., ::every]
        rest, part = rows.above @ at, self.sums["PV"][:, None] @ at
        whole = rows.under @ at
        whole += (rows.share & ~rows.by_part)[..., None] * np.maximum(part, 0.0)
        whole[:, ~rows.share[0]] = 1.0
        factor = rows.own - y * rows.own_under
        reach = _single(y) * whole
        reach -= rest
        reach *= _single(1.0 / factor)
        np.fmax(reach, np.float32(1e-30), out=reach)
        place = np.log(reach)
        place *= -_single(rows.scale)
        place += _single(rows.offset)
        np.fmax(place, np.float32(0.0), out=place)
        np.fmin(place, np.float32(_NODES - 1), out=place)
        node = place.astype(np.int32)
        place -= node
        node += rows.first[..., None]
        drop = self.drops.take(node)
        place *= drop
        chance = self.chances.take(node)
        chance -= place
        if (part <= 0.0).any():  # the source is no larger a share of GRR: that is sure
            sure = rows.may_be_sure[..., None] & (rest <= _single(y) * (rows.of_grr @ at))
            chance[sure], drop[sure] = 0.0, 0.0
        weights = _weights(every)[rows.pattern]
        mean = np.einsum("sqn,sqn->sq", weights, chance)
        drop *= weights
        whole /= reach
        steep = rows.own_under * drop.sum(axis=-1) + np.einsum("sqn,sqn->sq", drop, whole)
        steep *= rows.scale / np.abs(factor)
        usual = rows.tail / rows.wide
        mean = np.where((factor > 0.0) == rows.low, mean, 1.0 - mean)
        beyond = np.clip(mean, 0.2 * rows.tail, 5.0 * rows.tail)
        bounded = np.clip(steep, _LEAST * usual, _MOST * usual)
        steep = np.where(rows.several, bounded, steep)
        step = np.nan_to_num(beyond * np.log(beyond / rows.tail) / steep)
        step = np.clip(np.where(rows.low, -step, step), -rows.wide, rows.wide)
        along = rows.low | (step >= y)  # else along the logarithm, as the tail falls
        found = np.where(along, y + step, y * np.exp(step / y))
        return np.asarray(np.where(rows.share, np.clip(found, 0.0, 1.0 - 1e-6), found))

    def _scatters_most(self, factor: Points, of_more: Mask, low: Mask) -> NDArray[np.intp]:
        """Return which mean square scatters most towards each limit, as it enters there."""
        far = by_df(self.df[..., None], _inverse_quantiles)
        larger, smaller = (
            (self.ss / self.df * np.abs(far[..., end] - far[..., 1]))[:, None] for end in (0, 2)
        )
        factor = factor[..., :4]
        towards = np.where((factor > 0.0) != low[:, None], larger, smaller) * np.abs(factor)
        towards[:, of_more, _INTERACTION] = -1.0  # it is in PV as well
        towards[self.hidden, :, self.repeats] = -1.0
        return np.asarray(towards.argmax(axis=-1))


def _single(values: Array) -> Points:
    return np.asarray(values, dtype=np.float32)[..., None]


def _at_share(in_order: Points, share: Array) -> Array:
    """Return what lies at a share, one for each quantity, of ordered points; NaN if one is."""
    size = in_order.shape[-1]
    place = np.clip(share * size - 0.5, 0.0, size - 1.001)
    first = place.astype(np.intp)
    near, far = (
        np.take_along_axis(in_order, at[None, :, None], axis=-1)[..., 0]
        for at in (first, first + 1)
    )
    return np.where(np.isnan(in_order[..., -1]), np.nan, near + (place - first) * (far - near))


def _sums(means: UnweightedMeans, studies: int) -> dict[str, Points]:
    """Return what of each mean square is in each variance; (studies, 7)."""
    r, p, o = (
        np.asarray(count, dtype=np.float64)
        for count in (means.trials, means.parts_per_operator, means.operators_per_part)
    )
    few, alone = not np.any(means.df_error), means.operators == 1

    def of(**factors: Array | float) -> Points:
        found = np.zeros((studies, 7), dtype=np.float32)
        for place, name in enumerate(("part", "operator", "interaction", "error", "lifted")):
            found[:, place] = factors.get(name, 0.0)
        return found

    if few:
        ev, interaction = of(interaction=1.0, lifted=1.0), of()
        cell = ev
    else:
        ev, interaction = of(error=1.0, lifted=1.0), of(interaction=1.0 / r, error=-1.0 / r)
        cell = ev if alone else ev + interaction
    operator = of() if alone else of(operator=1.0 / (p * r), interaction=-1.0 / (p * r))
    one = {"error" if alone else "interaction": -1.0 / (o * r)}
    part = of(part=1.0 / (o * r), **one)
    grr = operator + cell
    read, guard = grr.copy(), grr.copy()
    read[:, [_LIFTED, _READ]], guard[:, [_LIFTED, _GUARD]] = [0.0, 1.0], [0.0, 1.0]
    mean = part / means.parts + operator / means.operators
    mean[:, _ERROR if alone else _INTERACTION] += 1.0 / (np.asarray(means.cells) * r)
    found = {"EV": ev, "AV": operator, "INT": interaction, "GRR": grr, "PV": part}
    return found | {"TV": part + grr, "READ": read, "GUARD": guard, "mean": mean}


def _pattern(used: Mask) -> NDArray[np.intp]:
    """Return which of the weights belongs to points of which these coordinates are used."""
    return np.asarray(used @ np.array([1, 2, 4, 8]))


@lru_cache(maxsize=8)
def _weights(every: int = 1) -> Points:
    """Return the weights of every so many points for each choice of coordinates; (16, points)."""
    each = EvenDraws(FEWER, bent=True).weights(4)[:, ::every]
    choice = (np.arange(16)[:, None] >> np.arange(4) & 1).astype(np.bool_)
    found = np.where(choice[..., None], each, 1.0).prod(axis=1)
    return np.asarray(found / found.sum(axis=-1, keepdims=True), dtype=np.float32)


def _chances(df: Array) -> tuple[Points, Points]:
    """Return P(χ²(df) > x) at the nodes of the table, and how much it falls to the next one."""
    table = np.empty((*df.shape, _NODES), dtype=np.float32)
    for place, of in enumerate(df.T):
        alike = of[:1] if (of == of[0]).all() else of
        table[:, place] = by_df(alike[:, None], _chance)
    return table, -np.diff(table, axis=-1, append=table[..., -1:])


@lru_cache(maxsize=256)
def _inverse_quantiles(df: float) -> Array:
    """Return df/χ² at the lower tail, the middle and the upper tail."""
    if df == np.inf:
        return np.ones(3)
    return np.asarray(df / chdtri(df, [0.975, 0.5, 0.025]))


@lru_cache(maxsize=256)
def _chance(df: float) -> Array:
    scaled = _FROM + np.arange(_NODES) / _TIMES
    if df == np.inf:
        return np.asarray(ndtr(-scaled))
    return np.asarray(chdtrc(df, df * np.exp(scaled * np.sqrt(2.0 / df))))
