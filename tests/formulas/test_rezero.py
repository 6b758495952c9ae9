import numpy as np
import pytest

from grr.formulas.drift_rate import time_to_drift, time_to_settle, time_until_steady, zero_drift
from grr.model.errors import StudyError


def test_six_minutes():
    # 5 % of a tolerance of 6 µm is 0.3 µm; at 0.05 µm a minute that takes 6 minutes.
    assert time_to_drift(0.05 * 6.0, -0.05) == pytest.approx(6.0)
    assert np.isinf(time_to_drift(0.3, 0.0))


def test_a_settling_curve_reaches_the_allowance_or_never():
    # 0.6·(1 − exp(−t/4)) = 0.3 at t = 4·ln 2.
    assert time_to_settle(0.3, -0.6, 4.0) == pytest.approx(4 * np.log(2))
    assert np.isinf(time_to_settle(0.3, 0.2, 4.0))


def test_until_no_more_than_the_allowance_is_to_come():
    # 0.6·exp(−t/4) = 0.3 at t = 4·ln 2; nothing to wait for where 0.2 is all there is.
    assert time_until_steady(0.3, -0.6, 4.0) == pytest.approx(4 * np.log(2))
    assert time_until_steady(0.3, 0.2, 4.0) == 0.0


def test_zero_drift_by_hand():
    # Changes −0.2, −0.4, −0.3: mean −0.3, sd 0.1, t(2) 4.303: ± 0.2484.
    found = zero_drift(np.array([-0.2, -0.4, -0.3]), np.array([10.0, 10.0, 10.0]))
    assert found.mean == pytest.approx(-0.3)
    assert (found.lower, found.upper) == pytest.approx((-0.5484, -0.0516), abs=1e-4)
    assert found.per_minute == pytest.approx(-0.03)
    assert found.largest == -0.4


def test_readings_that_repeat_to_the_last_digit_are_not_exact():
    found = zero_drift(np.zeros(4), np.full(4, 10.0), least_sd=0.1)
    # t(3) = 3.182; 3.182·0.1/2
    assert (found.lower, found.upper) == pytest.approx((-0.1591, 0.1591), abs=1e-4)


def test_one_session_has_no_interval_and_none_is_refused():
    one = zero_drift(np.array([0.1]), np.array([5.0]))
    assert one.mean == 0.1 and np.isnan(one.lower)
    with pytest.raises(StudyError, match="before and after"):
        zero_drift(np.array([]), np.array([]))


def test_two_sessions_have_an_interval_and_short_ones_a_rate():
    # Changes 0.1 and 0.3: mean 0.2, sd 0.14142, t(1) 12.706: ± 12.706·0.1. A minute apart
    # twice a quarter: 0.4/0.5.
    found = zero_drift(np.array([0.1, 0.3]), np.array([0.25, 0.25]))
    assert (found.lower, found.upper) == pytest.approx((-1.0706, 1.4706), abs=1e-4)
    assert found.per_minute == pytest.approx(0.8)
    assert np.isnan(zero_drift(np.array([0.1]), np.array([0.0])).per_minute)


def test_an_allowance_that_is_just_the_whole_settling_is_never_passed():
    assert time_to_settle(0.3, 0.3, 4.0) == np.inf
