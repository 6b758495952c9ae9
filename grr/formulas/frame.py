"""What the measuring force and a tilted part do to a reading."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array

#: How far a micrometer's frame opens for each newton, in metres: about 0.1 µm
#: (common practice, no source).
COMPLIANCE = 0.1e-6


def frame_deflection(force_difference: Array | float, compliance: float = COMPLIANCE) -> Array:
    """Return by how much a reading is small when the force is higher than at zeroing, in metres.

    Only the difference counts: what the frame opened at zeroing is in the zero.

    Parameters
    ----------
    force_difference : float or ndarray
        Measuring force minus force at zeroing, in newton.
    compliance : float
        Metres a newton.
    """
    return np.asarray(force_difference, dtype=np.float64) * compliance


def tilt_error(length: Array | float, angle: Array | float) -> Array:
    """Return by how much a flat part reads large when it stands tilted between the faces.

    L·(1/cos φ − 1), about L·φ²/2; the faces then touch edges, so it is the least that a
    tilt does.

    Parameters
    ----------
    length : float or ndarray
        In any unit; the error comes back in the same one.
    angle : float or ndarray
        In radian.
    """
    return np.asarray(length, dtype=np.float64) * (1.0 / np.cos(angle) - 1.0)
