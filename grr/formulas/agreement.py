"""Limits of agreement: how far one reading by one method may lie from one by the other."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from grr.formulas.arrays import Array
from grr.model.errors import StudyError

#: Standard deviations to either side that hold 95 % of normal differences.
MULTIPLE = 1.96


@dataclass(frozen=True)
class Agreement:
    """Limits of agreement; arrays have the stack's shape (...), in the unit of the readings.

    Attributes
    ----------
    mean, sd : ndarray
        Of the difference of two single readings.
    lower, upper : ndarray
        mean ± multiple × sd.
    lower_limits, upper_limits : tuple of ndarray
        Two-sided interval of the lower and of the upper limit of agreement.
    """

    mean: Array
    sd: Array
    lower: Array
    upper: Array
    lower_limits: tuple[Array, Array]
    upper_limits: tuple[Array, Array]


def single_pair_agreement(
    differences: Array, *, multiple: float = MULTIPLE, level: float = 0.95
) -> Agreement:
    """Return the limits of agreement from one pair of readings a part.

    Parameters
    ----------
    differences : ndarray, shape (..., parts)
    multiple : float
        1.96; the paper of 1986 rounds it to 2.
    level : float
        Confidence of the intervals of the limits; their standard error is √(3s²/n).

    Raises
    ------
    StudyError
        Fewer than three parts.

    Notes
    -----
    Source: Bland & Altman, Lancet 1986; i: 307-310.
    """
    values = np.asarray(differences, dtype=np.float64)
    n = values.shape[-1]
    if n < 3:
        raise StudyError("Limits of agreement need at least three parts", "Measure more parts")
    mean, sd = values.mean(axis=-1), values.std(axis=-1, ddof=1)
    reach = stdtrit(n - 1, 0.5 + 0.5 * level) * sd * np.sqrt(3.0 / n)
    lower, upper = mean - multiple * sd, mean + multiple * sd
    return Agreement(
        mean, sd, lower, upper, (lower - reach, lower + reach), (upper - reach, upper + reach)
    )
