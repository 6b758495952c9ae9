"""Thermal growth of a length: ΔL = L·α·ΔT."""

from __future__ import annotations

import numpy as np

from grr.formulas.arrays import Array
from grr.model.errors import StudyError

#: Linear expansion of steel, per kelvin (common practice, no source; 10.5 to 12.5 × 10⁻⁶
#: by grade).
STEEL = 11.5e-6

#: Temperature at which sizes on drawings hold, °C (ISO 1).
REFERENCE_TEMPERATURE = 20.0


def growth(
    length: Array | float, warming: Array | float, expansion: Array | float = STEEL
) -> Array:
    """Return how much a length grows when it warms: ΔL = L·α·ΔT.

    Parameters
    ----------
    length : float or ndarray
        In any unit; the growth comes back in the same one.
    warming : float or ndarray
        Temperature now minus temperature then, in kelvin; negative when it cooled.
    expansion : float or ndarray
        Linear expansion coefficient α, per kelvin.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), example H.1.2 (size at a temperature that is not the
    reference temperature).
    """
    return np.asarray(length, dtype=np.float64) * expansion * warming


def warming_for(
    grown: Array | float, length: Array | float, expansion: Array | float = STEEL
) -> Array:
    """Return the warming in kelvin that makes a length grow so much: ΔT = ΔL/(L·α).

    Raises
    ------
    StudyError
        A length or an expansion coefficient that is not above 0.

    Notes
    -----
    Source: as `growth`, solved for the temperature.
    """
    per_kelvin = np.asarray(length, dtype=np.float64) * expansion
    if np.any(~(per_kelvin > 0.0)):
        raise StudyError(
            "The length that warms must be more than 0, and so must its expansion coefficient",
            "Give the length of the frame (or of the part) and the coefficient of its material",
        )
    return np.asarray(grown, dtype=np.float64) / per_kelvin


def temperature_error(
    length: Array | float,
    part_temperature: Array | float,
    gauge_temperature: Array | float,
    *,
    part_expansion: Array | float = STEEL,
    gauge_expansion: Array | float = STEEL,
) -> Array:
    """Return by how much a part reads large because part and gauge are not at 20 °C.

    L·[α_part·(θ_part − 20 °C) − α_gauge·(θ_gauge − 20 °C)], in the unit of the length. A
    gauge warmer than the part reads small.

    Parameters
    ----------
    length : float or ndarray
    part_temperature, gauge_temperature : float or ndarray
        In °C.
    part_expansion, gauge_expansion : float or ndarray
        Linear expansion coefficients, per kelvin.

    Notes
    -----
    Source: JCGM 100:2008 (GUM), example H.1.2.
    """
    part = part_expansion * (np.asarray(part_temperature) - REFERENCE_TEMPERATURE)
    gauge = gauge_expansion * (np.asarray(gauge_temperature) - REFERENCE_TEMPERATURE)
    return np.asarray(length, dtype=np.float64) * (part - gauge)
