"""The uncertainty budget: its inputs, the law of propagation, and propagation of distributions."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Literal, get_args

import numpy as np
from scipy.special import ndtr

from grr.formulas.arrays import Array
from grr.formulas.bias import t_quantile
from grr.model.errors import StudyError

# What is known about one input of an uncertainty budget: its distribution.
# -------------------------------------------------------------------------

Distribution = Literal["normal", "readings", "rectangular", "triangular", "u-shaped"]
DISTRIBUTIONS: tuple[Distribution, ...] = get_args(Distribution)


@dataclass(frozen=True)
class InputQuantity:
    """An input and its distribution.

    Parameters
    ----------
    distribution : {"normal", "readings", "rectangular", "triangular", "u-shaped"}
    estimate : float
    size : float
        Standard uncertainty (normal, readings) or half-width (the others).
    df : float
        Degrees of freedom of ``size`` for readings and normal.
    limit_half_width : float
        By how much each limit of a rectangular distribution may itself be off.
    """

    distribution: Distribution
    estimate: float
    size: float
    df: float = math.inf
    limit_half_width: float = 0.0

    @property
    def standard_u(self) -> float:
        """Standard uncertainty.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 4.3.7 (rectangular, a/√3), 4.3.9 (triangular, a/√6),
        H.1.3.4 (U-shaped, a/√2).
        """
        divisor = {"rectangular": 3.0, "triangular": 6.0, "u-shaped": 2.0}
        return self.size / math.sqrt(divisor.get(self.distribution, 1.0))

    @property
    def effective_df(self) -> float:
        """Degrees of freedom; those of an inexact half-width are ½(Δa/a)⁻².

        Notes
        -----
        Source: JCGM 100:2008 (GUM), equation (G.3).
        """
        if self.limit_half_width > 0.0:
            return 0.5 * (self.size / self.limit_half_width) ** 2
        return self.df

    @property
    def spread_is_endless(self) -> bool:
        """Whether the t distribution of the input has no finite standard deviation."""
        return self.distribution in ("normal", "readings") and self.df <= 2.0 and self.size > 0.0

    def values(self, z: Array, rng: np.random.Generator) -> Array:
        """Return values of the input from standard normal ones.

        Parameters
        ----------
        z : ndarray
            Standard normal values; correlated inputs get correlated ones, which is exact
            for normal inputs and a normal copula for others.
        rng : numpy.random.Generator
            For what a distribution needs beside z.

        Notes
        -----
        Source: JCGM 101:2008, 6.4 (6.4.9.4 for readings: the scaled and shifted t;
        6.4.3.4 for a rectangle with inexact limits).
        """
        return self.estimate + self.size * self._unit_values(z, rng)

    def _unit_values(self, z: Array, rng: np.random.Generator) -> Array:
        if self.distribution in ("normal", "readings"):
            if math.isinf(self.df):
                return z
            return np.asarray(z / np.sqrt(rng.chisquare(self.df, z.shape) / self.df))
        p = ndtr(z)
        if self.distribution == "rectangular":
            flat = 2.0 * p - 1.0
            if self.limit_half_width > 0.0:
                off = rng.uniform(-1.0, 1.0, z.shape) * self.limit_half_width / self.size
                return np.asarray(flat * (1.0 + off))
            return np.asarray(flat)
        if self.distribution == "triangular":
            return np.where(p < 0.5, np.sqrt(2.0 * p) - 1.0, 1.0 - np.sqrt(2.0 * (1.0 - p)))
        return np.asarray(-np.cos(np.pi * p))


# The law of propagation of uncertainty, effective degrees of freedom, coverage factor.
# -------------------------------------------------------------------------------------


def combined_uncertainty(contributions: Array, correlation: Array | None = None) -> float:
    """Return u_c = √(ΣΣ r_ij·(c_i·u_i)·(c_j·u_j)).

    Parameters
    ----------
    contributions : ndarray, shape (k,)
        Sensitivity times standard uncertainty of each input, with its sign.
    correlation : ndarray, shape (k, k), optional
        Ones on the diagonal; none: independent inputs.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), equation (16).
    """
    contributions = np.asarray(contributions, dtype=np.float64)
    if correlation is None:
        return float(np.sqrt(contributions @ contributions))
    return math.sqrt(max(0.0, float(contributions @ correlation @ contributions)))


def effective_df(contributions: Array, df: Array, combined: float) -> float:
    """Return ν_eff = u_c⁴/Σ[(c_i·u_i)⁴/ν_i].

    Notes
    -----
    Source: Welch-Satterthwaite, JCGM 100:2008 (GUM), equation (G.2b). Derived for
    independent inputs; with correlated ones it is an approximation.
    """
    spent = float(np.sum(np.asarray(contributions) ** 4 / np.asarray(df)))
    return math.inf if spent == 0.0 else combined**4 / spent


def coverage_factor(df: float, level: float = 0.95) -> float:
    """Return k, Student's t at the effective degrees of freedom, rounded down.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), G.4.1 and its note 1 (rounding down to a whole number).

    Raises
    ------
    StudyError
        Fewer than one degree of freedom.
    """
    if df < 1.0:
        raise StudyError(
            "There is less than one degree of freedom in this budget, so no coverage factor",
            "Take more readings for the contribution that dominates",
            value=f"{df:.2g}",
        )
    whole = df if math.isinf(df) else math.floor(df + 1e-9)
    return float(t_quantile(0.5 + level / 2.0, whole))


def correlation_matrix(names: list[str], pairs: dict[tuple[str, str], float]) -> Array:
    """Return the matrix of correlation coefficients of named inputs, shape (k, k).

    Raises
    ------
    StudyError
        A name that is not there, one input with itself, a coefficient outside −1 to 1, or
        coefficients that contradict each other.
    """
    matrix = np.eye(len(names))
    for (first, second), r in pairs.items():
        for name in (first, second):
            if name not in names:
                raise StudyError(
                    "A correlation names a contribution that is not in the budget",
                    f"Use one of: {', '.join(names)}",
                    value=name,
                )
        if first == second or not -1.0 <= r <= 1.0:
            raise StudyError(
                "A correlation is not between two contributions and from −1 to 1",
                "Correct the pair or the coefficient",
                value=f"{first}, {second}: {r:g}",
            )
        i, j = names.index(first), names.index(second)
        matrix[i, j] = matrix[j, i] = r
    if pairs and float(np.linalg.eigvalsh(matrix)[0]) < -1e-9:
        raise StudyError(
            "The correlations contradict each other",
            "Three inputs cannot all move against one another; correct the coefficients",
        )
    return matrix


# Propagation of distributions by Monte Carlo, and whether the budget agrees with it.
# -----------------------------------------------------------------------------------

#: Draws in one block; each block gives its own mean, sd and interval.
BLOCK = 100_000

#: The measured value from the inputs, one row an input: (k, draws) → (draws,).
MeasurementModel = Callable[[Array], Array]


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
    model: MeasurementModel,
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
    mix = None
    if correlation is not None:  # M with M·Mᵀ = correlation, also where two are fully correlated
        values, vectors = np.linalg.eigh(correlation)
        mix = np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
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
    model: MeasurementModel,
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
class BudgetAgreement:
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
) -> BudgetAgreement:
    """Compare the budget's estimate ± U with a Monte Carlo interval at the same probability.

    Notes
    -----
    Source: JCGM 101:2008, clause 8.1: both |y − U − y_low| and |y + U − y_high| at most δ,
    the numerical tolerance of the budget's standard uncertainty.
    """
    low_gap = abs(estimate - expanded - run.lower)
    high_gap = abs(estimate + expanded - run.upper)
    tolerance = numerical_tolerance(standard_u, digits)
    return BudgetAgreement(max(low_gap, high_gap) <= tolerance, low_gap, high_gap, tolerance)
