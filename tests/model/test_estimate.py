"""An estimate writes itself."""

from __future__ import annotations

import math

import pytest

from grr.model.estimate import CHANCE, Estimate
from grr.model.rounding import JOIN


@pytest.mark.parametrize(
    ("estimate", "spec", "text"),
    [
        (Estimate(18.71, 9.12, 41.97, "%"), "", "18.7 %"),
        (Estimate(18.71, 9.12, 41.97, "%"), "i", "18.7 % (9.1 % to 42.0 %)"),
        (Estimate(18.71, 9.12, 41.97, "%"), "u", "42.0 %"),
        (Estimate(0.00042, 0.0003, 0.0007, "mm"), "i", "0.42 µm (0.30 µm to 0.70 µm)"),
        (Estimate(-0.00123, -0.002, 0.001, "mm"), "+i", "−1.2 µm (−2.0 µm to +1.0 µm)"),
        (Estimate(3.14159, 3.0, math.inf), ".3i", "3.14 (3.00 to no limit)"),
        (Estimate(2.5), "i", "2.5"),
        (Estimate(0.00008, 0.00002, 0.00014, "mm"), "s", "0.08 µm"),
        (Estimate(0.00008, 0.00002, 0.00014, "mm"), "r", "0.02 to 0.14 µm"),
        (Estimate(0.0, -0.00022, 0.00022, "mm"), "s", "0 µm"),
        (Estimate(0.0, -0.00022, 0.00022, "mm"), "r", "−0.22 to 0.22 µm"),
        (Estimate(0.00042, unit="mm"), "s", "0.42 µm"),
        (Estimate(0.00042, unit="mm"), "r", "not estimated"),
        (Estimate(2.02, 1.61, 2.43), ".3r", "1.61 to 2.43"),
        (Estimate(18.71, 9.12, 41.97, "%"), "r", "9.1 % to 42.0 %"),
        (Estimate(math.nan, why="one operator measured"), "i", "not estimated"),
        (Estimate(0.0, 0.0, 1.0, "mm"), "+", "0 µm"),
        (Estimate(0.0312, 0.00004, 0.41, CHANCE), "", "3.1 %"),
        (Estimate(0.0312, 0.00004, 0.41, CHANCE), "r", "40 ppm to 41.0 %"),
        (Estimate(math.nan, unit=CHANCE), "r", "not estimated"),
    ],
)
def test_it_writes_itself(estimate: Estimate, spec: str, text: str) -> None:
    assert format(estimate, spec).replace(JOIN, " ") == text


def test_an_unknown_format_is_refused() -> None:
    with pytest.raises(ValueError, match="format"):
        format(Estimate(1.0), "x")


def test_a_factor_goes_over_all_three() -> None:
    assert Estimate(1.0, 0.5, 2.0, "mm").times(6.0) == Estimate(6.0, 3.0, 12.0, "mm")
