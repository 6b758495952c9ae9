"""Do the repeats scatter as every formula takes them to: alike, normally, one by one?

Six numbers of the residuals (a reading less the mean of its cell) see six ways in which real
scatter differs from that: single readings far out, one operator, one part, scatter that grows
with size, neighbours in the measuring order that are alike, and rounds that lie apart. Each is
compared with studies of the same design simulated with normal scatter and the same rounding,
and the smallest of the six p values with the smallest of those studies, so that all six
together have one known rate of false alarms.

Sources: Westfall & Young, Resampling-Based Multiple Testing (1993), chapter 2 (the smallest p
value against its own distribution; from memory); the fourth moment: Pearson's kurtosis; the
serial sum: von Neumann's ratio (1941) with a second lag. Choice and weights are this project's
own; what they see and how often they are wrong: ``tests/coverage/scatter.py``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray
from scipy.special import betaincinv, stdtr

from grr.formulas.arrays import Array, Mask, product

#: What each test is called after what it finds, in this order along the last axis.
Finds = Literal["outliers", "operator_scatter", "part", "size", "autocorrelation", "place"]
FINDS: tuple[Finds, ...] = (
    "outliers",
    "operator_scatter",
    "part",
    "size",
    "autocorrelation",
    "place",
)
#: All six together fire in this share of clean studies.
SCATTER_LEVEL = 0.03
#: What forbids to call a gauge good: the bounds do not hold where it is so.
FORBIDDING: tuple[Finds, ...] = ("outliers", "part", "place")
#: A digit of more than so many standard deviations of a repeat hides how the repeats scatter.
COARSEST = 3.0
#: A finer digit than this share of a standard deviation changes nothing.
FINE = 0.25
#: From how many standard deviations of a repeat on it matters how operators lie in a digit: of
#: what rounding does, its position moves 2·exp(−2π²/digit²), 0.03 % here (Sheppard; Widrow &
#: Kollár, Quantization Noise, 2008, chapter 5; from memory).
COARSE_FOR_OFFSETS = 1.5
#: Simulated studies, and readings of all of them at most.
_STUDIES, _READINGS = 3_000, 400_000
_SEED = 90

Order = NDArray[np.intp]


@dataclass(frozen=True, eq=False)
class Normal:
    """What studies of one design whose scatter is normal and even show.

    Attributes
    ----------
    shape : (int, int, int)
        Parts, operators, trials.
    order : ndarray, shape (operators, parts × trials), or None
        Flat indices of each operator's readings as they were taken; None where that is not
        known, and then neighbours and rounds are not compared.
    ordered : ndarray, shape (6, studies)
        Each of the six numbers from the least to the largest; those of the size depend on the
        parts of a study and are left at 0, as are those that need an order where none is known.
    least : ndarray, shape (studies,)
        The smallest p value of each study, the test of size left out.
    shares : ndarray, shape (studies, parts)
        Each part's share of the sum of squares.
    """

    shape: tuple[int, int, int]
    order: Order | None
    ordered: Array
    least: Array
    shares: Array

    @property
    def tested(self) -> tuple[Finds, ...]:
        """The tests that the design and what is known of its order allow."""
        return _allowed(self.shape, self.order)


def _allowed(shape: tuple[int, int, int], order: Order | None) -> tuple[Finds, ...]:
    p, o, r = shape
    possible = {
        "operator_scatter": o > 1,
        "part": p > 1,
        "size": p > 2,
        "autocorrelation": order is not None,
        "place": order is not None and r * o > 1,
    }
    return tuple(name for name in FINDS if possible.get(name, True))


@dataclass(frozen=True, eq=False)
class ScatterLook:
    """p values of the six tests, adjusted for looking at all of them; shape (..., 6).

    Attributes
    ----------
    p : ndarray
        Share of clean studies whose smallest p value is as small as that of this test; 1
        where a test was not made. In a stack the test of size counts in it only where the other
        tests alone leave a p value under `SCATTER_LEVEL`: it could but raise the others.
    far : ndarray
        How far each number lies out, in units of the distance from the middle to the 99 %
        point of clean studies: which of several is the plainest.
    """

    p: Array
    far: Array

    @property
    def named(self) -> NDArray[np.intp]:
        """Index of the plainest: of the smallest p values the one furthest out."""
        least = self.p.min(axis=-1, keepdims=True)
        found: NDArray[np.intp] = np.where(self.p <= least, self.far, -np.inf).argmax(axis=-1)
        return found


def residuals(y: Array) -> Array:
    """Return the readings (..., p, o, r) less the means of their cells."""
    left: Array = y - y.mean(axis=-1, keepdims=True)
    return left


def six_numbers(e: Array, order: Order | None) -> Array:
    """Return the six numbers of residuals (..., p, o, r); shape (..., 6).

    - outliers: n Σe⁴ / (Σe²)²
    - operator_scatter, part: Σ (SS of each / mean SS − 1)²
    - size: left at 0, see `size_number`
    - autocorrelation: Σ (e_t e_(t+1) + 0.6 e_t e_(t+2)) / Σe², within an operator's order
    - place: Σ (mean residual of operator and trial)² / Σe²

    NaN where no repeats differ.
    """
    p, o, r = e.shape[-3:]
    squares = np.square(e)
    cells = squares.sum(axis=-1)
    of_parts, of_operators = cells.sum(axis=-1), cells.sum(axis=-2)
    whole = of_parts.sum(axis=-1)
    found = np.zeros((*e.shape[:-3], len(FINDS)))
    with np.errstate(divide="ignore", invalid="ignore"):
        fourth = np.einsum("...ijk,...ijk->...", squares, squares)
        found[..., 0] = p * o * r * fourth / np.square(whole)
        for place, groups in ((1, of_operators), (2, of_parts)):
            share = groups * (groups.shape[-1] / whole)[..., None]
            found[..., place] = np.square(share - 1.0).sum(axis=-1)
    if order is not None:
        found[..., -2:] = in_the_order(e, order)
    return found


def in_the_order(e: Array, order: Order) -> Array:
    """Return those of the six numbers that need the order, autocorrelation and place."""
    p, o, r = e.shape[-3:]
    flat = e.reshape(*e.shape[:-3], p * o * r)[..., order]
    whole = np.einsum("...jt,...jt->...", flat, flat)
    near = np.einsum("...jt,...jt->...", flat[..., :-1], flat[..., 1:])
    next_but_one = np.einsum("...jt,...jt->...", flat[..., :-2], flat[..., 2:])
    rounds = np.square(e.mean(axis=-3)).sum(axis=(-2, -1))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.stack([(near + 0.6 * next_but_one) / whole, rounds / whole], axis=-1)


def part_shares(e: Array) -> Array:
    """Return each part's share of the sum of squares of residuals; shape (..., p)."""
    of_parts = np.square(e).sum(axis=(-2, -1))
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(of_parts / of_parts.sum(axis=-1, keepdims=True))


def size_number(shares: Array, sizes: Array) -> Array:
    """Return |Σ (x_i − mean x) SS_i| / (sd of x · SS), x the means of the parts."""
    return np.asarray(np.abs((shares * _along(sizes)).sum(axis=-1)))


def _along(sizes: Array) -> Array:
    """Return the means of the parts (..., p) with mean 0 and standard deviation 1."""
    centred = sizes - sizes.mean(axis=-1, keepdims=True)
    spread = np.sqrt(np.square(centred).mean(axis=-1, keepdims=True))
    return np.where(spread > 0.0, centred / np.where(spread > 0.0, spread, 1.0), 0.0)


def normal_studies(
    shape: tuple[int, int, int],
    order: Order | None = None,
    *,
    digit: float = 0.0,
    offsets: tuple[float, ...] = (),
    gaps: Mask | None = None,
) -> Normal:
    """Simulate studies of a design whose scatter is normal and even, rounded as this one is.

    Parameters
    ----------
    shape : (int, int, int)
    order : ndarray, optional
        See `Normal`.
    digit : float
        The last digit in standard deviations of a repeat; under a quarter it counts as 0. The
        true sizes lie anywhere in it.
    offsets : tuple of float
        How the operators differ, in standard deviations of a repeat; it matters where the digit
        is coarse, see `COARSE_FOR_OFFSETS`.
    gaps : ndarray of bool, shape (p, o, r), optional
        Readings that are missing; in the study too the mean of the cell stands there.
    """
    missing = () if gaps is None else tuple(int(n) for n in np.flatnonzero(gaps))
    digit = round(digit, 1) if digit >= FINE else 0.0
    near = tuple(round(offset, 1) for offset in offsets if digit >= COARSE_FOR_OFFSETS)
    e, ordered, least, shares = _simulated(shape, digit, near, missing)
    if order is not None:
        timed, chance = _ranked(in_the_order(e, order))
        ordered = np.concatenate([ordered[:-2], timed])
        if shape[1] * shape[2] < 2:  # rounds are not compared
            chance = chance[:1]
        least = np.minimum(least, chance.min(axis=0))
    return Normal(shape, order, ordered, least, shares)


@lru_cache(maxsize=16)
def _simulated(
    shape: tuple[int, int, int],
    digit: float,
    offsets: tuple[float, ...],
    missing: tuple[int, ...],
) -> tuple[Array, Array, Array, Array]:
    """Return residuals of normal studies, and what needs no order of `Normal`."""
    p, o, r = shape
    rng = np.random.default_rng(_SEED)
    studies = max(1000, min(_STUDIES, _READINGS // (p * o * r)))
    y = rng.standard_normal((studies, p, o, r))
    if digit > 0.0:
        y += digit * rng.uniform(size=(studies, p))[..., None, None]
        if offsets:
            y += np.array(offsets)[:, None]
        y = digit * np.round(y / digit)
    if missing:
        flat = y.reshape(studies, -1)
        flat[:, missing] = np.nan
        y = np.where(np.isnan(y), np.nanmean(y, axis=-1, keepdims=True), y)
    e = residuals(y)
    ordered, chance = _ranked(six_numbers(e, None))
    tests = [FINDS.index(name) for name in _allowed(shape, None) if name != "size"]
    return e, ordered, chance[tests].min(axis=0), part_shares(e)


def _ranked(seen: Array) -> tuple[Array, Array]:
    """Return each number (studies, tests) in order, and the p value of each; (tests, studies)."""
    numbers = np.nan_to_num(seen.T, nan=-np.inf)
    ordered = np.sort(numbers, axis=1)
    above = [_share_above(*both) for both in zip(ordered, numbers, strict=True)]
    return ordered, np.array(above)


def compared(y: Array, normal: Normal) -> ScatterLook:
    """Compare the scatter of a study, or of a stack, with that of normal studies.

    Parameters
    ----------
    y : ndarray, shape (..., p, o, r)
        Complete readings.
    normal : Normal
        Of the same design; where the digit is coarse, of the same digit too.
    """
    if y.ndim > 3:
        return _stack_compared(y, normal)
    e = residuals(y)
    seen, sizes, size = six_numbers(e, normal.order), y.mean(axis=(-1, -2)), FINDS.index("size")
    ordered, least = normal.ordered, normal.least
    if "size" in normal.tested:
        seen[size] = size_number(part_shares(e), sizes)
        by_size, chance = _ranked(size_number(normal.shares, sizes)[:, None])
        ordered, least = ordered.copy(), np.minimum(least, chance[0])
        ordered[size] = by_size[0]
    n = len(least)
    p, far = np.ones(len(FINDS)), np.full(len(FINDS), -np.inf)
    for t in (FINDS.index(name) for name in normal.tested):
        number = np.nan_to_num(seen[t], nan=-np.inf)
        chance = (1.0 + n * _share_above(ordered[t], number)) / (n + 1.0)
        p[t] = min((1.0 + np.count_nonzero(least <= chance)) / (n + 1.0), 1.0)
        middle, out = ordered[t, n // 2], ordered[t, int(0.99 * n)]
        if np.isfinite(middle) and out > middle:
            far[t] = (number - middle) / (out - middle)
    return ScatterLook(p, far)


def _stack_compared(y: Array, normal: Normal) -> ScatterLook:
    """Return the same of a stack; only where a test may fire with the size of its own parts."""
    e = residuals(y)
    seen, n, size = six_numbers(e, normal.order), len(normal.least), FINDS.index("size")
    p, far = np.ones(seen.shape), np.full(seen.shape, -np.inf)
    least = np.sort(normal.least)
    for t in (FINDS.index(name) for name in normal.tested):
        if t == size:
            along = _along(y.mean(axis=(-1, -2))).reshape(-1, y.shape[-3])
            clean = np.abs(product(along, np.nan_to_num(normal.shares.T)))
            number = size_number(part_shares(e), y.mean(axis=(-1, -2)))
            below = (clean < (number - 1e-9 * number).reshape(-1, 1)).sum(axis=1)
            above = 1.0 - below.reshape(number.shape) / n
        else:
            above = _share_above(normal.ordered[t], np.nan_to_num(seen[..., t], nan=-np.inf))
        chance = (1.0 + n * above) / (n + 1.0)
        p[..., t] = (1.0 + np.searchsorted(least, chance, side="right")) / (n + 1.0)
    for place in np.argwhere((p < SCATTER_LEVEL).any(axis=-1)):
        look = compared(y[tuple(place)], normal)
        p[tuple(place)], far[tuple(place)] = look.p, look.far
    return ScatterLook(np.minimum(p, 1.0), far)


def _share_above(ordered: Array, values: Array) -> Array:
    """Return the share of sorted numbers that are at least as large; ties count."""
    room = 1e-9 * np.maximum(np.abs(values), 1e-300)
    below = np.searchsorted(ordered, np.where(np.isfinite(values), values - room, values))
    return np.asarray(1.0 - below / len(ordered))


# What was found, in numbers.
# ---------------------------


def scatter_sd(y: Array, digit: Array | float) -> Array:
    """Return the standard deviation of a repeat without its rounding, s² − d²/12; shape (...).

    Not under d/3.5, where the digit hides it. Source: Sheppard's correction.
    """
    p, o, r = y.shape[-3:]
    variance = np.square(residuals(y)).sum(axis=(-3, -2, -1)) / (p * o * (r - 1))
    least = np.square(np.asarray(digit) / 3.5)
    return np.asarray(np.sqrt(np.maximum(variance - np.square(digit) / 12.0, least)))


def in_order(order: Array) -> Order | None:
    """Return each operator's readings as flat indices in the order taken; None if not known.

    Parameters
    ----------
    order : ndarray, shape (p, o, r)
        Numbers that grow with time; NaN where not recorded.
    """
    p, o, r = order.shape
    if not np.isfinite(order).all() or len(np.unique(order)) != order.size:
        return None
    flat = np.arange(p * o * r).reshape(p, o, r)
    own = np.swapaxes(order, 0, 1).reshape(o, p * r)
    taken = np.argsort(own, axis=1)
    return np.asarray(np.take_along_axis(np.swapaxes(flat, 0, 1).reshape(o, p * r), taken, 1))


def share_back_to_back(order: Order, shape: tuple[int, int, int]) -> float:
    """Return the share of repeats that were read straight after a reading of the same cell."""
    p, o, r = shape
    cell = order // r
    again = (cell[:, 1:] == cell[:, :-1]).sum()
    return float(again) / (p * o * (r - 1)) if r > 1 else 0.0


def neighbours_alike(y: Array, order: Order) -> float:
    """Return the correlation of neighbours in the order taken, 1/√n added.

    The mean of a cell is taken off each residual, which makes the correlation too small.
    """
    p, o, r = y.shape
    e = residuals(y).reshape(-1)[order]
    return float((e[:, 1:] * e[:, :-1]).sum() / np.square(e).sum() + 1.0 / np.sqrt(p * o * r))


def outliers(y: Array) -> list[int]:
    """Return the flat indices of the readings that normal scatter does not explain.

    One after the other, the furthest first: each against the others by Student's t at 5 % of
    all readings (Cook & Weisberg, Residuals and Influence in Regression, 1982, chapter 2).
    """
    e = residuals(y)
    kept = np.ones(y.shape, dtype=bool)
    found: list[int] = []
    while len(found) < y.size // 4:
        counts = kept.sum(axis=-1, keepdims=True)
        mean = np.where(kept, e, 0.0).sum(axis=-1, keepdims=True) / np.maximum(counts, 1)
        left = np.where(kept & (counts > 1), e - mean, 0.0)
        df = int(np.maximum(counts - 1, 0).sum())
        own = np.where(counts > 1, 1.0 - 1.0 / np.maximum(counts, 2), 1.0)
        along = np.square(left) / own
        worst = int(along.argmax())
        rest = float(np.square(left).sum()) - float(along.flat[worst])
        if df < 3 or not along.flat[worst] > 0.0:
            break
        if rest > 0.0:
            t = float(np.sqrt(along.flat[worst] / (rest / (df - 1))))
            if 2.0 * float(stdtr(df - 1, -t)) * y.size > 0.05:
                break
        found.append(worst)
        kept.flat[worst] = False
    return found


def most_outliers(found: int, readings: int, confidence: float = 0.95) -> float:
    """Return the upper bound of the share of outliers, where so many of so many were.

    Source: Clopper & Pearson, Biometrika 26 (1934), 404-413: 1 − 0.05^(1/n) for none.
    """
    return float(betaincinv(found + 1, readings - found, confidence))
