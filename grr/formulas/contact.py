"""How much a part is flattened where it touches the faces (Hertz)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from grr.formulas.arrays import Array
from grr.model.errors import StudyError


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
