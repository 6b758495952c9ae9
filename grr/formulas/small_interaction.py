"""Whether the interaction is smaller than the scatter of the repeats lets it be."""

from __future__ import annotations

import numpy as np
from scipy.special import fdtr

from grr.formulas.arrays import Array


def interaction_too_small(readings: Array) -> tuple[Array, Array]:
    """Return F of the interaction, and the chance of one as small or smaller.

    Something that changes between the trials makes the repeats scatter but not the means
    of parts by operators, and so do readings that were not taken independently.

    Parameters
    ----------
    readings : ndarray, shape (..., parts, operators, trials)
        None missing; two operators and two trials at least.

    Returns
    -------
    f, p : ndarray, shape (...)
        NaN where the repeats do not scatter.

    Notes
    -----
    F = MS(part × operator)/MS(repeats), lower tail. Operators who scatter unequally leave
    fewer degrees of freedom on both sides: with V the operators' variances and P = I −
    11ᵀ/o, (p − 1)·tr(PV)²/tr((PV)²) and p(r − 1)·(Σv)²/Σv². Equal variances give the usual
    ones.

    Source: Montgomery, Design and Analysis of Experiments, section 5.3 (F); Box, Annals of
    Mathematical Statistics 25 (1954), 290-302 and 484-498 (unequal variances).
    """
    x = np.asarray(readings, dtype=np.float64)
    *_, parts, operators, trials = x.shape
    x = x - x[..., :, :1, :1]
    means = x.mean(axis=-1)
    within = np.square(x - means[..., None]).sum(axis=(-3, -1)) / (parts * (trials - 1))
    left = means - means.mean(axis=-1, keepdims=True)
    left = left - left.mean(axis=-2, keepdims=True)
    between = trials * np.square(left).sum(axis=(-2, -1)) / ((parts - 1) * (operators - 1))
    total, squares = within.sum(axis=-1), np.square(within).sum(axis=-1)
    share = 1.0 - 1.0 / operators
    # tr((PV)²) = Σv²·(1 − 2/o) + (Σv)²/o²
    twice = squares * (1.0 - 2.0 / operators) + np.square(total / operators)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = between / (total / operators)
        df = (parts - 1) * np.square(share * total) / twice
        df_within = parts * (trials - 1) * np.square(total) / squares
        return f, np.asarray(fdtr(df, df_within, f))
