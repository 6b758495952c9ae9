"""Ratios against the manual's printed sheet and sums done by hand."""

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from grr.formulas import sources_of_variation
from grr.formulas.analysis_of_variance import Components


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


# A step of 0.6 has a rounding variance of 0.36/12 = 0.03 and hides an sd under 0.18,
# a variance under 0.0324.


def test_a_hidden_repeatability_is_the_rounding_error():
    ev = np.array([0.01, 0.25, 0.0312])
    found = Components(
        part=np.full(3, 4.0),
        operator=np.full(3, 0.5),
        interaction=np.full(3, 0.1),
        repeatability=ev,
    )
    raised, hidden = sources_of_variation.floored_components(found, 0.6)
    assert hidden.tolist() == [True, False, True]
    # The third is hidden, yet above the rounding variance: it stays as it was found.
    assert_allclose(raised.repeatability, [0.03, 0.25, 0.0312])
    assert_allclose(raised.grr, [0.63, 0.85, 0.6312])
    assert_array_equal(raised.part, found.part)
    assert_array_equal(raised.operator, found.operator)
    assert_array_equal(raised.interaction, found.interaction)


def test_without_a_known_step_nothing_changes():
    one = np.array([0.01, 0.01])
    found = Components(part=one, operator=one, interaction=one, repeatability=one)
    raised, hidden = sources_of_variation.floored_components(found, np.array([np.nan, 0.6]))
    assert hidden.tolist() == [False, True]
    assert_allclose(raised.repeatability, [0.01, 0.03])
    assert_allclose(raised.grr, [0.03, 0.05])


def test_the_table_of_a_stack_by_hand():
    # EV² 9, AV² −1 (so 0), INT² 7, GRR² 16 as formed; PV² 9: TV² 25. Tolerance 10 ± 60 and,
    # in the second study, only an upper limit 40 away; the third has a process sd of 10, so
    # PV² = 100 − 16; the fourth one of 3, under GRR.
    def stack(value):
        return np.full(4, float(value))

    found = Components(stack(9), stack(-1), stack(7), stack(9))
    table = sources_of_variation.sources_of_variation(
        found,
        mean=np.array([10.0, 20.0, 10.0, 10.0]),
        lower=np.array([-50.0, np.nan, np.nan, np.nan]),
        upper=np.array([70.0, 60.0, np.nan, np.nan]),
        process_sd=np.array([np.nan, np.nan, 10.0, 3.0]),
    )
    assert_allclose(table.sd[0], [3, 0, np.sqrt(7), 4, 3, 5])
    assert_allclose(table.sd[2], [3, 0, np.sqrt(7), 4, np.sqrt(84), 10])
    assert_allclose(table.sd[3], [3, 0, np.sqrt(7), 4, np.nan, 3])
    assert_allclose(table.variance, np.square(table.sd))
    assert_allclose(table.spread, 6 * table.sd)
    assert_allclose(table.percent_contribution[0], [36, 0, 28, 64, 36, 100])
    assert_allclose(table.percent_tv[2, [0, 3, 5]], [30, 40, 100])
    assert_allclose(table.percent_tolerance[0], 100 * 6 * table.sd[0] / 120)
    assert_allclose(table.percent_tolerance[1], 100 * 3 * table.sd[1] / 40)
    assert np.isnan(table.percent_tolerance[2:]).all()
    assert_allclose(table.ndc_exact, [1.41 * 0.75, 1.41 * 0.75, 1.41 * np.sqrt(84) / 4, np.nan])
    assert_array_equal(table.ndc, [1, 1, 3, np.nan])


def test_chosen_parts_have_no_total_of_their_own():
    one = np.ones(2)
    found = Components(4 * one, one, np.nan * one, one)
    table = sources_of_variation.sources_of_variation(
        found, mean=0.0, process_sd=np.array([np.nan, 4.0]), parts_represent=False
    )
    assert np.isnan(table.percent_tv[0]).all()
    assert np.isnan(table.percent_contribution[0]).all()
    assert np.isnan(table.ndc[0])
    assert_allclose(table.percent_tv[1, 3], 100 * np.sqrt(2) / 4)
    assert_allclose(table.variance[0, [4, 5]], [4, 6])
    assert np.isnan(table.variance[:, 2]).all()


def test_one_study_is_a_stack_of_one():
    found = Components(*(np.asarray(float(v)) for v in (9, -1, 7, 9)))
    table = sources_of_variation.sources_of_variation(found, mean=1.0, lower=0.0, upper=60.0)
    assert table.sd.shape == (6,)
    assert float(table.percent_tolerance[3]) == pytest.approx(40.0)
    assert table.ndc.shape == ()
