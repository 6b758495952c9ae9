r"""Text as one cell of a CSV file and back, and a number as a person or a gauge writes it.

A spreadsheet runs a cell that begins with ``=``, ``+``, ``-`` or ``@`` as a formula. Such a
cell gets an apostrophe in front (a cell that already begins with one gets a second). Line
ends, tabs and other control characters are written as ``\n``, ``\t``, ``\x0b``, so that
one line of the file is one row whatever was typed; a semicolon is written ``\x3b`` because
a spreadsheet set to another language splits a line there. Plain numbers stay as they are.

A number is read as it is written, with its unit; where it can be read in two ways it is refused.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from grr.model.errors import StudyError
from grr.model.plain_text import clean_text
from grr.model.units import canonical_unit, conversion
from grr.model.values import one_of

#: A label that begins with one of these is written with an apostrophe before it.
FORMULA_SIGNS = "=+-@'"
#: Characters that begin a formula, their full-width forms, and our own mark.
_STARTS = "=+-@＝＋－＠'"
_PLAIN_NUMBER = re.compile(r"[+-]?\d+(?:[.,]\d*)?(?:[eE][+-]?\d+)?", re.ASCII)
_UNSAFE = re.compile(r"[\\;\x00-\x1f\x7f-\x9f\u2028\u2029\ud800-\udfff]")
_WRITTEN = re.compile(r"\\(\\|n|r|t|x[0-9a-f]{2}|u[0-9a-f]{4})")
_SHORT = {"\\": "\\\\", "\n": "\\n", "\r": "\\r", "\t": "\\t"}
_LONG = {written[1:]: character for character, written in _SHORT.items()}


def to_cell(text: str) -> str:
    """Return the text as it is written into a cell."""
    safe = _UNSAFE.sub(_escaped, text)
    start = safe.lstrip()[:1]
    if start and start in _STARTS and not _PLAIN_NUMBER.fullmatch(safe):
        return "'" + safe
    return safe


def from_cell(cell: str) -> str:
    """Return the text that `to_cell` wrote."""
    start = cell[1:].lstrip()[:1]
    if cell.startswith("'") and start and start in _STARTS:
        cell = cell[1:]
    return _WRITTEN.sub(_unescaped, cell)


def _escaped(match: re.Match[str]) -> str:
    character = match.group()
    code = ord(character)
    return _SHORT.get(character) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def _unescaped(match: re.Match[str]) -> str:
    written = match.group(1)
    return _LONG.get(written) or chr(int(written[1:], 16))


_LONGEST = 60

_NUMBER = re.compile(
    r"""(?P<sign>[+-]?)\ *
        (?P<digits>[0-9.,][0-9.,]*(?:[ '][0-9]{3}(?![0-9])[0-9.,]*)*)
        (?P<exponent>[eE][+-]?[0-9]{1,3}(?![0-9]))?""",
    re.VERBOSE,
)


@dataclass(frozen=True)
class ParsedNumber:
    """A number read from text.

    Parameters
    ----------
    value : float
        Finite; in ``unit``.
    unit : str
        The standard spelling (`grr.model.units.canonical_unit`); "" where none was written.
    decimals : int
        How many decimals were written: 4 for "10.0080".
    raw : str
        The text as it came.
    """

    value: float
    unit: str
    decimals: int
    raw: str


def parse_number(text: str, decimal: str | None = None) -> ParsedNumber:
    """Return the number and the unit that a text states, or refuse and say why.

    Understood: a sign (typographic minus included), leading zeros, a decimal point or
    comma, thousands separated by a comma, point, apostrophe or space where a decimal
    sign or a second group makes that certain, an exponent, a diameter sign before and a
    unit of length behind the number, full-width characters, and the stray spaces, tabs
    and line ends that gauges and spreadsheets leave.

    Parameters
    ----------
    text : str
    decimal : {".", ","}, optional
        The decimal sign, where the rest of the file tells. Without it, "10,008" is
        refused because it may mean 10.008 or ten thousand and eight.

    Raises
    ------
    StudyError
        The text is empty, is no single finite number, can be read in two ways, or is
        followed by something other than a unit of length.
    """
    if decimal is not None:
        one_of("decimal", decimal, (".", ","))
    cleaned = clean_text(text)
    if cleaned == "":
        raise StudyError("There is no number", "Enter the reading", value=text)
    if len(cleaned) > _LONGEST:
        raise StudyError("The text is too long for a number", "Enter one number", value=text)
    body = cleaned.removeprefix("'").lstrip("Øø⌀∅ ")
    match = _NUMBER.match(body)
    if match is None:
        raise _refusal_of_words(body, text)
    mantissa, decimals = _plain_digits(match["digits"], decimal, text)
    unit = _unit(body[match.end() :], text)
    value = float(f"{match['sign']}{mantissa}{match['exponent'] or ''}") + 0.0  # no -0.0
    if not math.isfinite(value) or (value == 0.0 and mantissa.strip("0.") != ""):
        raise StudyError(
            "The number is too large or too small", "Enter the reading as shown", value=text
        )
    power = int((match["exponent"] or "e0")[1:])
    return ParsedNumber(value, unit, max(0, decimals - power), text)


def number_in(unit: str, text: str) -> float:
    """Return the number of a form's field; a length in another unit is turned into ``unit``.

    Raises
    ------
    StudyError
        The text is no number, or a unit stands behind it where ``unit`` is "".
    """
    number = parse_number(text, "," if "," in text and "." not in text else None)
    if number.unit in ("", unit):
        return number.value
    if not unit:
        raise StudyError("A unit of length stands behind it", "Write the number alone", value=text)
    return float(f"{number.value * conversion(number.unit, unit):.12g}")


def _refusal_of_words(body: str, text: str) -> StudyError:
    if body.lstrip("+-").lower() in ("inf", "infinity", "∞"):
        return StudyError("The number is infinite", "Enter the reading as shown", value=text)
    return StudyError(
        "This is not a number",
        "Write digits with one decimal sign, such as 10.0080, and a unit behind if any",
        value=text,
    )


def _plain_digits(written: str, decimal: str | None, text: str) -> tuple[str, int]:
    """Return digits with a decimal point and without separators, and the decimals."""
    sign = _decimal_sign(written, decimal, text)
    whole, _, fraction = written.partition(sign) if sign else (written, "", "")
    groups = re.split(r"[.,' ]", whole)
    separators = set(whole) - set("0123456789")
    if (
        len(separators) > 1
        or (len(groups) > 1 and not _in_thousands(groups))
        or (fraction and not fraction.isdecimal())
        or not (whole or fraction)
    ):
        raise StudyError(
            "The digits and separators do not make one number",
            "Write digits with one decimal sign, such as 10.0080",
            value=text,
        )
    if len(groups) > 1 and not fraction and (len(groups) == 2 or separators <= {" "}):
        raise _ambiguous(text)
    return f"{''.join(groups) or '0'}.{fraction or '0'}", len(fraction)


def _decimal_sign(written: str, decimal: str | None, text: str) -> str:
    """Return the sign that separates the decimals; "" where there is none."""
    present = [sign for sign in ".," if sign in written]
    if decimal is not None:
        if present == [","] and decimal == "." and written.count(",") == 1:
            raise _other_decimal_sign(decimal, text)
        if present == ["."] and decimal == ",":
            raise _other_decimal_sign(decimal, text)
        return decimal if decimal in written else ""
    if len(present) == 2:
        return max(present, key=written.rindex)
    if len(present) == 0 or written.count(present[0]) > 1:
        return ""
    if present == [","]:
        if _in_thousands(written.split(",")):
            raise _ambiguous(text)
        return ","
    return "."


def _in_thousands(groups: list[str]) -> bool:
    """Whether groups of digits are thousands: three digits each, the first one to three."""
    first, *others = groups
    return (
        1 <= len(first) <= 3
        and first.isdecimal()
        and not first.startswith("0")
        and all(len(group) == 3 and group.isdecimal() for group in others)
    )


def _ambiguous(text: str) -> StudyError:
    return StudyError(
        "The number can be read in two ways: decimals, or thousands",
        "Write it with a decimal point and no other separator, or state decimal=',' where "
        "the comma is the decimal sign",
        value=text,
    )


def _other_decimal_sign(decimal: str, text: str) -> StudyError:
    name = {".": "point", ",": "comma"}[decimal]
    return StudyError(
        f"The decimal sign is not the decimal {name} used for the other numbers",
        f"Write the number with a decimal {name}",
        value=text,
    )


def _unit(behind: str, text: str) -> str:
    written = behind.strip()
    if written == "":
        return ""
    try:
        return canonical_unit(written.replace("''", '"').removesuffix("."))
    except StudyError:
        raise StudyError(
            f"“{written[:12]}” behind the number is something other than a unit of length",
            "Write the number alone, or with mm, µm (um), in or µin (uin) behind it",
            value=text,
        ) from None
