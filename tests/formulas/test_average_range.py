"""The average-and-range form against the manual's worked example."""

from __future__ import annotations

import numpy as np
import pytest

import grr
from grr.formulas.average_range import average_range
from grr.model.errors import StudyError


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
