"""Lengths on an axis: in the fine unit of the study, with round graduations."""

from __future__ import annotations

import math
from dataclasses import dataclass

from grr.model.rounding import decimals_for
from grr.model.study import Study
from grr.model.units import conversion, fine_unit


@dataclass(frozen=True)
class Fine:
    """The unit in which a spread is drawn, and the factor that leads to it."""

    unit: str
    factor: float

    def named(self, what: str) -> str:
        """Return the title of an axis: what it shows, and the unit."""
        return f"{what}, {self.unit}" if self.unit else f"{what} (no unit given)"


def fine_scale(study: Study) -> Fine:
    """Return the unit in which spreads of this study are drawn."""
    fine = fine_unit(study.unit)
    return Fine(fine, conversion(study.unit, fine))


def round_step(at_least: float) -> float:
    """Return the smallest of 1, 2 and 5 times a power of ten that is not below a number."""
    power = 10.0 ** math.floor(math.log10(at_least))
    for factor in (1.0, 2.0, 5.0):
        if factor * power >= at_least * (1.0 - 1e-9):
            return factor * power
    return 10.0 * power


def graduations(low: float, high: float, step: float) -> list[float]:
    """Return the multiples of a step from ``low`` to ``high``, both counted in."""
    first = math.ceil(low / step - 1e-6)
    last = math.floor(high / step + 1e-6)
    return [index * step for index in range(first, last + 1)]


def tick_text(value: float, step: float) -> str:
    """Return the number at a graduation, with a true minus sign."""
    if not 1e-6 <= step < 1e7:
        text = f"{value:.6g}"
    else:
        text = f"{value:.{decimals_for(step, 1)}f}"
    return text.replace("-", "−") if float(text) else "0"


def value_axis(high: float, title: str, ticks: int = 6) -> dict[str, object]:
    """Return a horizontal axis from 0 to ``high`` with about so many round graduations."""
    step = round_step(high / ticks)
    at = graduations(0.0, high, step)
    return {
        "range": [0.0, float(f"{high:.8e}")],
        "tickvals": [float(f"{value:.8e}") for value in at],
        "ticktext": [tick_text(value, step) for value in at],
        "title": {"text": title},
    }


def centred_axis(reach: float, title: str, ticks: int = 3) -> dict[str, object]:
    """Return a horizontal axis from −``reach`` to ``reach``, its numbers without a sign."""
    step = round_step(reach / ticks)
    at = graduations(-reach, reach, step)
    end = float(f"{reach:.8e}")
    return {
        "range": [-end, end],
        "tickvals": [float(f"{value:.8e}") for value in at],
        "ticktext": [tick_text(abs(value), step) for value in at],
        "title": {"text": title},
    }
