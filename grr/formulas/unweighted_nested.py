"""Sums of squares of nested studies with lost readings, by unweighted means."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.formulas.unweighted import Count, cell_sums
from grr.model.errors import StudyError


@dataclass(frozen=True)
class UnweightedNested:
    """Sums of squares of the means of parts and operators, scaled to single readings.

    The same attributes as `grr.formulas.nested.NestedAnova`; ``parts`` and ``trials``
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
        mean=cells.origin + mean,
        ss_operator=trials * parts * np.square(operator_means - mean[..., None]).sum(axis=-1),
        ss_part=trials * np.square(within).sum(axis=(-2, -1)),
        ss_error=cells.ss_error,
        df_part=df_part,
        df_error=df_error,
    )
