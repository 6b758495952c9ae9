"""What makes a size measured with a micrometer uncertain: `grr.MicrometerLines`."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.formulas.average_range import range_df
from grr.formulas.micrometer import (
    CARBIDE,
    COMPLIANCE,
    STEEL,
    STEEL_EXPANSION,
    flattening,
    frame_deflection,
    growth,
)
from grr.model.errors import StudyError
from grr.model.rounding import JOIN
from grr.model.rounding import length as fine
from grr.model.units import canonical_unit, conversion, same_unit
from grr.model.values import at_least_zero, needs, number
from grr.questions.budget import Contribution
from grr.questions.gauge import GaugeResult
from grr.questions.reference import ReferenceResult

REPEATABILITY, REPRODUCIBILITY = "repeatability", "reproducibility"


@dataclass(frozen=True)
class MicrometerLines:
    """Lines for a size measured with a micrometer; pick those that apply, change any.

    ``in_study`` asks whether the study on real parts holds an influence already (zeroed
    anew by each operator, measured on different days, held in the hand). Where it does,
    the larger of the two counts, never both; where it is not answered, both count.

    Parameters
    ----------
    length : float
        The size measured.
    unit : str
        Of every length here, in and out.
    expansion : float
        Expansion coefficient of gauge and part, 1/K; steel by default (common practice,
        no source).

    Raises
    ------
    StudyError
        A length or coefficient that is not above 0, or no unit.

    Examples
    --------
    >>> line = grr.MicrometerLines(length=10.0, unit="mm")
    >>> f"{line.calibration(expanded=0.0004, k=2).size:.4f} mm"
    '0.0002 mm'
    """

    length: float
    unit: str
    expansion: float = STEEL_EXPANSION

    def __post_init__(self) -> None:
        object.__setattr__(self, "unit", canonical_unit(self.unit))
        if self.unit == "":
            raise StudyError("The lines need a unit of length", "Give mm, µm, in or µin")
        number("length", self.length, above=0.0)
        number("expansion", self.expansion, above=0.0)

    def calibration(self, expanded: float, k: float = 2.0) -> Contribution:
        """Return the calibration of the gauge, as its certificate prints it: U and k."""
        return Contribution.from_certificate("calibration", expanded, k)

    def resolution(self, step: float) -> Contribution:
        """Return the rounding of one reading: half of the last digit either way.

        Readings of a study are rounded too, so the larger of this and the repeatability
        counts. Source: JCGM 100:2008 (GUM), F.2.2.1.
        """
        half = number("resolution", step, above=0.0) / 2.0
        return Contribution(
            "resolution",
            half,
            "rectangular",
            formula=f"half of the last digit, {fine(step, self.unit)}",
            inside=REPEATABILITY,
            in_study=True,
        )

    def from_study(self, result: GaugeResult, mean_of: int = 1) -> list[Contribution]:
        """Return repeatability, and reproducibility (operators, interaction), of a study.

        Parameters
        ----------
        result : GaugeResult
            In the same unit.
        mean_of : int
            How many readings are averaged for one result: they average repeatability
            only.
        """
        same_unit("The study", result.study.unit, "these lines", self.unit)
        averaged = number("mean_of", mean_of, above=0.0)
        made = [
            Contribution(
                REPEATABILITY,
                result.value("EV", "sd") / math.sqrt(averaged),
                "readings",
                df=_repeat_df(result),
                formula=f"EV of the study{f' / √{averaged:g}' if averaged > 1 else ''}",
            )
        ]
        names = [name for name in ("AV", "INT", "SES", "GAU") if name in result.source_names]
        parts = [result.value(name, "variance") for name in names]
        known = [value for value in parts if math.isfinite(value)]
        operators = len(result.study.operator_names)
        if operators > 1 and known:
            made.append(
                Contribution(
                    REPRODUCIBILITY,
                    math.sqrt(sum(known)),
                    "readings",
                    df=operators - 1.0,
                    formula=f"√({' + '.join(f'{name}²' for name in names)}) of the study, "
                    f"{operators} operators",
                )
            )
        return made

    def bias(self, reference: ReferenceResult, *, corrected: bool) -> Contribution:
        """Return the bias on a reference part: corrected with its uncertainty, or left in.

        Parameters
        ----------
        reference : ReferenceResult
            In the same unit.
        corrected : bool
            Whether every reading is corrected for it. If not, it is added to U.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), 6.3.1 note and F.2.4.5.
        """
        needs(reference, ReferenceResult, "reference")
        same_unit("The reference", reference.unit, "these lines", self.unit)
        u, df = reference.bias_u
        return Contribution.of_bias(reference.bias, u, corrected=corrected, df=df, unit=self.unit)

    def zero_setting(self, within: float, *, in_study: bool | None = None) -> Contribution:
        """Return how far the zero may be off, either way."""
        return Contribution(
            "zero setting",
            at_least_zero("zero setting", within),
            "rectangular",
            formula=f"zero within ±{fine(within, self.unit)}",
            inside=REPRODUCIBILITY,
            in_study=in_study,
        )

    def away_from_20(self, kelvin: float, expansion_off: float = 2e-6) -> Contribution:
        """Return the effect of unlike expansion when all is as warm, but not 20 °C.

        L·|θ − 20 °C|·Δα. No study in one room shows it.

        Parameters
        ----------
        kelvin : float
            How far the room may be from 20 °C.
        expansion_off : float
            How far the coefficients of part and gauge may differ, 1/K.

        Notes
        -----
        Source: JCGM 100:2008 (GUM), example H.1 (term δα·θ).
        """
        away = abs(number("kelvin", kelvin))
        return Contribution(
            "room away from 20 °C",
            at_least_zero("expansion_off", expansion_off),
            "rectangular",
            sensitivity=self.length * away,
            unit="1/K",
            formula=f"L·Δθ·Δα = {self.length:g} {self.unit} · {away:g} K · {_ppm(expansion_off)}",
        )

    def part_against_gauge(self, kelvin: float, *, in_study: bool | None = None) -> Contribution:
        """Return the effect of part and gauge differing in temperature by up to ± ``kelvin``."""
        return self._warmth("part against gauge", kelvin, in_study)

    def body_heat(self, kelvin: float, *, in_study: bool | None = None) -> Contribution:
        """Return the effect of a hand that warms the frame by up to ``kelvin``.

        Ten minutes in a bare hand are about 0.5 µm on a 25 mm micrometer, some 1.7 K
        (common practice, no source); a warm frame reads low.
        """
        return self._warmth("body heat", kelvin, in_study)

    def _warmth(self, name: str, kelvin: float, in_study: bool | None) -> Contribution:
        """L·α·Δθ. Source: JCGM 100:2008 (GUM), example H.1 (term α·δθ)."""
        off = at_least_zero("kelvin", kelvin)
        return Contribution(
            name,
            off,
            "rectangular",
            sensitivity=float(growth(self.length, 1.0, self.expansion)),
            unit="K",
            formula=f"L·α·Δθ = {self.length:g} {self.unit} · {_ppm(self.expansion)} · {off:g} K",
            inside=REPRODUCIBILITY,
            in_study=in_study,
        )

    def force_on_frame(self, newton: float, compliance: float = COMPLIANCE) -> Contribution:
        """Return how far the frame opens by a force other than the one at zeroing.

        Parameters
        ----------
        newton : float
            By how much measuring and zeroing force may differ, either way.
        compliance : float
            Metres a newton; about 0.1 µm/N (common practice, no source).
        """
        per_newton = float(frame_deflection(1.0, compliance)) * conversion("m", self.unit)
        return Contribution(
            "force on the frame",
            at_least_zero("newton", newton),
            "rectangular",
            sensitivity=per_newton,
            unit="N",
            formula=f"ΔF · {compliance * 1e6:g} µm/N, ΔF = {newton:g} N",
        )

    def flattening_correction(
        self,
        shape: str,
        force: float,
        *,
        diameter: float = 0.0,
        contact_length: float = 0.0,
        zero_shape: str = "flat",
        zero_diameter: float = 0.0,
        carbide_faces: bool = True,
    ) -> float:
        """Return by how much a part reads small for its flattening, beyond that at zeroing.

        Parameters
        ----------
        shape, zero_shape : {"flat", "cylinder", "sphere"}
            Of the part, and of what the gauge is zeroed on (closed faces: flat).
        force : float
            Measuring force, in newton.
        diameter, zero_diameter : float
        contact_length : float
            Of a cylinder: as long as the faces are wide, or as the part if shorter.
        carbide_faces : bool
            Tungsten carbide, or else steel.

        Notes
        -----
        Source: see `grr.formulas.micrometer`.
        """
        metre = conversion(self.unit, "m")
        face = CARBIDE if carbide_faces else STEEL
        load = at_least_zero("force", force)
        sizes = (diameter, zero_diameter, contact_length)
        own, other, long = (number("diameter", value) * metre for value in sizes)
        on_part = flattening(load, shape, own, long, face=face)
        at_zero = flattening(load, zero_shape, other, long, face=face)
        return float(on_part - at_zero) / metre

    def flattening(
        self,
        shape: str,
        force: float,
        *,
        force_off: float = 0.0,
        corrected: bool = False,
        diameter: float = 0.0,
        contact_length: float = 0.0,
        zero_shape: str = "flat",
        zero_diameter: float = 0.0,
        carbide_faces: bool = True,
    ) -> Contribution:
        """Return what the flattening of the part leaves uncertain.

        Parameters
        ----------
        shape, force, diameter, contact_length, zero_shape, zero_diameter, carbide_faces
            See `flattening_correction`.
        force_off : float
            How much more the force may be, in newton.
        corrected : bool
            Whether the correction is added to the readings. If not, all of it counts.
        """

        def at(newton: float) -> float:
            return self.flattening_correction(
                shape,
                newton,
                diameter=diameter,
                contact_length=contact_length,
                zero_shape=zero_shape,
                zero_diameter=zero_diameter,
                carbide_faces=carbide_faces,
            )

        reads_small = at(force)
        if corrected:
            left = abs(at(force + at_least_zero("force_off", force_off)) - reads_small)
            how = f"{fine(reads_small, self.unit)} corrected; the force may be {force_off:g} N more"
        else:
            left = abs(reads_small)
            how = f"reads small by {fine(reads_small, self.unit)} at {force:g} N, not corrected"
        return Contribution("flattening", left, "rectangular", formula=how)

    def faces(self, *, flatness: float = 0.0, parallelism: float = 0.0) -> list[Contribution]:
        """Return flatness and parallelism of the measuring faces, half of each either way."""
        return [
            Contribution(
                f"{name} of the faces",
                at_least_zero(name, value) / 2.0,
                "rectangular",
                formula=f"half of {fine(value, self.unit)}, either way",
            )
            for name, value in (("flatness", flatness), ("parallelism", parallelism))
            if value != 0.0
        ]

    def orientation(self, within: float) -> Contribution:
        """Return how far a reading changes between the orientations used, either way."""
        how = f"readings change by up to ±{fine(within, self.unit)}"
        return Contribution(
            "orientation", at_least_zero("orientation", within), "rectangular", formula=how
        )


def _ppm(expansion: float) -> str:
    """Return an expansion coefficient as it is printed in tables."""
    return f"{1e6 * expansion:g}·10⁻⁶{JOIN}/K"


def _repeat_df(result: GaugeResult) -> float:
    """Return the degrees of freedom of EV."""
    table = result.anova_table
    if table is not None:
        return float(table["df"].astype(float)["error"])
    study = result.study
    cells = len(study.parts) * len(study.operator_names)
    if result.method == "average_range":
        return range_df(study.trials, cells)
    return float(max(1, study.taken - cells))
