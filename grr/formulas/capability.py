"""A gauge or a measuring process against its tolerance: Cg and Cgk, Q_MS and Q_MP."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, nctdtrinc

from grr.formulas.arrays import Array

# Cg and Cgk: a gauge's repeatability and bias on one reference against the tolerance.
# ------------------------------------------------------------------------------------

#: Values of t beyond this are far out.
_FAR = 500.0


@dataclass(frozen=True)
class GaugeCapability:
    """Cg, Cgk and their two-sided intervals; arrays have the shape of the stack (...)."""

    cg: Array
    cg_lower: Array
    cg_upper: Array
    cgk: Array
    cgk_lower: Array
    cgk_upper: Array


def gauge_capability(
    bias: Array | float,
    sd: Array | float,
    *,
    readings: int,
    width: float,
    share: float = 0.2,
    multiple: float = 6.0,
    level: float = 0.95,
) -> GaugeCapability:
    """Return Cg = share·T/(multiple·s) and Cgk = (share·T/2 − |bias|)/(multiple·s/2).

    Parameters
    ----------
    bias, sd : float or ndarray
        Mean minus reference, and standard deviation with ``readings`` − 1 degrees of
        freedom, in one unit; the sd above 0.
    readings : int
        How many readings of the reference part there are.
    width : float
        Tolerance T, upper limit minus lower limit.
    share : float
        The share of the tolerance granted to the gauge.
    multiple : float
        How many sd make the spread of the gauge.
    level : float
        Confidence of the two-sided intervals.

    Returns
    -------
    GaugeCapability
        The interval of Cg is exact (chi-square). That of Cgk takes the nearer limit as
        though it were the only one (noncentral t), which is exact with a bias well away
        from 0; with no bias its lower end is on the safe side. Simulated coverage:
        ``tests/coverage``.

    Notes
    -----
    Common practice in companies, no published standard for the formulas; the intervals
    are those of the capability indices Cp and Cpk, Kotz & Johnson, Process Capability
    Indices (1993), chapter 2.
    """
    sd = np.asarray(sd, dtype=np.float64)
    df = readings - 1.0
    tail = (1.0 - level) / 2.0
    cg = share * width / (multiple * sd)
    cgk = (share * width / 2.0 - np.abs(bias)) / (multiple * sd / 2.0)
    scale = multiple / 2.0 * np.sqrt(readings)
    return GaugeCapability(
        cg=cg,
        cg_lower=cg * np.sqrt(chdtri(df, 1.0 - tail) / df),
        cg_upper=cg * np.sqrt(chdtri(df, tail) / df),
        cgk=cgk,
        cgk_lower=_noncentrality(df, 1.0 - tail, scale * cgk) / scale,
        cgk_upper=_noncentrality(df, tail, scale * cgk) / scale,
    )


def _noncentrality(df: float, probability: float, t: Array) -> Array:
    """Return δ of the noncentral t with which ``t`` is exceeded by 1 − ``probability``.

    Far out (a wrong unit, say) scipy's search does not end; there t is δ·√(ν/χ²) to a part
    in 10,000, since the normal term is small beside δ.
    """
    t = np.asarray(t, dtype=np.float64)
    far = ~(np.abs(t) < _FAR)
    near = nctdtrinc(df, probability, np.where(far, 0.0, t))
    low, high = chdtri(df, probability), chdtri(df, 1.0 - probability)
    return np.where(far, t * np.sqrt(np.where(t > 0.0, low, high) / df), near)


def smallest_tolerance(
    bias: Array | float,
    sd: Array | float,
    *,
    share: float = 0.2,
    multiple: float = 6.0,
    limit: float = 1.33,
) -> Array:
    """Return the smallest tolerance for which Cg and Cgk would both reach the limit.

    T = (limit·multiple·s + 2·|bias|)/share; with no bias Cgk is Cg, so Cgk decides.
    """
    return np.asarray((limit * multiple * np.asarray(sd) + 2.0 * np.abs(bias)) / share)


# Q_MS and Q_MP: uncertainty of a measuring system and process against the tolerance.
# -----------------------------------------------------------------------------------

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
