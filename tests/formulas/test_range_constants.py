"""Range constants against published tables, exact values and simulation."""

from __future__ import annotations

import math

import numpy as np
import pytest

from grr.formulas import average_range as rc
from grr.model.errors import StudyError

# ASTM E2587 and AIAG MSA 4th ed., appendix C, to the digits printed there.
D2 = {2: 1.128, 3: 1.693, 4: 2.059, 5: 2.326, 6: 2.534, 7: 2.704, 8: 2.847, 9: 2.970, 10: 3.078}
D3 = {2: 0.853, 3: 0.888, 4: 0.880, 5: 0.864, 6: 0.848, 7: 0.833, 8: 0.820, 9: 0.808, 10: 0.797}
D4 = {2: 3.267, 3: 2.574, 4: 2.282, 5: 2.114, 6: 2.004, 7: 1.924}  # AIAG MSA, from memory
# AIAG MSA, 4th ed., appendix C (after Duncan), from memory.
K3 = {
    2: 0.7071,
    3: 0.5231,
    4: 0.4467,
    5: 0.4030,
    6: 0.3742,
    7: 0.3534,
    8: 0.3375,
    9: 0.3249,
    10: 0.3146,
}


@pytest.mark.parametrize("size", D2)
def test_d2_and_d3_are_those_of_the_tables(size: int) -> None:
    assert rc.d2(size) == pytest.approx(D2[size], abs=5e-4)
    assert rc.d3(size) == pytest.approx(D3[size], abs=6e-4)


def test_exact_values() -> None:
    # Ranges of two and three normal values have closed forms: 2/√π, √(2 − 4/π), 3/√π.
    assert rc.d2(2) == pytest.approx(2 / math.sqrt(math.pi), abs=1e-10)
    assert rc.d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-9)
    assert rc.d2(3) == pytest.approx(3 / math.sqrt(math.pi), abs=1e-10)
    assert rc.d2_star(2, 1) == pytest.approx(math.sqrt(2), abs=1e-9)


@pytest.mark.parametrize(("parts", "printed"), K3.items())
def test_k3_of_the_form(parts: int, printed: float) -> None:
    assert 1 / rc.d2_star(parts, 1) == pytest.approx(printed, abs=6e-5)


def test_k1_of_the_form_uses_d2_for_many_ranges() -> None:
    assert 1 / rc.form_divisor(2, 30) == pytest.approx(0.8862, abs=5e-5)
    assert 1 / rc.form_divisor(3, 30) == pytest.approx(0.5908, abs=5e-5)
    assert rc.form_divisor(3, 15) == rc.d2_star(3, 15)
    assert rc.form_divisor(3, 16) == rc.d2(3)


@pytest.mark.parametrize("size", D4)
def test_upper_limit_of_a_range(size: int) -> None:
    assert rc.upper_range_limit(size) == pytest.approx(D4[size], abs=1.5e-3)
    assert rc.lower_range_limit(size) == pytest.approx(0.0 if size < 7 else 0.076, abs=1e-3)


def test_degrees_of_freedom() -> None:
    # One range of two is |difference|: exactly one degree of freedom.
    assert rc.range_df(2, 1) == pytest.approx(1.0, abs=1e-6)
    # AIAG MSA, 4th ed., bias example: 15 readings in one range, 10.8 degrees of freedom.
    assert rc.range_df(15, 1) == pytest.approx(10.8, abs=0.05)


def test_against_simulation() -> None:
    ranges = np.ptp(np.random.default_rng(3).standard_normal((400_000, 12)), axis=1)
    assert rc.d2(12) == pytest.approx(ranges.mean(), abs=5 * ranges.std() / np.sqrt(len(ranges)))
    assert rc.d3(12) == pytest.approx(ranges.std(), rel=0.01)


def test_one_value_has_no_range() -> None:
    with pytest.raises(StudyError, match="at least two"):
        rc.d2(1)


@pytest.mark.parametrize(
    ("size", "ranges", "printed"),
    # AIAG MSA, 4th ed., appendix C (after Duncan), from memory.
    [(2, 1, 1.41421), (2, 2, 1.27931), (2, 3, 1.23105), (3, 2, 1.80538), (3, 4, 1.74989)],
)
def test_d2_star_of_several_ranges(size: int, ranges: int, printed: float) -> None:
    assert rc.d2_star(size, ranges) == pytest.approx(printed, abs=6e-5)
