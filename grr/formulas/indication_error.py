"""Errors of indication against the maximum permissible error, by the rule of ISO 14253-1."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from grr.formulas.arrays import Array
from grr.formulas.guard_band import conformance_factor

CONFORMS, OPEN, DOES_NOT = "conforms", "open", "does not conform"


def conformity(
    error: Array | float, mpe: float, standard_u: Array | float, *, confidence: float = 0.95
) -> list[str]:
    """Return for each error whether it conforms, does not, or neither is proven.

    Conforms: |error| ≤ MPE − g·u. Does not: |error| > MPE + g'·u. g is 1.65 at 95 % where u
    is small against the permissible error, and more where it is not; g' is 1.65.

    Parameters
    ----------
    error : float or ndarray, shape (k,)
    mpe : float
        Maximum permissible error, in the unit of the errors; limits are ±MPE.
    standard_u : float or ndarray, shape (k,)
        Standard uncertainty of the test: the reference's, not the gauge's own.
    confidence : float

    Notes
    -----
    Source: ISO 14253-1:2017 (rules for proving conformity and nonconformity; from memory).
    """
    size, u = np.broadcast_arrays(
        np.abs(np.atleast_1d(np.asarray(error, dtype=np.float64))),
        np.asarray(standard_u, dtype=np.float64),
    )
    known = u > 0.0
    factor = conformance_factor(
        np.where(known, 2.0 * mpe / np.where(known, u, 1.0), np.inf), confidence
    )
    # NaN where the uncertainty is so large that no error proves conformity: nothing is inside
    inside, outside = size <= mpe - factor * u, size > mpe + ndtri(confidence) * u
    return [
        CONFORMS if is_in else DOES_NOT if is_out else OPEN
        for is_in, is_out in zip(inside.tolist(), outside.tolist(), strict=True)
    ]


def worst(states: list[str]) -> str:
    """Return the worst of several: does not conform, then open, then conforms."""
    return min(states, key=(DOES_NOT, OPEN, CONFORMS).index)
