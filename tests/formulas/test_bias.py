import numpy as np
import pytest
from scipy import stats

from grr.formulas import published
from grr.formulas.bias import bias_by_range, bias_by_sd, t_quantile, with_reference_uncertainty
from grr.model.errors import StudyError

#: AIAG MSA, 4th ed., bias example (from memory): reference 6.00.
MANUAL = np.array(published.BIAS_READINGS)


def test_the_manuals_example_by_range():
    found = bias_by_range(MANUAL, 6.0)
    assert found.bias == pytest.approx(0.0067, abs=1e-4)
    assert found.sd == pytest.approx(0.22514, abs=1e-4)
    assert found.standard_error == pytest.approx(0.0581, abs=1e-4)
    assert found.df == pytest.approx(10.8, abs=0.05)
    # printed from memory −0.1185 to 0.1319; recomputed with exact constants
    assert found.lower == pytest.approx(-0.1186, abs=1e-4)
    assert found.upper == pytest.approx(0.1320, abs=1e-4)


def test_the_manuals_example_by_sd_is_scipys_t_test():
    found = bias_by_sd(MANUAL, 6.0)
    expected = stats.ttest_1samp(MANUAL, 6.0)
    interval = expected.confidence_interval(0.95)
    assert found.sd == pytest.approx(0.21202, abs=1e-5)
    assert found.t == pytest.approx(expected.statistic, rel=1e-10)
    assert found.p == pytest.approx(expected.pvalue, rel=1e-10)
    assert found.lower + 6.0 == pytest.approx(interval.low, rel=1e-12)
    assert found.upper + 6.0 == pytest.approx(interval.high, rel=1e-12)


def test_a_large_size_does_not_drown_a_nanometre():
    near = bias_by_sd(MANUAL * 1e-6, 6e-6)
    far = bias_by_sd(1e3 + MANUAL * 1e-6, 1e3 + 6e-6)
    assert far.bias == pytest.approx(near.bias, abs=2e-13)
    assert far.sd == pytest.approx(near.sd, rel=1e-6)


def test_a_stack_is_its_studies_one_by_one():
    readings = np.random.default_rng(1).normal(10.0, 0.01, (3, 4, 12))
    reference = np.array([[10.0], [10.01], [9.99]]) * np.ones(4)
    stack = bias_by_range(readings, reference, level=0.9)
    for place in np.ndindex(3, 4):
        one = bias_by_range(readings[place], reference[place], level=0.9)
        assert stack.lower[place] == pytest.approx(one.lower, rel=1e-12)
        assert stack.p[place] == pytest.approx(one.p, rel=1e-12)


@pytest.mark.parametrize("form", [bias_by_sd, bias_by_range])
def test_the_interval_holds_the_true_bias(form):
    readings = np.random.default_rng(2).normal(0.4, 1.0, (4000, 10))
    found = form(readings, 0.0)
    covered = np.mean((found.lower <= 0.4) & (found.upper >= 0.4))
    # the manual's d2/d2* costs the range form about one percent
    assert 0.93 < covered < 0.96


def test_readings_that_never_scatter_take_the_least_sd():
    found = bias_by_sd(np.full(10, 25.0001), 25.0, least_sd=0.0001 / np.sqrt(12))
    assert found.sd == pytest.approx(0.0001 / np.sqrt(12))
    assert 0.0 < found.p < 0.01
    assert bias_by_sd(np.full(10, 25.5), 25.0).p == 0.0


def test_the_reference_widens_the_interval():
    bias = bias_by_sd(MANUAL, 6.0)
    low, high = with_reference_uncertainty(bias, 0.0)
    assert (low, high) == (pytest.approx(bias.lower), pytest.approx(bias.upper))
    low, high = with_reference_uncertainty(bias, 10.0)
    assert high - low == pytest.approx(2 * 1.959964 * 10.0, rel=1e-3)
    # both alike, ν = (2a)²/(a²/14 + 0) = 56 degrees of freedom
    error = float(bias.standard_error)
    low, high = with_reference_uncertainty(bias, error)
    assert high - bias.bias == pytest.approx(stats.t.ppf(0.975, 56) * error * np.sqrt(2))


def test_t_with_no_end_of_degrees_of_freedom_is_normal():
    assert t_quantile(0.975, np.inf) == pytest.approx(stats.norm.ppf(0.975), rel=1e-8)


def test_one_reading_is_refused():
    with pytest.raises(StudyError, match="One reading"):
        bias_by_sd(np.array([6.0]), 6.0)


def test_a_reference_with_few_degrees_of_freedom():
    # u twice the error of the mean, on 5 degrees of freedom: 5²/(1/14 + 16/5) = 7.642
    bias = bias_by_sd(MANUAL, 6.0)
    error = float(bias.standard_error)
    _, high = with_reference_uncertainty(bias, 2.0 * error, reference_df=5.0)
    reach = stats.t.ppf(0.975, 25 / (1 / 14 + 16 / 5)) * error * np.sqrt(5)
    assert high - bias.bias == pytest.approx(reach)


def test_without_scatter_and_with_a_known_reference_the_bias_is_exact():
    assert with_reference_uncertainty(bias_by_sd(np.full(10, 25.5), 25.0), 0.0) == (0.5, 0.5)


def test_two_readings_and_what_the_result_says_of_them():
    found = bias_by_sd(np.array([10.0, 10.4]), 10.1)
    expected = stats.ttest_1samp([10.0, 10.4], 10.1)
    assert (found.readings, found.df) == (2, 1.0)
    assert found.mean == pytest.approx(10.2) and found.bias == pytest.approx(0.1)
    assert found.p == pytest.approx(expected.pvalue)
    assert np.isnan(bias_by_sd(np.full(5, 3.0), 3.0).t)
