import numpy as np
import pytest

from grr.formulas.control_charts import (
    individuals_limits,
    mean_range_limits,
    moving_ranges,
    standardised,
)
from grr.model.errors import StudyError


def test_individuals_worked_by_hand():
    # moving ranges 2, 4, 2: mean 8/3; σ = (8/3)/1.128379 (d2 = 2/√π); E2 = 2.6587, D4 = 3.267
    found = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    assert moving_ranges(np.array([10.0, 12.0, 8.0])).tolist() == [2.0, 4.0]
    assert found.centre == pytest.approx(10.0)
    assert found.sigma == pytest.approx(8 / 3 * np.sqrt(np.pi) / 2)
    assert found.upper - 10.0 == pytest.approx(2.660 * 8 / 3, rel=1e-3)
    assert found.range_upper == pytest.approx(3.267 * 8 / 3, rel=1e-3)
    assert found.range_lower == 0.0


def test_means_and_ranges_have_the_tables_constants():
    # A2, D3, D4 for 5 and 10 a check: ASTM E2587 and the manual's appendix C
    for size, a2, d3, d4 in ((5, 0.577, 0.0, 2.114), (10, 0.308, 0.223, 1.777)):
        readings = np.random.default_rng(size).normal(0, 1, (20, size))
        found = mean_range_limits(readings)
        mean_range = np.ptp(readings, axis=1).mean()
        assert found.centre == pytest.approx(readings.mean())
        assert found.upper - found.centre == pytest.approx(a2 * mean_range, rel=2e-3)
        assert found.range_lower == pytest.approx(d3 * mean_range, abs=1e-3)
        assert found.range_upper == pytest.approx(d4 * mean_range, rel=1e-3)


def test_sigma_is_right_on_average():
    z = np.random.default_rng(3).normal(5.0, 2.0, (4000, 30))
    assert individuals_limits(z).sigma.mean() == pytest.approx(2.0, rel=0.01)
    y = z.reshape(4000, 10, 3)
    assert mean_range_limits(y).sigma.mean() == pytest.approx(2.0 / np.sqrt(3), rel=0.01)


def test_points_in_sigmas():
    limits = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    z = standardised(np.array([limits.upper, limits.centre]), limits)
    assert z == pytest.approx([3.0, 0.0])
    still = individuals_limits(np.array([5.0, 5.0, 5.0]))
    assert standardised(np.array([5.0, 6.0]), still).tolist() == [0.0, np.inf]


def test_short_baselines_are_refused():
    with pytest.raises(StudyError, match="at least two checks"):
        individuals_limits(np.array([1.0]))
    with pytest.raises(StudyError, match="no range"):
        mean_range_limits(np.ones((5, 1)))


def test_a_stack_of_checks_of_two_readings():
    stack = np.random.default_rng(7).normal(5.0, 1.0, (3, 10, 2))
    together = mean_range_limits(stack)
    assert (together.baseline, together.per_check) == (10, 2)
    for place in range(3):
        # A2 for two readings a check: ASTM E2587 and the manual's appendix C print 1.880.
        reach = 1.880 * np.abs(np.diff(stack[place], axis=-1)).mean()
        assert together.centre[place] == pytest.approx(stack[place].mean())
        assert together.upper[place] - together.centre[place] == pytest.approx(reach, rel=1e-3)


def test_readings_that_repeat_to_the_last_digit_take_the_least_sigma():
    found = mean_range_limits(np.ones((5, 4)), least_sigma=0.5)
    assert found.sigma == pytest.approx(0.25)  # of a mean of four
    assert individuals_limits(np.ones(5), least_sigma=0.5).sigma == pytest.approx(0.5)


def test_every_limit_of_a_chart():
    # E2 2.660 and D4 3.267 on a mean moving range of 8/3: ASTM E2587 and the manual.
    found = individuals_limits(np.array([10.0, 12.0, 8.0, 10.0]))
    assert 10.0 - found.lower == pytest.approx(2.660 * 8 / 3, rel=1e-3)
    assert found.mean_range == pytest.approx(8 / 3)
    assert (found.per_check, found.baseline) == (1, 4)


def test_two_checks_are_just_enough():
    assert individuals_limits(np.array([1.0, 3.0])).centre == 2.0
    assert mean_range_limits(np.array([[1.0, 3.0], [2.0, 4.0]])).centre == 2.5
