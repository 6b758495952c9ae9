import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import cells_of, harmonic_count
from grr.formulas.operator_comparison import (
    from_others_limits,
    from_others_p,
    operator_means,
    studentized_range_quantile,
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
    assert from_others_p(found) == pytest.approx([expected.pvalue] * 2, rel=1e-9)
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
def test_too_little_to_compare_is_refused(shape, words):
    with pytest.raises(StudyError, match=words):
        operator_means(np.zeros(shape))


def test_operators_who_differ_by_the_same_on_every_part_are_certain():
    cells = np.array([0.0, 4.0, 8.0, 12.0])[:, None] + np.array([0.0, 2.0])
    assert from_others_p(operator_means(cells)).tolist() == [0.0, 0.0]
    assert np.isnan(from_others_p(operator_means(np.zeros((4, 2))))).all()


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
