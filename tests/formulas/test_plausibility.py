import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.formulas import data_checks as plaus
from grr.model.values import finer_than

BAND = plaus.believable_band(10.006, 10.012)


def test_the_band_is_one_tolerance_width_beyond_each_limit():
    assert (BAND.low, BAND.high) == pytest.approx((10.0, 10.018))
    assert BAND.holds(np.array([10.0001, 10.0179, np.nan, 9.99, 10.02])).tolist() == [
        True,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("lower", "upper", "low", "high"),
    [
        (None, 0.005, 0.0, 0.010),
        (2.0, None, 1.0, 4.0),
        (None, None, -np.inf, np.inf),
        (None, 0.0, -np.inf, np.inf),
        (-0.003, 0.003, -0.009, 0.009),
    ],
)
def test_bands_of_other_tolerances(lower, upper, low, high):
    band = plaus.believable_band(lower, upper)
    assert (band.low, band.high) == pytest.approx((low, high))


@pytest.mark.parametrize("factor", [10.0, 0.1, 25.4, 1 / 25.4, 1000.0, 0.001])
def test_each_factor_is_recognised(factor):
    readings = np.array([[10.008, 10.008 * factor], [10.0095 * factor, np.nan]])
    found = plaus.suspected_factor(readings, BAND)
    np.testing.assert_allclose(found, [[1.0, factor], [factor, 1.0]])


def test_a_far_reading_of_no_factor_and_deviations_about_zero_name_no_factor():
    assert plaus.suspected_factor(np.array([10.5]), BAND) == 1.0
    around_zero = plaus.believable_band(-0.003, 0.003)
    assert plaus.suspected_factor(np.array([0.02]), around_zero) == 1.0


def test_equal_to_the_three_before():
    readings = np.array([[1.0, 1.0, 1.0, 1.0, 1.0, 2.0], [1.0, 2.0, 2.0, 2.0, 2.0, 2.0]])
    assert plaus.equal_to_those_before(readings).tolist() == [
        [False, False, False, True, True, False],
        [False, False, False, False, True, True],
    ]
    assert not plaus.equal_to_those_before(readings[:, :3]).any()


def test_decimals_digits_and_speed():
    assert plaus.fewer_decimals(np.array([3, 4, 5]), 4).tolist() == [True, False, False]
    assert finer_than(np.array([10.0081, 10.00815]), 0.0001).tolist() == [False, True]
    assert plaus.too_soon(np.array([0.1, 0.49, 0.5, 3.0])).tolist() == [True, True, False, False]


@settings(deadline=None, max_examples=100)
@given(
    st.floats(0.5, 500.0),
    st.floats(1e-4, 0.02),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20),
)
def test_no_question_about_parts_within_the_tolerance(lower, share, positions):
    upper = lower * (1.0 + share)
    band = plaus.believable_band(lower, upper)
    readings = lower + np.array(positions) * (upper - lower)
    assert band.holds(readings).all()
    assert (plaus.suspected_factor(readings, band) == 1.0).all()


def test_every_one_of_the_three_before_counts():
    readings = np.array([[1.0, 2.0, 2.0, 2.0], [2.0, 1.0, 2.0, 2.0], [2.0, 2.0, 1.0, 2.0]])
    assert not plaus.equal_to_those_before(readings).any()
    stack = np.ones((2, 7, 5))
    assert plaus.equal_to_those_before(stack).sum() == 2 * 7 * 2
    assert plaus.equal_to_those_before(np.ones(4)).tolist() == [False, False, False, True]
    assert plaus.equal_to_those_before(np.ones(4)).dtype == np.bool_


def test_only_a_band_without_zero_tells_factors():
    assert not plaus.believable_band(None, 0.005).excludes_zero
    assert plaus.suspected_factor(np.array([0.05]), plaus.believable_band(None, 0.005)) == 1.0
    assert plaus.believable_band(0.5, 0.6).excludes_zero
    assert plaus.suspected_factor(np.array([5.5]), plaus.believable_band(0.5, 0.6)) == 10.0
    assert not plaus.Band(-1.0, 0.0).excludes_zero
    assert plaus.Band(-2.0, -1.0).excludes_zero


def test_a_lower_limit_alone_however_small():
    small = plaus.believable_band(0.5, None)
    assert (small.low, small.high) == (0.25, 1.0)
    none = plaus.believable_band(0.0, None)
    assert (none.low, none.high) == (-np.inf, np.inf)


def test_the_ends_of_a_band_belong_to_it():
    assert plaus.Band(1.0, 2.0).holds(np.array([1.0, 2.0])).all()
