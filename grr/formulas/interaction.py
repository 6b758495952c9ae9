"""Whether the part-by-operator interaction is kept, and the components that follow."""

from __future__ import annotations

import numpy as np
from scipy.special import fdtrc

from grr.formulas.arrays import Array, Mask
from grr.formulas.components import Components, interaction_kept, interaction_pooled, select
from grr.formulas.crossed import CrossedAnova


def f_test(
    mean_square: Array, df: int, denominator: Array, df_denominator: int
) -> tuple[Array, Array]:
    """Return F and its p value; NaN where nothing varies, F infinite and p 0 over a zero.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 3.3.
    """
    ms, below = np.asarray(mean_square), np.asarray(denominator)
    ratio = np.where(below > 0.0, ms / np.where(below > 0.0, below, 1.0), np.inf)
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
    return select(pooled, interaction_pooled(anova), interaction_kept(anova)), pooled
