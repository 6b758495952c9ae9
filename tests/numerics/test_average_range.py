"""The average-and-range form against the manual's worked example."""

from __future__ import annotations

import numpy as np
import pytest

import grr
from grr.errors import StudyError
from grr.numerics.average_range import average_range


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
