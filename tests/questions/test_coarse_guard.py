"""Acceptance limits under a coarse digit: a part on the limit is seldom accepted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtr

import grr
from grr.questions.acceptance import narrowed


@pytest.mark.parametrize("digit", [1.0, 1.75, 2.0])
def test_wherever_in_a_digit_the_limit_lies_few_parts_on_it_are_accepted(digit: float) -> None:
    """6 of 100 at the worst place of the limit within a digit; simulated: 5.6 of 100."""
    rng = np.random.default_rng(11)
    guards = []
    for _ in range(40):
        sizes = 12 * rng.standard_normal((10, 1, 1)) + rng.standard_normal((10, 3, 3))
        rows = [
            (str(i), "ABC"[j], k + 1, round(sizes[i, j, k] / digit) * digit)
            for i, j, k in np.ndindex(10, 3, 3)
        ]
        found = narrowed(grr.anova(_study(rows, digit)))
        assert found is not None
        guards.append(found.guard)
    places = np.linspace(0.0, digit, 20, endpoint=False)[:, None]
    inside = np.ceil((np.array(guards) - places) / digit - 1e-6) * digit + places
    assert ndtr(digit / 2 - inside).mean(axis=1).max() <= 0.06


@pytest.mark.parametrize("digit", [2.5, 4.0, 6.0])
def test_parts_on_the_limit_are_accepted_in_at_most_5_of_100(digit: float) -> None:
    rng = np.random.default_rng(7)
    risks = []
    for _ in range(40):
        # Repeatability alone: the guard band is narrowest there. GRR's sd is 1.
        sizes = 12 * rng.standard_normal((10, 1, 1)) + rng.standard_normal((10, 3, 3))
        rows = [
            (str(i), "ABC"[j], k + 1, round(sizes[i, j, k] / digit) * digit)
            for i, j, k in np.ndindex(10, 3, 3)
        ]
        study = _study(rows, digit)
        found = narrowed(grr.anova(study))
        assert found is not None
        # The last reading accepted lies a whole number of digits inside a limit on the grid.
        inside = np.ceil(found.guard / digit - 1e-6) * digit
        risks.append(float(ndtr(digit / 2 - inside)))
    assert np.mean(risks) <= 0.05


def _study(rows: list[tuple[str, str, int, float]], digit: float) -> grr.Study:
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    half = 24 * digit
    return grr.Study(table, tolerance=grr.Tolerance(-half, half), unit="mm", resolution=digit)
