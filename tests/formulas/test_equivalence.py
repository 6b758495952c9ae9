import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from grr.formulas.method_comparison import p_inside_margin, p_outside_margin

VALUES = np.random.default_rng(4).normal(0.2, 0.5, (50, 10))
MEAN, ERROR = VALUES.mean(axis=1), VALUES.std(axis=1, ddof=1) / np.sqrt(10)


def test_two_one_sided_tests_are_statsmodels():
    expected = [DescrStatsW(row).ttost_mean(-0.6, 0.6)[0] for row in VALUES]
    assert p_outside_margin(MEAN, ERROR, 9, 0.6) == pytest.approx(np.array(expected), rel=1e-9)


def test_equivalent_is_a_90_percent_interval_inside_the_margin():
    reach = stats.t.ppf(0.95, 9) * ERROR
    inside = (MEAN - reach > -0.6) & (MEAN + reach < 0.6)
    assert (inside == (p_outside_margin(MEAN, ERROR, 9, 0.6) < 0.05)).all()


def test_outside_is_the_one_sided_t_test_on_that_side():
    expected = stats.ttest_1samp(VALUES[0], 0.1, alternative="greater")
    assert MEAN[0] > 0
    assert p_inside_margin(MEAN[:1], ERROR[:1], 9, 0.1)[0] == pytest.approx(expected.pvalue)


def test_both_hold_their_size_at_the_margin():
    values = np.random.default_rng(5).normal(0.6, 0.5, (20_000, 10))
    mean, error = values.mean(axis=1), values.std(axis=1, ddof=1) / np.sqrt(10)
    assert (p_outside_margin(mean, error, 9, 0.6) < 0.05).mean() == pytest.approx(0.05, abs=0.005)
    assert (p_inside_margin(mean, error, 9, 0.6) < 0.05).mean() == pytest.approx(0.05, abs=0.005)


def test_a_difference_without_error_is_certain():
    assert p_outside_margin(np.array([0.1, 0.9]), np.zeros(2), 9, 0.6).tolist() == [0.0, 1.0]
    assert p_inside_margin(np.array([0.1, 0.9]), np.zeros(2), 9, 0.6).tolist() == [1.0, 0.0]
