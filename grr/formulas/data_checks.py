"""Checks of the readings themselves: plausible, in the right place, digits enough."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from itertools import combinations
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask

Places = NDArray[np.intp]

# Whether the last digit of a gauge shows its scatter or hides it.
# ----------------------------------------------------------------

#: Possible values within the range limit below which the digits are too coarse.
LEAST_VALUES = 5
#: Share of ranges at zero above which the digits are too coarse.
MOST_ZEROS = 0.25


class DigitsSeen(NamedTuple):
    """How many values a range within its limit can take, and the share of ranges at zero."""

    possible: int
    zeros: float

    @property
    def too_few(self) -> bool:
        """Whether the digits are too coarse for the scatter."""
        return self.possible < LEAST_VALUES or self.zeros > MOST_ZEROS


def digits_seen(ranges: Array, limit: float, step: float) -> DigitsSeen:
    """Return how well a digit of size ``step`` shows ranges with this upper limit.

    Parameters
    ----------
    ranges : ndarray
        Of repeats, or moving ranges; NaN is left out.
    limit, step : float
        D4 × mean range; the last digit, in the same unit.

    Notes
    -----
    Source: AIAG MSA, 4th ed., chapter II section C (discrimination seen on the range
    chart); Wheeler & Lyday, Evaluating the Measurement Process (1989), chapter 5. From
    memory.
    """
    there = np.asarray(ranges, dtype=np.float64)
    there = there[np.isfinite(there)]
    possible = math.floor(limit / step + 1e-6) + 1
    return DigitsSeen(possible, float(np.mean(there < 0.5 * step)))


# Readings that are probably in the wrong place, or were never taken.
# -------------------------------------------------------------------
# Every function takes the readings of one study, parts × operators × trials, with NaN where
# a reading is missing, and returns the places that it suspects. The thresholds are this
# project's own: far enough out that ordinary scatter does not trip them (the false-alarm
# rate is simulated in the tests), and each hit is shown to a person who decides.

#: Slips that change a number by a factor: one decimal place or two, inch for mm, a unit prefix.
FACTORS = (10.0, 0.1, 25.4, 1 / 25.4, 100.0, 0.01, 1000.0, 0.001)


@dataclass(frozen=True)
class Slip:
    """A reading that would fit its part if divided by ``factor``; 1 where none would mend it."""

    part: int
    operator: int
    trial: int
    factor: float


@dataclass(frozen=True)
class Swap:
    """Two parts whose readings fit better exchanged, by one operator in these trials."""

    operator: int
    parts: tuple[int, int]
    trials: tuple[int, ...]


@dataclass(frozen=True)
class Copy:
    """Two trials with the same readings, part for part; each as (operator, trial).

    ``chance`` is how many such pairs a study holds where nothing was copied.
    """

    first: tuple[int, int]
    second: tuple[int, int]
    chance: float = field(default=0.0, compare=False)

    @property
    def sure(self) -> bool:
        """Whether chance would do it less than once in a thousand studies."""
        return self.chance < 1e-3


@dataclass(frozen=True)
class Shift:
    """A trial in which readings fit better moved by one part from ``start`` on.

    ``start`` counts the operator's readings of that trial in the order taken, from 0;
    ``step`` is +1 where each reading belongs to the part after, −1 to the part before.
    """

    operator: int
    trial: int
    start: int
    step: int


def median(values: Array, axis: int | tuple[int, ...] | None = None) -> Array:
    """Return the median of the readings that are there; NaN where there are none."""
    if not np.isnan(values).any():
        return np.asarray(np.median(values, axis=axis), dtype=np.float64)
    axes = np.arange(values.ndim) if axis is None else np.atleast_1d(axis) % values.ndim
    moved = np.moveaxis(values, axes, np.arange(-len(axes), 0))
    ordered = np.sort(moved.reshape(*moved.shape[: -len(axes)], -1), axis=-1)
    count = (~np.isnan(ordered)).sum(axis=-1, keepdims=True)
    ends = (
        np.take_along_axis(ordered, np.maximum(middle, 0), axis=-1)[..., 0]
        for middle in ((count - 1) // 2, count // 2)
    )
    low, high = ends
    return np.asarray(0.5 * (low + high))


def noise(readings: Array, resolution: Array | float | None = None) -> Array:
    """Return a robust standard deviation of the readings (..., p, o, r) about their part's median.

    1.4826 × the median absolute deviation (the factor makes it the standard deviation of
    normal values: Huber & Ronchetti, Robust Statistics, section 5.1), never under the
    rounding error of the gauge.
    """
    residuals = readings - median(readings, axis=(-2, -1))[..., None, None]
    spread = 1.4826 * median(np.abs(residuals), axis=(-3, -2, -1))
    return np.asarray(np.maximum(spread, _rounding(resolution)))


def _rounding(resolution: Array | float | None) -> Array:
    """Return the rounding error of a digit, 0 where that is not known (None, NaN)."""
    digit = np.asarray(0.0 if resolution is None else resolution, dtype=np.float64)
    return np.asarray(np.nan_to_num(digit) / np.sqrt(12.0))


def may_hold_mistakes(readings: Array, resolution: Array) -> Mask:
    """Return which of many studies (studies, p, o, r) the functions below must look at.

    In the others they find nothing, where every part was measured in order. ``resolution``
    (studies,) is NaN where it is not known.
    """
    p, o, r = readings.shape[-3:]
    scale = noise(readings, resolution)[..., None, None, None]
    centre = median(readings, axis=(-2, -1))[..., None, None]
    found = (np.abs(readings - centre) > 12.0 * scale).any(axis=(-3, -2, -1))
    found |= _exchanged(readings, resolution).any(axis=(-4, -3, -2, -1))
    taken = np.moveaxis(readings, -3, -1)
    if o * r > 2:
        expected = np.moveaxis(median_of_others(readings), -3, -1)
        found |= (_best_shift(taken, expected, scale[..., 0])[1] != 0).any(axis=(-2, -1))
        for place in map(tuple, np.argwhere(np.isnan(taken).any(axis=-1))):
            there = np.isfinite(taken[place])
            _, step = _best_shift(
                taken[place][there], expected[place][there], scale[place[0], 0, 0, 0]
            )
            found[place[0]] |= bool(step != 0)
    columns = taken.reshape(*readings.shape[:-3], o * r, p)
    for number in range(o * r - 1):
        one, others = columns[..., [number], :], columns[..., number + 1 :, :]
        alike = (one == others) | np.isnan(one) | np.isnan(others)
        found |= alike.all(axis=-1).any(axis=-1)
    return np.asarray(found)


def factor_slips(readings: Array, resolution: float | None = None) -> list[Slip]:
    """Return readings off by a factor of 10, 25.4, 100 or 1000."""
    centre = np.broadcast_to(median(readings, axis=(1, 2))[:, None, None], readings.shape)
    scale = float(noise(readings, resolution))
    found = []
    for place in zip(*np.nonzero(np.abs(readings - centre) > 12.0 * scale), strict=True):
        value, expected = readings[place], centre[place]
        for factor in FACTORS:
            close = max(6.0 * scale, 2e-3 * abs(expected))
            far = abs(value - expected) > 4.0 * close
            if far and abs(value / factor - expected) <= close:
                part, operator, trial = (int(i) for i in place)
                found.append(Slip(part, operator, trial, factor))
                break
    return found


#: A reading so many standard deviations from the others of its part is no scatter of theirs.
FAR_OFF = 40.0
#: So many keep the others of its part together; where they lie apart, the part is hard to repeat.
TOGETHER = 6.0


def far_readings(
    readings: Array, digit: Array | float, lower: Array | float, upper: Array | float
) -> Mask:
    """Return which readings (..., p, o, r) are far from their part and from what parts can be.

    What a part can be is `believable_band`, here of the drawing and of the other parts as
    measured. Clean studies have none, also where a part, an operator or the whole gauge scatters
    (``tests/coverage/far_readings.md``).

    Parameters
    ----------
    readings : ndarray
    digit, lower, upper : ndarray, shape (...)
        The last digit of the readings, and the limits; NaN where there is none.
    """
    apart = np.abs(readings - median_of_others(readings))
    # Who scatters more than the others is no suspect for that.
    spread = np.fmax(
        median(apart, axis=(-3, -2, -1))[..., None, None, None],
        median(apart, axis=(-3, -1))[..., None, :, None],
    )
    spread = np.maximum(1.4826 * spread, _rounding(digit)[..., None, None, None])
    centres = median(readings, axis=(-2, -1))
    low = np.fmin(np.asarray(lower)[..., None], _least_of_others(centres))
    high = np.fmax(np.asarray(upper)[..., None], -_least_of_others(-centres))
    band = believable_band(low[..., None, None], high[..., None, None])
    found = ~band.holds(readings) & (apart > FAR_OFF * spread)
    if not found.any():
        return found
    left = np.where(found, np.nan, readings)
    rest = np.abs(left - median(left, axis=(-2, -1))[..., None, None])
    return np.asarray(found & ~(rest > TOGETHER * spread).any(axis=(-2, -1), keepdims=True))


def _least_of_others(values: Array) -> Array:
    """Return, for each of (..., n) values, the least of all others."""
    ordered = np.sort(values, axis=-1)
    return np.where(values == ordered[..., :1], ordered[..., 1:2], ordered[..., :1])


def swapped_parts(readings: Array, resolution: float | None = None) -> list[Swap]:
    """Return pairs of parts whose readings one operator seems to have exchanged."""
    found = []
    for operator, fits in enumerate(_exchanged(readings, resolution)):
        for a, b in np.argwhere(fits.any(axis=0)):
            in_trials, r = np.flatnonzero(fits[:-1, a, b]), len(fits) - 1
            trials = tuple(int(trial) for trial in in_trials) or tuple(range(r))
            found.append(Swap(operator, (int(a), int(b)), trials))
    return found


def _exchanged(readings: Array, resolution: Array | float | None) -> Mask:
    """Return where an operator's readings of two parts fit far better exchanged.

    Shape (..., o, r + 1, p, p): in each trial, and last in all of them, where the parts' gap shows
    only in the mean of the trials.
    """
    p, o, r = readings.shape[-3:]
    scale = noise(readings, resolution)
    found = np.zeros((*readings.shape[:-3], o, r + 1, p, p), dtype=np.bool_)
    if o * r < 3:
        return found
    for operator in range(o):
        others = np.delete(readings, operator, axis=-2) if o > 1 else readings
        expected = median(others, axis=(-2, -1))
        gap = expected[..., None, :] - expected[..., None]
        residual = readings[..., operator, :] - expected[..., None]
        residual = residual - median(residual, axis=(-2, -1))[..., None, None]
        # Who scatters more than the others is no suspect for that.
        own = np.maximum(scale, 1.4826 * median(np.abs(residual), axis=(-2, -1)))
        by_trial = np.swapaxes(residual, -2, -1)
        wide = np.abs(gap) > 8.0 * own[..., None, None]
        here = found[..., operator, :, :, :]
        most = np.asarray(6.0 * scale)[..., None, None, None]
        here[..., :-1, :, :] = _fit(by_trial, gap[..., None, :, :], most) & wide[..., None, :, :]
        if r > 1:
            # Rounding does not average: repeats of a part may all be rounded the same way.
            least = np.maximum(own / np.sqrt(r), _rounding(resolution))
            means = by_trial.mean(axis=-2)
            apart = means - median(means, axis=-1)[..., None]
            least = np.maximum(least, 1.4826 * median(np.abs(apart), axis=-1))[..., None, None]
            here[..., -1, :, :] = _fit(means, gap, 6.0 * least) & (np.abs(gap) > 6.0 * least)
    pairs = np.triu(np.ones((p, p), dtype=np.bool_), 1)
    return found & pairs & (scale > 0.0)[..., None, None, None, None]


def _fit(residuals: Array, gap: Array, most: Array) -> Mask:
    """Whether the residuals (..., p) of two parts fit far better with their ``gap`` exchanged."""
    one, other, wide = residuals[..., None], residuals[..., None, :], np.abs(gap)
    first, second = np.abs(one - gap), np.abs(other + gap)
    # Where the second reading is missing (NaN), the first one tells alone.
    mended = np.where(second > first, second, first)
    first, second = np.abs(one), np.abs(other)
    off = np.where(second < first, second, first)
    return np.asarray((off > 0.6 * wide) & (mended < np.minimum(0.4 * wide, most)))


def copied_trials(readings: Array) -> list[Copy]:
    """Return pairs of trials that agree digit for digit, of one operator or of two.

    Only where chance would do it less than once in a hundred studies, judged by how
    often repeats of one operator, or readings of two, agree in the rest of the study.
    """
    p, o, r = readings.shape
    if p < 4:
        return []
    columns = [(j, t) for j in range(o) for t in range(r)]
    pairs = list(combinations(columns, 2))
    found = []
    for alone in (True, False):
        kind = [(a, b) for a, b in pairs if (a[0] == b[0]) == alone]
        if not kind:
            continue
        first, second = (
            np.stack([readings[:, j, t] for j, t in side]) for side in zip(*kind, strict=True)
        )
        there = np.isfinite(first) & np.isfinite(second)
        same = first == second
        alike = (same | ~there).all(axis=1) & (there.sum(axis=1) >= 4)
        if not alone and alike.all():
            continue
        rate = (same[~alike].sum() + 1.0) / (there[~alike].sum() + 2.0)
        chance = rate ** there.sum(axis=1) * len(kind)
        most = 1e-3 if alike.all() else 1e-2  # nothing else in the study tells the rate
        found += [
            Copy(*kind[int(k)], float(chance[k])) for k in np.flatnonzero(alike & (chance < most))
        ]
    return found


def shifted_sequences(
    readings: Array, order: Array, resolution: float | None = None
) -> list[Shift]:
    """Return trials in which readings seem to be filed one part out.

    Parameters
    ----------
    readings, order : ndarray, shape (parts, operators, trials)
        ``order`` numbers the readings as taken.
    resolution : float, optional
    """
    _, o, r = readings.shape
    found: list[Shift] = []
    if o * r < 3:
        return found
    scale, expected = noise(readings, resolution), median_of_others(readings)
    for operator in range(o):
        for trial in range(r):
            there = np.flatnonzero(np.isfinite(readings[:, operator, trial]))
            sequence = there[np.argsort(order[there, operator, trial], kind="stable")]
            column = (sequence, operator, trial)
            start, step = _best_shift(readings[column], expected[column], scale)
            if step != 0:
                found.append(Shift(operator, trial, int(start), int(step)))
    return found


def median_of_others(readings: Array) -> Array:
    """Return, for each reading that is there, the median of all others of its part.

    NaN where there is no other.
    """
    flat = readings.reshape(*readings.shape[:-2], -1)
    by_size = flat.argsort(axis=-1)
    place = by_size.argsort(axis=-1)
    ordered = np.take_along_axis(flat, by_size, axis=-1)
    last = np.isfinite(flat).sum(axis=-1, keepdims=True) - 2  # of the others, counted from 0
    ends = []
    for middle in (last // 2, (last + 1) // 2):
        found = np.maximum(middle + (middle >= place), 0)
        ends.append(np.take_along_axis(ordered, np.minimum(found, flat.shape[-1] - 1), axis=-1))
    found = np.where(last < 0, np.nan, 0.5 * (ends[0] + ends[1]))
    return np.asarray(found.reshape(readings.shape))


def _best_shift(taken: Array, expected: Array, scale: Array) -> tuple[Places, Places]:
    """Return where and which way each of (..., n) readings slipped; step 0 where they fit."""
    n, most, room = taken.shape[-1], 3.0 * scale[..., None], 5.0 * scale[..., None]
    off = np.square(taken - expected)
    totals, places = [np.full((*off.shape[:-1], 1), np.inf)], [(0, 0)]
    for step in (1, -1):
        here, end = (slice(0, -1), off[..., -1:]) if step == 1 else (slice(1, None), off[..., :1])
        beside = expected[..., 1:] if step == 1 else expected[..., :-1]
        starts = np.arange(max(n - 3 - (step == -1), 0))
        filed, moved = off[..., here], np.square(taken[..., here] - beside)
        outside = np.cumsum(np.concatenate([end, filed], axis=-1), axis=-1)[..., starts]
        sums = (np.cumsum(v[..., ::-1], axis=-1)[..., ::-1][..., starts] for v in (filed, moved))
        before, after = (np.sqrt(total / (n - 1 - starts)) for total in sums)
        fits = (after < most) & (np.sqrt(outside / (starts + 1)) < most)
        fits &= (before > room) & (before > 3.0 * after)
        total = np.square(after) * (n - 1 - starts) + outside
        totals.append(np.where(fits, total, np.inf))
        places += [(int(start) + (step == -1), step) for start in starts]
    best = np.array(places)[np.concatenate(totals, axis=-1).argmin(axis=-1)]
    return best[..., 0], best[..., 1]


# Is this reading believable, judged by the drawing and the gauge alone?
# ----------------------------------------------------------------------
# These rules look at one reading as it arrives, before the part is known well enough for
# `grr.formulas.data_checks`, and never at earlier readings of the same part, so that a person
# who measures blind stays blind. They raise a question; a person answers it. The thresholds
# are this project's own.
#
# Every function takes an array of any shape, one element a reading, and returns one of the
# same shape.

#: How far past a limit a part of a gauge study may lie, in tolerance widths.
WIDTHS_BEYOND = 1.0
#: A second reading within this time of the one before is hardly another measurement.
FASTEST_SECONDS = 0.5
#: So many equal readings before this one are a display that hangs, or one part measured on;
#: more where the gauge's last digit is coarse.
EQUAL_BEFORE = 3
#: A run of equal readings that comes by chance once in so many readings raises no question.
ONCE_IN = 1000.0
#: From so many readings on, their own spread says how often equal ones come by chance.
ENOUGH_BEFORE = 5
#: Where nearly all readings are equal, no more than this share counts as chance.
MOST_ALIKE = 0.9


@dataclass(frozen=True)
class Band:
    """Where a believable reading lies; infinite on a side that the drawing leaves open."""

    low: Array | float
    high: Array | float

    def holds(self, readings: Array) -> Mask:
        """Return whether each reading lies within the band; a missing one does."""
        return ~((readings < self.low) | (readings > self.high))

    @property
    def excludes_zero(self) -> bool:
        """Whether 0 lies outside, so that a factor can be told from a mere distance."""
        return bool(np.all(self.low > 0.0) or np.all(self.high < 0.0))


def believable_band(lower: Array | float | None, upper: Array | float | None) -> Band:
    """Return the band in which a reading raises no question.

    Two limits: one tolerance width beyond each (``WIDTHS_BEYOND``). One limit: from half to
    twice its size, as parts of a study lie near their limit; a limit of 0, or none, gives
    no band. An upper limit alone leaves the low side down to 0 (roundness, say).
    """
    if lower is not None and upper is not None:
        beyond = WIDTHS_BEYOND * (upper - lower)
        return Band(lower - beyond, upper + beyond)
    if upper is not None and upper > 0.0:
        return Band(0.0, 2.0 * upper)
    if lower is not None and lower > 0.0:
        return Band(0.5 * lower, 2.0 * lower)
    return Band(-np.inf, np.inf)


def suspected_factor(readings: Array, band: Band) -> Array:
    """Return 10, 25.4, 1000 or their inverses where dividing by it mends the reading.

    1 where nothing is suspected. A band that holds 0 tells nothing about factors.
    """
    values = np.asarray(readings, dtype=np.float64)
    found = np.ones(values.shape)
    if not band.excludes_zero:
        return found
    outside = ~band.holds(values)
    for factor in reversed(FACTORS):
        found = np.where(outside & band.holds(values / factor), factor, found)
    return found


def fewer_decimals(decimals: Array, shown: int) -> Mask:
    """Return where a number came with fewer decimals than the gauge shows."""
    return np.asarray(decimals) < shown


def equal_before(width: float | None, digit: float | None, share: float = 0.0) -> int:
    """Return how many equal readings before one make it questionable.

    The parts of a study are taken to spread evenly over a third of the tolerance, which is
    so many last digits of the gauge, and two at least; where the readings so far spread over
    fewer, that many. As many equal readings are allowed as come by chance once in `ONCE_IN`
    readings, `EQUAL_BEFORE` at least.

    Parameters
    ----------
    width : float, optional
        Of the tolerance.
    digit : float, optional
        The last digit of the gauge, in the same unit.
    share : float
        Of the value among the readings before the run; 0 where that is not known.
    """
    chance = min(share, MOST_ALIKE)
    if width is not None and digit is not None:
        chance = max(chance, min(0.5, 3.0 * digit / width))
    if chance == 0.0:
        return EQUAL_BEFORE
    return max(EQUAL_BEFORE, math.ceil(-math.log(ONCE_IN) / math.log(chance)))


def share_of_value(before: Array, value: float) -> float:
    """Return the share of a value among readings, a run of it at their end left out.

    With one more reading of that value and one of another, as Laplace's rule of succession
    has it; 0 below `ENOUGH_BEFORE` readings, which tell nothing of the spread.
    """
    readings = np.asarray(before, dtype=np.float64)
    other = np.flatnonzero(readings != value)
    readings = readings[: int(other[-1]) + 1] if len(other) else readings[:0]
    if len(readings) < ENOUGH_BEFORE:
        return 0.0
    return float((np.sum(readings == value) + 1.0) / (len(readings) + 2.0))


def equal_to_those_before(readings: Array, before: int = EQUAL_BEFORE) -> Mask:
    """Return where a reading equals each of those before it along the last axis."""
    values = np.asarray(readings, dtype=np.float64)
    equal = np.zeros(values.shape, dtype=bool)
    if values.shape[-1] > before:
        run = np.ones((*values.shape[:-1], values.shape[-1] - before), dtype=bool)
        for back in range(1, before + 1):
            run &= values[..., before:] == values[..., before - back : -back]
        equal[..., before:] = run
    return equal


def too_soon(seconds_since_last: Array) -> Mask:
    """Return where a reading came so soon after the last that the gauge was not moved."""
    return np.asarray(seconds_since_last, dtype=np.float64) < FASTEST_SECONDS
