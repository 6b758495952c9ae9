"""The numbers in what a gauge, a person or a spreadsheet sends to the entry form."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from grr.files.text_and_numbers import ParsedNumber, parse_number
from grr.model.errors import StudyError
from grr.model.plain_text import clean_text
from grr.model.units import canonical_unit, conversion
from grr.model.values import finer_than

_INCH = {"in": "inches", "µin": "microinches"}


@dataclass(frozen=True)
class EnteredNumber:
    """One number in the unit of the study, with the decimals that the gauge showed."""

    text: str
    value: float
    decimals: int
    raw: str


def numbers_in(text: str, unit: str) -> list[EnteredNumber]:
    """Return the numbers in the text, in the unit of the study.

    Spaces, tabs, line ends and semicolons separate numbers: a gauge sends no thousands. A
    comma alone within a number is its decimal sign.

    Raises
    ------
    StudyError
        Something in the text is no number, or is in inches where the study is metric (or
        the other way round): converting would not give what the gauge shows.
    """
    pieces = _pieces(clean_text(text))
    if not pieces:
        raise StudyError("There is no number", "Measure, then press the gauge's button or Enter")
    alone = len(pieces) == 1
    return [_in_study_unit(_number(p), unit, text if alone else p) for p in pieces]


def one_number(text: str, unit: str) -> EnteredNumber:
    """Return the only number in the text; see `numbers_in`."""
    numbers = numbers_in(text, unit)
    if len(numbers) > 1:
        raise StudyError("This is more than one number", "Enter one number", value=text)
    return numbers[0]


def refuse_finer(values: Sequence[float], resolution: float | None) -> None:
    """Refuse what a gauge with this last digit cannot show: no analysis could use it.

    Raises
    ------
    StudyError
        A value is no multiple of the resolution; the words do not tell it.
    """
    if resolution is not None and finer_than(np.array(values), resolution).any():
        raise StudyError(
            f"A number is finer than the gauge's last digit, {resolution:g}: nothing was filed",
            "Enter what the display shows, or measure again; where the display shows more "
            "digits, the resolution of the study must be corrected first",
        )


def _pieces(text: str) -> list[str]:
    """Return the text cut between numbers; a sign before and a unit behind stay with one."""
    pieces: list[str] = []
    sign = ""
    for word in text.replace(";", " ").split():
        if word in ("+", "-"):
            sign = word
        elif pieces and sign == "" and _is_unit(word):
            pieces[-1] += f" {word}"
        else:
            numbers = word.strip(",").split(",") if _listed_with_commas(word) else [word]
            pieces += [sign + numbers[0].removesuffix(","), *numbers[1:]]
            sign = ""
    return [*pieces, sign] if sign else pieces


def _is_unit(word: str) -> bool:
    try:
        return canonical_unit(word) != ""
    except StudyError:
        return False


def _listed_with_commas(word: str) -> bool:
    pieces = word.strip(",").split(",")
    return len(pieces) > 1 and all("." in piece for piece in pieces)


def _number(piece: str) -> ParsedNumber:
    if "," in piece and "." in piece:
        return parse_number(piece)
    return parse_number(piece, decimal="," if "," in piece else ".")


def _in_study_unit(number: ParsedNumber, unit: str, raw: str) -> EnteredNumber:
    if number.unit in ("", unit):
        return EnteredNumber(
            f"{number.value:.{number.decimals}f}", number.value, number.decimals, raw
        )
    if unit and (number.unit in _INCH) != (unit in _INCH):
        sent, wanted = (_INCH.get(one, one) for one in (number.unit, unit))
        raise StudyError(
            f"The gauge sends {sent}, the study is in {wanted}",
            f"Set the gauge to {wanted} and measure again",
            value=number.raw,
        )
    factor = conversion(number.unit, unit)
    power = len(f"{factor:.0f}") - 1 if factor >= 1 else 1 - len(f"{1 / factor:.0f}")
    decimals = max(0, number.decimals - power)
    text = f"{number.value * factor:.{decimals}f}"
    return EnteredNumber(text, float(text), decimals, raw)
