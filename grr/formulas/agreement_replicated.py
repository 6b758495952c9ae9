"""Limits of agreement of single readings, from parts measured several times by both methods."""

from __future__ import annotations

import numpy as np

from grr.formulas.agreement import MULTIPLE, Agreement
from grr.formulas.arrays import Array
from grr.formulas.intervals import two_sided_limits
from grr.formulas.pivots import (
    DRAWS,
    SEED,
    chi_square_pivot,
    fixed_effects_pivot,
    mean_pivot,
    seeded,
)
from grr.model.values import one_of


def replicated_agreement(
    differences: Array,
    ms_error: Array,
    trials: tuple[float, float],
    df_error: tuple[int, int],
    *,
    operators: str = "fixed",
    multiple: float = MULTIPLE,
    level: float = 0.95,
    draws: int = DRAWS,
    seed: int = SEED,
) -> Agreement:
    """Return the limits of agreement of single readings from replicated ones.

    The variance of one reading by the candidate minus one by the baseline, of the same
    part by the same operator, is that of the differences of cell means over parts and
    operators, plus the repeatability that averaging took out of them:
    σ²(part) + σ²(operator) + σ²(rest) + (1 − 1/r₁)·σ₁² + (1 − 1/r₂)·σ₂².

    Parameters
    ----------
    differences : ndarray, shape (..., parts, operators)
        Candidate minus baseline, of the cell means.
    ms_error : ndarray, shape (..., 2)
        Repeatability variance of a single reading by baseline and candidate; anything
        where nothing was repeated.
    trials : (float, float)
        Readings in a cell (harmonic mean).
    df_error : (int, int)
    operators : {"fixed", "random"}
        Fixed: the operators' share is the mean square of their own differences.
    multiple, level : float
    draws, seed : int
        Of the generalised pivots behind the intervals of the limits.

    Notes
    -----
    Source: Bland & Altman, Statistical Methods in Medical Research 8 (1999), 135-160,
    section 5 (replicated readings), with operators as a further component; intervals by
    pivots as in `grr.formulas.pivots`.
    """
    one_of("operators", operators, ("fixed", "random"))
    cells = np.asarray(differences, dtype=np.float64)
    *_, p, o = cells.shape
    rng = seeded(draws, seed)
    mean, ss_part, ss_operator, ss_rest = _squares(cells)
    repeats, repeat_draws = _averaged_out(ms_error, trials, df_error, draws, rng)
    part_draws = chi_square_pivot(ss_part, p - 1, draws, rng)
    mean_variance = part_draws / (p * o)
    if o == 1:
        variance = ss_part / (p - 1) + repeats
        variance_draws = part_draws + repeat_draws
    else:
        df_rest = (p - 1) * (o - 1)
        ms_rest = ss_rest / df_rest
        rest_draws = chi_square_pivot(ss_rest, df_rest, draws, rng)
        operator = (ss_operator / (o - 1) - ms_rest) / p
        if operators == "fixed":
            operator = operator * (o - 1) / o
            operator_draws = fixed_effects_pivot(
                ss_operator, rest_draws, o, p, draws=draws, rng=rng
            )
        else:
            squares = chi_square_pivot(ss_operator, o - 1, draws, rng)
            operator_draws = (squares - rest_draws) / p
            mean_variance = mean_variance + np.maximum(operator_draws, 0.0) / o
        variance = _single_pair(ss_part / (p - 1), operator, ms_rest, o) + repeats
        variance_draws = _single_pair(part_draws, operator_draws, rest_draws, o) + repeat_draws
    sd, sd_draws = np.sqrt(np.maximum(variance, 0.0)), np.sqrt(np.maximum(variance_draws, 0.0))
    mean_draws = mean_pivot(mean, mean_variance, draws, rng)
    return Agreement(
        mean=mean,
        sd=sd,
        lower=mean - multiple * sd,
        upper=mean + multiple * sd,
        lower_limits=two_sided_limits(mean_draws - multiple * sd_draws, level),
        upper_limits=two_sided_limits(mean_draws + multiple * sd_draws, level),
    )


def _squares(cells: Array) -> tuple[Array, Array, Array, Array]:
    """Return the mean, and the sums of squares of parts, operators and the rest."""
    *_, p, o = cells.shape
    part, operator = cells.mean(axis=-1, keepdims=True), cells.mean(axis=-2, keepdims=True)
    mean = cells.mean(axis=(-2, -1), keepdims=True)
    return (
        mean[..., 0, 0],
        o * np.square(part - mean).sum(axis=(-2, -1)),
        p * np.square(operator - mean).sum(axis=(-2, -1)),
        np.square(cells - part - operator + mean).sum(axis=(-2, -1)),
    )


def _single_pair(ms_part: Array, operator: Array, ms_rest: Array, operators: int) -> Array:
    """Put the variance of one cell difference together from its (expected) mean squares."""
    return (ms_part - ms_rest) / operators + operator + ms_rest


def _averaged_out(
    ms_error: Array,
    trials: tuple[float, float],
    df_error: tuple[int, int],
    draws: int,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Return the repeatability that averaging took out of the cell means, and draws of it."""
    total, total_draws = np.zeros(()), np.zeros(draws)
    for i, (r, df) in enumerate(zip(trials, df_error, strict=True)):
        if df > 0:
            ms = np.asarray(ms_error)[..., i]
            total = total + (1.0 - 1.0 / r) * ms
            total_draws = total_draws + (1.0 - 1.0 / r) * chi_square_pivot(ms * df, df, draws, rng)
    return total, total_draws
