import numpy as np
import pytest
import statsmodels.api as sm

from grr.formulas.change_points import step_change
from grr.formulas.drift_rate import recheck_after, time_to_use_up
from grr.model.errors import StudyError

MONTHS = np.arange(24.0)


def test_a_step_beside_a_drift_is_found_with_its_size():
    y = 0.1 * MONTHS + 5.0 * (MONTHS >= 15)
    found = step_change(MONTHS, y + 1e-6 * np.sin(7.0 * MONTHS))
    assert found.first_after == 15
    assert found.size == pytest.approx(5.0, abs=1e-5)
    assert found.slope == pytest.approx(0.1, abs=1e-5)
    assert found.p < 0.001


def test_slope_and_its_error_are_the_regressions():
    rng = np.random.default_rng(5)
    y = rng.normal(0, 1, 24) + 3.0 * (MONTHS >= 9)
    found = step_change(MONTHS, y)
    step = (int(found.first_after) <= MONTHS).astype(float)
    model = sm.OLS(y, np.column_stack([np.ones(24), MONTHS, step])).fit()
    assert (found.slope, found.size) == pytest.approx(tuple(model.params[1:]))
    assert found.slope_error == pytest.approx(model.bse[1])
    assert found.f == pytest.approx(model.tvalues[2] ** 2)


def test_without_a_step_one_series_in_twenty_shows_one():
    y = np.random.default_rng(6).normal(0, 1, (3000, 24)) + 0.3 * MONTHS
    assert np.mean(step_change(MONTHS, y).p <= 0.05) == pytest.approx(0.05, abs=0.013)


def test_a_straight_line_without_noise_has_no_step():
    assert step_change(MONTHS, 0.5 * MONTHS).p > 0.05
    assert step_change(MONTHS, np.full(24, 3.0)).p == 1.0


def test_too_few_readings_are_refused():
    with pytest.raises(StudyError, match="Fewer than six"):
        step_change(MONTHS[:5], MONTHS[:5])


def test_time_until_the_allowance_is_gone():
    assert time_to_use_up(-0.5, 2.0) == 4.0
    assert time_to_use_up(0.0, 2.0) == np.inf
    assert recheck_after(-0.1, 0.5, 2.0, used=24, longest=12) == 4.0
    assert recheck_after(-0.1, 0.1, 2.0, used=24, longest=12) == 12.0
    assert recheck_after(-0.1, 0.1, 2.0, used=6, longest=12) == 6.0
    assert recheck_after(0.0, 0.0, 2.0, used=6, longest=12) == 6.0


def test_the_shortest_series_and_steps_near_its_ends():
    for place in (2, 4):
        y = 1.0 * (np.arange(6) >= place) + np.array([0, 1, -1, 1, -1, 0]) * 1e-3
        assert step_change(np.arange(6.0), y).first_after == place
    # One reading at an end is no step: it is looked for with two on either side.
    for place in (1, 23):
        y = 5.0 * (np.arange(24) >= place) + 0.01 * np.sin(7.0 * MONTHS)
        assert 2 <= step_change(MONTHS, y).first_after <= 22


def test_a_stack_at_a_large_offset_is_each_series_alone():
    rng = np.random.default_rng(8)
    stack = rng.integers(-9, 9, (3, 24)) + 30.0 * (np.arange(24) >= np.array([[9], [12], [15]]))
    together = step_change(MONTHS, stack + 1e9)
    for place in range(3):
        alone = step_change(MONTHS, stack[place])
        for name in ("first_after", "size", "slope", "slope_error", "f", "p"):
            assert getattr(together, name)[place] == pytest.approx(
                float(getattr(alone, name)), rel=1e-6
            ), name


def test_a_step_leaves_three_degrees_of_freedom_less_than_readings():
    assert step_change(MONTHS, np.sin(MONTHS)).df == 21.0
