"""Probabilities of an event, as a person reads them."""

from __future__ import annotations

import math

from grr.model.rounding import JOIN, NOT_ESTIMATED, figures


def chance(probability: float) -> str:
    """Return a probability as a percentage; a small one in parts per million (ppm).

    0.0312 is "3.1 %", 0.00004 is "40 ppm"; a probability close to 1 keeps the
    figures that tell it from 1.
    """
    if not math.isfinite(probability):
        return NOT_ESTIMATED
    if probability < 1e-9:
        return f"under 0.001{JOIN}ppm"
    if probability < 1e-3:
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
