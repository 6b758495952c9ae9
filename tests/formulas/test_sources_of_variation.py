"""Ratios against the manual's printed sheet and sums done by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from grr.formulas import sources_of_variation


def test_the_manuals_printed_percentages():
    # AIAG MSA, 4th ed., chapter III section B, the sheet of the average and range method.
    ev, av, grr, pv, tv = 0.20188, 0.22963, 0.30575, 1.10456, 1.14610
    found = sources_of_variation.percent(np.array([ev, av, grr, pv]), tv)
    assert_allclose(found, [17.62, 20.04, 26.68, 96.38], atol=0.01)
    assert sources_of_variation.distinct_categories(pv, grr) == pytest.approx(5.094, abs=1e-3)


def test_a_percentage_of_nothing_is_not_a_number():
    found = sources_of_variation.percent(
        np.array([3.0, 3.0, 3.0, 1.0]), np.array([12.0, 0.0, -2.0, 0.5])
    )
    assert_array_equal(found, [25.0, np.nan, np.nan, 200.0])


def test_percent_of_tolerance_by_hand():
    # 6 · 0.3 of 9 is a fifth; 5.15 · 0.3 of 10.3 is 15 %.
    assert sources_of_variation.percent_of_tolerance(0.3, 9.0) == pytest.approx(20.0)
    assert sources_of_variation.percent_of_tolerance(0.3, 10.3, spread=5.15) == pytest.approx(15.0)


def test_one_limit_by_hand():
    # Three sd of 0.5 on the 6 from the mean to the limit: a quarter.
    assert sources_of_variation.percent_of_one_side(0.5, 10.0, 16.0, upper=True) == pytest.approx(
        25.0
    )
    assert sources_of_variation.percent_of_one_side(0.5, 10.0, 4.0, upper=False) == pytest.approx(
        25.0
    )
    assert sources_of_variation.percent_of_one_side(
        0.5, 10.0, 16.0, upper=True, spread=4.8
    ) == pytest.approx(20)
    assert np.isnan(sources_of_variation.percent_of_one_side(0.5, 16.0, 16.0, upper=True))
    assert np.isnan(sources_of_variation.percent_of_one_side(0.5, 10.0, 16.0, upper=False))


def test_limits_that_are_given_and_those_that_are_not():
    lower = np.array([0.0, np.nan, 4.0, np.nan])
    upper = np.array([12.0, 18.0, np.nan, np.nan])
    found = sources_of_variation.percent_of_limits(0.5, 10.0, lower, upper)
    assert_allclose(found, [25.0, 18.75, 25.0, np.nan])
    narrow = sources_of_variation.percent_of_limits(0.5, 10.0, lower, upper, spread=4.8)
    assert_allclose(narrow, [20.0, 15.0, 20.0, np.nan])
    assert_allclose(sources_of_variation.percent_of_limits(0.5, 10.0, 0, 12), 25.0)


def test_parts_and_total_from_the_study_or_from_the_process():
    # TV² = 5² and PV² = 25 − 9; without a process sd a part variance below 0 counts as 0.
    part, total = sources_of_variation.part_and_total(
        np.array([2.0, 2.0, -1.0, 2.0, 2.0]),
        9.0,
        np.array([5.0, np.nan, np.nan, 2.0, 3.0]),
    )
    assert_array_equal(part, [16.0, 2.0, 0.0, np.nan, 0.0])
    assert_array_equal(total, [25.0, 11.0, 9.0, 4.0, 9.0])


def test_categories_without_a_measuring_error_are_not_a_number():
    found = sources_of_variation.distinct_categories(
        np.array([2.0, 2.0, 0.5]), np.array([0.0, 0.5, 2.0])
    )
    assert_allclose(found, [np.nan, 5.64, 0.3525])


def test_the_rounding_error_and_what_it_hides():
    # GUM F.2.2.1: u = 0.29 of the step.
    assert sources_of_variation.rounding_floor(1.0) == pytest.approx(0.29, abs=2e-3)
    assert sources_of_variation.rounding_floor(np.array([0.6])) ** 2 == pytest.approx(0.03)
    hidden = sources_of_variation.hidden_by_rounding(np.array([0.029, 0.031]), 0.1)
    assert hidden.tolist() == [True, False]
    assert not sources_of_variation.hidden_by_rounding(0.3, 1.0)


def test_two_limits_away_from_zero():
    assert sources_of_variation.percent_of_limits(0.5, 10.0, 4.0, 16.0) == pytest.approx(25.0)
    assert sources_of_variation.percent_of_limits(0.5, -10.0, -16.0, -4.0) == pytest.approx(25.0)
