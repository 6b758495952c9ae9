"""Decisions are wrong no more often than their confidence says, simulated at the limit."""

from __future__ import annotations

import numpy as np
import pytest

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import careful_lower_bound, upper_bound
from grr.formulas.pivots import crossed_pivots

STUDIES = 1500


@pytest.mark.parametrize("shares", [(0.98, 0.01, 0.01), (0.6, 0.3, 0.1)])
def test_bounds_of_grr_hold_their_confidence(shares: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(12)
    error, operator, both = np.sqrt(shares)
    missed = np.zeros(2)
    for _ in range(STUDIES // 100):
        cube = (
            5.0 * rng.normal(size=(100, 10, 1, 1))
            + operator * rng.normal(size=(100, 1, 3, 1))
            + both * rng.normal(size=(100, 10, 3, 1))
            + error * rng.normal(size=(100, 10, 3, 3))
        )
        grr = np.maximum(crossed_pivots(crossed_anova(cube), draws=2000).grr, 0.0)
        missed += [
            (careful_lower_bound(grr, 0.95) > 1.0).sum(),
            (upper_bound(grr, 0.95) < 1.0).sum(),
        ]
    # Three standard errors of 5 % over 1500 studies are 1.7 points.
    assert (missed / STUDIES <= 0.05 + 0.017).all(), missed / STUDIES
