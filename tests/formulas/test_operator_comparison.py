"""Operators compared: means, scatter, consistency, and what each does with single parts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import cells_of, harmonic_count
from grr.formulas.confidence_limits import sd_ratio_interval
from grr.formulas.operator_comparison import (
    bartlett,
    cell_means,
    cochran_c,
    cochran_limit,
    from_others_limits,
    from_part_mean,
    h_ceiling,
    h_limit,
    h_statistic,
    interaction_cells,
    k_limit,
    k_statistic,
    largest_against_rest,
    operator_means,
    repeatability_bands,
    studentized_range_above,
    studentized_range_quantile,
    trial_ranges,
    tukey_p,
    tukey_pairs,
)
from grr.model.errors import StudyError


def simulated(studies, *, offsets=(0.0, 0.0, 0.0), interaction=1.0, seed=7, parts=10, trials=3):
    rng = np.random.default_rng(seed)
    o = len(offsets)
    return (
        rng.normal(0, 3, (studies, parts, 1, 1))
        + np.asarray(offsets)[None, None, :, None]
        + rng.normal(0, interaction, (studies, parts, o, 1))
        + rng.normal(0, 1, (studies, parts, o, trials))
    )


def test_tukey_is_scipys_on_one_way_data():
    rng = np.random.default_rng(3)
    groups = [rng.normal(m, 1.0, 8) for m in (0.0, 0.4, 1.3, 0.1)]
    expected = stats.tukey_hsd(*groups)
    error = np.sqrt(np.mean([g.var(ddof=1) for g in groups]) / 8)
    means = np.array([g.mean() for g in groups])
    found = tukey_pairs(means, error, 28, level=0.95)
    interval = expected.confidence_interval(0.95)
    pairs = (found.first, found.second)
    assert found.difference == pytest.approx(expected.statistic[pairs], rel=1e-12)
    assert found.lower == pytest.approx(interval.low[pairs], abs=1e-9)
    assert found.upper == pytest.approx(interval.high[pairs], abs=1e-9)
    assert tukey_p(found.difference, error, 4, 28) == pytest.approx(
        expected.pvalue[pairs], abs=1e-9
    )


def test_the_quantile_is_the_tables():
    # Montgomery, Design and Analysis of Experiments, appendix table of the studentized
    # range, 5 %: q(3, 18) = 3.61, q(4, 12) = 4.20 (from memory).
    assert studentized_range_quantile(0.95, 3, 18) == pytest.approx(3.61, abs=0.005)
    assert studentized_range_quantile(0.95, 4, 12) == pytest.approx(4.20, abs=0.005)


def test_tukey_on_cell_means_holds_its_size_with_interaction():
    # 4,000 studies without operator differences; the family-wise share of false alarms
    # has a standard error of 0.34 %.
    cells = cells_of(simulated(4000, interaction=2.0), cell_axes=2)
    found = operator_means(cells.means)
    pairs = tukey_pairs(found.means, found.error_of_mean, found.df)
    alarms = (np.abs(pairs.difference) > pairs.half_width[:, None]).any(axis=-1).mean()
    assert alarms == pytest.approx(0.05, abs=0.011)


def test_error_is_the_interactions_mean_square():
    readings = simulated(1, seed=11)[0]
    cells = cells_of(readings, cell_axes=2)
    found = operator_means(cells.means)
    table = cells.means - cells.means.mean(0) - cells.means.mean(1)[:, None] + cells.means.mean()
    assert found.df == 18
    assert found.mean_square == pytest.approx((table**2).sum() / 18, rel=1e-10)
    others = found.means[1:].mean()
    assert found.from_others[0] == pytest.approx(found.means[0] - others, rel=1e-10)


def test_with_two_operators_it_is_the_paired_t_test():
    readings = simulated(1, offsets=(0.0, 0.5), seed=5)[0]
    means = cells_of(readings, cell_axes=2).means
    expected = stats.ttest_rel(means[:, 0], means[:, 1])
    found = operator_means(means)
    t = np.abs(found.from_others) / found.error_from_others
    p = 2.0 * stats.t.sf(t, found.df)
    assert p == pytest.approx([expected.pvalue] * 2, rel=1e-9)
    interval = expected.confidence_interval(0.95)
    low, high = from_others_limits(found)
    assert (low[0], high[0]) == pytest.approx((interval.low, interval.high), rel=1e-9)
    pairs = tukey_pairs(found.means, found.error_of_mean, found.df)
    assert (pairs.lower[0], pairs.upper[0]) == pytest.approx(
        (interval.low, interval.high), rel=1e-6
    )


def test_intervals_hold_the_truth():
    offsets = (0.8, 0.0, -0.2)
    cells = cells_of(simulated(4000, offsets=offsets, seed=2), cell_axes=2)
    low, high = from_others_limits(operator_means(cells.means))
    truth = (np.asarray(offsets) - np.mean(offsets)) * 1.5
    covered = ((low <= truth) & (truth <= high)).mean(axis=0)
    assert covered == pytest.approx([0.95] * 3, abs=0.011)


def test_a_stack_gives_what_each_study_gives():
    readings = simulated(3, seed=9)
    stacked = operator_means(cells_of(readings, cell_axes=2).means)
    for i in range(3):
        alone = operator_means(cells_of(readings[i], cell_axes=2).means)
        assert stacked.from_others[i] == pytest.approx(alone.from_others, rel=1e-9)
        assert stacked.mean_square[i] == pytest.approx(alone.mean_square, rel=1e-9)


def test_a_common_offset_costs_no_digits():
    readings = simulated(1, seed=4)[0] * 1e-4
    near = operator_means(cells_of(readings, cell_axes=2).means)
    far = operator_means(cells_of(readings + 1e4, cell_axes=2).means)
    assert far.from_others == pytest.approx(near.from_others, rel=1e-6)


def test_missing_readings_change_the_cell_and_the_harmonic_count():
    readings = simulated(1, seed=8)[0]
    readings[2, 1, 0] = np.nan
    cells = cells_of(readings, cell_axes=2)
    assert cells.counts[2, 1] == 2
    assert cells.means[2, 1] + cells.origin[0, 0] == pytest.approx(readings[2, 1, 1:].mean())
    assert harmonic_count(cells, cell_axes=2) == pytest.approx(30 / (29 / 3 + 1 / 2))


def test_an_empty_cell_is_refused():
    readings = simulated(1)[0]
    readings[3, 2] = np.nan
    with pytest.raises(StudyError, match="never measured"):
        cells_of(readings, cell_axes=2)


@pytest.mark.parametrize("shape, words", [((2, 3), "three parts"), ((5, 1), "one operator")])
def test_too_few_means_to_compare_are_refused(shape, words):
    with pytest.raises(StudyError, match=words):
        operator_means(np.zeros(shape))


def test_means_are_the_column_means_at_any_offset():
    cells = np.random.default_rng(2).integers(0, 9, (5, 3)).astype(float)
    near, far = operator_means(cells), operator_means(cells + 1e12)
    assert near.means == pytest.approx(cells.mean(axis=0))
    assert far.means == pytest.approx(cells.mean(axis=0) + 1e12, rel=1e-15)
    assert far.mean_square == pytest.approx(near.mean_square, rel=1e-9)


def test_cells_of_a_stack_by_hand_and_far_apart():
    near = np.array([[[1.0, 3.0, np.nan], [2.0, 2.0, 5.0]], [[4.0, 4.0, 7.0], [0.0, 6.0, 0.0]]])
    cells = cells_of(np.stack([near, near + 2.0**40]), cell_axes=2)
    assert cells.origin.shape == (2, 1, 1)
    for study in range(2):
        means = cells.means[study] + cells.origin[study] - study * 2.0**40
        assert means.tolist() == [[2.0, 3.0], [5.0, 2.0]]
        assert cells.within[study].tolist() == [[2.0, 6.0], [6.0, 24.0]]
    few = np.array(near)
    few[1, 1, 1:] = np.nan
    counts = harmonic_count(cells_of(np.stack([near, few]), cell_axes=2), cell_axes=2)
    assert counts == pytest.approx([4 / (1 / 2 + 3 / 3), 4 / (1 / 2 + 2 / 3 + 1)])


def test_means_that_do_not_scatter_differ_surely_or_not_at_all():
    assert tukey_p(np.array([1.0]), 0.0, 3, 10).tolist() == [0.0]
    assert np.isnan(tukey_p(np.array([0.0]), 0.0, 3, 10)).all()


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
def test_too_few_variances_to_compare_are_refused(variances, df):
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


# Readings from their part's mean, ranges, and the bands of repeatability.
# ------------------------------------------------------------------------


@pytest.fixture
def cube() -> np.ndarray:
    values = np.random.default_rng(5).normal(10.0, 1.0, (5, 3, 4))
    values[0, 0, 1:] = np.nan
    values[2, 1, :] = np.nan
    values[3, 2, 3] = np.nan
    return values


def test_part_mean_weighs_every_operator_alike(cube: np.ndarray) -> None:
    found = from_part_mean(cube)
    for part in range(5):
        means = [np.nanmean(cell) for cell in cube[part] if np.isfinite(cell).any()]
        expected = cube[part] - np.mean(means)
        assert found[part] == pytest.approx(expected, abs=1e-12, nan_ok=True)


def test_cell_means_are_missing_where_nothing_was_read(cube: np.ndarray) -> None:
    found = cell_means(cube)
    assert np.isnan(found[2, 1])
    assert found[0, 0] == cube[0, 0, 0]
    assert found[4, 2] == pytest.approx(cube[4, 2].mean(), rel=1e-14)


def test_deviations_are_exact_at_a_large_offset() -> None:
    steps = np.random.default_rng(1).integers(-50, 50, (4, 3, 2)) * 2.0**-20
    assert from_part_mean(1e6 + steps) == pytest.approx(from_part_mean(steps), abs=1e-15)


def test_only_full_cells_have_a_range(cube: np.ndarray) -> None:
    found = trial_ranges(cube)
    assert found is not None
    assert np.isnan(found.ranges[[0, 2, 3], [0, 1, 2]]).all()
    assert np.isfinite(found.ranges).sum() == 12
    assert found.ranges[1, 1] == np.ptp(cube[1, 1])
    assert found.mean == pytest.approx(np.nanmean(found.ranges))
    # D4 for four values: ASTM E2587 and AIAG MSA, 4th ed. print 2.282.
    assert found.factor == pytest.approx(2.282, abs=5e-4)
    assert found.limit == pytest.approx(found.factor * found.mean)


def test_single_readings_have_no_range() -> None:
    assert trial_ranges(np.ones((4, 3, 1))) is None


@pytest.mark.parametrize(("operators", "trials"), [(3, 3), (2, 2), (1, 3), (10, 2)])
def test_bands_hold_three_standard_deviations(operators: int, trials: int) -> None:
    draws = np.random.default_rng(7).normal(0.0, 2.0, (60_000, operators, trials))
    near = draws - draws.mean(axis=(1, 2), keepdims=True)
    reading, mean = repeatability_bands(2.0, operators, trials)
    assert reading == pytest.approx(3.0 * near.std(), rel=0.01)
    assert mean == pytest.approx(3.0 * near.mean(axis=2).std(), rel=0.01, abs=1e-9)


def test_a_part_with_a_single_reading_deviates_by_nothing() -> None:
    readings = np.full((2, 2, 2), np.nan)
    readings[0, 1, 0] = 10.5
    readings[1] = [[1.0, 3.0], [5.0, 7.0]]
    found = from_part_mean(readings)
    assert found[0, 1, 0] == 0.0
    assert found[1].tolist() == [[-3.0, -1.0], [1.0, 3.0]]


def test_two_trials_have_a_range() -> None:
    found = trial_ranges(np.array([[[1.0, 4.0]], [[2.0, 3.0]]]))
    assert found is not None
    assert found.ranges.tolist() == [[3.0], [1.0]]
    # D4 for two values: ASTM E2587 and AIAG MSA, 4th ed. print 3.267.
    assert found.limit == pytest.approx(3.267 * 2.0, abs=2e-3)


def judged(readings, level=0.95):
    *_, p, o, r = readings.shape
    ms_error = readings.var(axis=-1, ddof=1).mean(axis=-2)
    df = np.full(o, p * (r - 1))
    return interaction_cells(readings.mean(axis=-1), r, ms_error, df, level=level)


def noise(studies, parts=10, operators=3, trials=3, seed=1):
    return np.random.default_rng(seed).normal(size=(studies, parts, operators, trials))


def test_residuals_by_hand():
    # Means 1 2 / 3 8: grand 3.5; rows 1.5, 5.5; columns 2, 5; residual ±1. Variances 3 and 5
    # with 2 df each: V = (3/4 + 5/4)/2 = 1, df = 2²/((9/16 + 25/16)/2) = 3.7647.
    means = np.array([[1.0, 2.0], [3.0, 8.0]])
    found = interaction_cells(means, 2, np.array([3.0, 5.0]), np.array([2, 2]))
    assert found.residual == pytest.approx(np.array([[1.0, -1.0], [-1.0, 1.0]]))
    assert found.error == pytest.approx([np.sqrt(1 / 2)] * 2)
    assert found.df == pytest.approx([3.7647] * 2, abs=1e-4)
    assert found.share == pytest.approx([0.5, 0.5])
    # (1 + 1)/(2 − 1) over V
    assert found.operator_ratio == pytest.approx([2.0, 2.0])


@pytest.mark.parametrize("operators", [2, 3, 5])
def test_without_interaction_few_studies_alarm(operators):
    # 4,000 studies: standard error 0.34 %. Bonferroni may only be below the level.
    found = judged(noise(4000, operators=operators))
    assert 0.035 < found.beyond.any(axis=(-2, -1)).mean() < 0.06
    assert 0.03 < (found.operator_p < 0.05).any(axis=-1).mean() < 0.06


def test_one_who_scatters_is_not_taken_for_one_who_depends_on_the_part():
    readings = noise(4000, seed=3) * np.array([1.0, 1.0, 4.0])[:, None]
    found = judged(readings)
    assert 0.03 < found.beyond.any(axis=(-2, -1)).mean() < 0.065
    assert 0.02 < (found.operator_p < 0.05).any(axis=-1).mean() < 0.06


def test_one_deviating_pair_is_found_and_named():
    readings = noise(500, seed=4)
    readings[:, 6, 1] += 4.0
    found = judged(readings)
    largest = np.abs(found.residual).reshape(500, -1).argmax(axis=1)
    assert (largest == 6 * 3 + 1).mean() > 0.95
    assert found.beyond[:, 6, 1].mean() > 0.9
    assert (found.share.argmax(axis=1) == 1).mean() > 0.95


def test_an_operator_who_differs_part_by_part_is_found():
    readings = noise(500, seed=6)
    readings[:, :, 2] += np.random.default_rng(8).normal(0, 2.0, (500, 10, 1))
    found = judged(readings)
    assert (found.operator_p[:, 2] < 0.05).mean() > 0.9
    assert (found.share.argmax(axis=1) == 2).mean() > 0.9


def test_unrepeated_readings_are_refused():
    with pytest.raises(StudyError, match="cannot be told"):
        interaction_cells(np.zeros((5, 3)), 1, np.zeros(3), np.zeros(3))


@pytest.mark.parametrize(
    "shape, distinct, operators",
    # Residuals of two operators, or of two parts, differ in their sign only.
    [((2, 2), 1, 1), ((3, 2), 3, 1), ((5, 2), 5, 1), ((2, 3), 3, 3), ((4, 3), 12, 3)],
)
def test_p_values_are_students_and_fishers_times_the_number_of_tests(shape, distinct, operators):
    p, o = shape
    rng = np.random.default_rng(p * o)
    means, ms, df = rng.normal(size=shape), rng.uniform(1, 3, o), np.arange(1.0, o + 1)
    found = interaction_cells(means, 2, ms, df)
    one = 2 * stats.t.sf(np.abs(found.residual) / found.error, found.df)
    assert found.p == pytest.approx(np.minimum(1.0, distinct * one))
    assert found.limit == pytest.approx(found.error * stats.t.isf(0.025 / distinct, found.df))
    one = stats.f.sf(found.operator_ratio, p - 1, found.df)
    assert found.operator_p == pytest.approx(np.minimum(1.0, operators * one))
    assert np.array_equal(found.beyond, found.p < 0.05)


def test_a_stack_is_each_study_alone_at_any_offset():
    rng = np.random.default_rng(5)
    means = rng.integers(0, 99, (3, 5, 3)).astype(float)
    ms, df = rng.uniform(1, 3, (3, 3)), np.full((3, 3), 10.0)
    together = interaction_cells(means + 1e12, np.full(3, 2.0), ms, df)
    for place in range(3):
        alone = interaction_cells(means[place], 2.0, ms[place], df[place])
        for name, value in vars(alone).items():
            np.testing.assert_allclose(getattr(together, name)[place], value, rtol=1e-9)
        assert together.share[place].sum() == pytest.approx(1.0)


def test_readings_that_repeat_exactly_leave_no_doubt():
    apart = np.array([[0.0, 0.0], [0.0, 4.0], [0.0, 2.0]])
    found = interaction_cells(apart, 2, np.zeros(2), np.array([3.0, 4.0]))
    # Residuals ±1, ∓1, 0: what is left is certain, and where nothing is left nothing is said.
    assert found.p[:2].tolist() == [[0.0, 0.0], [0.0, 0.0]]
    assert np.isnan(found.p[2]).all()
    assert found.operator_p.tolist() == [0.0, 0.0]
    assert found.df.tolist() == [7.0, 7.0]
    assert np.isnan(interaction_cells(np.zeros((3, 2)), 2, np.zeros(2), np.ones(2)).share).all()


@pytest.mark.parametrize("shape, df", [((1, 3), 4), ((3, 1), 4), ((3, 3), 0)])
def test_each_shortage_alone_is_refused(shape, df):
    with pytest.raises(StudyError, match="cannot be told"):
        interaction_cells(np.zeros(shape), 2, np.ones(shape[1]), np.full(shape[1], df))


def test_degrees_of_freedom_where_nobody_scatters_are_each_studys_own():
    means = np.arange(12.0).reshape(2, 3, 2) ** 2
    found = interaction_cells(means, np.full(2, 2.0), np.zeros((2, 2)), np.array([[3, 4], [5, 6]]))
    assert found.df.tolist() == [[7.0, 7.0], [11.0, 11.0]]


def test_operators_that_agree_to_the_digit_get_limits_of_some_width() -> None:
    means = np.array([[10.001, 10.0015], [10.0025, 10.003], [9.9985, 9.999]])
    found = operator_means(means, step=0.001)
    low, high = from_others_limits(found)
    assert found.mean_square == pytest.approx(0.001**2 / 12)
    # Student's t at 2 degrees of freedom, 4.303; error √(d²/12 / 3 parts × 2)
    assert (high - low) / 2 == pytest.approx(4.3026527 * np.sqrt(1e-6 / 12 / 3 * 2), rel=1e-6)


@pytest.mark.parametrize("groups", [2, 3, 6, 10])
@pytest.mark.parametrize("df", [1, 2, 5, 18, 300])
def test_the_studentized_range_is_scipys(groups, df):
    q = np.array([0.1, 1.0, 2.0, 3.5, 5.0, 20.0])
    found = studentized_range_above(q, groups, df)
    assert found == pytest.approx(stats.studentized_range.sf(q, groups, df), abs=1e-8)
