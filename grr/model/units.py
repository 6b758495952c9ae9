"""Units of length: the spellings that shops use, and conversion between them."""

from __future__ import annotations

from grr.model.errors import StudyError

#: Every spelling understood, in lower case, and the unit that it stands for.
SPELLINGS = {
    "mm": "mm",
    "millimetre": "mm",
    "millimeter": "mm",
    "millimetres": "mm",
    "millimeters": "mm",
    "cm": "cm",
    "m": "m",
    "metre": "m",
    "meter": "m",
    "nm": "nm",
    "µm": "µm",
    "μm": "µm",
    "um": "µm",
    "micron": "µm",
    "microns": "µm",
    "micrometre": "µm",
    "in": "in",
    "inch": "in",
    "inches": "in",
    '"': "in",
    "″": "in",
    "µin": "µin",
    "μin": "µin",
    "uin": "µin",
    "microinch": "µin",
    "microinches": "µin",
}

#: The unit in which the spread of readings is easiest to read.
FINE_UNIT = {"mm": "µm", "cm": "µm", "m": "µm", "µm": "µm", "nm": "nm", "in": "µin", "µin": "µin"}


def canonical_unit(text: str) -> str:
    """Return the standard spelling of a unit of length; "" where none is stated.

    Raises
    ------
    StudyError
        The text is no unit of length that this project knows.
    """
    spelling = str(text).strip()
    if spelling == "":
        return ""
    unit = SPELLINGS.get(spelling.lower())
    if unit is None:
        raise StudyError(
            "The unit is not a unit of length known here",
            "Use mm, µm (or um), in, or µin (or uin)",
            value=text,
        )
    return unit


def metres_per(unit: str) -> float:
    """Return the length of one ``unit`` in metres; an inch is 25.4 mm by definition (1959)."""
    metres = {"m": 1.0, "cm": 1e-2, "mm": 1e-3, "µm": 1e-6, "nm": 1e-9, "in": 0.0254}
    return (metres | {"µin": 1e-6 * metres["in"]})[canonical_unit(unit)]


def conversion(from_unit: str, to_unit: str) -> float:
    """Return the factor that turns a length in ``from_unit`` into ``to_unit``.

    Raises
    ------
    StudyError
        One unit is stated and the other is not.
    """
    source, target = canonical_unit(from_unit), canonical_unit(to_unit)
    if source == target:
        return 1.0
    if "" in (source, target):
        raise StudyError(
            "A length without a unit cannot be converted",
            "State the unit of both",
            value=f"{source or 'no unit'} to {target or 'no unit'}",
        )
    return metres_per(source) / metres_per(target)


def fine_unit(unit: str) -> str:
    """Return the unit in which to show a spread of readings taken in ``unit``."""
    return FINE_UNIT.get(unit, unit)


def same_unit(what: str, unit: str, than: str, other: str) -> None:
    """Refuse what is in another unit than something else.

    Raises
    ------
    StudyError
        The units differ.
    """
    if unit != other:
        raise StudyError(
            f"{what} is in another unit than {than}",
            "Use one unit for both",
            value=f"{unit or 'no unit'} and {other or 'no unit'}",
        )
