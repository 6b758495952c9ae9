"""A repeatability that the gauge's last digit hides is not under its rounding error."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from grr.formulas.arrays import Array, Mask
from grr.formulas.components import Components
from grr.formulas.pivots import Pivots
from grr.formulas.ratios import hidden_by_rounding, rounding_floor


def floored_components(found: Components, resolution: Array | float) -> tuple[Components, Mask]:
    """Return the components with no repeatability under the rounding error, and where it was.

    Parameters
    ----------
    found : Components
    resolution : ndarray or float
        NaN where not known: nothing is changed there.
    """
    step = np.asarray(resolution, dtype=np.float64)
    ev = found.repeatability
    hidden = hidden_by_rounding(np.sqrt(ev), step)
    floor = np.where(hidden, np.maximum(np.square(rounding_floor(step)), ev), ev)
    grr = np.where(hidden, found.grr - ev + floor, found.grr)
    return replace(found, repeatability=floor, grr=grr), hidden


def floored_pivots(pivots: Pivots, resolution: float) -> Pivots:
    """Return the draws with no repeatability under the rounding error."""
    floored = np.maximum(pivots.repeatability, rounding_floor(resolution) ** 2)
    added = floored - pivots.repeatability
    return replace(
        pivots, repeatability=floored, grr=pivots.grr + added, total=pivots.total + added
    )
