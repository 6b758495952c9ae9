"""Do checks scatter more than the readings within them explain?"""

from __future__ import annotations

import numpy as np
from scipy.special import fdtrc

from grr.formulas.arrays import Array


def between_checks(readings: Array) -> Array:
    """Return p of the F test of check means against the scatter within checks.

    Parameters
    ----------
    readings : ndarray, shape (..., checks, m)
        At least two checks of at least two readings each.

    Returns
    -------
    ndarray, shape (...)
        Small: a chart whose limits come from the ranges within checks would alarm for
        the ordinary scatter from day to day.

    Notes
    -----
    One-way analysis of variance; Montgomery, Design and Analysis of Experiments,
    section 3.3.
    """
    *_, checks, m = readings.shape
    from_first = readings - readings[..., :1, :1]
    means = from_first.mean(axis=-1)
    within = np.square(from_first - means[..., None]).sum(axis=(-2, -1)) / (checks * (m - 1))
    between = m * means.var(axis=-1, ddof=1)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = between / within
    # neither scatters at all: nothing lies between the checks
    return np.asarray(fdtrc(checks - 1, checks * (m - 1), np.where(np.isnan(f), 0.0, f)))
