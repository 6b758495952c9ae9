"""Whether a difference is surely inside, or surely outside, a margin."""

from __future__ import annotations

import numpy as np
from scipy.special import stdtr

from grr.formulas.arrays import Array


def p_outside_margin(
    difference: Array, error: Array, df: Array | float, margin: Array | float
) -> Array:
    """Return the p value of two one-sided tests: small where |difference| < margin surely.

    The larger of the p values of "the difference is below −margin" and "above +margin".
    At 0.05 it is the same as a two-sided 90 % interval inside the margin.

    Parameters
    ----------
    difference, error : ndarray, shape (...)
        Mean difference and its standard error, in one unit.
    df : float or ndarray
        Degrees of freedom of the error.
    margin : float or ndarray
        In the same unit, above 0.

    Notes
    -----
    Source: Schuirmann, Journal of Pharmacokinetics and Biopharmaceutics 15 (1987),
    657-680.
    """
    return _upper_tail((margin - np.abs(difference)), error, df)


def p_inside_margin(
    difference: Array, error: Array, df: Array | float, margin: Array | float
) -> Array:
    """Return the p value against "|difference| is at most the margin".

    Small where the difference surely exceeds the margin, on the side where it lies.

    Notes
    -----
    Source: Student's one-sided t test on the side of the observed difference. A true
    difference of exactly the margin is declared outside with at most the level's
    probability, plus the negligible one on the far side.
    """
    return _upper_tail((np.abs(difference) - margin), error, df)


def _upper_tail(excess: Array, error: Array, df: Array | float) -> Array:
    excess, error = np.asarray(excess, dtype=np.float64), np.asarray(error, dtype=np.float64)
    exact = error <= 0.0
    t = excess / np.where(exact, 1.0, error)
    return np.where(exact, np.where(excess > 0.0, 0.0, 1.0), stdtr(df, -t))
