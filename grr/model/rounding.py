"""Numbers as a person reads them: rounded by the habit of the GUM.

Plain numbers, lengths, percentages, intervals, limits of a tolerance, and probabilities.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

from grr.model.units import conversion, fine_unit

if TYPE_CHECKING:
    from grr.model.tolerance import Tolerance

NOT_ESTIMATED = "not estimated"
#: Keeps a number and its unit on one line (a no-break space).
JOIN = "\u00a0"


def figures(value: float, digits: int = 2) -> str:
    """Return a number with ``digits`` significant figures, without an exponent where possible.

    A standard deviation is stated with two (JCGM 100:2008, clause 7.2.6).
    """
    if not math.isfinite(value):
        return NOT_ESTIMATED
    if value == 0.0:
        return "0"
    exponent = _exponent(value, digits)
    if not -6 <= exponent < 9:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(0, digits - 1 - exponent)}f}"


def _exponent(value: float, digits: int) -> int:
    """Return the power of ten of the first figure after rounding."""
    return int(f"{abs(value):.{digits - 1}e}".split("e")[1])


def decimals_for(spread: float, digits: int = 2) -> int:
    """Return the decimals at which ``spread`` shows ``digits`` significant figures."""
    if not math.isfinite(spread) or spread == 0.0:
        return 0
    return max(0, digits - 1 - _exponent(spread, digits))


def same_decimals(value: float, spread: float) -> str:
    """Return a value to the decimal that its spread is stated to."""
    if not math.isfinite(value):
        return NOT_ESTIMATED
    return f"{value:.{decimals_for(spread)}f}"


def reading_decimals(resolution: float | None) -> int:
    """Return the decimals that a gauge of this resolution shows (4 where not stated)."""
    if resolution is None:
        return 4
    for decimals in range(12):
        steps = resolution * 10.0**decimals
        if abs(steps - round(steps)) < 1e-6 * steps:
            return decimals
    return 12


def size(value: float, resolution: float | None, unit: str = "") -> str:
    """Return a reading or a limit as the gauge would show it."""
    if not math.isfinite(value):
        return "missing"
    return with_unit(f"{value:.{reading_decimals(resolution)}f}", unit)


#: A percentage beyond this is told as "over".
MOST_PERCENT = 9999


def percent(value: float) -> str:
    """Return a percentage: one decimal under 100, none above, "over 9999" past what means much."""
    if not math.isfinite(value):
        return NOT_ESTIMATED
    if value >= MOST_PERCENT + 0.5:
        return f"over {MOST_PERCENT}{JOIN}%"
    return f"{value:.1f}{JOIN}%" if abs(value) < 99.95 else f"{value:.0f}{JOIN}%"


def whole_percent(part: float) -> str:
    """Return a share in whole percent: a simulated one is not known more closely."""
    return f"{100.0 * part:.0f}{JOIN}%"


def p_value(p: float, against: float) -> str:
    """Return a p value in two figures, or in more where they would hide which side it is on."""
    shown = [f"{p:.{digits}g}" for digits in (2, 3, 4, 6)]
    return next((text for text in shown if float(text) != against), shown[-1])


def p_cell(p: float) -> str:
    """Return a p value for a cell of a table: "0.023", "under 0.001", "—" where there is none."""
    if math.isnan(p):
        return "—"
    return f"under{JOIN}0.001" if p < 0.001 else f"{p:.3f}"


def with_unit(number: str, unit: str) -> str:
    """Return a number with its unit, or alone where there is no unit."""
    return f"{number}{JOIN}{unit}" if unit and number != NOT_ESTIMATED else number


#: A length of less, in the unit shown, is what is left of a difference of equal numbers: 0.
DUST = 1e-9


def length(value: float, unit: str, digits: int = 2) -> str:
    """Return a small length given in ``unit`` in the unit in which it reads best.

    A spread of 0.00042 mm is shown as 0.42 µm.
    """
    fine = fine_unit(unit)
    shown = value * conversion(unit, fine)
    return with_unit(figures(0.0 if abs(shown) < DUST else shown, digits), fine)


#: A unit in the last digit of a length beside its percentage is at most this share of the whole:
#: half of a unit in the last digit of the percentage.
BESIDE_PERCENT = 0.0005


def smallest_whole(total: float, grr: float, grr_percent_tolerance: float) -> float:
    """Return the smaller whole that spreads are percentages of; NaN where there is none.

    ``total`` is TV, the other is what GRR is a percentage of the tolerance of.
    """
    wholes = [total]
    if grr_percent_tolerance > 0.0:
        wholes.append(100.0 * grr / grr_percent_tolerance)
    return min((one for one in wholes if one > 0.0), default=math.nan)


def length_beside_percent(value: float, unit: str, whole: float) -> str:
    """Return a length given in ``unit`` as it is shown beside its percentage of ``whole``.

    Two figures at least, and so many decimals that the percentage shown, with one decimal,
    follows from the length shown within three quarters of a unit in its last digit; the
    percentage's own rounding is half a unit of that.
    """
    fine = fine_unit(unit)
    factor = conversion(unit, fine)
    step = BESIDE_PERCENT * whole * factor
    if not (math.isfinite(value) and math.isfinite(step) and step > 1e-7) or value == 0.0:
        return length(value, unit)
    decimals = max(decimals_for(value * factor), math.ceil(-math.log10(step) - 1e-9))
    return with_unit(f"{value * factor:.{decimals}f}", fine)


def squares(values: Sequence[float], unit: str, digits: int = 4) -> list[str]:
    """Return a column of squares of lengths given in ``unit``, in the square of its fine unit.

    Where one of them needs an exponent all get one. NaN gives "".
    """
    factor = conversion(unit, fine_unit(unit)) ** 2
    scaled = [value * factor for value in values]
    told = [value for value in scaled if math.isfinite(value) and value != 0.0]
    exponents = any("e" in figures(value, digits) for value in told)

    def shown(value: float) -> str:
        if not math.isfinite(value):
            return ""
        return f"{value:.{digits - 1}e}" if exponents and value else figures(value, digits)

    return [shown(value) for value in scaled]


def square_unit(unit: str) -> str:
    """Return the unit in which `squares` shows them, as "µm²"; "" where there is none."""
    return f"{fine_unit(unit)}²" if unit else ""


def lengths_apart(first: float, second: float, unit: str) -> tuple[str, str]:
    """Return two lengths, with as many more figures as it takes to tell them apart."""
    for digits in range(2, 7):
        texts = length(first, unit, digits), length(second, unit, digits)
        if texts[0] != texts[1]:
            break
    return texts


def counted(number: int, noun: str) -> str:
    """Return "1 part" or "3 parts"."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def listed(items: list[str] | tuple[str, ...], most: int = 6) -> str:
    """Return "a, b and c"; past ``most`` items the rest are counted."""
    words = [str(item) for item in items]
    if len(words) > most:
        words = [*words[: most - 1], f"{len(words) - most + 1} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def limits_text(tolerance: Tolerance | None, resolution: float | None, unit: str) -> str:
    """Return a tolerance in words, with its unit."""
    if tolerance is None:
        return "no tolerance given"
    lower, upper = (
        None if limit is None else size(limit, resolution)
        for limit in (tolerance.lower, tolerance.upper)
    )
    if lower is None:
        return with_unit(f"at most {upper}", unit)
    if upper is None:
        return with_unit(f"at least {lower}", unit)
    return with_unit(f"{lower} to {upper}", unit)


def fine_interval(lower: float, upper: float, unit: str, digits: int = 2) -> str:
    """Return an interval of small lengths given in ``unit``, to two figures of its width."""
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return "not estimated"
    fine = fine_unit(unit)
    factor = conversion(unit, fine)
    decimals = decimals_for((upper - lower) * factor, digits)
    return with_unit(
        f"{_signed(lower * factor, decimals)} to {_signed(upper * factor, decimals)}", fine
    )


def fine_length(value: float, spread: float, unit: str) -> str:
    """Return a small signed length given in ``unit``, to two figures of its spread."""
    if not math.isfinite(value):
        return "not estimated"
    fine = fine_unit(unit)
    factor = conversion(unit, fine)
    return with_unit(_signed(value * factor, decimals_for(spread * factor)), fine)


def length_and_half(value: float, half: float, unit: str, digits: int = 0) -> str:
    """Return a signed small length and half its interval, both ending at the same place.

    That is the second figure of the half (JCGM 100:2008, clause 7.2.6); a later one where
    ``digits`` of the value are to be seen, but none after the fourth figure of the half.
    """
    if not (math.isfinite(value) and math.isfinite(half)):
        return NOT_ESTIMATED
    fine = fine_unit(unit)
    value, half = (one * conversion(unit, fine) for one in (value, half))
    decimals = decimals_for(half)
    if digits:
        decimals = max(decimals, min(decimals_for(value, digits), decimals_for(half, 4)))
    shown = f"{value:+.{decimals}f}".replace("-", "−")
    return f"{with_unit(shown, fine)} ± {with_unit(f'{half:.{decimals}f}', fine)}"


def signed_length(value: float, unit: str) -> str:
    """Return a small signed length that stands alone, with two figures and a true minus."""
    text = length(abs(value), unit)
    return f"−{text}" if value < 0 and text.split(JOIN)[0] != "0" else text


def _signed(value: float, decimals: int) -> str:
    """Return a number with a typographic minus; what rounds to 0 is 0, without decimals."""
    text = f"{value:.{decimals}f}"
    return "0" if float(text) == 0.0 else text.replace("-", "−")


def p_text(p: float) -> str:
    """Return "p under 0.001", "p 0.023" or "p 0.45"."""
    if not math.isfinite(p):
        return "p not known"
    if p < 0.001:
        return "p under 0.001"
    return f"p {p:.3f}" if p < 0.1 else f"p {p:.2f}"


def chance(probability: float) -> str:
    """Return a probability as a percentage; a small one in parts per million (ppm).

    0.0312 is "3.1 %", 0.00004 is "40 ppm"; a probability close to 1 keeps the
    figures that tell it from 1.
    """
    if not math.isfinite(probability):
        return NOT_ESTIMATED
    if probability < 1e-9:
        return f"under 0.001{JOIN}ppm"
    if probability < 1e-3 * (1.0 - 1e-9):  # a risk held at 0.1 % is that, whatever the last bit
        return f"{figures(1e6 * probability)}{JOIN}ppm"
    if probability > 0.99:
        shown = "over 99.999" if probability > 0.99999 else _not_rounded_to_all(probability)
        return f"{shown}{JOIN}%"
    return f"{figures(100.0 * probability, 2 if probability < 0.1 else 3)}{JOIN}%"


def chances(lower: float, upper: float) -> str:
    """Return an interval of a probability."""
    if not (math.isfinite(lower) and math.isfinite(upper)):
        return NOT_ESTIMATED
    if chance(lower) == chance(upper):
        return chance(lower)
    return f"{chance(lower)} to {chance(upper)}"


def _not_rounded_to_all(probability: float) -> str:
    missing = 100.0 * (1.0 - probability)
    return f"{100.0 - missing:.{max(1, -math.floor(math.log10(missing)))}f}"


def rounded_up(value: float, unit: str) -> float:
    """Return a length rounded up to the figures with which `length` shows it.

    What is promised from a size on must not be promised from a smaller one.
    """
    fine = conversion(unit, fine_unit(unit))
    scaled = value * fine
    step = 10.0 ** (math.floor(math.log10(scaled)) - 1)
    return math.ceil(scaled / step - 1e-9) * step / fine


def confidence_text(share: float) -> str:
    """Return a confidence from 0 to 1 in percent, never as certain: 0.1 % to 99.9 %."""
    return f"{100 * min(max(share, 0.001), 0.999):.{1 if share > 0.99 or share < 0.01 else 0}f} %"
