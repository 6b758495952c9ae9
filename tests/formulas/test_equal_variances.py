import numpy as np
import pytest
from scipy import stats

from grr.formulas.confidence_limits import sd_ratio_interval
from grr.formulas.operator_comparison import (
    bartlett,
    cochran_c,
    cochran_limit,
    largest_against_rest,
)
from grr.model.errors import StudyError


def test_bartlett_is_scipys():
    rng = np.random.default_rng(2)
    groups = [rng.normal(0, s, n) for s, n in ((1.0, 9), (1.7, 6), (0.8, 12))]
    expected = stats.bartlett(*groups)
    found = bartlett(
        np.array([g.var(ddof=1) for g in groups]), np.array([len(g) - 1 for g in groups])
    )
    assert found[0] == pytest.approx(expected.statistic, rel=1e-12)
    assert found[1] == pytest.approx(expected.pvalue, rel=1e-10)


def test_bartlett_on_pooled_cell_variances_holds_its_size():
    readings = np.random.default_rng(3).normal(size=(4000, 10, 3, 3))
    pooled = readings.var(axis=-1, ddof=1).mean(axis=-2)
    _, p = bartlett(pooled, np.full(3, 20.0))
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.011)


@pytest.mark.parametrize(
    "operators, df, five_percent, one_percent",
    [
        (3, 1, 0.967, 0.993),
        (3, 2, 0.871, 0.942),
        (5, 2, 0.684, 0.788),
        (10, 1, 0.602, 0.718),
        (10, 2, 0.445, 0.536),
    ],
)
def test_cochran_limits_are_the_standards(operators, df, five_percent, one_percent):
    # ISO 5725-2:1994, table of critical values for Cochran's test (from memory; the table
    # is for n replicates, here df = n − 1).
    assert cochran_limit(operators, df, 0.95) == pytest.approx(five_percent, abs=0.0016)
    assert cochran_limit(operators, df, 0.99) == pytest.approx(one_percent, abs=0.0016)


def test_the_largest_against_the_rest_is_cochrans_test():
    readings = np.random.default_rng(4).normal(size=(4000, 10, 3, 3))
    pooled = readings.var(axis=-1, ddof=1).mean(axis=-2)
    alarm = cochran_c(pooled) > cochran_limit(3, 20)
    _, p = largest_against_rest(pooled, np.full(3, 20.0))
    assert (alarm == (p.min(axis=-1) < 0.05 / 3)).all()
    assert alarm.mean() == pytest.approx(0.05, abs=0.011)


def test_nothing_scatters():
    zeros, df = np.zeros(3), np.full(3, 4.0)
    assert np.isnan(bartlett(zeros, df)[0])
    assert np.isnan(cochran_c(zeros))
    assert np.isnan(largest_against_rest(zeros, df)[0]).all()


def test_only_one_scatters():
    ratio, p = largest_against_rest(np.array([0.0, 2.0, 0.0]), np.full(3, 4.0))
    assert np.isinf(ratio[1]) and p[1] == 0.0
    assert bartlett(np.array([0.0, 2.0, 0.0]), np.full(3, 4.0))[1] == 0.0


def test_sd_ratio_interval_holds_the_truth():
    rng = np.random.default_rng(6)
    upper = rng.chisquare(20, 20_000) / 20 * 4.0
    below = rng.chisquare(40, 20_000) / 40
    low, high = sd_ratio_interval(np.sqrt(upper / below), 20, 40)
    assert ((low < 2.0) & (high > 2.0)).mean() == pytest.approx(0.95, abs=0.005)
    assert (low > 2.0).mean() == pytest.approx(0.025, abs=0.004)


@pytest.mark.parametrize("variances, df", [([1.0], [3.0]), ([1.0, 2.0], [3.0, 0.0])])
def test_too_little_to_compare_is_refused(variances, df):
    with pytest.raises(StudyError):
        bartlett(np.array(variances), np.array(df))


def test_cochrans_c_does_not_depend_on_the_unit():
    assert cochran_c(np.array([0.01, 0.02, 0.03])) == pytest.approx(0.5)
    assert cochran_c(np.array([10.0, 20.0, 30.0])) == pytest.approx(0.5)


def test_bartlett_of_variances_that_hardly_differ_is_scipys():
    groups = [np.array([0.0, 1.0, 2.0, 3.0]) * scale for scale in (1.0, 1.1, 1.05)]
    expected = stats.bartlett(*groups)
    statistic, p = bartlett(np.array([g.var(ddof=1) for g in groups]), np.full(3, 3))
    assert statistic == pytest.approx(expected.statistic) and statistic < 0.1
    assert p == pytest.approx(expected.pvalue)
    # Equal to the last digit, the statistic is 0 but for rounding.
    assert bartlett(np.full(3, 0.1), np.full(3, 3.0))[1] == pytest.approx(1.0)


def test_one_degree_of_freedom_is_enough():
    pairs = np.array([[0.0, 1.0], [0.0, 3.0], [1.0, 9.0]])
    expected = stats.bartlett(*pairs)
    statistic, p = bartlett(pairs.var(axis=1, ddof=1), np.ones(3))
    assert (statistic, p) == pytest.approx((expected.statistic, expected.pvalue))
