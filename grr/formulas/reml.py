"""Variance components where readings are missing, by restricted maximum likelihood.

What a design can show, the estimate in the unit of the readings, the test of the interaction,
and nested studies. How the likelihood is maximised stands in `grr.formulas.reml_fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import erfc

from grr.formulas.analysis_of_variance import Components, require_nested
from grr.formulas.arrays import Array, Mask, each_array
from grr.formulas.reml_fit import (
    FROM_EVERY_CORNER,
    CellGrid,
    checked_codes,
    crossed_sources,
    cube_of_codes,
    designs,
    fit,
    grid_of_cube,
    in_units,
    own_differences,
    rank_within,
)
from grr.formulas.unweighted_means import refuse_unmeasured
from grr.model.errors import StudyError
from grr.model.values import one_of

# What a design with lost readings can show, and the sentence where it cannot.
# ----------------------------------------------------------------------------


def require_crossed(counts: Array, *, interaction: bool) -> None:
    """Refuse a crossed design from which the components cannot be told apart.

    Parameters
    ----------
    counts : ndarray, shape (parts, operators)
        Readings in each cell.
    interaction : bool
        Whether the interaction is to be estimated.

    Raises
    ------
    StudyError

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), section 5.5: every
    sum of squares of the fitting-constants method needs a degree of freedom of its own.
    """
    filled = counts > 0
    p, o = counts.shape
    cells, readings = int(filled.sum()), int(counts.sum())
    refuse_unmeasured(filled)
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    if o > 1 and (filled.sum(axis=1) < 2).all():
        raise StudyError(
            "No part was measured by two operators, so operators cannot be told from parts",
            "Analyse the study as nested, or let every operator measure the same parts",
        )
    if not _all_linked(filled):
        raise StudyError(
            "The parts fall into groups that no operator has in common",
            "Let one operator measure parts of both groups, or analyse the groups apart",
        )
    if not interaction and readings == p + o - 1:
        raise StudyError(
            "Nothing was measured twice, so repeatability cannot be estimated",
            "Measure each part at least twice",
        )
    if not interaction:
        return
    if o < 2:
        raise StudyError(
            "The interaction needs at least two operators",
            "Leave the interaction out, or let a second operator measure the parts",
        )
    if readings == cells:
        raise StudyError(
            "No operator measured a part twice, so the interaction cannot be told from "
            "repeatability",
            "Leave the interaction out, or let every operator measure each part twice",
        )
    if cells == p + o - 1:
        raise StudyError(
            "Too few parts were measured by more than one operator to see how far "
            "operators disagree part by part",
            "Let every operator measure every part at least once",
        )


def interaction_shows(counts: Array) -> bool:
    """Say whether the interaction could be told from everything else."""
    p, o = counts.shape
    cells = int((counts > 0).sum())
    return bool(o > 1 and counts.sum() > cells > p + o - 1)


def _all_linked(filled: Mask) -> bool:
    """Say whether every part is reached from the first by operators in common."""
    reached = np.arange(len(filled)) == 0
    while True:
        further = filled[:, filled[reached].any(axis=0)].any(axis=1)
        if (further == reached).all():
            return bool(reached.all())
        reached = further


# The result of a restricted-likelihood fit, in the unit of the readings.
# -----------------------------------------------------------------------


@dataclass(frozen=True)
class RemlFit:
    """What restricted maximum likelihood found, one study or a stack of them.

    Attributes
    ----------
    components : Components
        Variances, in the unit of the readings squared; exactly 0 on the boundary, NaN
        where the model lacks the term or no search settled. With fixed operators
        ``operator`` is the mean square of their own differences, with the scatter of
        their means taken off; it may come out below 0.
    mean, mean_error : ndarray, shape (...)
        The mean by generalised least squares and its standard error. With fixed operators
        it is the plain mean of the operators' means.
    operator_means : ndarray, shape (..., operators)
        With fixed operators the mean of each, in the sorted order of their names; else
        shape (..., 0).
    operator_covariance : ndarray, shape (..., operators, operators)
        Covariance of the operators' means; else shape (..., 0, 0).
    log_likelihood : ndarray, shape (...)
        Restricted log likelihood; ∞ where repeats do not scatter.
    converged : ndarray of bool, shape (...)
        The conditions of a maximum hold; where not, every number is NaN.
    part_at_zero, operator_at_zero, interaction_at_zero : ndarray of bool, shape (...)
        The likelihood falls from 0 upwards: the component was estimated at the boundary.
    parts, operators : int
    cells, readings : ndarray, shape (...)
        How many cells hold readings, and how many readings there are.
    """

    components: Components
    mean: Array
    mean_error: Array
    operator_means: Array
    operator_covariance: Array
    log_likelihood: Array
    converged: Mask
    part_at_zero: Mask
    operator_at_zero: Mask
    interaction_at_zero: Mask
    parts: int
    operators: int
    cells: Array
    readings: Array

    def reshaped(self, stack: tuple[int, ...]) -> RemlFit:
        """Return the same with the first axis laid out as ``stack``."""
        return each_array(lambda a: a.reshape(stack + a.shape[1:]), self)


def _fitted(
    grid: CellGrid, operators: str, *, crossed: bool = True, interaction: bool = True
) -> RemlFit:
    """Fit the model to studies and name what was found; nested, the parts are the cells."""
    one_of("operators", operators, ("random", "fixed"))
    seen = np.zeros(len(grid.counts), dtype=np.bool_)
    for counts, studies in designs(grid):
        if crossed:
            require_crossed(counts, interaction=interaction)
        else:
            require_nested(counts)
        seen[studies] = crossed and interaction_shows(counts)
    _, rows, count = grid.counts.shape
    fixed = count > 1 and operators == "fixed"
    sources = crossed_sources(count, part=crossed, interaction=interaction, operators_fixed=fixed)
    found = in_units(grid, fit(grid, sources, FROM_EVERY_CORNER))
    part, operator, between, error = np.moveaxis(found.variances, -1, 0)
    zero = (found.variances == 0.0) & sources.terms
    if count == 1:
        operator = np.full_like(error, np.nan)
    elif fixed:
        operator = own_differences(found)
    if not crossed:
        part, between = between, np.full_like(error, np.nan)
    elif not interaction:
        between = np.where(seen, 0.0, np.nan)
    k = found.effects.shape[-1]
    kept = k if fixed else 0
    return RemlFit(
        components=Components(part, operator, between, error),
        mean=found.effects.mean(axis=-1),
        mean_error=np.sqrt(found.covariance.sum(axis=(-2, -1))) / k,
        operator_means=found.effects[:, :kept],
        operator_covariance=found.covariance[:, :kept, :kept],
        log_likelihood=-0.5 * found.deviance,
        converged=found.converged,
        part_at_zero=zero[:, 0 if crossed else 2],
        operator_at_zero=zero[:, 1],
        interaction_at_zero=zero[:, 2] & crossed,
        parts=rows if crossed else int(grid.cells[0]),
        operators=count,
        cells=grid.cells,
        readings=grid.readings,
    )


# Variance components of crossed studies with lost readings, by restricted likelihood.
# ------------------------------------------------------------------------------------


def reml(readings: ArrayLike, *, interaction: bool = True, operators: str = "random") -> RemlFit:
    """Estimate the components of crossed studies, whatever readings are missing.

    Parts are random. The restricted likelihood is maximised from many starts and the best
    end is taken, so that no local stop passes for the estimate.

    Parameters
    ----------
    readings : array_like, shape (..., parts, operators, trials)
        NaN where a reading is missing; leading axes are a stack of studies, each of which
        may lack other readings.
    interaction : bool
        Whether the model has the part-by-operator interaction (random).
    operators : {"random", "fixed"}
        A sample of those who will measure, or all who ever will. With one operator there
        is no operator term.

    Returns
    -------
    RemlFit

    Raises
    ------
    StudyError
        The design cannot tell the components apart.

    Notes
    -----
    Source: Patterson & Thompson, Biometrika 58 (1971), 545-554; Searle, Casella &
    McCulloch, Variance Components (1992), section 6.6. On balanced data with positive
    estimates it is the analysis of variance (ibid., section 3.8).
    """
    cube = np.asarray(readings, dtype=np.float64)
    grid = grid_of_cube(cube.reshape(-1, *cube.shape[-3:]))
    return _fitted(grid, operators, interaction=interaction).reshaped(cube.shape[:-3])


# Whether the interaction is kept where readings are missing: a test by likelihood.
# ---------------------------------------------------------------------------------


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

    def of(self, study: int) -> InteractionTest:
        """Return the test of one study of a stack."""
        return each_array(lambda of_all: np.asarray(of_all[study]), self)

    def by_rule(self, pool_above: float = 0.25) -> tuple[RemlFit, Mask]:
        """Return the fit that the rule takes, study by study, and where it is pooled.

        Notes
        -----
        Source: AIAG MSA, 4th ed., appendix A, pools where the interaction's p value is
        above 0.25; there p comes from an F test, which needs balanced data.
        """
        pool = np.asarray(~(self.p <= pool_above))

        def chosen(pooled: Array, kept: Array) -> Array:
            inside = (1,) * (pooled.ndim - np.ndim(pool))
            return np.where(pool.reshape(pool.shape + inside), pooled, kept)

        return each_array(chosen, self.pooled, self.kept), pool


def interaction_likelihood_ratio(
    readings: ArrayLike, *, operators: str = "random"
) -> InteractionTest:
    """Test the part-by-operator interaction of crossed studies with missing readings.

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
    kept, pooled = (
        reml(readings, interaction=interaction, operators=operators)
        for interaction in (True, False)
    )
    gained = ~kept.interaction_at_zero & np.isfinite(pooled.log_likelihood)
    gain = np.zeros(np.shape(gained))
    np.subtract(kept.log_likelihood, pooled.log_likelihood, out=gain, where=gained)
    settled = kept.converged & pooled.converged
    statistic = np.where(settled, 2.0 * np.maximum(gain, 0.0), np.nan)
    return InteractionTest(statistic, boundary_p(statistic), kept, pooled)


def reml_by_rule(
    readings: Array, *, interaction: str, pool_above: float, operators: str
) -> tuple[RemlFit, Mask]:
    """Return the fit of each study, and where the interaction was pooled.

    As `grr.formulas.analysis_of_variance.components_by_rule` for complete studies; for "auto" by
    the likelihood ratio.
    """
    if interaction == "auto" and readings.shape[-2] > 1:
        test = interaction_likelihood_ratio(readings, operators=operators)
        return test.by_rule(pool_above)
    pool = interaction != "keep" or readings.shape[-2] < 2
    fit = reml(readings, interaction=not pool, operators=operators)
    return fit, np.full(readings.shape[:-3], pool)


def boundary_p(statistic: Array) -> Array:
    """Return p of a likelihood ratio for one variance: ½·χ²₀ + ½·χ²₁.

    The tail of a chi-square with one degree of freedom is erfc(√(x/2)).
    """
    tail = 0.5 * erfc(np.sqrt(np.asarray(statistic) / 2.0))
    return np.where(np.equal(statistic, 0.0), 1.0, tail)


# Nested studies with lost readings or unequal numbers of parts, by restricted likelihood.
# ----------------------------------------------------------------------------------------


def nested_reml(
    readings: ArrayLike, part: ArrayLike, operator: ArrayLike, *, operators: str = "random"
) -> RemlFit:
    """Estimate the components of a nested study, whatever readings are missing.

    Parameters
    ----------
    readings : array_like, shape (..., n)
        Finite; leading axes are a stack of studies of one design.
    part, operator : array_like, shape (n,)
        Numbers or names. Parts of two operators are two parts, even where they bear one
        name.
    operators : {"random", "fixed"}
        A sample of those who will measure, or all who ever will.

    Returns
    -------
    RemlFit
        ``parts`` is the number of all parts. The interaction cannot be told from parts:
        it is NaN, and the part variance holds it.

    Raises
    ------
    StudyError
        Nothing was measured twice, or every operator had one part.

    Notes
    -----
    Source: Searle, Casella & McCulloch, Variance Components (1992), sections 3.6 (the
    two-way nested classification) and 6.6 (restricted likelihood).
    """
    values, (part_codes, operator_codes) = checked_codes(readings, part, operator)
    cube = cube_of_codes(values, rank_within(operator_codes, part_codes), operator_codes)
    grid = grid_of_cube(cube.reshape(-1, *cube.shape[-3:]))
    return _fitted(grid, operators, crossed=False).reshaped(values.shape[:-1])


def nested_cube(readings: ArrayLike, part: ArrayLike, operator: ArrayLike) -> Array:
    """Lay the readings of one nested study out, shape (operators, parts, trials).

    NaN fills up where an operator had fewer parts or a part fewer readings; without any
    NaN the study is balanced, and `grr.formulas.analysis_of_variance.nested_anova` takes it.

    Parameters
    ----------
    readings, part, operator : array_like, shape (n,)
        As for `nested_reml`, one study.
    """
    values, (part_codes, operator_codes) = checked_codes(readings, part, operator)
    return cube_of_codes(values, operator_codes, rank_within(operator_codes, part_codes))
