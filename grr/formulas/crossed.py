"""Two-way analysis of variance: every part measured by every operator, equally often."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.model.errors import StudyError

#: Rounding error of one reading relative to its size, with room for a few operations.
_ROUNDING = 4.0 * float(np.finfo(np.float64).eps)


@dataclass(frozen=True)
class CrossedAnova:
    """Sums of squares of balanced crossed studies.

    Attributes
    ----------
    parts, operators, trials : int
        The numbers p, o and r.
    mean : ndarray, shape (...)
        Mean of all readings.
    ss_part, ss_operator, ss_interaction, ss_error : ndarray, shape (...)
        Sums of squares, in the unit of the readings squared. With one trial
        ``ss_error`` is 0 and the interaction holds the repeatability.
    """

    parts: int
    operators: int
    trials: int
    mean: Array
    ss_part: Array
    ss_operator: Array
    ss_interaction: Array
    ss_error: Array

    @property
    def df_part(self) -> int:
        """Degrees of freedom of parts, p − 1."""
        return self.parts - 1

    @property
    def df_operator(self) -> int:
        """Degrees of freedom of operators, o − 1."""
        return self.operators - 1

    @property
    def df_interaction(self) -> int:
        """Degrees of freedom of the interaction, (p − 1)(o − 1)."""
        return (self.parts - 1) * (self.operators - 1)

    @property
    def df_error(self) -> int:
        """Degrees of freedom of repeatability, po(r − 1)."""
        return self.parts * self.operators * (self.trials - 1)

    @property
    def ms_part(self) -> Array:
        """Mean square of parts."""
        return self.ss_part / self.df_part

    @property
    def ms_operator(self) -> Array:
        """Mean square of operators; NaN with one operator."""
        return _mean_square(self.ss_operator, self.df_operator)

    @property
    def ms_interaction(self) -> Array:
        """Mean square of the interaction; NaN with one operator."""
        return _mean_square(self.ss_interaction, self.df_interaction)

    @property
    def ms_error(self) -> Array:
        """Mean square of repeatability; NaN with one trial."""
        return _mean_square(self.ss_error, self.df_error)


def _mean_square(sum_of_squares: Array, df: int) -> Array:
    return sum_of_squares / df if df else np.full_like(sum_of_squares, np.nan)


def crossed_anova(readings: Array) -> CrossedAnova:
    """Split the readings of balanced crossed studies into sums of squares.

    Every sum is taken over deviations from the study's own mean, so that a large
    common offset (a size of 10 mm with a spread of 0.1 µm) costs no digits.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        Finite readings; leading axes are a stack of studies.

    Returns
    -------
    CrossedAnova

    Raises
    ------
    StudyError
        Fewer than two parts, or a missing reading.

    Notes
    -----
    Source: Montgomery, Design and Analysis of Experiments, section 5.3 (the
    two-factor factorial); AIAG MSA, 4th ed., chapter III section B and appendix A.
    """
    cube = np.asarray(readings, dtype=np.float64)
    *_, p, o, r = cube.shape
    if p < 2:
        raise StudyError("Only one part was measured", "Measure at least two parts")
    flat = cube.reshape(*cube.shape[:-3], p * o * r)
    first = flat[..., :1]
    mean_from_first = (flat - first).mean(axis=-1, keepdims=True)
    deviations = ((flat - first) - mean_from_first).reshape(cube.shape)
    cells = deviations.mean(axis=-1)
    if not np.isfinite(cells).all():
        raise StudyError(
            "A reading is missing, and sums of squares need every one",
            "Use grr.anova on the study, which handles missing readings",
        )
    part_means = cells.mean(axis=-1)
    operator_means = cells.mean(axis=-2)
    interaction = cells - part_means[..., :, None] - operator_means[..., None, :]
    error = deviations - cells[..., None]
    mean = (first + mean_from_first)[..., 0]
    sums = (
        o * r * np.square(part_means).sum(axis=-1),
        p * r * np.square(operator_means).sum(axis=-1),
        r * np.square(interaction).sum(axis=(-2, -1)),
        np.square(error).sum(axis=(-3, -2, -1)),
    )
    # Readings such as 10.0083 are not exact in binary: what is left of them below this is
    # rounding, not variation, and would make an F out of nothing.
    rounding = p * o * r * np.square(_ROUNDING * (np.abs(mean) + np.sqrt(sum(sums))))
    part, operator, both, repeats = (np.where(ss > rounding, ss, 0.0) for ss in sums)
    return CrossedAnova(p, o, r, mean, part, operator, both, repeats)
