"""The physics of a micrometer: warmth, measuring force, the pitch of its screw."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import chdtri, chndtr, fdtrc

from grr.formulas.arrays import Array, legendre, quotient
from grr.formulas.bias import t_quantile
from grr.model.errors import StudyError

# Thermal growth of a length: ΔL = L·α·ΔT.
# ----------------------------------------

#: Linear expansion of steel, per kelvin (common practice, no source; 10.5 to 12.5 × 10⁻⁶
#: by grade).
STEEL_EXPANSION = 11.5e-6


def growth(
    length: Array | float, warming: Array | float, expansion: Array | float = STEEL_EXPANSION
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
    grown: Array | float, length: Array | float, expansion: Array | float = STEEL_EXPANSION
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


# How much a part is flattened where it touches the faces (Hertz).
# ----------------------------------------------------------------


@dataclass(frozen=True)
class Material:
    """Elastic constants: Young's modulus in pascal, and Poisson's ratio."""

    youngs_modulus: float
    poisson: float

    @property
    def compliance(self) -> float:
        """(1 − ν²)/E, per pascal."""
        return (1.0 - self.poisson**2) / self.youngs_modulus


#: Steel, and the tungsten carbide of most measuring faces (common practice, no source).
STEEL = Material(206e9, 0.29)
CARBIDE = Material(620e9, 0.22)

SHAPES = ("flat", "cylinder", "sphere")


def sphere_on_flat(
    force: Array | float, diameter: float, *, part: Material = STEEL, face: Material = STEEL
) -> Array:
    """Return how much a ball and one flat face approach, in metres.

    δ = [9F²/(16·E*²·R)]^(1/3) with 1/E* = (1 − ν₁²)/E₁ + (1 − ν₂²)/E₂ and R the radius.

    Parameters
    ----------
    force : float or ndarray
        In newton.
    diameter : float
        In metres.
    part, face : Material

    Notes
    -----
    Source: Hertz (1881); Johnson, Contact Mechanics (1985), equation (4.23).
    """
    load = np.square(_force(force)) * (part.compliance + face.compliance) ** 2
    return np.asarray(np.cbrt(9.0 * load / (16.0 * diameter / 2.0)))


def cylinder_on_flat(
    force: Array | float,
    diameter: float,
    contact_length: float,
    *,
    part: Material = STEEL,
    face: Material = STEEL,
) -> Array:
    """Return how much a cylinder lying on one flat face and the face approach, in metres.

    δ = (F/2l)·(V₁ + V₂)·[1 + ln(8l³/((V₁ + V₂)·F·R))], V = (1 − ν²)/(πE), with l half the
    length of contact and R the radius.

    Parameters
    ----------
    force : float or ndarray
        In newton.
    diameter, contact_length : float
        In metres; the contact is as long as the face is wide or the part is long,
        whichever is shorter.
    part, face : Material

    Notes
    -----
    Source: Puttock & Thwaite, Elastic compression of spheres and cylinders at point and
    line contact, National Standards Laboratory Technical Paper 25 (CSIRO, 1969), cylinder
    on plane (from memory; derived again from the half-space under a strip of elliptical
    pressure, see the test).
    """
    force = _force(force)
    v = (part.compliance + face.compliance) / np.pi
    half, radius = contact_length / 2.0, diameter / 2.0
    loaded = force > 0.0
    some = np.where(loaded, force, 1.0)
    approach = some / (2.0 * half) * v * (1.0 + np.log(8.0 * half**3 / (v * some * radius)))
    return np.where(loaded, approach, 0.0)


def flattening(
    force: Array | float,
    shape: str,
    diameter: float = 0.0,
    contact_length: float = 0.0,
    *,
    part: Material = STEEL,
    face: Material = STEEL,
) -> Array:
    """Return by how much a part reads small between two flat faces, in metres.

    Both contacts together; a flat part is not flattened to speak of and gives 0.

    Raises
    ------
    StudyError
        An unknown shape, or a size that the shape needs and that is not above 0.
    """
    if shape not in SHAPES:
        raise StudyError(
            "The shape of the contact is not known here",
            f"Use one of: {', '.join(SHAPES)}",
            value=shape,
        )
    if shape == "flat":
        return np.zeros_like(_force(force))
    if diameter <= 0.0 or (shape == "cylinder" and contact_length <= 0.0):
        raise StudyError(
            f"The flattening of a {shape} needs its diameter"
            + (" and the length of contact" if shape == "cylinder" else ""),
            "Give them in metres, more than 0",
        )
    if shape == "sphere":
        return 2.0 * sphere_on_flat(force, diameter, part=part, face=face)
    return 2.0 * cylinder_on_flat(force, diameter, contact_length, part=part, face=face)


def _force(force: Array | float) -> Array:
    force = np.asarray(force, dtype=np.float64)
    if np.any(~(force >= 0.0)):
        raise StudyError("The measuring force is below 0", "Give the force in newton", value=force)
    return force


# What the measuring force does to a reading.
# -------------------------------------------

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


# The periodic error of a measuring screw: a sinusoid at the thread's pitch.
# --------------------------------------------------------------------------

#: Least share of the information on the sinusoid that blocks at all phases would give.
LEAST_INFORMATION = 0.1


@dataclass(frozen=True)
class PitchError:
    """A line and a sinusoid through block means; arrays have the shape of the stack (...).

    Attributes
    ----------
    pitch : float
    amplitude, lower, upper : ndarray
        Half the swing of the periodic error, and its two-sided interval at ``level``.
    sine, cosine : ndarray
        Coefficients of sin(2πx/pitch) and cos(2πx/pitch).
    slope, intercept : ndarray
        The line under the sinusoid.
    f, p : ndarray
        F test of both coefficients against 0.
    residual_sd : ndarray
    df : float
    information : float
        Information on the sinusoid as a share of what blocks at all phases would give.
    level : float
    """

    pitch: float
    amplitude: Array
    lower: Array
    upper: Array
    sine: Array
    cosine: Array
    slope: Array
    intercept: Array
    f: Array
    p: Array
    residual_sd: Array
    df: float
    information: float
    level: float

    def at(self, x: Array) -> Array:
        """Return the fitted bias, line and sinusoid, at x of shape (m,): shape (..., m)."""
        line = self.intercept[..., None] + self.slope[..., None] * x
        return line + self.periodic(x)

    def periodic(self, x: Array) -> Array:
        """Return the sinusoid alone at x of shape (m,): shape (..., m)."""
        turn = 2.0 * np.pi * x / self.pitch
        return self.sine[..., None] * np.sin(turn) + self.cosine[..., None] * np.cos(turn)


def phase_information(blocks: Array, pitch: float) -> float:
    """Return how well blocks can show a sinusoid at the pitch, 0 (not at all) to about 1.

    The smallest eigenvalue of the sine and cosine columns, with constant and slope taken
    out, over the b/2 that evenly spread phases would give.
    """
    columns = _columns(blocks, pitch)
    line, waves = columns[:, :2], columns[:, 2:]
    left = waves - line @ np.linalg.lstsq(line, waves, rcond=None)[0]
    return float(np.linalg.eigvalsh(left.T @ left)[0] / (len(blocks) / 2.0))


def pitch_error(blocks: Array, means: Array, *, pitch: float, level: float = 0.95) -> PitchError:
    """Fit intercept + slope·x + a·sin(2πx/pitch) + b·cos(2πx/pitch) to block means.

    Parameters
    ----------
    blocks : ndarray, shape (b,)
        Distinct reference values.
    means : ndarray, shape (..., b)
        Mean bias at each.
    pitch : float
        Pitch of the thread, in the unit of ``blocks``; never guessed.
    level : float

    Raises
    ------
    StudyError
        Fewer than six blocks, or blocks that all stop the spindle at about the same
        angles of turn.

    Notes
    -----
    F test: Draper & Smith, Applied Regression Analysis, 3rd ed. (extra sum of squares).
    The amplitude's interval inverts its noncentral chi-square distribution, averaged over
    the standard deviation given its estimate; our own, coverage in ``tests/coverage``.
    """
    x = np.asarray(blocks, dtype=np.float64)
    y = np.asarray(means, dtype=np.float64)
    _refuse_blind_blocks(x, pitch)
    columns = _columns(x, pitch)
    inverse = np.asarray(np.linalg.inv(columns.T @ columns), dtype=np.float64)
    coefficients = y @ columns @ inverse
    residual = y - coefficients @ columns.T
    df = float(len(x) - 4)
    sd = np.sqrt(np.square(residual).sum(axis=-1) / df)
    waves = coefficients[..., 2:]
    explained = np.einsum("...i,ij,...j->...", waves, np.linalg.inv(inverse[2:, 2:]), waves)
    with np.errstate(divide="ignore", invalid="ignore"):
        f = explained / 2.0 / sd**2
    amplitude = np.hypot(waves[..., 0], waves[..., 1])
    # the variance factor of the amplitude in the direction of the estimated phase
    along = np.einsum("...i,ij,...j->...", waves, inverse[2:, 2:], waves)
    typical = float(np.trace(inverse[2:, 2:])) / 2.0
    shape = np.sqrt(quotient(along, np.square(amplitude), typical))
    lower, upper = _amplitude_interval(amplitude, sd * shape, df, level)
    slope = coefficients[..., 1]
    return PitchError(
        pitch=pitch,
        amplitude=amplitude,
        lower=lower,
        upper=upper,
        sine=waves[..., 0],
        cosine=waves[..., 1],
        slope=slope,
        intercept=coefficients[..., 0] - slope * x.mean(),
        f=f,
        p=fdtrc(2.0, df, f),
        residual_sd=sd,
        df=df,
        information=phase_information(x, pitch),
        level=level,
    )


def _columns(x: Array, pitch: float) -> Array:
    turn = 2.0 * np.pi * x / pitch
    return np.column_stack([np.ones_like(x), x - x.mean(), np.sin(turn), np.cos(turn)])


def _refuse_blind_blocks(x: Array, pitch: float) -> None:
    if len(x) < 6:
        raise StudyError(
            "The periodic error of the screw needs at least six blocks",
            "Measure more blocks, at sizes that stop the spindle at different angles of turn",
            value=f"{len(x)} blocks",
        )
    information = phase_information(x, pitch)
    if information < LEAST_INFORMATION:
        raise StudyError(
            f"These blocks stop the spindle at too few angles of turn to show an error with a "
            f"pitch of {pitch:g}",
            "Use sizes that leave different parts of a turn, as 2.5, 5.1, 7.7, 10.3 and 12.9 mm "
            "do at a pitch of 0.5 mm",
            value=", ".join(f"{v:g}" for v in x),
        )


def _amplitude_interval(
    amplitude: Array, unit_error: Array, df: float, level: float
) -> tuple[Array, Array]:
    """Return the amplitudes at which the estimate is the upper and the lower tail's quantile.

    With σ known, (amplitude/σ')² is noncentral chi-square with 2 degrees of freedom; the
    probability is averaged over σ given its estimate, σ = s·√(ν/χ²).
    """
    tail = (1.0 - level) / 2.0
    node, weight = legendre(64)
    error = unit_error[..., None] * np.sqrt(df / chdtri(df, (node + 1.0) / 2.0))
    seen = np.square(amplitude[..., None] / error)

    def below(candidate: Array) -> Array:
        chance = chndtr(seen, 2.0, np.square(candidate[..., None] / error))
        return np.asarray(chance @ weight / 2.0)

    ends = []
    for probability in (1.0 - tail, tail):
        low = np.zeros_like(amplitude)
        high = amplitude + 20.0 * (1.0 + t_quantile(1.0 - tail, df)) * unit_error
        for _ in range(50):
            middle = (low + high) / 2.0
            left = below(middle) < probability
            high, low = np.where(left, middle, high), np.where(left, low, middle)
        ends.append(low)
    return ends[0], ends[1]
