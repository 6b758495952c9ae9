"""The array types that the formulas take and give."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

Array: TypeAlias = NDArray[np.float64]
Mask: TypeAlias = NDArray[np.bool_]


def measured(readings: Array) -> Array:
    """Return the readings without parts and operators that have none at all."""
    there = np.asarray(np.isfinite(readings).any(axis=-1))
    return readings[there.any(axis=1)][:, there.any(axis=0)]


def quotient(part: Array | float, whole: Array | float, otherwise: Array | float = np.nan) -> Array:
    """Return part/whole, and ``otherwise`` where the whole is not above 0."""
    whole = np.asarray(whole, dtype=np.float64)
    usable = whole > 0.0
    return np.where(usable, part / np.where(usable, whole, 1.0), otherwise)
