"""After how long a drifting gauge has used up what it may drift."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array


def time_to_drift(allowed: Array | float, slope: Array | float) -> Array:
    """Return after how long a straight drift reaches ``allowed``; infinite without drift.

    allowed/|slope|: 0.3 µm at 0.05 µm a minute is 6 minutes.

    Parameters
    ----------
    allowed : float or ndarray
        Largest drift accepted, in the unit of the readings.
    slope : float or ndarray
        In that unit per minute.
    """
    speed = np.abs(np.asarray(slope, dtype=np.float64))
    return np.where(speed > 0.0, allowed / np.where(speed > 0.0, speed, 1.0), np.inf)


def time_to_settle(allowed: Array | float, amount: Array | float, time_constant: float) -> Array:
    """Return after how long A·(1 − exp(−t/τ)) reaches ``allowed``; infinite where it never does.

    t = −τ·ln(1 − allowed/|A|).
    """
    amount = np.abs(np.asarray(amount, dtype=np.float64))
    reached = amount > allowed
    share = np.where(reached, allowed / np.where(reached, amount, 1.0), 0.0)
    return np.where(reached, -time_constant * np.log1p(-share), np.inf)


def time_until_steady(allowed: Array | float, amount: Array | float, time_constant: float) -> Array:
    """Return after how long no more than ``allowed`` of a settling is still to come.

    t = τ·ln(|A|/allowed), 0 where A is not larger. Zeroing then holds for good, as long as
    the gauge stays as warm as it is.
    """
    amount = np.abs(np.asarray(amount, dtype=np.float64))
    return np.asarray(time_constant * np.log(np.maximum(amount / allowed, 1.0)))
