"""Generalised pivots of nested studies: every part was measured by one operator only."""

from __future__ import annotations

import numpy as np

from grr.formulas.nested import NestedAnova
from grr.formulas.pivots import (
    DRAWS,
    SEED,
    Pivots,
    at_least,
    chi_square_pivot,
    column,
    fixed_effects_pivot,
    mean_pivot,
    seeded,
)
from grr.formulas.unweighted_nested import UnweightedNested
from grr.model.values import one_of


def nested_pivots(
    anova: NestedAnova | UnweightedNested,
    *,
    draws: int = DRAWS,
    seed: int = SEED,
    operators: str = "random",
) -> Pivots:
    """Draw the variances of nested studies.

    AV = (R_O − R_P(O)) / (pr) and PV = (R_P(O) − R_E) / r with R = sum of squares / χ²
    draws; TV = [R_O + (p−1)·R_P(O) + p(r−1)·R_E] / (pr). GRR is AV + R_E, AV not
    truncated, but not below R_E: see `grr.formulas.pivots.at_least`.

    Parameters
    ----------
    anova : NestedAnova or UnweightedNested
        One study or a stack (...) of studies.
    draws, seed, operators
        As in `grr.formulas.pivots.crossed_pivots`.

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
    one_of("operators", operators, ("random", "fixed"))
    rng = seeded(draws, seed)
    o, p, r = anova.operators, column(anova.parts), column(anova.trials)
    r_part = chi_square_pivot(anova.ss_part, anova.df_part, draws, rng)
    r_error = chi_square_pivot(anova.ss_error, anova.df_error, draws, rng)
    part = (r_part - r_error) / r
    nothing = np.full_like(part, np.nan)
    in_mean = r_part / (o * p * r)
    if o == 1:
        operator, grr, total = nothing, r_error, part + r_error
    else:
        if operators == "fixed":
            operator = fixed_effects_pivot(
                anova.ss_operator, r_part, o, p * r, draws=draws, rng=rng
            )
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
