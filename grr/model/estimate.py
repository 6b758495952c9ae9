"""A number that was estimated: its value, its limits, its unit, or why it is not there."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from grr.model.rounding import (
    NOT_ESTIMATED,
    chance,
    chances,
    figures,
    fine_interval,
    fine_length,
    length,
    percent,
)

_FORMAT = re.compile(r"(\+?)(?:\.(\d+))?([ilurs]?)")
PERCENT = "%"
#: The unit of a probability, which is written as a percentage or in parts per million.
CHANCE = "chance"


@dataclass(frozen=True)
class Estimate:
    r"""A value with its limits, that knows how to be written.

    ``f"{estimate}"`` writes the value as a person reads it: two significant figures (JCGM
    100:2008, clause 7.2.6), a small length in its fine unit, a percentage to one decimal,
    and "not estimated" where there is none. The format may hold, in this order: ``+`` to
    show the sign, ``.3`` for that many figures of a length or a plain number, and ``i`` for
    the value with its interval, ``l`` or ``u`` for the lower or the upper limit alone. Near
    zero a length's own figures mean nothing: ``s`` writes the value, and ``r`` the interval
    alone, to two figures of the interval's width.

    Parameters
    ----------
    value : float
        NaN where it could not be estimated; ``why`` then says the reason.
    lower, upper : float
        Limits; NaN where none are known, infinite where there is no limit.
    unit : str
        A unit of length, "%", "chance" (a probability), or "" for a plain number.
    why : str
        Why there is no value, as the rest of a sentence: "one operator measured".

    Examples
    --------
    >>> from grr.model.estimate import Estimate
    >>> f"{Estimate(18.71, 9.12, 41.97, '%'):i}".replace("\u00a0", " ")
    '18.7 % (9.1 % to 42.0 %)'
    """

    value: float
    lower: float = math.nan
    upper: float = math.nan
    unit: str = ""
    why: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a value."""
        return not math.isnan(self.value)

    @property
    def bounded(self) -> bool:
        """Whether there is a value with both limits."""
        return self.known and not (math.isnan(self.lower) or math.isnan(self.upper))

    def times(self, factor: float, unit: str | None = None) -> Estimate:
        """Return the estimate multiplied by a factor above 0, in another unit if given."""
        return Estimate(
            self.value * factor,
            self.lower * factor,
            self.upper * factor,
            self.unit if unit is None else unit,
            self.why,
        )

    def __format__(self, spec: str) -> str:
        found = _FORMAT.fullmatch(spec)
        if found is None:
            raise ValueError(f"no format of an estimate: {spec!r}")
        signed, digits, part = found[1] == "+", int(found[2] or 2), found[3]
        if part == "l":
            return self._written(self.lower, digits, signed)
        if part == "u":
            return self._written(self.upper, digits, signed)
        if part == "r":
            return self._range(digits)
        if not self.known:
            return NOT_ESTIMATED
        if part == "s" and self.bounded and self._is_length:
            return fine_length(self.value, self.upper - self.lower, self.unit)
        text = self._written(self.value, digits, signed)
        if part == "i" and self.bounded:
            low, high = (self._written(v, digits, signed) for v in (self.lower, self.upper))
            text = f"{text} ({low} to {high})"
        return text

    def __str__(self) -> str:
        return format(self)

    @property
    def _is_length(self) -> bool:
        return self.unit not in ("", PERCENT, CHANCE)

    def _range(self, digits: int) -> str:
        if not self.bounded:
            return NOT_ESTIMATED
        if self.unit == CHANCE:
            return chances(self.lower, self.upper)
        if self._is_length:
            return fine_interval(self.lower, self.upper, self.unit, digits)
        return " to ".join(self._written(v, digits, False) for v in (self.lower, self.upper))

    def _written(self, value: float, digits: int, signed: bool) -> str:
        if math.isnan(value):
            return NOT_ESTIMATED
        if math.isinf(value):
            return "no limit"
        if self.unit == CHANCE:
            return chance(value)
        if self.unit == PERCENT:
            text = percent(abs(value))
        elif self.unit:
            text = length(abs(value), self.unit, digits)
        else:
            text = figures(abs(value), digits)
        if value < 0.0:
            return f"−{text}"
        return f"+{text}" if signed and value > 0.0 else text
