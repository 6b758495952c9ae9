import math

import numpy as np
import pytest

from grr.formulas.operator_comparison import h_ceiling, h_limit, h_statistic, k_limit, k_statistic
from grr.model.errors import StudyError


def test_h_by_hand():
    # Part 1: means 10, 12, 17; their mean 13, sd √((9 + 1 + 16)/2) = √13.
    found = h_statistic(np.array([[10.0, 12.0, 17.0], [4.0, 4.0, 4.0]]))
    assert found[0] == pytest.approx(np.array([-3.0, -1.0, 4.0]) / math.sqrt(13))
    assert found[1] == pytest.approx([0.0, 0.0, 0.0])


def test_k_by_hand():
    # Part 1: variances 1, 4, 7 with equal df, pooled 4. Part 2: 2 and 8 with df 1 and 2
    # (the third taken once), pooled (2 + 16)/3 = 6.
    df = np.array([[2, 2, 2], [1, 2, 0]])
    found = k_statistic(np.array([[1.0, 4.0, 7.0], [2.0, 8.0, np.nan]]), df)
    assert found[0] == pytest.approx(np.sqrt([0.25, 1.0, 1.75]))
    assert found[1, :2] == pytest.approx(np.sqrt([2 / 6, 8 / 6]))
    assert np.isnan(found[1, 2])


def test_readings_that_do_not_scatter_give_no_k():
    assert np.isnan(k_statistic(np.zeros((1, 3)), np.full((1, 3), 2))).all()


def test_h_never_passes_its_ceiling():
    cells = np.random.default_rng(1).normal(size=(2000, 3))
    assert np.abs(h_statistic(cells)).max() <= h_ceiling(3) + 1e-12
    assert h_ceiling(3) == pytest.approx(1.1547, abs=5e-5)
    assert h_limit(3) < h_ceiling(3)
    assert h_limit(2) == h_ceiling(2)


@pytest.mark.parametrize(
    "operators, one_percent, five_percent",
    [(3, 1.15, 1.15), (4, 1.49, 1.42), (5, 1.72, 1.57), (8, 2.06, 1.75), (10, 2.18, 1.80)],
)
def test_h_limits_are_the_standards(operators, one_percent, five_percent):
    # ISO 5725-2:1994, table of indicators for Mandel's h (from memory; two decimals).
    assert h_limit(operators, 0.99) == pytest.approx(one_percent, abs=0.0101)
    assert h_limit(operators, 0.95) == pytest.approx(five_percent, abs=0.0101)


@pytest.mark.parametrize(
    "operators, trials, one_percent, five_percent",
    [(3, 2, 1.71, 1.65), (3, 3, 1.64, 1.53), (5, 2, 2.05, 1.81), (10, 3, 2.00, 1.68)],
)
def test_k_limits_are_the_standards(operators, trials, one_percent, five_percent):
    # ISO 5725-2:1994, table of indicators for Mandel's k (from memory; two decimals).
    assert k_limit(operators, trials, 0.99) == pytest.approx(one_percent, abs=0.0101)
    assert k_limit(operators, trials, 0.95) == pytest.approx(five_percent, abs=0.0101)


def test_limits_hold_by_simulation():
    readings = np.random.default_rng(5).normal(size=(40_000, 5, 3))
    h = h_statistic(readings.mean(axis=-1))
    k = k_statistic(readings.var(axis=-1, ddof=1), np.full((40_000, 5), 2))
    assert (np.abs(h[:, 0]) > h_limit(5, 0.95)).mean() == pytest.approx(0.05, abs=0.004)
    assert (k[:, 0] > k_limit(5, 3, 0.95)).mean() == pytest.approx(0.05, abs=0.004)


def test_one_operator_is_refused():
    with pytest.raises(StudyError, match="nobody"):
        h_statistic(np.zeros((4, 1)))


def test_k_of_one_repeat_and_of_a_stack():
    # Only the first operator repeated, once: pooled is that variance itself.
    alone = k_statistic(np.array([[4.0, np.nan]]), np.array([[1, 0]]))
    assert alone[0, 0] == 1.0 and np.isnan(alone[0, 1])
    # Two studies of two parts by two operators: variances 1 and 3 pool to 2, 2 and 6 to 4.
    stack = np.array([[[1.0, 3.0], [2.0, 6.0]], [[6.0, 2.0], [3.0, 1.0]]])
    small, large = math.sqrt(0.5), math.sqrt(1.5)
    expected = [[[small, large], [small, large]], [[large, small], [large, small]]]
    np.testing.assert_allclose(k_statistic(stack, np.full(stack.shape, 2)), expected)


def test_h_of_two_operators_of_a_stack_and_at_a_large_offset():
    # Two means lie a half difference to either side; sd is the difference by √2.
    half = math.sqrt(0.5)
    assert h_statistic(np.array([[3.0, 7.0]])) == pytest.approx(np.array([[-half, half]]))
    stack = np.random.default_rng(3).integers(0, 9, (2, 4, 3)) + np.array([0.0, 20.0, 40.0])
    for study, alone in zip(h_statistic(stack), stack, strict=True):
        expected = (alone - alone.mean(1, keepdims=True)) / alone.std(1, ddof=1, keepdims=True)
        np.testing.assert_allclose(study, expected, rtol=1e-12)
    np.testing.assert_allclose(h_statistic(stack + 1e12), h_statistic(stack), rtol=1e-9)


def test_stacks_of_one_part_and_of_unequal_repeats():
    assert h_statistic(np.array([[[1.0, 2.0, 6.0]], [[3.0, 3.0, 3.0]]])).shape == (2, 1, 3)
    rng = np.random.default_rng(4)
    variances, df = rng.uniform(1, 5, (3, 4, 2)), rng.integers(1, 6, (3, 4, 2))
    for study in range(3):
        together = k_statistic(variances, df)[study]
        np.testing.assert_allclose(together, k_statistic(variances[study], df[study]))


def test_limits_are_at_one_percent_where_nothing_is_said():
    # ISO 5725-2:1994, tables of indicators at 1 % (from memory).
    assert k_limit(5, 2) == pytest.approx(2.05, abs=0.0101)
    assert h_limit(5) == pytest.approx(1.72, abs=0.0101)
