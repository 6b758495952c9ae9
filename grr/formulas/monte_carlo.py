"""Propagation of distributions by Monte Carlo, and whether the budget agrees with it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.input_quantity import InputQuantity

#: Draws in one block; each block gives its own mean, sd and interval.
BLOCK = 100_000

#: The measured value from the inputs, one row an input: (k, draws) → (draws,).
Model = Callable[[Array], Array]


@dataclass(frozen=True)
class MonteCarlo:
    """What the Monte Carlo run gave.

    Attributes
    ----------
    estimate, standard_u : float
    lower, upper : float
        The interval that leaves equal shares on either side.
    level : float
    draws, seed : int
    tolerance : float
        Numerical tolerance δ of the standard uncertainty at the digits asked for.
    settled : bool
        Whether every one of the four numbers is known to δ/5.
    """

    estimate: float
    standard_u: float
    lower: float
    upper: float
    level: float
    draws: int
    seed: int
    tolerance: float
    settled: bool


def propagate(
    inputs: Sequence[InputQuantity],
    model: Model,
    *,
    correlation: Array | None = None,
    level: float = 0.95,
    digits: int = 2,
    seed: int = 1,
    most_draws: int = 3_000_000,
) -> MonteCarlo:
    """Draw the inputs, compute the measured value, and go on until the numbers settle.

    Parameters
    ----------
    inputs : sequence of InputQuantity
    model : callable
        Takes an array (k, draws) and returns one value a draw.
    correlation : ndarray, shape (k, k), optional
    level : float
        Probability of the interval.
    digits : int
        Significant digits of the standard uncertainty that matter (1 or 2).
    seed : int
    most_draws : int
        Where to stop even if the numbers have not settled.

    Notes
    -----
    Source: JCGM 101:2008, clause 7 (7.7 interval, 7.9 adaptive procedure) with the
    tolerance δ/5 that 8.2 asks for.
    """
    rng = np.random.default_rng(seed)
    mix = None if correlation is None else _square_root(correlation)
    blocks: list[tuple[float, float, float, float]] = []
    settled = False
    while not settled and (len(blocks) < 2 or (len(blocks) + 1) * BLOCK <= most_draws):
        blocks.append(_one_block(inputs, model, mix, level, rng))
        found = np.array(blocks)
        standard_u = float(np.sqrt(np.mean(found[:, 1] ** 2)))
        tolerance = numerical_tolerance(standard_u, digits)
        if len(blocks) > 1:
            errors = found.std(axis=0, ddof=1) / np.sqrt(len(blocks))
            settled = bool(np.all(2.0 * errors <= tolerance / 5.0))
    estimate, _, lower, upper = (float(mean) for mean in found.mean(axis=0))
    return MonteCarlo(
        estimate=estimate,
        standard_u=standard_u,
        lower=lower,
        upper=upper,
        level=level,
        draws=len(blocks) * BLOCK,
        seed=seed,
        tolerance=tolerance,
        settled=settled,
    )


def _one_block(
    inputs: Sequence[InputQuantity],
    model: Model,
    mix: Array | None,
    level: float,
    rng: np.random.Generator,
) -> tuple[float, float, float, float]:
    """Return mean, sd and interval of one block of draws."""
    z = rng.standard_normal((len(inputs), BLOCK))
    if mix is not None:
        z = mix @ z
    drawn = np.stack([one.values(row, rng) for one, row in zip(inputs, z, strict=True)])
    y = np.broadcast_to(np.asarray(model(drawn), dtype=np.float64), (BLOCK,))
    tail = 50.0 * (1.0 - level)
    low, high = np.percentile(y, [tail, 100.0 - tail])
    return float(y.mean()), float(y.std(ddof=1)), float(low), float(high)


def numerical_tolerance(standard_u: float, digits: int) -> float:
    """Return δ: half a unit of the last digit kept of a standard uncertainty.

    u = c·10^l with c a whole number of ``digits`` digits; δ = ½·10^l.

    Notes
    -----
    Source: JCGM 101:2008, 7.9.2.
    """
    if standard_u == 0.0:
        return 0.0
    exponent = int(f"{standard_u:.{digits - 1}e}".split("e")[1])
    return 0.5 * 10.0 ** (exponent - digits + 1)


@dataclass(frozen=True)
class Agreement:
    """Whether the budget's interval agrees with the Monte Carlo interval.

    Attributes
    ----------
    agrees : bool
    low_gap, high_gap : float
        Distance between the two intervals' ends.
    tolerance : float
        What each gap may be at most.
    """

    agrees: bool
    low_gap: float
    high_gap: float
    tolerance: float


def agreement(
    estimate: float, standard_u: float, expanded: float, run: MonteCarlo, *, digits: int = 2
) -> Agreement:
    """Compare the budget's estimate ± U with a Monte Carlo interval at the same probability.

    Notes
    -----
    Source: JCGM 101:2008, clause 8.1: both |y − U − y_low| and |y + U − y_high| at most δ,
    the numerical tolerance of the budget's standard uncertainty.
    """
    low_gap = abs(estimate - expanded - run.lower)
    high_gap = abs(estimate + expanded - run.upper)
    tolerance = numerical_tolerance(standard_u, digits)
    return Agreement(max(low_gap, high_gap) <= tolerance, low_gap, high_gap, tolerance)


def _square_root(correlation: Array) -> Array:
    """Return M with M·Mᵀ = correlation, also where two inputs are fully correlated."""
    values, vectors = np.linalg.eigh(correlation)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
