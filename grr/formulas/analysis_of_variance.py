"""Analysis of variance: sums of squares, mean squares and the components that follow.

Crossed studies (every part measured by every operator), nested studies (every part measured
by one operator only) and studies with two measuring methods. Arrays carry the stack of
studies first, so that one study and a hundred thousand take the same path.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from itertools import combinations
from math import prod

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import fdtr, fdtrc

from grr.formulas.arrays import Array, Mask, each_array, joined, quotient
from grr.model.errors import StudyError
from grr.model.values import one_of

# Two-way analysis of variance: every part measured by every operator, equally often.
# -----------------------------------------------------------------------------------

#: Rounding error of one reading relative to its size, with room for a few operations.
_ROUNDING = 4.0 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class CrossedAnova:
    """Sums of squares of balanced crossed studies.

    Attributes
    ----------
    parts, operators, trials : int
        The numbers p, o and r.
    mean : ndarray, shape (...)
        Mean of all readings.
    ss_part, ss_operator, ss_interaction, ss_error : ndarray, shape (...)
        Sums of squares, in the unit of the readings squared. With one trial
        ``ss_error`` is 0 and the interaction holds the repeatability.
    """

    parts: int
    operators: int
    trials: int
    mean: Array
    ss_part: Array
    ss_operator: Array
    ss_interaction: Array
    ss_error: Array

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts, p − 1."""
        return self.parts - 1

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1

    @property
    def df_interaction(self) -> int:
        """Degrees of freedom of the interaction, (p − 1)(o − 1)."""
        return (self.parts - 1) * (self.operators - 1)

    @property
    def df_error(self) -> int:
        """Degrees of freedom of repeatability, po(r − 1)."""
        return self.parts * self.operators * (self.trials - 1)

    @property
    def ms_part(self) -> Array:
        """Mean square of parts."""
        return self.ss_part / self.df_part

    @property
    def ms_operator(self) -> Array:
        """Mean square of operators; NaN with one operator."""
        return _mean_square(self.ss_operator, self.df_operator)

    @property
    def ms_interaction(self) -> Array:
        """Mean square of the interaction; NaN with one operator."""
        return _mean_square(self.ss_interaction, self.df_interaction)

    @property
    def ms_error(self) -> Array:
        """Mean square of repeatability; NaN with one trial."""
        return _mean_square(self.ss_error, self.df_error)


def _mean_square(sum_of_squares: Array, df: int) -> Array:
    return sum_of_squares / df if df else np.full_like(sum_of_squares, np.nan)


#: So many readings at a time stay in the processor's cache.
_IN_CACHE = 100_000


def crossed_anova(readings: Array) -> CrossedAnova:
    """Split the readings of balanced crossed studies into sums of squares.

    Every sum is taken over deviations from the study's own mean, so that a large
    common offset (a size of 10 mm with a spread of 0.1 µm) costs no digits.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        Finite readings; leading axes are a stack of studies.

    Returns
    -------
    CrossedAnova

    Raises
    ------
    StudyError
        Fewer than two parts, or a missing reading.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 5.3 (the
    two-factor factorial); AIAG MSA, 4th ed., chapter III section B and appendix A.
    """
    cube = np.asarray(readings, dtype=np.float64)
    *_, p, o, r = cube.shape
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    some = max(1, _IN_CACHE // (p * o * r))
    if cube.ndim == 4 and len(cube) > some:
        return joined([crossed_anova(cube[n : n + some]) for n in range(0, len(cube), some)])
    flat = cube.reshape(*cube.shape[:-3], p * o * r)
    first = flat[..., :1]
    away = flat - first
    mean_from_first = away.mean(axis=-1, keepdims=True)
    away -= mean_from_first
    deviations = away.reshape(cube.shape)
    cells = deviations.mean(axis=-1)
    if not np.isfinite(cells).all():
        raise StudyError(
            "A reading is missing, and sums of squares need every one",
            "Use grr.anova on the study, which handles missing readings",
        )
    part_means = cells.mean(axis=-1)
    operator_means = cells.mean(axis=-2)
    interaction = cells - part_means[..., :, None] - operator_means[..., None, :]
    error = deviations - cells[..., None]
    mean = (first + mean_from_first)[..., 0]
    sums = (
        o * r * np.square(part_means).sum(axis=-1),
        p * r * np.square(operator_means).sum(axis=-1),
        r * np.square(interaction).sum(axis=(-2, -1)),
        np.square(error, out=error).sum(axis=(-3, -2, -1)),
    )
    # Readings such as 10.0083 are not exact in binary: what is left of them below this is
    # rounding, not variation, and would make an F out of nothing.
    rounding = p * o * r * np.square(_ROUNDING * (np.abs(mean) + np.sqrt(sum(sums))))
    part, operator, both, repeats = (np.where(ss > rounding, ss, 0.0) for ss in sums)
    return CrossedAnova(p, o, r, mean, part, operator, both, repeats)


# Variance components of crossed studies, by the method of moments.
# -----------------------------------------------------------------


@dataclass(frozen=True)
class Components:
    """Variances, in the unit of the readings squared; each of shape (...).

    ``part``, ``operator`` and ``interaction`` may be negative as estimated: what is shown to
    a person is truncated at 0 (`grr.formulas.sources_of_variation`). A component that the
    design cannot estimate is NaN. ``session``, ``gauge`` and ``place`` (within-part variation,
    which is not part of GRR) are None where they are no source.
    """

    part: Array
    operator: Array
    interaction: Array
    repeatability: Array
    session: Array | None = None
    gauge: Array | None = None
    place: Array | None = None

    @property
    def grr(self) -> Array:
        """EV, AV, interaction, sessions and gauges, each as it is shown: not below 0, or not there.

        Notes
        -----
        Source: AIAG MSA, 4th ed., appendix A (a negative estimate is taken as 0). On average
        it is larger than the sum before, most where AV is small; its limits come from draws
        (`grr.formulas.pivots`), which are not truncated.
        """
        further = [one for one in (self.session, self.gauge) if one is not None]
        beside = [self.operator, self.interaction, *further]
        return np.asarray(self.repeatability + sum(np.fmax(one, 0.0) for one in beside))


def interaction_kept(anova: CrossedAnova) -> Components:
    """Return the components of the model with interaction.

    Parameters
    ----------
    anova : CrossedAnova
        At least two operators and two trials.

    Raises
    ------
    StudyError
        One operator or one trial: the interaction cannot be told apart.

    Notes
    -----
    Source: Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R Studies
    (SIAM 2005), section 3.2; AIAG MSA, 4th ed., appendix A.
    """
    p, o, r = anova.parts, anova.operators, anova.trials
    if o < 2 or r < 2:
        raise StudyError(
            "The interaction needs at least two operators and two trials",
            "Leave the interaction out, or measure again with two of each",
            value=f"{o} operators, {r} trials",
        )
    ms_p, ms_o, ms_po, ms_e = (
        anova.ms_part,
        anova.ms_operator,
        anova.ms_interaction,
        anova.ms_error,
    )
    return Components(
        part=(ms_p - ms_po) / (o * r),
        operator=(ms_o - ms_po) / (p * r),
        interaction=(ms_po - ms_e) / r,
        repeatability=ms_e,
    )


def interaction_pooled(anova: CrossedAnova) -> Components:
    """Return the components of the model without interaction.

    Interaction and error are pooled into one mean square for repeatability. With one
    operator the reproducibility is NaN and GRR is the repeatability; there the
    interaction stays in the part variation.

    Raises
    ------
    StudyError
        One operator and one trial: nothing was repeated.

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A (pooling where the interaction is not
    significant).
    """
    p, o, r = anova.parts, anova.operators, anova.trials
    df = anova.df_interaction + anova.df_error
    if df == 0:
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    repeatability = (anova.ss_interaction + anova.ss_error) / df
    part = (anova.ms_part - repeatability) / (o * r)
    nothing = np.full_like(part, np.nan)
    if o < 2:
        return Components(part, nothing, nothing, repeatability)
    operator = (anova.ms_operator - repeatability) / (p * r)
    interaction = nothing if r < 2 else np.zeros_like(part)
    return Components(part, operator, interaction, repeatability)


def among_people(components: Components, people: float) -> Components:
    """Return the components when a known number of people will ever measure.

    Reproducibility is then no variance of a population without end but the mean square of
    the differences between those N people, Σα²/N. What the operators studied show of it is
    the estimate of Σα²/(N−1), whether they are all N or some of them. The interaction with
    random parts stays a variance.

    Parameters
    ----------
    components : Components
        As estimated for a sample of operators.
    people : float
        How many will ever measure; infinite for a sample of no end of people.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 13.3 (two-factor
    mixed model, operators fixed, parts random); the divisor N, since each of them
    measures an equal share, is the variance of a finite population (Cochran, Sampling
    Techniques, 3rd ed. 1977, section 2.3, from memory).
    """
    return replace(components, operator=components.operator * (1.0 - 1.0 / people))


# Whether the part-by-operator interaction is kept, and the components that follow.
# ---------------------------------------------------------------------------------


def f_test(
    mean_square: Array, df: int, denominator: Array, df_denominator: int
) -> tuple[Array, Array]:
    """Return F and its p value; NaN where nothing varies, F infinite and p 0 over a zero.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 3.3.
    """
    ms, below = np.asarray(mean_square), np.asarray(denominator)
    ratio = quotient(ms, below, np.inf)
    ratio = np.where((below > 0.0) | (ms > 0.0), ratio, np.nan)
    return ratio, fdtrc(df, df_denominator, ratio)


def interaction_test(anova: CrossedAnova) -> tuple[Array, Array]:
    """Return F = MS_PO/MS_E and its p value."""
    return f_test(anova.ms_interaction, anova.df_interaction, anova.ms_error, anova.df_error)


def components_by_rule(
    anova: CrossedAnova, *, interaction: str = "auto", pool_above: float = 0.25
) -> tuple[Components, Mask]:
    """Return the components of each study, and where the interaction was pooled.

    Parameters
    ----------
    anova : CrossedAnova
    interaction : {"auto", "keep", "pool"}
        "auto" pools where the interaction's p value is above ``pool_above``. With one
        operator or one trial there is nothing to keep, and it is pooled.
    pool_above : float

    Notes
    -----
    Source: AIAG MSA, 4th ed., appendix A (an interaction that is not significant is
    pooled with the error; the level 0.25 is the manual's).
    """
    shape = np.shape(anova.ss_part)
    if interaction == "pool" or anova.operators < 2 or anova.trials < 2:
        return interaction_pooled(anova), np.ones(shape, dtype=np.bool_)
    if interaction == "keep":
        return interaction_kept(anova), np.zeros(shape, dtype=np.bool_)
    _, p = interaction_test(anova)
    pooled = np.asarray(~(p <= pool_above))
    both = interaction_pooled(anova), interaction_kept(anova)
    return each_array(lambda a, b: np.where(pooled, a, b), *both), pooled


# Whether the interaction is smaller than the scatter of the repeats lets it be.
# ------------------------------------------------------------------------------


def interaction_too_small(readings: Array) -> tuple[Array, Array]:
    """Return F of the interaction, and the chance of one as small or smaller.

    Something that changes between the trials makes the repeats scatter but not the means
    of parts by operators, and so do readings that were not taken independently.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        None missing; two operators and two trials at least.

    Returns
    -------
    f, p : ndarray, shape (...)
        NaN where the repeats do not scatter.

    Notes
    -----
    F = MS(part × operator)/MS(repeats), lower tail. Operators who scatter unequally leave
    fewer degrees of freedom on both sides: with V the operators' variances and P = I −
    11ᵀ/o, (p − 1)·tr(PV)²/tr((PV)²) and p(r − 1)·(Σv)²/Σv². Equal variances give the usual
    ones.

    Source: Montgomery, Design and Analysis of Experiments, section 5.3 (F); Box, Annals of
    Mathematical Statistics 25 (1954), 290-302 and 484-498 (unequal variances).
    """
    x = np.asarray(readings, dtype=np.float64)
    *_, parts, operators, trials = x.shape
    x = x - x[..., :, :1, :1]
    means = x.mean(axis=-1)
    within = np.square(x - means[..., None]).sum(axis=(-3, -1)) / (parts * (trials - 1))
    left = means - means.mean(axis=-1, keepdims=True)
    left = left - left.mean(axis=-2, keepdims=True)
    between = trials * np.square(left).sum(axis=(-2, -1)) / ((parts - 1) * (operators - 1))
    total, squares = within.sum(axis=-1), np.square(within).sum(axis=-1)
    share = 1.0 - 1.0 / operators
    # tr((PV)²) = Σv²·(1 − 2/o) + (Σv)²/o²
    twice = squares * (1.0 - 2.0 / operators) + np.square(total / operators)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = between / (total / operators)
        df = (parts - 1) * np.square(share * total) / twice
        df_within = parts * (trials - 1) * np.square(total) / squares
        return f, np.asarray(fdtr(df, df_within, f))


# Nested studies: every part was measured by one operator only, as when measuring destroys.
# -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class NestedAnova:
    """Sums of squares of balanced nested studies.

    Attributes
    ----------
    operators, parts, trials : int
        Operators, parts of each operator, and readings of each part.
    mean : ndarray, shape (...)
        Mean of all readings.
    ss_operator, ss_part, ss_error : ndarray, shape (...)
        Sums of squares, in the unit of the readings squared; ``ss_part`` is that of
        parts within operators.
    """

    operators: int
    parts: int
    trials: int
    mean: Array
    ss_operator: Array
    ss_part: Array
    ss_error: Array

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts within operators, o(p − 1)."""
        return self.operators * (self.parts - 1)

    @property
    def df_error(self) -> int:
        """Degrees of freedom of repeatability, op(r − 1)."""
        return self.operators * self.parts * (self.trials - 1)

    @property
    def ms_operator(self) -> Array:
        """Mean square of operators; NaN with one operator."""
        if self.operators < 2:
            return np.full_like(self.ss_operator, np.nan)
        return self.ss_operator / self.df_operator

    @property
    def ms_part(self) -> Array:
        """Mean square of parts within operators."""
        return self.ss_part / self.df_part

    @property
    def ms_error(self) -> Array:
        """Mean square of repeatability."""
        return self.ss_error / self.df_error


def nested_anova(readings: ArrayLike) -> NestedAnova:
    """Split the readings of balanced nested studies into sums of squares.

    Parameters
    ----------
    readings : array_like, shape (..., operators, parts, trials)
        Finite readings; part 1 of one operator is another part than part 1 of the next.
        Leading axes are a stack of studies.

    Returns
    -------
    NestedAnova

    Raises
    ------
    StudyError
        One trial, one part for each operator, or a missing reading.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (the two-stage
    nested design).
    """
    cube = np.asarray(readings, dtype=np.float64)
    *stack, o, p, r = cube.shape
    require_nested(np.full((p, o), r))
    flat = cube.reshape(*stack, o * p * r)
    if not np.isfinite(flat).all():
        raise StudyError(
            "A reading is missing, and sums of squares need every one",
            "Use grr.anova on the study, which handles missing readings",
        )
    first = flat[..., :1]
    away = flat - first
    mean_from_first = away.mean(axis=-1, keepdims=True)
    away -= mean_from_first
    deviations = away.reshape(cube.shape)
    part_means = deviations.mean(axis=-1)
    operator_means = part_means.mean(axis=-1)
    return NestedAnova(
        operators=o,
        parts=p,
        trials=r,
        mean=(first + mean_from_first)[..., 0],
        ss_operator=p * r * np.square(operator_means).sum(axis=-1),
        ss_part=r * np.square(part_means - operator_means[..., None]).sum(axis=(-2, -1)),
        ss_error=np.square(deviations - part_means[..., None]).sum(axis=(-3, -2, -1)),
    )


def nested_components(anova: NestedAnova, *, people: float = math.inf) -> Components:
    """Return the components of nested studies.

    Repeatability EV = MS_E, operators AV = (MS_O − MS_P(O)) / (pr), parts within
    operators PV = (MS_P(O) − MS_E) / r. The interaction cannot be told from parts: it is
    NaN, and PV holds it.

    GRR is EV plus AV, AV not below 0. The mean square of parts stands in AV's formula, so
    where parts differ much AV is estimated far below 0 in half of all studies; left in
    the sum it would make GRR smaller than the repeatability that was measured.

    Parameters
    ----------
    anova : NestedAnova
    people : float
        How many people will ever measure: AV is the mean square of their differences, Σα²/N
        in place of Σα²/(N−1); infinite for a sample of no end of people.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (expected mean
    squares with parts random); Burdick, Borror & Montgomery, Design and Analysis of
    Gauge R&R Studies (SIAM 2005), chapter 7 (nested designs).
    """
    p, r = anova.parts, anova.trials
    repeatability = anova.ms_error
    operator = (anova.ms_operator - anova.ms_part) / (p * r) * (1.0 - 1.0 / people)
    return Components(
        part=(anova.ms_part - anova.ms_error) / r,
        operator=operator,
        interaction=np.full_like(repeatability, np.nan),
        repeatability=repeatability,
    )


def require_nested(counts: Array) -> None:
    """Refuse a nested design from which the components cannot be told apart.

    Parameters
    ----------
    counts : ndarray, shape (parts of one operator, operators)
        Readings of each part; 0 beyond the parts that an operator had.

    Raises
    ------
    StudyError
    """
    cells = int((counts > 0).sum())
    if int(counts.sum()) == cells:
        raise StudyError(
            "Each part was measured once, so the gauge's repeatability cannot be told "
            "from the differences between parts",
            "Measure parts twice; where measuring destroys them, take two or more pieces so "
            "alike (cut from one blank, say) that they count as one part",
        )
    if cells == counts.shape[1]:
        raise StudyError(
            "Every operator had one part only, so operators cannot be told from parts",
            "Give every operator at least two parts",
        )


# Readings summed up cell by cell; a cell is what was measured several times alike.
# ---------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cells:
    """Cell means and the scatter within cells; every array has the shape (..., cells).

    Attributes
    ----------
    means : ndarray
        Means, less `origin`.
    counts : ndarray of int
        Readings in each cell.
    within : ndarray
        Sum of squares of the readings about their cell mean.
    origin : ndarray
        What was taken off every reading, one value a study: differences of small size
        then keep their digits. It broadcasts against ``means``.
    """

    means: Array
    counts: NDArray[np.int64]
    within: Array
    origin: Array


def cells_of(readings: Array, *, cell_axes: int) -> Cells:
    """Sum up the last axis, the repeats; NaN is a missing reading.

    Parameters
    ----------
    readings : ndarray, shape (..., cells, trials)
        ``cells`` stands for ``cell_axes`` axes, such as parts × operators.
    cell_axes : int

    Raises
    ------
    StudyError
        A cell without any reading.
    """
    cells = cell_sums(readings, cell_axes=cell_axes)
    if (cells.counts == 0).any():
        raise StudyError(
            "A combination was never measured",
            "Measure it, or leave that part out of the study",
            value=f"cell {tuple(int(i) + 1 for i in np.argwhere(cells.counts == 0)[0])}",
        )
    return cells


def cell_sums(readings: Array, *, cell_axes: int = 2) -> Cells:
    """Sum up the last axis as `cells_of` does; a cell without readings has count and mean 0."""
    cube = np.asarray(readings, dtype=np.float64)
    taken = np.isfinite(cube)
    counts = taken.sum(axis=-1)
    study_axes = tuple(range(cube.ndim - cell_axes - 1, cube.ndim))
    origin = np.fmax.reduce(cube, axis=study_axes, keepdims=True)
    deviations = np.where(taken, cube - origin, 0.0)
    means = deviations.sum(axis=-1) / np.maximum(counts, 1)
    within = np.square(np.where(taken, deviations - means[..., None], 0.0)).sum(axis=-1)
    return Cells(means, counts, within, origin[..., 0])


def harmonic_count(cells: Cells, *, cell_axes: int) -> Array:
    """Return the harmonic mean of the number of readings in a cell, one value a study.

    Notes
    -----
    Source: Thomas & Hultquist, Annals of Statistics 6 (1978), 582-587 (unweighted means).
    """
    study_axes = tuple(range(cells.counts.ndim - cell_axes, cells.counts.ndim))
    return np.asarray(1.0 / (1.0 / cells.counts).mean(axis=study_axes))


# Three-way analysis of variance: parts, operators and methods, every combination measured.
# -----------------------------------------------------------------------------------------

FACTORS = ("part", "operator", "method")
ERROR = "error"


#: Every main effect and interaction → places of its factors in `FACTORS`.
EFFECTS = {
    " × ".join(FACTORS[i] for i in group): group
    for size in (1, 2, 3)
    for group in combinations(range(3), size)
}


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
        operator and method have none (see `grr.formulas.method_comparison`).

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
