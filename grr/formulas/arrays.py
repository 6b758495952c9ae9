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
