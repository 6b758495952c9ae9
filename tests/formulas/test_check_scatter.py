import numpy as np
import pytest
from scipy import stats

from grr.formulas.control_charts import between_checks


def test_p_is_that_of_scipys_one_way_analysis():
    readings = np.random.default_rng(1).normal(0, 1, (8, 3)) + np.arange(8)[:, None] * 0.2
    assert between_checks(readings) == pytest.approx(stats.f_oneway(*readings).pvalue)


def test_a_stack_and_checks_without_scatter():
    readings = np.random.default_rng(2).normal(0, 1, (3, 6, 4))
    stack = between_checks(readings)
    assert stack[1] == pytest.approx(between_checks(readings[1]))
    assert between_checks(np.ones((4, 2))) == 1.0
    assert between_checks(np.array([[1.0, 1.0], [2.0, 2.0]])) == 0.0


def test_a_large_offset_costs_no_digits():
    readings = np.random.default_rng(3).integers(0, 9, (5, 3)).astype(float)
    expected = stats.f_oneway(*readings).pvalue
    assert between_checks(readings + 1e12) == pytest.approx(expected, rel=1e-9)
