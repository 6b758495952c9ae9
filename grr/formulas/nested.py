"""Nested studies: every part was measured by one operator only, as when measuring destroys."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from grr.formulas.arrays import Array
from grr.formulas.components import Components
from grr.model.errors import StudyError


@dataclass(frozen=True)
class NestedAnova:
    """Sums of squares of balanced nested studies.

    Attributes
    ----------
    operators, parts, trials : int
        Operators, parts of each operator, and readings of each part.
    mean : ndarray, shape (...)
        Mean of all readings.
    ss_operator, ss_part, ss_error : ndarray, shape (...)
        Sums of squares, in the unit of the readings squared; ``ss_part`` is that of
        parts within operators.
    """

    operators: int
    parts: int
    trials: int
    mean: Array
    ss_operator: Array
    ss_part: Array
    ss_error: Array

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts within operators, o(p − 1)."""
        return self.operators * (self.parts - 1)

    @property
    def df_error(self) -> int:
        """Degrees of freedom of repeatability, op(r − 1)."""
        return self.operators * self.parts * (self.trials - 1)

    @property
    def ms_operator(self) -> Array:
        """Mean square of operators; NaN with one operator."""
        if self.operators < 2:
            return np.full_like(self.ss_operator, np.nan)
        return self.ss_operator / self.df_operator

    @property
    def ms_part(self) -> Array:
        """Mean square of parts within operators."""
        return self.ss_part / self.df_part

    @property
    def ms_error(self) -> Array:
        """Mean square of repeatability."""
        return self.ss_error / self.df_error


def nested_anova(readings: ArrayLike) -> NestedAnova:
    """Split the readings of balanced nested studies into sums of squares.

    Parameters
    ----------
    readings : array_like, shape (..., operators, parts, trials)
        Finite readings; part 1 of one operator is another part than part 1 of the next.
        Leading axes are a stack of studies.

    Returns
    -------
    NestedAnova

    Raises
    ------
    StudyError
        One trial, one part for each operator, or a missing reading.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (the two-stage
    nested design).
    """
    cube = np.asarray(readings, dtype=np.float64)
    *stack, o, p, r = cube.shape
    require_nested(np.full((p, o), r))
    flat = cube.reshape(*stack, o * p * r)
    if not np.isfinite(flat).all():
        raise StudyError(
            "A reading is missing, and sums of squares need every one",
            "Use grr.anova on the study, which handles missing readings",
        )
    first = flat[..., :1]
    mean_from_first = (flat - first).mean(axis=-1, keepdims=True)
    deviations = ((flat - first) - mean_from_first).reshape(cube.shape)
    part_means = deviations.mean(axis=-1)
    operator_means = part_means.mean(axis=-1)
    return NestedAnova(
        operators=o,
        parts=p,
        trials=r,
        mean=(first + mean_from_first)[..., 0],
        ss_operator=p * r * np.square(operator_means).sum(axis=-1),
        ss_part=r * np.square(part_means - operator_means[..., None]).sum(axis=(-2, -1)),
        ss_error=np.square(deviations - part_means[..., None]).sum(axis=(-3, -2, -1)),
    )


def nested_components(anova: NestedAnova, *, operators_fixed: bool = False) -> Components:
    """Return the components of nested studies.

    Repeatability EV = MS_E, operators AV = (MS_O − MS_P(O)) / (pr), parts within
    operators PV = (MS_P(O) − MS_E) / r. The interaction cannot be told from parts: it is
    NaN, and PV holds it.

    GRR is EV plus AV, AV not below 0. The mean square of parts stands in AV's formula, so
    where parts differ much AV is estimated far below 0 in half of all studies; left in
    the sum it would make GRR smaller than the repeatability that was measured.

    Parameters
    ----------
    anova : NestedAnova
    operators_fixed : bool
        The operators are all who will ever measure: AV is the mean square of their own
        differences, Σα²/o in place of Σα²/(o−1).

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 14.1 (expected mean
    squares with parts random); Burdick, Borror & Montgomery, Design and Analysis of
    Gauge R&R Studies (SIAM 2005), chapter 7 (nested designs).
    """
    o, p, r = anova.operators, anova.parts, anova.trials
    repeatability = anova.ms_error
    operator = (anova.ms_operator - anova.ms_part) / (p * r)
    if operators_fixed:
        operator = operator * (o - 1) / o
    return Components(
        part=(anova.ms_part - anova.ms_error) / r,
        operator=operator,
        interaction=np.full_like(repeatability, np.nan),
        repeatability=repeatability,
        grr=repeatability + np.maximum(np.nan_to_num(operator), 0.0),
    )


def require_nested(counts: Array) -> None:
    """Refuse a nested design from which the components cannot be told apart.

    Parameters
    ----------
    counts : ndarray, shape (parts of one operator, operators)
        Readings of each part; 0 beyond the parts that an operator had.

    Raises
    ------
    StudyError
    """
    cells = int((counts > 0).sum())
    if int(counts.sum()) == cells:
        raise StudyError(
            "Each part was measured once, so the gauge's repeatability cannot be told "
            "from the differences between parts",
            "Measure parts twice; where measuring destroys them, take two or more pieces so "
            "alike (cut from one blank, say) that they count as one part",
        )
    if cells == counts.shape[1]:
        raise StudyError(
            "Every operator had one part only, so operators cannot be told from parts",
            "Give every operator at least two parts",
        )
