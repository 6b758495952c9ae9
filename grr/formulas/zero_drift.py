"""How far the zero has moved between the checks before and after measuring."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import stdtrit

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


@dataclass(frozen=True)
class ZeroDrift:
    """Change of the zero over several sessions.

    Attributes
    ----------
    mean : float
        Mean change from the check before to the check after, in the unit of the readings.
    lower, upper : float
        Two-sided interval of the mean change; NaN with one session.
    per_minute : float
        Sum of the changes divided by the minutes between the checks.
    largest : float
        The change farthest from 0.
    """

    mean: float
    lower: float
    upper: float
    per_minute: float
    largest: float


def zero_drift(
    changes: Array, minutes: Array, *, level: float = 0.95, least_sd: float = 0.0
) -> ZeroDrift:
    """Return the mean change of the zero with Student's interval.

    Parameters
    ----------
    changes : ndarray, shape (sessions,)
        Zero reading after measuring minus before, on the same master.
    minutes : ndarray, shape (sessions,)
        Between the two checks.
    level : float
    least_sd : float
        The changes are not taken to scatter less than this: the rounding error of a
        difference, resolution/√6.

    Raises
    ------
    StudyError
        No session has both checks.

    Notes
    -----
    Source: Student's t on one value a session.
    """
    changes = np.asarray(changes, dtype=np.float64)
    n = len(changes)
    if n == 0:
        raise StudyError(
            "No session has a zero check both before and after measuring",
            "Check zero at the start and at the end of each session",
        )
    mean = float(changes.mean())
    reach = np.nan
    if n > 1:
        error = max(float(changes.std(ddof=1)), least_sd) / np.sqrt(n)
        reach = float(stdtrit(n - 1, 0.5 + 0.5 * level)) * error
    total = float(np.sum(minutes))
    return ZeroDrift(
        mean=mean,
        lower=float(mean - reach),
        upper=float(mean + reach),
        per_minute=float(changes.sum()) / total if total > 0.0 else np.nan,
        largest=float(changes[np.abs(changes).argmax()]),
    )
