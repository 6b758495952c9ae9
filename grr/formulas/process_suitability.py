"""Q_MS and Q_MP: uncertainty of a measuring system and process against the tolerance."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array

#: Largest Q_MS and Q_MP in percent (ISO 22514-7, from memory).
LIMIT_SYSTEM = 15.0
LIMIT_PROCESS = 30.0


@dataclass(frozen=True)
class SystemUncertainty:
    """Standard uncertainties of a measuring system on reference parts, in one unit.

    Attributes
    ----------
    calibration, resolution, repeatability, bias, linearity : float
        u_CAL, u_RE, u_EVR, u_BI, u_LIN.
    combined : float
        u_MS = √(u_CAL² + max(u_RE², u_EVR²) + u_BI² + u_LIN²).
    """

    calibration: float
    resolution: float
    repeatability: float
    bias: float
    linearity: float
    combined: float


def system_uncertainty(
    *,
    calibration: float,
    resolution: float,
    repeatability: float,
    bias: float,
    linearity: float = 0.0,
) -> SystemUncertainty:
    """Combine what a reference study shows into the uncertainty of the measuring system.

    Parameters
    ----------
    calibration : float
        Standard uncertainty of the reference value.
    resolution : float
        The gauge's last digit; counts as resolution/√12.
    repeatability : float
        Standard deviation of the readings of the reference part.
    bias : float
        Mean minus reference; counts as |bias|/√3.
    linearity : float
        Largest remaining bias over the range; counts as its size/√3.

    Notes
    -----
    Source: ISO 22514-7, clauses on the measuring system (from memory; check the edition
    in force before quoting it to a customer).
    """
    u_resolution = resolution / np.sqrt(12.0)
    u_bias = abs(bias) / np.sqrt(3.0)
    u_linearity = abs(linearity) / np.sqrt(3.0)
    squares = calibration**2 + max(u_resolution, repeatability) ** 2 + u_bias**2 + u_linearity**2
    return SystemUncertainty(
        calibration=calibration,
        resolution=float(u_resolution),
        repeatability=repeatability,
        bias=float(u_bias),
        linearity=float(u_linearity),
        combined=float(np.sqrt(squares)),
    )


def process_uncertainty(
    system: SystemUncertainty,
    *,
    repeatability_on_parts: float,
    operators: float = 0.0,
    interaction: float = 0.0,
    others: Array | tuple[float, ...] = (),
) -> float:
    """Return u_MP: the measuring system together with operators, parts and surroundings.

    √(u_CAL² + max(u_RE², u_EVR², u_EVO²) + u_BI² + u_LIN² + u_AV² + u_IA² + Σ others²).

    Parameters
    ----------
    system : SystemUncertainty
    repeatability_on_parts : float
        EV of a gauge study on real parts, as a standard deviation.
    operators, interaction : float
        AV and INT of the same study, as standard deviations.
    others : sequence of float
        Further standard uncertainties: temperature, stability, the parts' form.

    Notes
    -----
    Source: ISO 22514-7, clauses on the measurement process (from memory).
    """
    largest = max(system.resolution, system.repeatability, repeatability_on_parts)
    squares = (
        system.calibration**2
        + largest**2
        + system.bias**2
        + system.linearity**2
        + operators**2
        + interaction**2
        + float(np.sum(np.square(np.asarray(others, dtype=np.float64))))
    )
    return float(np.sqrt(squares))


def percent_of_width(standard_u: Array | float, width: float, *, k: float = 2.0) -> Array:
    """Return Q = 100·2·U/(upper − lower) with U = k·u, in percent.

    Notes
    -----
    Source: ISO 22514-7, Q_MS and Q_MP (from memory).
    """
    return np.asarray(200.0 * k * np.asarray(standard_u, dtype=np.float64) / width)


def smallest_width(standard_u: float, limit_percent: float, *, k: float = 2.0) -> float:
    """Return the smallest tolerance at which Q stays within its limit."""
    return 200.0 * k * standard_u / limit_percent
