"""GRR as it would be were a cause gone: from the model, not by leaving readings out.

The operators are the ones of the study, as for `operators_fixed`: their offsets are numbers,
not a sample, since the question is what these people would reach. GRR² is
AV + (MS_PO − MS_E)/r + MS_E with AV = [Σ over operators of p·r·offset² less its noise]/(p·r·d),
d = (o − 1)/(1 − 1/N) for N people who will ever measure: o − 1 for a sample of many, o where
all were studied, as in the analysis that prints GRR.

Limits by generalised pivots (see `grr.formulas.pivots`), the operators' term by the
noncentral chi-square. The accounting of taken-off causes is this project's own; how often its
limits hold is simulated in tests/coverage/causes.py.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.cause_tests import Left, Suspect, sums
from grr.formulas.pivots import at_least, noncentrality_draws

DRAWS = 5000
SEED = 2017


@lru_cache(maxsize=64)
def _chi_square(df: int, role: int) -> Array:
    """Return the same draws whenever the same degrees of freedom are asked for in a role."""
    drawn = np.random.default_rng([SEED, role, df]).chisquare(df, DRAWS)
    drawn.setflags(write=False)
    return drawn


class Variances:
    """Mean squares of a study with some causes taken off, and what they make of GRR."""

    def __init__(self, left: Left, divisor: float) -> None:
        p, o, r = left.y.shape
        s = sums(left.y)
        self.shape, self.divisor = (p, o, r), divisor
        self.excess, self.lumped = left.excess, left.lumped
        self.ss_operator = float(s.ss_operator)
        self.df_operator = max(o - 1 - left.lost[0], 0)
        full_i = (p - 1) * (o - 1) - left.lost[1]
        full_e = p * o * (r - 1) - left.lost[2]
        self.ms_interaction = float(s.ss_interaction) / full_i if full_i > 0 else np.nan
        self.ms_error = float(s.ss_error) / full_e if full_e > 0 else np.nan
        self.df_interaction = max(full_i - left.shrunk[1], 0)
        self.df_error = max(full_e - left.shrunk[2], 0)

    @property
    def error(self) -> float:
        """EV²: what one operator's repeats of one part scatter; with one trial, INT with it."""
        return self.ms_error if self.df_error else self.ms_interaction

    @property
    def grr(self) -> float:
        """GRR² with every source below zero taken as 0."""
        p, o, r = self.shape
        if o == 1:
            return self.error
        yardstick = self.ms_interaction if self.df_interaction else self.error
        operator = self.ss_operator - self.df_operator * (yardstick + self.excess)
        interaction = 0.0
        if self.df_error and self.df_interaction:
            interaction = max(self.ms_interaction - self.ms_error, 0.0) / r
        return float(max(operator, 0.0) / (p * r * self.divisor) + interaction + self.error)

    def draws(self, *, plain: bool = False) -> tuple[Array, Array]:
        """Return draws of GRR² and of EV².

        ``plain``: the noise of all operators alike, so that the draws go along with those of
        the study as it is and their differences scatter little.
        """
        p, o, r = self.shape
        if self.df_error:
            error = self.ms_error * self.df_error / _chi_square(self.df_error, 1)
        if o == 1:
            return error, error
        if self.df_interaction:
            within = self.ms_interaction * self.df_interaction
            interaction = within / _chi_square(self.df_interaction, 2)
        else:
            interaction = error
        if not self.df_error:
            error = interaction
        cell = (interaction - error) / r + error
        operator: Array | float = 0.0
        if self.df_operator:
            least = 1e-12 * self.ss_operator + 1e-300
            yardstick = np.maximum(interaction + self.excess, least)
            # One operator's scatter makes nearly all of the noise: one degree of freedom.
            df = 1 if self.lumped and not plain else self.df_operator
            yardstick = yardstick * (self.df_operator / df)
            rng = np.random.default_rng([SEED, 3, df])
            noncentral = noncentrality_draws(self.ss_operator / yardstick, df, DRAWS, rng)
            operator = noncentral * yardstick / (p * r * self.divisor)
        return at_least(operator + cell, error), error


class Chain:
    """GRR² of a study with its causes taken off one after the other.

    Parameters
    ----------
    y : ndarray, shape (p, o, r)
    causes : list of Suspect
        As `grr.formulas.cause_tests.find_causes` gives them.
    divisor : float
        Of the operators' differences, see above.
    shown, floor : float
        GRR² as the analysis prints it, and the least that rounding lets it be.
    beside : float
        What is in GRR² and not in the readings given.
    """

    def __init__(
        self,
        y: Array,
        causes: list[Suspect],
        divisor: float,
        *,
        shown: float,
        floor: float,
        beside: float = 0.0,
    ) -> None:
        lefts = [Left(y), *(cause.after for cause in causes)]
        self.states = [Variances(left, divisor) for left in lefts]
        self.grr = [state.grr + beside for state in self.states]
        self.shown, self.floor = shown, floor

    def without(self, members: list[int]) -> float:
        """Return GRR² as shown less the share that some causes make of it.

        Without some of them no less is left than without all.
        """
        gone = sum(max(self.grr[n] - self.grr[n + 1], 0.0) for n in members)
        left = max(1.0 - gone / self.grr[0], min(self.grr[-1] / self.grr[0], 1.0))
        return max(self.shown * left, self.floor)


def share_gone(left: float, shown: float) -> float:
    """Return the percent of GRR² that is gone where so much is left of it."""
    return 100.0 * (1.0 - left / shown)


def divisor_of(operators: int, people: float) -> float:
    """Return what the operators' squares are divided by, for N people who will ever measure."""
    return (operators - 1) / (1.0 - 1.0 / people) if operators > 1 else 1.0


def limits(draws: Array) -> tuple[float, float]:
    """Return the two-sided 95 % limits that the draws give, the lower one with half the usual tail.

    What is left of GRR is often repeatability alone, with the other terms at zero: equal tails
    then lie above the truth in 4 to 7 % of studies and below it in under 1 % (simulated).
    """
    tail = 0.025
    lower, upper = np.quantile(draws, [0.5 * tail, 1.0 - tail])
    return float(lower), float(upper)
