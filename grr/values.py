"""Checks of single values given by a person."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike, NDArray

from grr.errors import StudyError


def one_of(name: str, value: object, allowed: tuple[str, ...]) -> str:
    """Return ``value`` where it is one of the words allowed.

    Raises
    ------
    StudyError
        It is not.
    """
    if not isinstance(value, str) or value not in allowed:
        raise StudyError(
            f"{name} is not a word known here",
            f"Use one of: {', '.join(allowed)}",
            value=value,
        )
    return value


def number(name: str, value: object, *, above: float = -math.inf, below: float = math.inf) -> float:
    """Return ``value`` as a finite number between two bounds, both excluded.

    Raises
    ------
    StudyError
        It is no number, not finite, or outside the bounds.
    """
    try:
        result = float(value)  # type: ignore[arg-type]
    except (TypeError, ValueError):
        result = math.nan
    if isinstance(value, bool) or not math.isfinite(result):
        raise StudyError(f"{name} is not a finite number", "Give a number", value=value)
    if result <= above:
        raise StudyError(f"{name} must be more than {above:g}", "Correct the value", value=value)
    if result >= below:
        raise StudyError(f"{name} must be less than {below:g}", "Correct the value", value=value)
    return result


def finer_than(readings: ArrayLike, resolution: ArrayLike) -> NDArray[np.bool_]:
    """Return where a reading is no multiple of the gauge's last digit."""
    steps = np.asarray(readings, dtype=np.float64) / np.asarray(resolution, dtype=np.float64)
    return np.asarray(np.abs(steps - np.round(steps)) > 1e-4 + 1e-9 * np.abs(steps))
