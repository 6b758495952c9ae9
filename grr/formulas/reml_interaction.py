"""Whether the interaction is kept where readings are missing: a test by likelihood."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erfc

from grr.formulas.arrays import Array, Mask
from grr.formulas.reml import reml, reml_of_cube
from grr.formulas.reml_result import RemlFit, choose


@dataclass(frozen=True)
class InteractionTest:
    """The likelihood-ratio test of the interaction, one study or a stack of them.

    Attributes
    ----------
    statistic, p : ndarray, shape (...)
        Twice the gain in restricted log likelihood, and how often as much would be gained
        without any interaction. NaN where a fit did not settle.
    kept, pooled : RemlFit
        The fits with and without the interaction.
    """

    statistic: Array
    p: Array
    kept: RemlFit
    pooled: RemlFit

    def by_rule(self, pool_above: float = 0.25) -> tuple[RemlFit, Mask]:
        """Return the fit that the rule takes, study by study, and where it is pooled.

        Notes
        -----
        Source: AIAG MSA, 4th ed., appendix A, pools where the interaction's p value is
        above 0.25; there p comes from an F test, which needs balanced data.
        """
        pool = np.asarray(~(self.p <= pool_above))
        return choose(pool, self.pooled, self.kept), pool


def interaction_likelihood_ratio(
    readings: ArrayLike, part: ArrayLike, operator: ArrayLike, *, operators: str = "random"
) -> InteractionTest:
    """Test the part-by-operator interaction of a crossed study with missing readings.

    Parameters are those of `grr.formulas.reml.reml`.

    Notes
    -----
    A variance of 0 lies on the edge of what is possible. In large studies the statistic
    is then 0 in half of the cases and chi-square with one degree of freedom in the other
    half, so p is half the chi-square's tail. Source: Self & Liang, Journal of the
    American Statistical Association 82 (1987), 605-610, case 5; Stram & Lee, Biometrics
    50 (1994), 1171-1177. Both fits have the same fixed effects, so restricted likelihoods
    may be compared.
    """
    return _compared(partial(reml, readings, part, operator, operators=operators))


def interaction_likelihood_ratio_of_cube(
    readings: ArrayLike, *, operators: str = "random"
) -> InteractionTest:
    """Test the interaction of crossed studies that each lack other readings.

    Parameters are those of `grr.formulas.reml.reml_of_cube`.
    """
    return _compared(partial(reml_of_cube, readings, operators=operators))


def boundary_p(statistic: Array) -> Array:
    """Return p of a likelihood ratio for one variance: ½·χ²₀ + ½·χ²₁.

    The tail of a chi-square with one degree of freedom is erfc(√(x/2)).
    """
    tail = 0.5 * erfc(np.sqrt(np.asarray(statistic) / 2.0))
    return np.where(np.equal(statistic, 0.0), 1.0, tail)


def _compared(estimate: Callable[..., RemlFit]) -> InteractionTest:
    kept, pooled = estimate(interaction=True), estimate(interaction=False)
    gained = ~kept.interaction_at_zero & np.isfinite(pooled.log_likelihood)
    gain = np.zeros(np.shape(gained))
    np.subtract(kept.log_likelihood, pooled.log_likelihood, out=gain, where=gained)
    settled = kept.converged & pooled.converged
    statistic = np.where(settled, 2.0 * np.maximum(gain, 0.0), np.nan)
    return InteractionTest(statistic, boundary_p(statistic), kept, pooled)
