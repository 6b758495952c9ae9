"""What is asked about a reading as it arrives, in words that do not tell its value."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from grr.entry.numbers import EnteredNumber
from grr.formulas import data_checks
from grr.model.rounding import reading_decimals

RIGHT_AFTER = "right after the one before"

_FACTOR_WORDS = {
    10.0: "about 10 times too large for the drawing (a slipped decimal sign?)",
    0.1: "about 10 times too small for the drawing (a slipped decimal sign?)",
    25.4: "about 25.4 times too large for the drawing (mm in place of inches?)",
    1 / 25.4: "about 25.4 times too small for the drawing (inches in place of mm?)",
    1000.0: "about 1000 times too large for the drawing (another unit?)",
    0.001: "about 1000 times too small for the drawing (another unit?)",
}


def doubts_about(
    number: EnteredNumber,
    *,
    limits: tuple[float | None, float | None],
    resolution: float | None,
    before: Sequence[float],
    seconds_since_last: float | None,
) -> list[str]:
    """Return what is doubtful about a reading; an empty list where nothing is.

    Parameters
    ----------
    number : EnteredNumber
    limits : tuple
        Limits of the drawing as the gauge would show them.
    resolution : float, optional
    before : sequence of float
        The readings before it in this session, of whatever part, oldest first.
    seconds_since_last : float, optional
        None where the time of arrival tells nothing: pasted, or typed from paper.
    """
    words = []
    value = np.array([number.value])
    band = data_checks.believable_band(*limits)
    factor = float(data_checks.suspected_factor(value, band)[0])
    if factor != 1.0:
        words.append(_FACTOR_WORDS[factor])
    elif not band.holds(value)[0]:
        words.append("far outside the limits on the drawing")
    if resolution is not None:
        shown = reading_decimals(resolution)
        if data_checks.fewer_decimals(np.array([number.decimals]), shown)[0]:
            words.append(f"only {number.decimals} of the {shown} decimals that the gauge shows")
    recent = np.array([*before[-data_checks.EQUAL_BEFORE :], number.value])
    if data_checks.equal_to_those_before(recent)[-1]:
        words.append("exactly the same as the three before it")
    if seconds_since_last is not None and data_checks.too_soon(np.array(seconds_since_last)):
        words.append(f"it came {RIGHT_AFTER} (a double trigger?)")
    return words
