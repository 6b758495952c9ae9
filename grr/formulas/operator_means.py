"""How far each operator's mean lies from the others', blocked by part."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtr, stdtrit

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


@dataclass(frozen=True)
class OperatorMeans:
    """Operator means on the same parts, and what their differences are judged by.

    Attributes
    ----------
    parts, operators : int
    means : ndarray, shape (..., operators)
    mean_square : ndarray, shape (...)
        Mean square of the part-by-operator interaction of the cell means: the variance
        of one cell mean about part and operator. It holds the interaction and what the
        repeatability leaves in a cell mean.
    df : int
        (p − 1)(o − 1).
    from_others : ndarray, shape (..., operators)
        Each operator's mean minus the mean of the other operators' means.
    """

    parts: int
    operators: int
    means: Array
    mean_square: Array
    df: int
    from_others: Array

    @property
    def error_of_mean(self) -> Array:
        """Standard error of one operator's mean, part effects excluded."""
        return np.sqrt(self.mean_square / self.parts)

    @property
    def error_from_others(self) -> Array:
        """Standard error of `from_others`: s·√(1 + 1/(o − 1)), s that of one mean."""
        return np.sqrt(self.mean_square / self.parts * self.operators / (self.operators - 1))


def operator_means(cell_means: Array) -> OperatorMeans:
    """Compare the operators on the parts that all of them measured.

    Parameters
    ----------
    cell_means : ndarray, shape (..., parts, operators)
        Mean reading of each part by each operator; none missing.

    Raises
    ------
    StudyError
        Fewer than three parts, or one operator.

    Notes
    -----
    The error is the interaction's mean square, whether operators are a sample or not:
    an operator who disagrees with the others on some parts has a mean that is less sure.
    Source: Montgomery, Design and Analysis of Experiments, section 13.3 (two-factor
    mixed model, comparison of the fixed factor's means).
    """
    cells = np.asarray(cell_means, dtype=np.float64)
    *_, p, o = cells.shape
    _refuse_too_few(p, o)
    origin = cells[..., :1, :1]
    deviations = cells - origin
    operator = deviations.mean(axis=-2)
    part = deviations.mean(axis=-1)
    grand = operator.mean(axis=-1)
    rest = deviations - operator[..., None, :] - part[..., None] + grand[..., None, None]
    df = (p - 1) * (o - 1)
    return OperatorMeans(
        parts=p,
        operators=o,
        means=operator + origin[..., 0],
        mean_square=np.square(rest).sum(axis=(-2, -1)) / df,
        df=df,
        from_others=(operator - grand[..., None]) * o / (o - 1),
    )


def _refuse_too_few(parts: int, operators: int) -> None:
    if parts < 3:
        raise StudyError(
            "Fewer than three parts were measured, which says too little about the operators",
            "Let every operator measure at least three parts, better ten",
            value=f"{parts} parts",
        )
    if operators < 2:
        raise StudyError(
            "Only one operator measured, so there is nobody to compare with",
            "Let at least two operators measure the same parts",
        )


def from_others_limits(found: OperatorMeans, *, level: float = 0.95) -> tuple[Array, Array]:
    """Return the two-sided interval of each operator's difference from the others.

    Each interval by itself holds at ``level``; for all operators at once use `tukey_pairs`
    of their means.

    Notes
    -----
    Source: Student's t; Montgomery, Design and Analysis of Experiments, section 3.5.4.
    """
    reach = stdtrit(found.df, 0.5 + 0.5 * level) * found.error_from_others[..., None]
    return found.from_others - reach, found.from_others + reach


def from_others_p(found: OperatorMeans) -> Array:
    """Return the two-sided p value of each operator's difference from the others."""
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(found.from_others) / found.error_from_others[..., None]
    return 2.0 * stdtr(found.df, -t)
