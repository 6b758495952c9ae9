import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import three_factor_anova
from grr.formulas.method_comparison import method_difference
from grr.model.errors import StudyError


def differences(studies, part, operator, rest=1.0, *, shape=(10, 3), seed=1):
    rng = np.random.default_rng(seed)
    p, o = shape
    return (
        rng.normal(0, part, (studies, p, 1))
        + rng.normal(0, operator, (studies, 1, o))
        + rng.normal(0, rest, (studies, p, o))
    )


def test_fixed_operators_are_the_paired_t_test_on_parts():
    cells = differences(1, 0.5, 0.5)[0]
    expected = stats.ttest_1samp(cells.mean(axis=1), 0.0)
    found = method_difference(cells)
    assert found.p() == pytest.approx(expected.pvalue, rel=1e-9)
    interval = expected.confidence_interval(0.95)
    assert np.array(found.limits()) == pytest.approx(np.array(interval), rel=1e-9)
    one = stats.ttest_1samp(cells[:, 1], 0.0).confidence_interval(0.9)
    low, high = found.limits_by_operator(0.9)
    assert (low[1], high[1]) == pytest.approx((one.low, one.high), rel=1e-9)


def test_it_is_the_three_way_analysis():
    rng = np.random.default_rng(6)
    readings = (
        rng.normal(size=(8, 3, 2, 2))
        + rng.normal(0, 2, (1, 3, 2, 1))
        + rng.normal(0, 2, (8, 1, 2, 1))
    )
    cells = readings.mean(axis=-1)
    ms = three_factor_anova(readings).mean_sq
    combined = ms["part × method"] + ms["operator × method"] - ms["part × operator × method"]
    found = method_difference(cells[..., 1] - cells[..., 0], operators="random")
    assert found.error == pytest.approx(np.sqrt(2 * combined / (8 * 3 * 2)), rel=1e-10)
    by_part = method_difference(cells[..., 1] - cells[..., 0])
    assert by_part.error == pytest.approx(np.sqrt(2 * ms["part × method"] / 48), rel=1e-10)


@pytest.mark.parametrize(
    "part, operator, shape",
    [(0, 0, (10, 3)), (1, 0, (10, 3)), (0, 1, (10, 3)), (1, 1, (10, 3)), (0.3, 0.3, (6, 5))],
)
def test_intervals_for_random_operators_hold_the_truth(part, operator, shape):
    found = method_difference(differences(4000, part, operator, shape=shape), operators="random")
    low, high = found.limits()
    assert 0.93 < ((low <= 0) & (high >= 0)).mean() < 0.99


def test_intervals_for_fixed_operators_hold_these_operators_truth():
    offsets = np.array([1.0, -0.4, 0.3])
    cells = differences(4000, 0.5, 0.0) + offsets
    low, high = method_difference(cells).limits()
    covered = ((low <= offsets.mean()) & (offsets.mean() <= high)).mean()
    assert covered == pytest.approx(0.95, abs=0.011)


def test_the_error_for_random_operators_is_always_positive():
    # Here MS_P + MS_O − MS_PO = 0.5 + 0.375 − 1.5 is below zero.
    cells = np.array([[2.0, -1.0, 0.0], [-1.0, 2.0, 0.0], [0.5, 0.5, 0.5]])
    found = method_difference(cells, operators="random")
    part, operator = cells.mean(axis=1), cells.mean(axis=0)
    larger = max(3 * part.var(ddof=1), 3 * operator.var(ddof=1))
    assert found.error == pytest.approx(np.sqrt(larger / 9))
    assert found.df == 2


@pytest.mark.parametrize(
    "shape, operators, words",
    [((2, 3), "fixed", "three parts"), ((10, 2), "random", "Two operators are too few")],
)
def test_too_little_is_refused(shape, operators, words):
    with pytest.raises(StudyError, match=words):
        method_difference(np.zeros(shape), operators=operators)


def test_differences_that_are_all_alike_are_certain_or_nothing():
    assert method_difference(np.full((4, 2), 0.25)).p() == 0.0
    assert np.isnan(method_difference(np.zeros((4, 2))).p())


@pytest.mark.parametrize(
    "part, operator, rest, combined, df",
    [
        # MS_P 4, MS_O 16, MS_PO 1: 19²/(16/3 + 256/2 + 1/6) = 2.7041
        (1.0, 2.0, 0.5, 19.0, 361.0 / 133.5),
        # MS_P 16, MS_O 4, MS_PO 1: 19²/(256/3 + 16/2 + 1/6) = 3.8610
        (2.0, 1.0, 0.5, 19.0, 361.0 / 93.5),
        # MS_PO 8 leaves 12, less than the larger of the two, which counts with its own df
        (1.0, 2.0, 2.0**0.5, 16.0, 2.0),
        (2.0, 1.0, 2.0**0.5, 16.0, 3.0),
    ],
)
@pytest.mark.parametrize("unit", [1.0, 1e-3])
def test_satterthwaites_degrees_of_freedom_by_hand(part, operator, rest, combined, df, unit):
    cells = (
        part * np.array([-1.0, -1, 1, 1])[:, None]
        + operator * np.array([-1.0, 0, 1])
        + rest * np.outer([1.0, -1, 1, -1], [1.0, -2, 1])
    )
    found = method_difference(0.7 + cells * unit, operators="random")
    assert found.error == pytest.approx(unit * np.sqrt(combined / 12))
    assert found.df == pytest.approx(df)


def test_limits_by_operator_hold_at_95_percent_where_nothing_is_said():
    cells = differences(1, 0.5, 0.5)[0]
    expected = stats.ttest_1samp(cells[:, 2], 0.0).confidence_interval(0.95)
    low, high = method_difference(cells).limits_by_operator()
    assert (low[2], high[2]) == pytest.approx((expected.low, expected.high), rel=1e-9)
