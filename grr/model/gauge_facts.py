"""What is known of one gauge: its tolerance, its calibrated blocks, and what makes it uncertain.

`GaugeFacts` is what ``gauge.toml`` of a gauge's folder holds; its readings of blocks stand beside
it, in ``readings.csv``. Lengths are in the unit stated there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from typing import Any

import msgspec

from grr.model.errors import StudyError
from grr.model.tolerance import Tolerance
from grr.model.units import canonical_unit
from grr.model.values import at_least_zero, number, short_text, spelling


@dataclass(frozen=True)
class CalibratedBlock:
    """A gauge block, ring or kept part, as its certificate prints it.

    Parameters
    ----------
    name : str
        What is engraved or written on it.
    size : float
        The calibrated value.
    expanded : float
        Its expanded uncertainty U; 0 for closed faces.
    k : float
        The coverage factor of U.
    calibrated : str
        The day, like 2027-03-31; "" where not stated.
    certificate : str
    """

    name: str
    size: float
    expanded: float = 0.0
    k: float = 2.0
    calibrated: str = ""
    certificate: str = ""

    def __post_init__(self) -> None:
        short_text("The name of a block", self.name)
        if not self.name.strip():
            raise StudyError("A block has no name", "Write what stands on it", column="name")
        number("size", self.size)
        at_least_zero("U", self.expanded)
        number("k", self.k, above=0.0)
        if self.calibrated:
            try:
                date.fromisoformat(self.calibrated)
            except ValueError:
                raise StudyError(
                    "The day of a block's calibration is no date",
                    "Write it as 2027-03-31",
                    column="calibrated",
                    value=self.calibrated,
                ) from None


@dataclass(frozen=True)
class GaugeFacts:
    """One gauge, the tolerance that it is to serve, and the blocks that it is tried on.

    Parameters
    ----------
    title : str
        Number or name of the gauge.
    unit : str
    resolution, lower, upper : float or None
        Its last digit, and the limits on the drawing; None while they are not stated.
    mpe, pitch : float or None
        From the data sheet: largest error of indication, pitch of the measuring screw.
    blocks : tuple of CalibratedBlock
    standard : str
        The block of about the part's size: it is read many times, and watched over the years.
    study : str
        The study on real parts, such as "studies/pins"; "" while there is none.
    corrected : bool
        Whether every reading is corrected for the known bias.
    lines : mapping of str to float
        What else makes a result uncertain, see `grr.questions.gauge_folder.LINES`.
    in_study : tuple of str
        The lines among them that the study on real parts holds already.

    Raises
    ------
    StudyError
        A value cannot be used, or contradicts another.
    """

    title: str
    unit: str = "mm"
    resolution: float | None = None
    lower: float | None = None
    upper: float | None = None
    mpe: float | None = None
    pitch: float | None = None
    blocks: tuple[CalibratedBlock, ...] = ()
    standard: str = ""
    study: str = ""
    corrected: bool = False
    lines: Mapping[str, float] = field(default_factory=dict)
    in_study: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        short_text("The name of the gauge", self.title)
        if canonical_unit(self.unit) == "":
            raise StudyError("The gauge has no unit", "Give mm, µm, in or µin", column="unit")
        for name in ("resolution", "mpe", "pitch"):
            if getattr(self, name) is not None:
                number(name, getattr(self, name), above=0.0)
        if self.lower is not None and self.upper is not None:
            try:
                Tolerance(self.lower, self.upper)
            except StudyError as error:
                raise error.at(column="lower") from None
        names = [spelling(block.name) for block in self.blocks]
        twice = next((at for at, name in enumerate(names) if name in names[:at]), None)
        if twice is not None:
            raise StudyError(
                f"Two blocks have the same name, {self.blocks[twice].name}",
                "Name them apart, or empty the line of one",
                row=twice + 1,
                column="name",
            )
        if self.standard and self.standard not in {block.name for block in self.blocks}:
            raise StudyError(
                "The block to watch is not among the blocks",
                "Pick one of them",
                column="standard",
                value=self.standard,
            )
        for name, value in self.lines.items():
            at_least_zero(name, value)

    @property
    def tolerance(self) -> Tolerance | None:
        """The limits; None while one of them is not stated."""
        if self.lower is None or self.upper is None:
            return None
        return Tolerance(self.lower, self.upper)

    def block(self, name: str) -> CalibratedBlock:
        """Return a block by its name.

        Raises
        ------
        StudyError
            There is none of that name.
        """
        for block in self.blocks:
            if block.name == name:
                return block
        raise StudyError(
            "There is no such block", "Write it among the blocks first", column="block", value=name
        )

    def far_from(self, block: CalibratedBlock) -> float:
        """Return how far a reading lies from its block when it may be mistyped.

        Fifty digits; without a digit, a thousandth of the size.
        """
        return 50.0 * (self.resolution or abs(block.size) / 50_000.0)


def gauge_document(facts: GaugeFacts) -> dict[str, Any]:
    """Return the contents of ``gauge.toml``; what is not stated is left out."""
    stated = {key: value for key, value in asdict(facts).items() if value is not None}
    return {**stated, "lines": dict(facts.lines)}


def gauge_from_document(document: Mapping[str, Any]) -> GaugeFacts:
    """Return the facts that a file's contents state.

    Raises
    ------
    StudyError
        A value cannot be used.
    """
    try:
        return msgspec.convert(document, GaugeFacts)
    except msgspec.ValidationError as error:
        raise StudyError(
            "A value in the gauge's file cannot be used",
            "Correct it in the form, or in the file",
            value=error,
        ) from None
