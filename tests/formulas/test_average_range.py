"""The average-and-range method, and the constants of ranges that it needs."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

import grr
from grr.formulas import average_range as constants
from grr.formulas.average_range import average_range
from grr.model.errors import StudyError

# Range constants against published tables, exact values and simulation.
# ----------------------------------------------------------------------

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
    assert constants.d2(size) == pytest.approx(D2[size], abs=5e-4)
    assert constants.d3(size) == pytest.approx(D3[size], abs=6e-4)


def test_exact_values() -> None:
    # Ranges of two and three normal values have closed forms: 2/√π, √(2 − 4/π), 3/√π.
    assert constants.d2(2) == pytest.approx(2 / math.sqrt(math.pi), abs=1e-10)
    assert constants.d3(2) == pytest.approx(math.sqrt(2 - 4 / math.pi), abs=1e-9)
    assert constants.d2(3) == pytest.approx(3 / math.sqrt(math.pi), abs=1e-10)
    assert constants.d2_star(2, 1) == pytest.approx(math.sqrt(2), abs=1e-9)


@pytest.mark.parametrize(("parts", "printed"), K3.items())
def test_k3_of_the_form(parts: int, printed: float) -> None:
    assert 1 / constants.d2_star(parts, 1) == pytest.approx(printed, abs=6e-5)


def test_k1_of_the_form_uses_d2_for_many_ranges() -> None:
    assert 1 / constants.form_divisor(2, 30) == pytest.approx(0.8862, abs=5e-5)
    assert 1 / constants.form_divisor(3, 30) == pytest.approx(0.5908, abs=5e-5)
    assert constants.form_divisor(3, 15) == constants.d2_star(3, 15)
    assert constants.form_divisor(3, 16) == constants.d2(3)


@pytest.mark.parametrize("size", D4)
def test_upper_limit_of_a_range(size: int) -> None:
    assert constants.upper_range_limit(size) == pytest.approx(D4[size], abs=1.5e-3)
    assert constants.lower_range_limit(size) == pytest.approx(0.0 if size < 7 else 0.076, abs=1e-3)


def test_degrees_of_freedom() -> None:
    # One range of two is |difference|: exactly one degree of freedom.
    assert constants.range_df(2, 1) == pytest.approx(1.0, abs=1e-6)
    # AIAG MSA, 4th ed., bias example: 15 readings in one range, 10.8 degrees of freedom.
    assert constants.range_df(15, 1) == pytest.approx(10.8, abs=0.05)


def test_against_simulation() -> None:
    ranges = np.ptp(np.random.default_rng(3).standard_normal((400_000, 12)), axis=1)
    assert constants.d2(12) == pytest.approx(
        ranges.mean(), abs=5 * ranges.std() / np.sqrt(len(ranges))
    )
    assert constants.d3(12) == pytest.approx(ranges.std(), rel=0.01)


def test_one_value_has_no_range() -> None:
    with pytest.raises(StudyError, match="at least two"):
        constants.d2(1)


@pytest.mark.parametrize(
    ("size", "ranges", "printed"),
    # AIAG MSA, 4th ed., appendix C (after Duncan), from memory.
    [(2, 1, 1.41421), (2, 2, 1.27931), (2, 3, 1.23105), (3, 2, 1.80538), (3, 4, 1.74989)],
)
def test_d2_star_of_several_ranges(size: int, ranges: int, printed: float) -> None:
    assert constants.d2_star(size, ranges) == pytest.approx(printed, abs=6e-5)


# The average-and-range form against the manual's worked example.
# ---------------------------------------------------------------


def test_lines_of_the_manual(manual_study: grr.Study) -> None:
    # AIAG MSA, 4th ed., chapter III section B: mean range 0.3417, range of operator means
    # 0.4446, range of part means 3.511.
    lines = average_range(manual_study.cube().values)
    assert float(lines.mean_range) == pytest.approx(0.3417, abs=5e-5)
    # The form adds averages rounded to four digits: 0.4446 there, 0.44467 exactly.
    assert float(lines.operator_gap) == pytest.approx(0.4446, abs=1e-4)
    assert float(lines.part_gap) == pytest.approx(3.511, abs=5e-4)


def test_refusals() -> None:
    with pytest.raises(StudyError, match="two trials"):
        average_range(np.zeros((3, 3, 1)))
    with pytest.raises(StudyError, match="one part"):
        average_range(np.zeros((1, 3, 2)))
    with pytest.raises(StudyError, match="missing"):
        average_range(np.full((3, 3, 2), np.nan))


def test_a_stack_and_an_offset() -> None:
    stack = np.random.default_rng(8).normal(size=(4, 6, 3, 2))
    together, far = average_range(stack), average_range(stack + 1e6)
    for study in range(4):
        alone = average_range(stack[study])
        assert together.grr[study] == pytest.approx(float(alone.grr), rel=1e-12)
        assert far.grr[study] == pytest.approx(float(alone.grr), rel=1e-7)


def test_estimates_are_right_on_average() -> None:
    rng = np.random.default_rng(4)
    cube = (
        rng.normal(size=(20_000, 10, 1, 1)) * 2.0
        + rng.normal(size=(20_000, 1, 3, 1)) * 0.8
        + rng.normal(size=(20_000, 10, 3, 3)) * 0.5
    )
    lines = average_range(cube)
    assert np.sqrt(lines.repeatability).mean() == pytest.approx(0.5, rel=0.01)
    assert lines.operator.mean() == pytest.approx(0.64, rel=0.04)


def test_the_manuals_variation(manual_study: grr.Study) -> None:
    # AIAG MSA, 4th ed., chapter III section B, the printed sheet (from memory): EV 0.20188,
    # AV 0.22963, GRR 0.30575, PV 1.10456; K1 0.5908, K2 0.5231, K3 0.3146. It rounds K1 to K3
    # to four digits and X̄diff to 0.4446. D4 for three trials 2.574 (ASTM E2587).
    lines = average_range(manual_study.cube().values)
    assert (lines.parts, lines.operators, lines.trials) == (10, 3, 3)
    assert (lines.k1, lines.k2, lines.k3) == pytest.approx((0.5908, 0.5231, 0.3146), abs=6e-5)
    assert np.sqrt(lines.repeatability) == pytest.approx(0.20188, abs=5e-5)
    assert np.sqrt(lines.operator) == pytest.approx(0.22963, abs=1e-4)
    assert np.sqrt(lines.grr) == pytest.approx(0.30575, abs=1e-4)
    assert np.sqrt(lines.part) == pytest.approx(1.10456, abs=5e-4)
    assert lines.range_limit == pytest.approx(2.574 * 0.3417, abs=1e-3)
    assert lines.ranges.shape == (10, 3)
    assert lines.ranges[0, 0] == pytest.approx(0.35)  # 0.29, 0.41 and 0.64


def test_two_parts_and_two_operators_by_hand() -> None:
    # d2* of one range of two is √2. Part means 1 and 3, operators 1 apart, ranges 0.2.
    cube = np.array([1.0, 3.0])[:, None, None] + np.array([[-0.5], [0.5]]) + [-0.1, 0.1]
    lines = average_range(cube)
    assert float(lines.part) == pytest.approx(4.0 / 2.0)
    # Four ranges: K1 is 1/d2*(2, 4), and d2*² = d2² + d3²/4 with d2² = 4/π, d3² = 2 − 4/π.
    ev = 0.04 / (4 / np.pi + (2 - 4 / np.pi) / 4)
    assert float(lines.repeatability) == pytest.approx(ev)
    assert float(lines.operator) == pytest.approx(0.5 - ev / 4)
    assert float(lines.grr) == pytest.approx(ev + 0.5 - ev / 4)


def test_operators_alike_add_nothing_and_one_has_nobody_to_differ_from() -> None:
    cube = np.array([1.0, 3.0, 4.0])[:, None, None] + np.zeros((3, 2, 2)) + [-0.1, 0.1]
    alike = average_range(cube)
    assert alike.operator < 0.0 and alike.grr == alike.repeatability
    one = average_range(np.stack([cube[:, :1], cube[:, :1]]))
    assert np.isnan(one.k2)
    assert one.operator_gap.shape == one.operator.shape == (2,)
    assert np.isnan(one.operator_gap).all() and np.isnan(one.operator).all()
    assert np.array_equal(one.grr, one.repeatability)


def test_every_line_of_a_stack_far_from_zero_is_each_studys_own() -> None:
    stack = np.random.default_rng(8).integers(0, 50, (4, 6, 3, 2)).astype(float)
    together = average_range(stack + 1e12)
    for study in range(4):
        for name, value in vars(average_range(stack[study])).items():
            found = getattr(together, name)
            found = found[study] if np.shape(found) else found
            assert np.allclose(found, value, rtol=1e-9), name


@pytest.mark.parametrize(("size", "ranges"), [(2, 1), (3, 30), (5, 12)])
def test_chance_beyond_the_limit_is_that_of_the_studentised_range(size: int, ranges: int) -> None:
    # scipy.stats.studentized_range with the spread known: infinitely many degrees of freedom.
    limit = constants.upper_range_limit(size) * constants.d2(size)
    one = float(stats.studentized_range.sf(limit, size, np.inf))
    expected = 1.0 - (1.0 - one) ** ranges
    assert constants.chance_beyond_limit(size, ranges) == pytest.approx(expected, rel=1e-6)
