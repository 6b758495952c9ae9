"""Three-way analysis of variance: parts, operators and methods, every combination measured."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from math import prod

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.cells import cells_of, harmonic_count
from grr.formulas.interaction import f_test
from grr.model.errors import StudyError
from grr.model.values import one_of

FACTORS = ("part", "operator", "method")
ERROR = "error"


def _effects() -> dict[str, tuple[int, ...]]:
    """Every main effect and interaction, and the factors in it."""
    groups = [group for size in (1, 2, 3) for group in combinations(range(3), size)]
    return {" × ".join(FACTORS[i] for i in group): group for group in groups}


#: Effect → places of its factors in `FACTORS`.
EFFECTS = _effects()


@dataclass(frozen=True)
class ThreeFactorAnova:
    """Sums of squares of crossed studies by several methods.

    Attributes
    ----------
    sizes : tuple of int
        Numbers of parts, operators and methods: p, o, m.
    trials : ndarray, shape (...)
        Readings in a cell, r; their harmonic mean where numbers differ.
    sum_sq : dict
        Effect ("part", "part × operator", …, "error") → sum of squares, shape (...), in
        the unit of the readings squared, scaled to single readings.
    df : dict
        Effect → degrees of freedom.
    """

    sizes: tuple[int, int, int]
    trials: Array
    sum_sq: dict[str, Array]
    df: dict[str, int]

    @property
    def mean_sq(self) -> dict[str, Array]:
        """Mean squares; NaN for an error without repeats."""
        return {
            name: value / self.df[name] if self.df[name] else np.full_like(value, np.nan)
            for name, value in self.sum_sq.items()
        }


def three_factor_anova(readings: Array) -> ThreeFactorAnova:
    """Split crossed studies by several methods into sums of squares.

    With missing readings the cell means count equally (unweighted means) and are scaled
    by the harmonic mean of the number of readings; exact where nothing is missing.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, methods, trials)
        NaN where a reading is missing; no combination may be empty.

    Raises
    ------
    StudyError
        Fewer than two parts, operators or methods, or an empty combination. In a stack
        every study must have the same number of readings.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 5.4 (three-factor
    factorial).
    """
    cube = np.asarray(readings, dtype=np.float64)
    sizes = cube.shape[-4], cube.shape[-3], cube.shape[-2]
    for name, size in zip(FACTORS, sizes, strict=True):
        if size < 2:
            raise StudyError(f"Only one {name} was measured", f"Measure with at least two {name}s")
    cells = cells_of(cube, cell_axes=3)
    readings_taken = np.unique(cells.counts.sum(axis=(-3, -2, -1)))
    if readings_taken.size > 1:
        raise StudyError(
            "The studies of a stack do not have the same number of readings",
            "Compare studies of one size at a time",
        )
    trials = harmonic_count(cells, cell_axes=3)
    sum_sq, df = {}, {}
    for name, group in EFFECTS.items():
        repeats = trials * prod(size for i, size in enumerate(sizes) if i not in group)
        effect = effect_of(cells.means, group)
        sum_sq[name] = repeats * np.square(effect).sum(axis=(-3, -2, -1))
        df[name] = prod(sizes[i] - 1 for i in group)
    sum_sq[ERROR] = cells.within.sum(axis=(-3, -2, -1))
    df[ERROR] = int(readings_taken[0]) - prod(sizes)
    return ThreeFactorAnova(sizes, trials, sum_sq, df)


def effect_of(cell_means: Array, group: tuple[int, ...]) -> Array:
    """Return the effect of the factors in ``group``, all smaller effects taken off.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators, methods)
    group : tuple of int
        Places in `FACTORS`; () gives the grand mean.

    Returns
    -------
    ndarray
        As ``cell_means``, with length 1 along the other factors.
    """
    others = tuple(i - 3 for i in range(3) if i not in group)
    effect = cell_means.mean(axis=others, keepdims=True) if others else cell_means
    for size in range(len(group)):
        for smaller in combinations(group, size):
            effect = effect - effect_of(cell_means, smaller)
    return np.asarray(effect)


def method_components(anova: ThreeFactorAnova) -> dict[str, Array]:
    """Return the variance components with parts and operators random and methods fixed.

    Interactions with a random factor are random and independent (the unrestricted
    model); estimates may be negative.

    Returns
    -------
    dict
        "part", "operator", the interactions, "error" → variance, shape (...). With one
        trial the three-factor interaction holds the error, which is NaN.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 13.3 (rules for
    expected mean squares, unrestricted mixed model).
    """
    p, o, m = anova.sizes
    r, ms = anova.trials, anova.mean_sq
    triple = ms["part × operator × method"]
    error = ms[ERROR]
    po, pm, om = (ms[f"{a} × {b}"] for a, b in combinations(FACTORS, 2))
    return {
        "part": (ms["part"] - po - pm + triple) / (o * m * r),
        "operator": (ms["operator"] - po - om + triple) / (p * m * r),
        "part × operator": (po - triple) / (m * r),
        "part × method": (pm - triple) / (o * r),
        "operator × method": (om - triple) / (p * r),
        "part × operator × method": (triple - error) / r if anova.df[ERROR] else triple,
        ERROR: error,
    }


@dataclass(frozen=True)
class EffectTest:
    """F of one effect, its p value, and what it was divided by."""

    f: Array
    p: Array
    against: str


def effect_tests(anova: ThreeFactorAnova, *, operators: str = "fixed") -> dict[str, EffectTest]:
    """Return the F test of each effect against the right denominator.

    Parameters
    ----------
    anova : ThreeFactorAnova
    operators : {"fixed", "random"}
        All who will ever measure, or a sample of those who will.

    Returns
    -------
    dict
        Effect → test, for those with an exact denominator. With random operators part,
        operator and method have none (see `grr.formulas.method_difference`).

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, sections 13.3 and 13.6
    (expected mean squares; approximate F tests where no exact one exists).
    """
    one_of("operators", operators, ("fixed", "random"))
    triple = "part × operator × method"
    against = {
        "part × operator": triple,
        "part × method": triple,
        "operator × method": triple,
    }
    if operators == "fixed":
        against |= {"operator": "part × operator", "method": "part × method"}
    if anova.df[ERROR]:
        against[triple] = ERROR
    ms, df = anova.mean_sq, anova.df
    tests = {}
    for name in EFFECTS:
        if name in against:
            below = against[name]
            tests[name] = EffectTest(*f_test(ms[name], df[name], ms[below], df[below]), below)
    return tests
