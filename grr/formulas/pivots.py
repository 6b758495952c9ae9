"""Generalised pivots: which variances the mean squares of a study are compatible with."""

from __future__ import annotations

import math
from dataclasses import dataclass, fields, replace
from functools import lru_cache
from typing import Any, NamedTuple

import numpy as np
from scipy.special import ndtr, ndtri

from grr.formulas.analysis_of_variance import CrossedAnova, NestedAnova
from grr.formulas.arrays import Array
from grr.formulas.even_draws import SIZE, EvenDraws
from grr.formulas.sources_of_variation import rounding_floor
from grr.formulas.unweighted_means import Count, UnweightedMeans, UnweightedNested, balanced_means
from grr.model.errors import StudyError
from grr.model.values import people_who_measure

#: What gives the draws.
Generator = np.random.Generator | EvenDraws

# Which noncentrality an observed sum of squares is compatible with.
# ------------------------------------------------------------------


#: Φ(−7.04) is under 10⁻¹².
_FAR = 7.04


def noncentrality_draws(observed: Array, df: int, draws: int, rng: Generator) -> Array:
    """Draw the noncentrality λ of a noncentral chi-square variable that was observed.

    Each draw solves P(χ'²(df, λ) ≤ observed) = U for λ, with U uniform. The share of
    draws up to l ≥ 0 is therefore P(χ'²(df, l) ≥ observed): limits taken from the draws
    are the exact ones. Where no λ above 0 solves it, the draw is observed − χ²(df),
    which is negative: sums with other draws are then not pushed up (in simulation the
    sums covered 92 % with 0 there, 95 % so).

    Parameters
    ----------
    observed : ndarray, shape (..., draws)
        Sum of squares divided by the variance of its parts, not negative.
    df : int
        Degrees of freedom, at least 1.
    draws : int
    rng : numpy.random.Generator

    Returns
    -------
    ndarray, shape (..., draws)

    Notes
    -----
    A noncentral chi-square is (Z + √λ)² plus a central one with df − 1. Given the
    central one, √λ = δ solves Φ(s − δ) − Φ(−s − δ) = U with s² what is left of the
    observed value. Far from 0 the second term vanishes and δ = s − Φ⁻¹(U).
    Source: Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions, vol. 2,
    2nd ed. (1995), chapter 29 (the decomposition).
    """
    central = rng.chisquare(df - 1, draws) if df > 1 else np.zeros(draws)
    uniform = rng.uniform(size=draws)
    left = observed - central
    s = np.sqrt(np.maximum(left, 0.0))
    # Where s is not beyond what |Z| alone reaches in this draw, no λ above 0 solves it.
    alone = ndtri(0.5 + 0.5 * uniform)
    delta = np.maximum(s - ndtri(uniform), 0.0)
    near = (s > alone) & (s + delta < _FAR)
    delta[near] = _solved(s[near], np.broadcast_to(uniform, s.shape)[near], delta[near])
    return np.where(s > alone, np.square(delta), left - np.square(alone))


def _solved(s: Array, uniform: Array, start: Array) -> Array:
    """Solve Φ(s − δ) − Φ(−s − δ) = U for δ > 0 by Newton's method kept inside a bracket.

    Most need three steps: those that are solved are put aside.
    """
    solved = np.empty_like(start)
    open_ = np.arange(start.size)
    low, high, delta = np.zeros_like(start), start, start
    for _ in range(60):
        excess = ndtr(s - delta) - ndtr(-s - delta) - uniform
        low = np.where(excess > 0.0, delta, low)
        high = np.where(excess > 0.0, high, delta)
        slope = _density(s + delta) - _density(s - delta)
        with np.errstate(divide="ignore", invalid="ignore"):
            step = delta - excess / slope
        inside = (step >= low) & (step <= high)
        following = np.where(inside, step, 0.5 * (low + high))
        solved[open_] = following
        left = np.abs(following - delta) >= 1e-9
        if not left.any():
            break
        open_, s, uniform = open_[left], s[left], uniform[left]
        low, high, delta = low[left], high[left], following[left]
    return solved


def _density(z: Array) -> Array:
    density: Array = np.exp(-0.5 * np.square(z)) / np.sqrt(2.0 * np.pi)
    return density


# Generalised pivots: which variances the mean squares of a study are compatible with.
# ------------------------------------------------------------------------------------
# A mean square with ν degrees of freedom is its expectation θ times χ²/ν. Turned round,
# the sum of squares divided by draws of χ² gives draws of θ, and any quantity computed
# from draws of several θ gets its limits from their quantiles. The formulas for limits
# are in `grr.formulas.confidence_limits`.
#
# Source: Weerahandi, Journal of the American Statistical Association 88 (1993), 899-905;
# Hamada & Weerahandi, Journal of Quality Technology 32 (2000), 241-253; Burdick, Borror &
# Montgomery, Design and Analysis of Gauge R&R Studies (SIAM 2005), chapter 2.

#: Enough that limits of an sd repeat to about 1 % from seed to seed with three operators,
#: the worst case of common designs.
DRAWS = 100_000

#: Fixed, so that the same readings give the same limits, run after run.
SEED = 2005


@dataclass(frozen=True)
class Pivots:
    """Draws of each variance and of the mean; shape (..., draws).

    Variances are in the unit of the readings squared. ``part``, ``operator`` and
    ``interaction`` are not truncated and may be negative, so that sums of them are not
    pushed up; truncation comes last, in `grr.formulas.confidence_limits`. What the design
    cannot estimate is NaN. ``session``, ``gauge`` and ``place`` are there where they are a
    source.
    """

    part: Array
    operator: Array
    interaction: Array
    repeatability: Array
    grr: Array
    total: Array
    mean: Array
    session: Array | None = None
    gauge: Array | None = None
    place: Array | None = None


def crossed_pivots(
    anova: CrossedAnova | UnweightedMeans,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    operators: str | int = "random",
    df_error: Count | None = None,
    even: bool | int = False,
) -> Pivots:
    """Draw the variances of crossed studies, interaction kept.

    GRR is [R_O + (p−1)·R_PO + p(r−1)·R_E] / (pr) with R = sum of squares / χ² draws,
    never a sum of truncated parts.

    Parameters
    ----------
    anova : CrossedAnova or UnweightedMeans
        One study or a stack (...) of studies; a stack shares its χ² draws, unless ``df_error``
        is an array: then each study has those that it would have alone.
    draws : int
    seed : int
        The same seed gives the same draws.
    operators : {"random", "fixed"} or int
        A sample of those who will measure, all who ever will, or how many will ever measure.
        Of N people reproducibility is Σα²/N, the mean square of their differences; see
        `finite_people_pivot`.
    df_error : float or ndarray, shape (...), optional
        With how many degrees of freedom repeatability is known, see `effective_df`; those of
        the interaction go down in the same ratio. The mean squares stay.
    even : bool or int
        Evenly spread points in place of random draws, for thousands of studies, and how many:
        see `grr.formulas.even_draws`.

    Returns
    -------
    Pivots
        With one operator: no ``operator`` and ``interaction``, ``grr`` is the
        repeatability, and ``part`` contains what the operator does differently from
        part to part. With one trial: ``repeatability`` contains the interaction.

    Raises
    ------
    StudyError
        Nothing was measured twice, or too few draws.

    Notes
    -----
    Source: Hamada & Weerahandi (2000); Burdick, Borror & Montgomery (2005), chapters 3
    (crossed) and 4 (unequal numbers of readings). Fixed operators: Dolezal, Burdick &
    Birch, Journal of Quality Technology 30 (1998), 163-170, for the mixed model (both
    chapter and page from memory); the divisor o as in
    `grr.formulas.analysis_of_variance.among_people`.
    """
    means = balanced_means(anova) if isinstance(anova, CrossedAnova) else anova
    if isinstance(df_error, np.ndarray) and df_error.ndim and not even:
        return _each_alone(
            means, df_error.astype(np.float64), draws=draws, seed=seed, operators=operators
        )
    people = people_who_measure(operators, means.operators)
    points = SIZE if even is True else even
    rng: Generator = EvenDraws(points) if even else seeded(draws, seed)
    draws = points or draws
    if df_error is not None:
        means = _with_df(means, df_error)
    if means.operators == 1:
        return _one_operator(means, draws, rng)
    o = means.operators
    r, p_eff, o_eff = (
        column(n) for n in (means.trials, means.parts_per_operator, means.operators_per_part)
    )
    r_part = chi_square_pivot(means.ss_part, means.df_part, draws, rng)
    r_operator = chi_square_pivot(means.ss_operator, means.df_operator, draws, rng)
    r_interaction = chi_square_pivot(means.ss_interaction, means.df_interaction, draws, rng)
    if np.any(means.df_error):
        r_error = chi_square_pivot(means.ss_error, means.df_error, draws, rng)
        interaction = (r_interaction - r_error) / r
        cell = interaction + r_error
    else:
        r_error = cell = r_interaction
        interaction = np.full_like(r_interaction, np.nan)
    part = (r_part - r_interaction) / (o_eff * r)
    if math.isfinite(people):
        along = np.asarray(means.parts_per_difference, dtype=np.float64)
        operator = finite_people_pivot(
            means.ss_operator * along / means.parts_per_operator,
            r_interaction,
            (o, people),
            column(along) * r,
            draws=draws,
            rng=rng,
        )
        grr = at_least(operator + cell, r_error)
        operator_in_mean = operator * _unseen(o, people)
    else:
        operator = (r_operator - r_interaction) / (p_eff * r)
        grr = operator + cell
        operator_in_mean = operator / o
    in_mean = part / means.parts + operator_in_mean + r_interaction / (column(means.cells) * r)
    return Pivots(
        part=part,
        operator=operator,
        interaction=interaction,
        repeatability=r_error,
        grr=grr,
        total=part + operator + cell,
        mean=mean_pivot(means.mean, in_mean, draws, rng),
    )


def _each_alone(means: UnweightedMeans, df_error: Array, **options: Any) -> Pivots:
    """Return the draws of a stack of studies, each with its own degrees of freedom.

    What a study gets must not depend on which others stand beside it.
    """
    found = []
    for place in np.ndindex(df_error.shape):
        one: dict[str, Any] = {
            field.name: value[place] if isinstance(value, np.ndarray) and value.ndim else value
            for field in fields(means)
            for value in [getattr(means, field.name)]
        }
        alone, known = UnweightedMeans(**one), float(df_error[place])
        less = known < float(np.max(alone.df_error))
        found.append(crossed_pivots(alone, df_error=known if less else None, **options))
    stacked: dict[str, Any] = {}
    for field in fields(Pivots):
        drawn = [getattr(one, field.name) for one in found]
        if any(one is None for one in drawn):
            stacked[field.name] = None
        else:
            stacked[field.name] = np.stack(drawn).reshape(*df_error.shape, *np.shape(drawn[0]))
    return Pivots(**stacked)


def _with_df(means: UnweightedMeans, df_error: Count) -> UnweightedMeans:
    """Return a study with other degrees of freedom; its mean squares stay."""
    if not np.any(means.df_error):
        return means
    ratio = np.asarray(df_error, dtype=np.float64) / np.asarray(means.df_error)
    return replace(
        means,
        ss_error=means.ss_error * ratio,
        df_error=df_error,
        ss_interaction=means.ss_interaction * ratio,
        df_interaction=means.df_interaction * ratio,
    )


def _one_operator(means: UnweightedMeans, draws: int, rng: Generator) -> Pivots:
    if not np.all(means.df_error):
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    r = column(means.trials)
    r_part = chi_square_pivot(means.ss_part, means.df_part, draws, rng)
    r_error = chi_square_pivot(means.ss_error, means.df_error, draws, rng)
    part = (r_part - r_error) / r
    nothing = np.full_like(part, np.nan)
    return Pivots(
        part=part,
        operator=nothing,
        interaction=nothing,
        repeatability=r_error,
        grr=r_error,
        total=part + r_error,
        mean=mean_pivot(means.mean, r_part / (means.parts * r), draws, rng),
    )


def seeded(draws: int, seed: int) -> np.random.Generator:
    """Return the generator of the draws, once their number is checked."""
    if isinstance(draws, bool) or not isinstance(draws, (int, np.integer)) or draws < 100:
        raise StudyError(
            "Limits need at least 100 draws", "Leave draws out, or give 100000", value=draws
        )
    if isinstance(seed, bool) or not isinstance(seed, (int, np.integer)) or seed < 0:
        raise StudyError("The seed is not a whole number from 0", "Leave seed out", value=seed)
    return np.random.default_rng(seed)


def chi_square_pivot(sum_of_squares: Array, df: Count, draws: int, rng: Generator) -> Array:
    """Return draws of an expected mean square, SS/χ²; shape (..., draws).

    One set of χ² draws serves the whole stack, unless degrees of freedom differ.
    """
    degrees = np.asarray(df, dtype=np.float64)
    if degrees.size and (degrees == degrees.flat[0]).all():
        chi_square = rng.chisquare(float(degrees.flat[0]), draws)
    else:
        chi_square = rng.chisquare(degrees[..., None], (*degrees.shape, draws))
    return np.asarray(sum_of_squares)[..., None] / chi_square


def fixed_effects_pivot(
    sum_of_squares: Array,
    variance: Array,
    levels: int,
    readings: Count,
    *,
    draws: int,
    rng: Generator,
) -> Array:
    """Return draws of Σα²/levels, the mean square of fixed effects; shape (..., draws).

    Not truncated: negative where the effects look smaller than chance makes them.

    Parameters
    ----------
    sum_of_squares : ndarray, shape (...)
        ``readings`` × the sum of squares of the estimated effects.
    variance : ndarray, shape (..., draws)
        Draws of the expected mean square against which the effects are judged.
    levels : int
    readings : float or ndarray
        Readings behind each effect.
    """
    squares = np.asarray(sum_of_squares)[..., None]
    some = variance > 0.0
    observed = np.where(some, squares / np.where(some, variance, 1.0), 0.0)
    scatter = noncentrality_draws(observed, levels - 1, draws, rng) * variance
    return np.where(some, scatter, squares) / (levels * readings)


def finite_people_pivot(
    sum_of_squares: Array,
    variance: Array,
    people: tuple[int, float],
    readings: Count,
    *,
    draws: int,
    rng: Generator,
) -> Array:
    """Return draws of Q = Σα²/N over all N people, n of whom were studied; shape (..., draws).

    What the n show, A = Σα² among them, has the draws of fixed effects. The share of N·Q
    that they show is B = Beta((n−1)/2, (N−n)/2) where offsets are normal, so Q = A/(N·B).
    Where all were studied B is 1 and nothing is assumed; with N without end N·B is a
    chi-square variable with n − 1 degrees of freedom, the model of a sample. The others are
    taken to be like those studied: one unlike person among them no statistic can show.

    Parameters
    ----------
    sum_of_squares, variance, readings
        As in `fixed_effects_pivot`.
    people : tuple of int and float
        How many were studied, and how many will ever measure.

    Notes
    -----
    Source: of n normal values out of N the sum of squares about their mean is a beta share
    of that of all (Johnson, Kotz & Balakrishnan, Continuous Univariate Distributions, vol.
    2, chapter 25, from memory); wrong decisions are simulated in ``tests/coverage/people.py``.
    """
    studied, all_people = people
    own = fixed_effects_pivot(sum_of_squares, variance, studied, readings, draws=draws, rng=rng)
    if all_people == studied:
        return own
    shown = rng.beta((studied - 1) / 2, (all_people - studied) / 2, draws)
    return own * studied / (all_people * shown)


def _unseen(studied: int, people: float) -> float:
    """Return the variance of the mean offset of those studied, in units of Q.

    Source: Cochran, Sampling Techniques, 3rd ed. 1977, theorem 2.2 (from memory).
    """
    return people / max(people - 1.0, 1.0) * (1.0 / studied - 1.0 / people)


def at_least(draws: Array, floor: Array) -> Array:
    """Lift draws so that none of their quantiles lies below the same quantile of ``floor``.

    GRR holds EV. In a nested study the mean square of parts is subtracted in AV, and where
    parts differ much AV falls far below 0: left so, GRR's limits would end below EV's, even
    at 0; with AV truncated draw by draw, GRR's lower limit is too high (88–92 % covered
    where 95 % is meant, simulated). Lifting quantile by quantile gives 94–97 %.
    """
    order = np.argsort(draws, axis=-1)
    ordered = np.take_along_axis(draws, order, axis=-1)
    lifted = np.empty_like(draws)
    np.put_along_axis(lifted, order, np.maximum(ordered, np.sort(floor, axis=-1)), axis=-1)
    return lifted


def mean_pivot(mean: Array, variance: Array, draws: int, rng: Generator) -> Array:
    """Return draws of the mean given draws of the variance of its estimate."""
    scatter = np.sqrt(np.maximum(variance, 0.0))
    return np.asarray(mean)[..., None] - scatter * rng.standard_normal(draws)


# With how many degrees of freedom repeatability is known.
# --------------------------------------------------------

#: So few at least, however uneven the scatter looks.
LEAST_DF = 2.0


class DegreesOfFreedom(NamedTuple):
    """What `effective_df` takes the least of; each of shape (...).

    Attributes
    ----------
    counted : ndarray
        p·o·(r−1), or the sum over the cells where readings are missing.
    cells, parts, operators : ndarray
        What the variances of cells, parts and operators show.
    kept : float
        The share that neighbours in the measuring order leave where they are alike, (1 − q²) /
        (1 + q²) with q their correlation; else 1. Source: Bartlett, Journal of the Royal
        Statistical Society 98 (1935), 536-543 (from memory).
    """

    counted: Array
    cells: Array
    parts: Array
    operators: Array
    kept: float = 1.0

    @property
    def used(self) -> Array:
        """The least of all, times what the order leaves; 2 at least."""
        least = np.minimum(
            np.minimum(self.counted, self.cells), np.minimum(self.parts, self.operators)
        )
        return np.asarray(
            np.maximum(self.kept * least, np.minimum(LEAST_DF, self.counted)), dtype=np.float64
        )


def effective_df(readings: Array) -> DegreesOfFreedom:
    """Return with how many degrees of freedom the scatter within the cells is known.

    A pooled variance is as sure as p·o·(r−1) says only where every reading scatters alike and
    normally. Where parts or operators scatter unequally, or single readings lie far out, the
    variances of the cells, parts and operators differ more than chance makes them; the least of

    - counted: df = Σ df_c over the C cells, p·o·(r−1) where none is missing,
    - cells: 2·df·(C − 1) / Σ df_c (s_c²/s² − 1)²,
    - parts: the same with the variances of the parts,
    - operators: (Σ SS_o)² / Σ (SS_o²/df_o)

    is used, 2 at least. Wrong USE at 10.5 % of the tolerance, 10 × 3 × 3, fixed operators, EV
    alone, by count → by this (simulated, ``tests/coverage/scatter.py``): errors with t(4) 5 → 3 %,
    parts whose sds lie from 0.3 to 1.7 times the mean 8 → 2 %, one operator with four times the
    scatter 4 → under 1 %. Clean scatter pays with some chance of USE at 8 %, none at 6 %.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        NaN where a reading is missing.

    Returns
    -------
    DegreesOfFreedom
        0 where nothing was measured twice.

    Notes
    -----
    Source: Satterthwaite, Biometrics Bulletin 2 (1946), 110-114, and Welch, Biometrika 34
    (1947), 28-35, for variances added up (both from memory); for s² of a normal sample
    Var(s²) = 2σ⁴/df, which turned round gives the degrees of freedom from the variances seen.
    Taking the least of them is this project's own.
    """
    cube = np.asarray(readings, dtype=np.float64)
    taken = np.isfinite(cube)
    counts = taken.sum(axis=-1)
    # About the first reading of each cell, so that a large common offset costs no digits.
    first = np.take_along_axis(cube, taken.argmax(axis=-1)[..., None], axis=-1)
    values = np.where(taken, cube - first, 0.0)
    left = np.where(taken, values - (values.sum(axis=-1) / np.maximum(counts, 1))[..., None], 0.0)
    squares = np.einsum("...k,...k->...", left, left)
    df = np.maximum(counts - 1, 0).astype(np.float64)
    all_df, whole = df.sum(axis=(-2, -1)), squares.sum(axis=(-2, -1))
    cells = (*squares.shape[:-2], squares.shape[-2] * squares.shape[-1])
    of_operators, df_each = squares.sum(axis=-2), np.maximum(df.sum(axis=-2), 1.0)
    added = (np.square(of_operators) / df_each).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        by_operators = np.where(added > 0.0, np.square(whole) / added, all_df)
    return DegreesOfFreedom(
        counted=all_df,
        cells=_df_seen(squares.reshape(cells), df.reshape(cells)),
        parts=_df_seen(squares.sum(axis=-1), df.sum(axis=-1)),
        operators=by_operators,
    )


#: Simulated studies behind `usual_dfs`.
_USUAL_STUDIES = 1_000


@lru_cache(maxsize=512)
def usual_dfs(parts: int, operators: int, trials: int) -> Array:
    """Return `effective_df` of simulated studies whose scatter is normal and even, in order.

    What a plan reckons with: of 10 × 3 × 3 half of the studies have 54 of 60 or more, one in
    twenty has 38 or fewer. How uneven normal scatter looks does not depend on how large it looks
    (Basu's theorem), so a simulated study may take any of them. Read-only.
    """
    rng = np.random.default_rng(SEED)
    # A stack of half a million readings at most at a time.
    studies = max(100, min(_USUAL_STUDIES, 500_000 // (parts * operators * trials)))
    found = effective_df(rng.standard_normal((studies, parts, operators, trials))).used
    found = np.sort(found)
    found.setflags(write=False)
    return found


def _df_seen(squares: Array, df: Array) -> Array:
    """Return the degrees of freedom that the variances of groups (..., groups) show."""
    all_df, whole = df.sum(axis=-1), squares.sum(axis=-1)
    groups = (df > 0.0).sum(axis=-1)
    with np.errstate(divide="ignore", invalid="ignore"):
        ratio = squares * (all_df / whole)[..., None] / df
        spread = np.where(df > 0.0, df * np.square(ratio - 1.0), 0.0).sum(axis=-1) / (groups - 1)
        found = 2.0 * all_df / spread
    some = (groups > 1) & (whole > 0.0) & (spread > 0.0)
    return np.asarray(np.where(some, found, all_df), dtype=np.float64)


def column(count: Count) -> Array:
    """Return a number, or one number a study, ready to meet draws (..., draws)."""
    return np.asarray(count, dtype=np.float64)[..., None]


# Generalised pivots of nested studies: every part was measured by one operator only.
# -----------------------------------------------------------------------------------


def nested_pivots(
    anova: NestedAnova | UnweightedNested,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    operators: str | int = "random",
    df_error: Count | None = None,
) -> Pivots:
    """Draw the variances of nested studies.

    AV = (R_O − R_P(O)) / (pr) and PV = (R_P(O) − R_E) / r with R = sum of squares / χ²
    draws; TV = [R_O + (p−1)·R_P(O) + p(r−1)·R_E] / (pr). GRR is AV + R_E, AV not
    truncated, but not below R_E: see `grr.formulas.pivots.at_least`.

    Parameters
    ----------
    anova : NestedAnova or UnweightedNested
        One study or a stack (...) of studies.
    draws, seed, operators, df_error
        As in `grr.formulas.pivots.crossed_pivots`; the parts keep their degrees of freedom.

    Returns
    -------
    Pivots
        ``interaction`` is NaN: it cannot be told from the parts, and ``part`` holds it.

    Raises
    ------
    StudyError
        Too few draws.

    Notes
    -----
    Source: Burdick, Borror & Montgomery, Design and Analysis of Gauge R&R Studies (SIAM
    2005), nested designs (chapter not at hand); Weerahandi, Journal of the American
    Statistical Association 88 (1993), 899-905.
    """
    people = people_who_measure(operators, anova.operators)
    rng = seeded(draws, seed)
    o, p, r = anova.operators, column(anova.parts), column(anova.trials)
    r_part = chi_square_pivot(anova.ss_part, anova.df_part, draws, rng)
    known = anova.df_error if df_error is None else df_error
    ratio = np.asarray(known) / np.asarray(anova.df_error)
    r_error = chi_square_pivot(anova.ss_error * ratio, known, draws, rng)
    part = (r_part - r_error) / r
    nothing = np.full_like(part, np.nan)
    in_mean = r_part / (o * p * r)
    if o == 1:
        operator, grr, total = nothing, r_error, part + r_error
    else:
        if math.isfinite(people):
            operator = finite_people_pivot(
                anova.ss_operator, r_part, (o, people), p * r, draws=draws, rng=rng
            )
            in_mean = in_mean + operator * _unseen(o, people)
        else:
            r_operator = chi_square_pivot(anova.ss_operator, anova.df_operator, draws, rng)
            operator = (r_operator - r_part) / (p * r)
            in_mean = r_operator / (o * p * r)
        total = operator + r_error + part
        grr = at_least(operator + r_error, r_error)
    return Pivots(
        part=part,
        operator=operator,
        interaction=nothing,
        repeatability=r_error,
        grr=grr,
        total=total,
        mean=mean_pivot(anova.mean, in_mean, draws, rng),
    )


# A repeatability that the gauge's last digit hides is not under its rounding error.
# ----------------------------------------------------------------------------------


def floored_pivots(pivots: Pivots, resolution: float) -> Pivots:
    """Return the draws with no repeatability under the rounding error."""
    floored = np.maximum(pivots.repeatability, rounding_floor(resolution) ** 2)
    added = floored - pivots.repeatability
    return replace(
        pivots, repeatability=floored, grr=pivots.grr + added, total=pivots.total + added
    )
