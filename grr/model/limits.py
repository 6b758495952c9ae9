"""Limits of a tolerance, and an interval, in words."""

from __future__ import annotations

import math

from grr.model.rounding import decimals_for, length, size, with_unit
from grr.model.tolerance import Tolerance
from grr.model.units import conversion, fine_unit


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


def signed_length(value: float, unit: str) -> str:
    """Return a small signed length that stands alone, with two figures and a true minus."""
    return f"{'−' if value < 0 else ''}{length(abs(value), unit)}"


def _signed(value: float, decimals: int) -> str:
    """Return a number with a typographic minus; what rounds to 0 is 0, without decimals."""
    text = f"{value:.{decimals}f}"
    return "0" if float(text) == 0.0 else text.replace("-", "−")
