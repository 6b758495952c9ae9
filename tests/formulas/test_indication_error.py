import numpy as np
import pytest

from grr.formulas.conformity import CONFORMS, DOES_NOT, OPEN, conformity, worst


def test_the_guard_band_lies_inside_and_outside_the_limit():
    # u = 0.1, 1.645·u = 0.1645 on both sides of 2
    errors = np.array([0.0, -1.83, 1.84, 2.0, -2.16, 2.17])
    assert conformity(errors, 2.0, 0.1) == [CONFORMS, CONFORMS, OPEN, OPEN, OPEN, DOES_NOT]


def test_each_block_has_its_own_uncertainty():
    assert conformity(np.array([1.9, 1.9]), 2.0, np.array([0.01, 1.0])) == [CONFORMS, OPEN]


def test_without_uncertainty_the_limit_itself_decides():
    assert conformity(np.array([2.0, 2.0001]), 2.0, 0.0) == [CONFORMS, DOES_NOT]


def test_an_uncertainty_as_large_as_the_limit_proves_nothing():
    assert conformity(0.0, 1.0, 1.0) == [OPEN]
    assert conformity(0.0, 1.0, 0.5) == [CONFORMS]  # 2·MPE = 4·u, just over 3.92·u


@pytest.mark.parametrize(
    ("states", "expected"),
    [([CONFORMS, OPEN], OPEN), ([OPEN, DOES_NOT, CONFORMS], DOES_NOT), ([CONFORMS], CONFORMS)],
)
def test_the_worst_decides(states, expected):
    assert worst(states) == expected


def test_the_factor_grows_where_the_uncertainty_is_not_small():
    # Limits ±2, u 1. From an error e the truth lies within with Φ(2 − e) − Φ(−2 − e):
    # 0.9447 at 0.3, 0.9510 at 0.18, and 0.9075 at 0.65.
    errors = np.array([0.18, 0.3, 0.65])
    assert conformity(errors, 2.0, 1.0) == [CONFORMS, OPEN, OPEN]
    assert conformity(errors, 2.0, 1.0, confidence=0.9) == [CONFORMS, CONFORMS, CONFORMS]
    # Past the limit by 1.2816·u at 90 %, by 1.645·u at 95 %.
    assert conformity(3.3, 2.0, 1.0, confidence=0.9) == [DOES_NOT]
    assert conformity(3.3, 2.0, 1.0) == [OPEN]
