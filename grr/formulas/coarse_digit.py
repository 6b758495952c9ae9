"""Repeatability behind a coarse last digit, and what rounding adds to what is read."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass, replace
from functools import lru_cache
from math import lcm

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from grr.formulas.arrays import Array
from grr.formulas.pivots import Pivots
from grr.model.errors import StudyError
from grr.model.values import number

#: GRR as read, in digits, under which rounding adds to its bound: GRR before rounding is then
#: under half a digit, √(1/4 + 1/12).
COARSE = 1.0 / math.sqrt(3.0)
#: The same for a guard band: from a digit of two thirds of GRR's sd on. A part on the limit of the
#: tolerance is read up to half a digit too well, wherever in a digit the limit lies.
COARSE_FOR_GUARD = 1.5
#: Parts' sizes that differ by less than so many digits (sd) say nothing of what is behind one.
LEAST_APART = 0.3
#: Standard deviations in digits at which the rounded sum of squares is simulated.
GRID = np.geomspace(0.01, 4.0, 60)
#: Simulated parts at each of them, and the seed.
PARTS, SEED = 20_000, 1717


@dataclass(frozen=True)
class Unrounded:
    """A standard deviation before rounding, in the unit of the readings.

    Attributes
    ----------
    sd : float
        By marginal likelihood; 0 where no cell shows scatter.
    lower, upper : float
        Two-sided limits; infinite where the digit is no coarse one.
    """

    sd: float
    lower: float
    upper: float


def repeatability_before_rounding(
    readings: Array, digit: float, *, level: float = 0.95
) -> Unrounded:
    """Return how repeats scatter before the gauge rounds them, with limits.

    Parameters
    ----------
    readings : ndarray, shape (parts, operators, trials)
        Rounded to the digit; NaN where missing. The parts' sizes must differ by some 0.3
        digits (standard deviation) or more, so that they stand anywhere within a digit.
    digit : float
        The step of the last digit.
    level : float

    Raises
    ------
    StudyError
        Nothing was measured twice.

    Notes
    -----
    Limits: the distribution of the sum of squares within cells, in digits², depends on sd/digit
    alone where sizes stand anywhere within a digit; it is simulated, the position drawn part
    by part, since rounding is common to the operators. The upper limit is the largest sd that
    leaves a chance of (1 − level)/2 to a sum as small as seen, the lower one likewise (the
    limits of an exact test: Lehmann & Romano, Testing Statistical Hypotheses, section 3.5,
    from memory). Estimate: the likelihood of the rounded readings, the position of each cell
    integrated out. How often the limits hold: ``tests/coverage/coarse_digit.md``.
    """
    cube = np.round(np.asarray(readings, dtype=np.float64) / digit)
    taken = np.isfinite(cube)
    if not (taken.sum(axis=-1) > 1).any():
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    sd = _most_likely(_patterns(cube, taken))
    lower, upper = _limits(cube, taken, level)
    return Unrounded(sd * digit, min(lower, sd) * digit, max(upper, sd) * digit)


def _limits(cube: Array, taken: NDArray[np.bool_], level: float) -> tuple[float, float]:
    """Return both limits of the sd in digits."""
    tail = 0.5 * (1.0 - number("level", level, above=0.0, below=1.0))
    counts = taken.sum(axis=-1)
    means = np.where(taken, cube, 0.0).sum(axis=-1) / np.maximum(counts, 1)
    seen = float(np.square(np.where(taken, cube - means[..., None], 0.0)).sum())
    design = Counter(tuple(sorted(int(n) for n in row if n > 1)) for row in counts)
    design.pop((), None)
    at_most, at_least = _chances(tuple(sorted(design.items())), round(seen, 6))
    likely, possible = np.flatnonzero(at_most >= tail), np.flatnonzero(at_least >= tail)
    upper = _between(at_most, int(likely[-1]), tail) if len(likely) else float(GRID[0])
    lower = 0.0
    if len(possible) and possible[0] > 0:
        lower = _between(at_least, int(possible[0]) - 1, tail)
    return lower, upper


def _between(chance: Array, place: int, tail: float) -> float:
    """Return the sd at which the chance crosses the tail, just after this place of the grid."""
    if place + 1 == len(GRID):
        return math.inf
    here, there = chance[place] - tail, chance[place + 1] - tail
    share = here / (here - there)
    return float(np.exp(np.log(GRID[place]) + share * np.log(GRID[place + 1] / GRID[place])))


@lru_cache(maxsize=1024)
def _chances(design: tuple[tuple[tuple[int, ...], int], ...], seen: float) -> tuple[Array, Array]:
    """Return at each sd the chance of a sum at most, and at least, as large as seen."""
    scale = lcm(*(n for cells, _ in design for n in cells))
    place = round(seen * scale)
    at_most, at_least = np.empty(len(GRID)), np.empty(len(GRID))
    sums = [(_part_sums(cells, scale), count) for cells, count in design]
    for step in range(len(GRID)):
        top = sum(int(of_part[step].max()) * count for of_part, count in sums)
        length = 1 << max(top, place + 1, 2).bit_length()
        spectrum = np.ones(length // 2 + 1, dtype=np.complex128)
        for of_part, count in sums:
            shares = np.bincount(of_part[step], minlength=length) / PARTS
            spectrum *= np.fft.rfft(shares) ** count
        shares = np.fft.irfft(spectrum, length)
        at_most[step] = shares[: place + 1].sum()
        at_least[step] = 1.0 - shares[:place].sum()
    return at_most, at_least


@lru_cache(maxsize=32)
def _part_sums(cells: tuple[int, ...], scale: int) -> NDArray[np.int64]:
    """Return simulated sums of squares within the cells of a part, times ``scale``; (sds, parts).

    The same draws serve every sd, so that chances change smoothly from one to the next.
    """
    rng = np.random.default_rng(SEED)
    position = (rng.permutation(PARTS) + rng.uniform(size=PARTS)) / PARTS
    scatter = [rng.standard_normal((PARTS, n)) for n in cells]
    found = np.zeros((len(GRID), PARTS), dtype=np.int64)
    for step, sd in enumerate(GRID):
        for z in scatter:
            shown = np.floor(position[:, None] + sd * z + 0.5)
            n = z.shape[1]
            spread = n * np.square(shown).sum(axis=1) - np.square(shown.sum(axis=1))
            found[step] += np.round(spread).astype(np.int64) * (scale // n)
    return found


def _patterns(cube: Array, taken: NDArray[np.bool_]) -> Counter[tuple[int, ...]]:
    """Return how often each pattern of a cell occurs: its readings less the smallest, in order."""
    found: Counter[tuple[int, ...]] = Counter()
    for values, there in zip(cube.reshape(-1, cube.shape[-1]), taken.reshape(-1, cube.shape[-1]),
                             strict=True):  # fmt: skip
        if there.sum() > 1:
            of_cell = np.sort(values[there])
            found[tuple(int(v) for v in of_cell - of_cell[0])] += 1
    return found


def _most_likely(patterns: Counter[tuple[int, ...]]) -> float:
    """Return the sd in digits with the highest likelihood, positions integrated out."""
    if all(pattern[-1] == 0 for pattern in patterns):
        return 0.0
    low, high = math.log(0.02), math.log(2.0 + max(pattern[-1] for pattern in patterns))
    for _ in range(4):  # a finer grid around the best place each time
        grid = np.linspace(low, high, 25)
        best = int(np.argmax([_log_likelihood(patterns, math.exp(place)) for place in grid]))
        low, high = grid[max(best - 1, 0)], grid[min(best + 1, len(grid) - 1)]
    return math.exp(0.5 * (low + high))


def _log_likelihood(patterns: Counter[tuple[int, ...]], sd: float) -> float:
    total = 0.0
    for pattern, count in patterns.items():
        reach = 0.5 + 7.0 * sd
        where = np.linspace(-reach, pattern[-1] + reach, 400)
        chance = np.ones_like(where)
        for value in pattern:
            chance *= ndtr((value + 0.5 - where) / sd) - ndtr((value - 0.5 - where) / sd)
        total += count * math.log(max(float(chance.sum() * (where[1] - where[0])), 1e-300))
    return total


def as_read(
    pivots: Pivots, grr_sd: Array | float, digit: float | None, *, below: float = COARSE
) -> Pivots:
    """Return the draws whose upper bound of GRR holds for what is read: d²/6 under a coarse digit.

    What takes parts wrongly is the error of what is read, √(GRR² + d²/12) with GRR before
    rounding. The pivot on rounded readings is safe for it while the digit is under two
    standard deviations of GRR. With larger digits rounding, which is common to all
    operators, hides a part of the error from the study; with d²/6 added the bound lies below
    the error in at most 2.5 % of studies, up to ten standard deviations.

    Parameters
    ----------
    pivots : Pivots
        Of the rounded readings, without a floor under the repeatability.
    grr_sd : float or ndarray, shape (...)
        GRR as estimated from the rounded readings, study by study.
    digit : float or None
        The step of the last digit; None where it is not known.
    below : float
        GRR as read, in digits, under which d²/6 is added: `COARSE`, or `COARSE_FOR_GUARD`.

    Notes
    -----
    Source: d²/12 is the variance of a rounding error (JCGM 100:2008, F.2.2.1); d²/6 is this
    project's own, simulated in ``tests/coverage/coarse_digit.py``.
    """
    if digit is None or math.isnan(digit):
        return pivots
    coarse = np.asarray(grr_sd) < below * digit
    if not coarse.any():
        return pivots
    added = np.where(coarse, digit**2 / 6.0, 0.0)[..., None]
    return replace(pivots, grr=pivots.grr + added, total=pivots.total + added)
