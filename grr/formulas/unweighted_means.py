"""Sums of squares of studies with lost readings, by unweighted means."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from grr.formulas.analysis_of_variance import Cells, CrossedAnova, cell_sums
from grr.formulas.arrays import Array, Mask, quotient
from grr.formulas.reml_fit import contrasts_of
from grr.model.errors import StudyError

# Sums of squares of crossed studies with lost readings, by unweighted cell means.
# --------------------------------------------------------------------------------

Count = int | float | Array | NDArray[np.int64]


@dataclass(frozen=True)
class UnweightedMeans:
    """Sums of squares of cell means, scaled to single readings.

    Their expected mean squares are those of a balanced study with ``trials``,
    ``parts_per_operator`` and ``operators_per_part`` in place of r, p and o.

    Attributes
    ----------
    parts, operators : int
    trials : float or ndarray, shape (...)
        Harmonic mean of the number of readings in a cell (a part by an operator).
    operators_per_part, parts_per_operator : float or ndarray, shape (...)
        How many cells stand behind the effect of a part and of an operator; the
        numbers of operators and of parts where no cell is empty.
    parts_per_difference : float or ndarray, shape (...)
        The same as ``parts_per_operator``, along the differences seen among these
        operators: what counts where the operators are fixed.
    cells : float or ndarray, shape (...)
        How many cells stand behind the mean.
    mean : ndarray, shape (...)
        Mean over parts and operators.
    ss_part, ss_operator, ss_interaction, ss_error : ndarray, shape (...)
        Sums of squares, in the unit of the readings squared.
    df_interaction, df_error : int or ndarray, shape (...)
    """

    parts: int
    operators: int
    trials: Count
    operators_per_part: Count
    parts_per_operator: Count
    parts_per_difference: Count
    cells: Count
    mean: Array
    ss_part: Array
    ss_operator: Array
    ss_interaction: Array
    ss_error: Array
    df_interaction: Count
    df_error: Count

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts, p − 1."""
        return self.parts - 1

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1


def balanced_means(anova: CrossedAnova) -> UnweightedMeans:
    """Return a balanced study in the same form: nothing is approximate there."""
    return UnweightedMeans(
        parts=anova.parts,
        operators=anova.operators,
        trials=anova.trials,
        operators_per_part=anova.operators,
        parts_per_operator=anova.parts,
        parts_per_difference=anova.parts,
        cells=anova.parts * anova.operators,
        mean=anova.mean,
        ss_part=anova.ss_part,
        ss_operator=anova.ss_operator,
        ss_interaction=anova.ss_interaction,
        ss_error=anova.ss_error,
        df_interaction=anova.df_interaction,
        df_error=anova.df_error,
    )


def unweighted_means(readings: Array) -> UnweightedMeans:
    """Split crossed studies with missing readings into sums of squares of cell means.

    The effects of parts and operators are fitted to the cell means by least squares,
    every cell counting equally. Sums of squares of the effects are treated as
    chi-square with the degrees of freedom of a balanced study and with the harmonic
    mean of the number of readings behind them. Where no cell is empty the effects are
    plain row and column means. Where more operators measured some of the parts in a second
    stage, operators and interaction are split exactly, see `_in_two_stages`.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        NaN where a reading is missing; leading axes are a stack of studies.

    Raises
    ------
    StudyError
        Fewer than two parts, a part or operator without readings, groups of parts
        and operators that share no reading, or too few cells to see the interaction.

    Notes
    -----
    Source: Thomas & Hultquist, Annals of Statistics 6 (1978), 582-587 (unweighted
    means and the harmonic n, one way); Burdick & Graybill, Confidence Intervals on
    Variance Components (1992), unbalanced crossed designs (chapter not at hand). Applying the
    harmonic mean to adjusted effects where cells are empty is this project's own
    extension, justified by simulated coverage (tests/coverage).
    """
    cells = cell_sums(readings)
    filled = cells.counts > 0
    p, o = filled.shape[-2:]
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    refuse_unmeasured(filled)
    fit = _fitted_effects(cells.means, filled)
    n_cells = filled.sum(axis=(-2, -1))
    inverse = np.where(filled, 1.0 / np.maximum(cells.counts, 1), 0.0)
    trials = n_cells / inverse.sum(axis=(-2, -1))
    means = UnweightedMeans(
        parts=p,
        operators=o,
        trials=trials,
        operators_per_part=fit.operators_per_part,
        parts_per_operator=fit.parts_per_operator,
        parts_per_difference=fit.parts_per_difference,
        cells=fit.cells,
        mean=cells.origin[..., 0, 0] + fit.mean,
        ss_part=trials * fit.operators_per_part * fit.ss_part,
        ss_operator=trials * fit.parts_per_operator * fit.ss_operator,
        ss_interaction=trials * fit.ss_rest,
        ss_error=cells.within.sum(axis=(-2, -1)),
        df_interaction=n_cells - p - o + 1,
        df_error=cells.counts.sum(axis=(-2, -1)) - n_cells,
    )
    stages = _two_stages(cells.counts)
    if stages is not None:
        return _in_two_stages(means, cells, *stages)
    stack = cells.counts.shape[:-2]
    places = list(np.ndindex(stack)) if stack else []
    if all(_two_stages(cells.counts[place]) is None for place in places):
        return means
    each = [unweighted_means(np.asarray(readings)[place]) for place in places]
    together: dict[str, Any] = {
        field.name: np.array([getattr(one, field.name) for one in each]).reshape(stack)
        for field in fields(means)
        if field.name not in ("parts", "operators")
    }
    return replace(means, **together)


def _two_stages(counts: NDArray[np.int64]) -> tuple[Mask, Mask] | None:
    """Return which parts all measured and which operators measured all; None where not staged.

    Staged: some operators measured all parts, all others the same of them, from two, two or
    more parts they did not, and no reading is lost. One empty cell is a reading lost.
    """
    p, o = counts.shape[-2:]
    each = counts.reshape(-1, p, o)
    if (each != each[0]).any() or np.unique(each[0][each[0] > 0]).size != 1:
        return None
    filled = each[0] > 0
    common, everywhere = filled.all(axis=1), filled.all(axis=0)
    staged = (filled == common[:, None] | everywhere).all()
    if not staged or common.all() or everywhere.sum() < 1 or common.sum() < 2:
        return None
    if (~common).sum() < 2:
        return None
    return common, everywhere


def _in_two_stages(
    means: UnweightedMeans, cells: Cells, common: Mask, everywhere: Mask
) -> UnweightedMeans:
    """Return sums of squares of operators and interaction that are exact for a staged study.

    Operators: from the common parts, which all measured. Interaction: that of the common parts
    by all operators, and that of the other parts by those who measured them; the contrasts
    between the two groups of parts are left out. These are independent multiples of chi-square
    variables, and independent of the scatter within cells. Source: independence of orthogonal
    contrasts (Montgomery, Design and Analysis of Experiments, section 3.5).
    """
    together = cells.means[..., common, :]
    others = cells.means[..., ~common, :][..., everywhere]
    c, n = int(common.sum()), int(everywhere.sum())
    among = together.mean(axis=-2)
    ss_operator = np.square(among - among.mean(axis=-1, keepdims=True)).sum(axis=-1)
    return replace(
        means,
        parts_per_operator=c,
        parts_per_difference=c,
        ss_operator=means.trials * c * ss_operator,
        ss_interaction=means.trials * (_crossed_rest(together) + _crossed_rest(others)),
        df_interaction=(c - 1) * (means.operators - 1) + (means.parts - c - 1) * (n - 1),
    )


def _crossed_rest(cell_means: Array) -> Array:
    """Return the sum of squares that row and column means of a full table leave."""
    rows, columns = (cell_means.mean(axis=axis, keepdims=True) for axis in (-1, -2))
    rest = cell_means - rows - columns + cell_means.mean(axis=(-2, -1), keepdims=True)
    found: Array = np.square(rest).sum(axis=(-2, -1))
    return found


@dataclass(frozen=True)
class _Fit:
    mean: Array
    ss_part: Array
    ss_operator: Array
    ss_rest: Array
    operators_per_part: Array
    parts_per_operator: Array
    parts_per_difference: Array
    cells: Array


def _fitted_effects(cell_means: Array, filled: Mask) -> _Fit:
    """Fit mean, part and operator effects to the filled cells, each counting equally."""
    *stack, p, o = cell_means.shape
    part_columns = np.repeat(contrasts_of(p), o, axis=0)
    operator_columns = np.tile(contrasts_of(o), (p, 1))
    full = np.hstack([np.ones((p * o, 1)), part_columns, operator_columns])
    design = full * filled.reshape(*stack, p * o, 1)
    values = cell_means.reshape(*stack, p * o, 1)
    normal = np.swapaxes(design, -1, -2) @ design
    if (np.linalg.eigvalsh(normal)[..., 0] < 1e-9).any():
        raise StudyError(
            "The parts fall into groups that no operator has in common",
            "Let one operator measure parts of both groups, or analyse the groups apart",
        )
    if o > 1 and (filled.sum(axis=(-2, -1)) - p - o + 1 < 1).any():
        raise StudyError(
            "Too few parts were measured by more than one operator to give intervals: how far "
            "operators disagree part by part cannot be seen",
            "Let every operator measure every part at least once",
        )
    covariance = np.linalg.inv(normal)
    effects = covariance @ np.swapaxes(design, -1, -2) @ values
    rest = values * filled.reshape(*stack, p * o, 1) - design @ effects
    of_part, of_operator = effects[..., 1:p, 0], effects[..., p:, 0]
    spread = np.diagonal(covariance, axis1=-2, axis2=-1)
    if o > 1:
        per_operator = 1.0 / spread[..., p:].mean(axis=-1)
        # the inverse variance of the effects along the direction they were seen in
        along = np.einsum("...i,...ij,...j->...", of_operator, covariance[..., p:, p:], of_operator)
        per_difference = quotient(np.square(of_operator).sum(axis=-1), along, per_operator)
    else:
        per_operator = per_difference = np.full(stack, float(p))
    return _Fit(
        mean=effects[..., 0, 0],
        ss_part=np.square(of_part).sum(axis=-1),
        ss_operator=np.square(of_operator).sum(axis=-1),
        ss_rest=np.square(rest[..., 0]).sum(axis=-1),
        operators_per_part=1.0 / spread[..., 1:p].mean(axis=-1),
        parts_per_operator=per_operator,
        parts_per_difference=per_difference,
        cells=1.0 / spread[..., 0],
    )


def refuse_unmeasured(filled: Mask) -> None:
    """Refuse studies (..., parts, operators) in which a part or an operator was never measured."""
    for article, name, axis in (("A", "part", -1), ("An", "operator", -2)):
        empty = ~filled.any(axis=axis)
        if empty.any():
            raise StudyError(
                f"{article} {name} has no reading at all",
                f"Measure it, or leave the {name} out of the study",
                value=f"{name} number {int(np.argwhere(empty)[0][-1]) + 1}",
            )


# Sums of squares of nested studies with lost readings, by unweighted means.
# --------------------------------------------------------------------------


@dataclass(frozen=True)
class UnweightedNested:
    """Sums of squares of the means of parts and operators, scaled to single readings.

    The same attributes as `grr.formulas.analysis_of_variance.NestedAnova`; ``parts`` and ``trials``
    are harmonic means, and with the degrees of freedom have the stack's shape (...).
    """

    operators: int
    parts: Count
    trials: Count
    mean: Array
    ss_operator: Array
    ss_part: Array
    ss_error: Array
    df_part: Count
    df_error: Count

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1


def unweighted_nested(readings: Array) -> UnweightedNested:
    """Split nested studies with missing readings into sums of squares of means.

    Parameters
    ----------
    readings : ndarray, shape (..., operators, parts, trials)
        NaN where a reading is missing; part 1 of one operator is another part than part 1
        of the next. Operators may have unequal numbers of parts: leave the rest NaN.

    Raises
    ------
    StudyError
        An operator without readings, or nothing measured twice, or one part each.

    Notes
    -----
    Source: Thomas & Hultquist, Annals of Statistics 6 (1978), 582-587, for one way; the
    same step is taken twice here, justified by simulated coverage (tests/coverage).
    """
    cells = cell_sums(readings)
    filled = cells.counts > 0
    parts_each = filled.sum(axis=-1)
    if (parts_each == 0).any():
        raise StudyError(
            "An operator has no reading at all", "Leave this operator out of the study"
        )
    o = parts_each.shape[-1]
    n_cells = parts_each.sum(axis=-1)
    df_part = n_cells - o
    df_error = cells.counts.sum(axis=(-2, -1)) - n_cells
    if (df_part == 0).any() or (df_error == 0).any():
        raise StudyError(
            "Too little was repeated to tell parts, operators and repeatability apart",
            "Give every operator at least two parts, and measure parts at least twice",
        )
    inverse = np.where(filled, 1.0 / np.maximum(cells.counts, 1), 0.0)
    trials = n_cells / inverse.sum(axis=(-2, -1))
    parts = 1.0 / (1.0 / parts_each).mean(axis=-1)
    operator_means = cells.means.sum(axis=-1) / parts_each
    within = np.where(filled, cells.means - operator_means[..., None], 0.0)
    mean = operator_means.mean(axis=-1)
    return UnweightedNested(
        operators=o,
        parts=parts,
        trials=trials,
        mean=cells.origin[..., 0, 0] + mean,
        ss_operator=trials * parts * np.square(operator_means - mean[..., None]).sum(axis=-1),
        ss_part=trials * np.square(within).sum(axis=(-2, -1)),
        ss_error=cells.within.sum(axis=(-2, -1)),
        df_part=df_part,
        df_error=df_error,
    )
