import numpy as np
import pytest
from scipy import stats

from grr.formulas.operator_comparison import interaction_cells
from grr.model.errors import StudyError


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
