"""Two methods that measured the same parts: agreement, difference, ratio, and the choice."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.weightstats import DescrStatsW

from grr.formulas.analysis_of_variance import crossed_anova, three_factor_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.method_comparison import (
    MethodEvidence,
    choice_confidence,
    confidence_over,
    covariance_diagonal_pivot,
    grr_variance_draws,
    method_choice,
    method_difference,
    p_inside_margin,
    p_outside_margin,
    rank_sum_p,
    replicated_agreement,
    single_pair_agreement,
)
from grr.formulas.pivots import crossed_pivots
from grr.model.errors import StudyError

# Peak flow of 17 subjects by two meters, first readings, litres a minute.
# Source: Bland & Altman, Lancet 1986; i: 307-310.
LARGE = np.array(
    [494, 395, 516, 434, 476, 557, 413, 442, 650, 433, 417, 656, 267, 478, 178, 423, 427.0]
)
MINI = np.array(
    [512, 430, 520, 428, 500, 600, 364, 380, 658, 445, 432, 626, 260, 477, 259, 350, 451.0]
)


def test_the_published_example():
    found = single_pair_agreement(LARGE - MINI, multiple=2.0)
    assert round(float(found.mean), 1) == -2.1
    assert round(float(found.sd), 1) == 38.8
    # Limits −79.7 and 75.5 l/min, with intervals −114.3 to −45.1 and 40.9 to 110.1 (from
    # memory). The paper computes with rounded figures, hence 0.3.
    assert float(found.lower) == pytest.approx(-79.7, abs=0.1)
    assert float(found.upper) == pytest.approx(75.5, abs=0.1)
    assert np.array(found.lower_limits) == pytest.approx([-114.3, -45.1], abs=0.3)
    assert np.array(found.upper_limits) == pytest.approx([40.9, 110.1], abs=0.3)


def test_one_operator_one_trial_is_the_single_pair():
    pairs = LARGE - MINI
    single = single_pair_agreement(pairs)
    found = replicated_agreement(pairs[:, None], np.zeros(2), (1.0, 1.0), (0, 0), draws=20_000)
    assert float(found.sd) == pytest.approx(float(single.sd), rel=1e-12)
    assert float(found.upper) == pytest.approx(float(single.upper), rel=1e-12)
    # Intervals by pivots are not those of the normal approximation of 1986, but near.
    assert np.array(found.upper_limits) == pytest.approx(np.array(single.upper_limits), abs=12.0)


def replicated(studies, *, seed, operator_sd=0.0, operator_offsets=None, parts=10, operators=3):
    """Differences of cell means and repeatabilities; single readings differ with sd √V."""
    rng = np.random.default_rng(seed)
    part, rest, errors, trials = 0.6, 0.3, (0.5, 1.0), 3
    offsets = (
        rng.normal(0, operator_sd, (studies, 1, operators))
        if operator_offsets is None
        else np.asarray(operator_offsets)
    )
    cells = (
        0.4
        + rng.normal(0, part, (studies, parts, 1))
        + offsets
        + rng.normal(0, rest, (studies, parts, operators))
    )
    ms_error = np.empty((studies, 2))
    df = parts * operators * (trials - 1)
    for i, sd in enumerate(errors):
        cells = cells + rng.normal(0, sd / np.sqrt(trials), (studies, parts, operators))
        ms_error[:, i] = sd**2 * rng.chisquare(df, studies) / df
    spread = operator_sd**2 if operator_offsets is None else float(np.var(operator_offsets))
    truth = np.sqrt(part**2 + spread + rest**2 + errors[0] ** 2 + errors[1] ** 2)
    return cells, ms_error, (3.0, 3.0), (df, df), float(truth)


@pytest.mark.parametrize(
    "operators, case",
    [
        ("fixed", {"operator_offsets": (0.5, -0.2, -0.3)}),
        ("fixed", {"operator_offsets": (0.0, 0.0, 0.0)}),
        ("random", {"operator_sd": 0.3}),
    ],
)
def test_replicated_limits_hold_the_truth(operators, case):
    *arrays, truth = replicated(500, seed=3, **case)
    found = replicated_agreement(*arrays, operators=operators, draws=1000)
    # The variance is estimated without bias.
    assert (found.sd**2).mean() == pytest.approx(truth**2, rel=0.04)
    for limit, (low, high) in (
        (0.4 - 1.96 * truth, found.lower_limits),
        (0.4 + 1.96 * truth, found.upper_limits),
    ):
        # 500 studies: standard error 1 %.
        assert 0.92 < ((low <= limit) & (limit <= high)).mean() < 0.99


def test_two_parts_are_refused():
    with pytest.raises(StudyError, match="three parts"):
        single_pair_agreement(np.array([1.0, 2.0]))


def test_three_parts_by_hand_and_a_stack():
    # Mean 1, sd 1; the reach is t(0.975, 2) = 4.3027 times 1·√(3/3).
    found = single_pair_agreement(np.array([[0.0, 1.0, 2.0], [5.0, 7.0, 9.0]]))
    assert found.mean.tolist() == [1.0, 7.0]
    assert found.sd.tolist() == [1.0, 2.0]
    assert found.lower == pytest.approx([1 - 1.96, 7 - 3.92])
    assert found.lower_limits[0] == pytest.approx([-0.96 - 4.3027, 3.08 - 8.6053], abs=1e-4)
    assert found.upper_limits[1] == pytest.approx([2.96 + 4.3027, 10.92 + 8.6053], abs=1e-4)


def test_the_variance_of_a_pair_by_hand():
    # Differences of cell means: parts ±1, operators ±0.5, rest ±0.25. MS_P 2·2·1 = 4, MS_O 2·
    # 2·0.25 = 1, MS_R 4·0.0625 = 0.25, each on 1 df. Part (4 − 0.25)/2, operator as a sample
    # (1 − 0.25)/2, rest 0.25; what averaging took out: half of 0.8 and two thirds of 0.6.
    cells = np.array([[1.0], [-1.0]]) + [0.5, -0.5] + 0.25 * np.array([[1.0, -1], [-1, 1]])
    found = {
        who: replicated_agreement(
            cells, np.array([0.8, 0.6]), (2.0, 3.0), (2, 4), operators=who, draws=200
        )
        for who in ("random", "fixed")
    }
    rest = 1.875 + 0.25 + 0.4 + 0.4
    assert float(found["random"].sd) ** 2 == pytest.approx(rest + 0.375)
    assert float(found["fixed"].sd) ** 2 == pytest.approx(rest + 0.375 / 2)
    with pytest.raises(StudyError, match="operators is not"):
        replicated_agreement(cells, np.ones(2), (2.0, 2.0), (2, 2), operators="some")


def test_many_operators_leave_little_doubt_of_their_share():
    # Three parts alike, 2,000 operators with sd 0.6, the rest 0.8: one pair has sd 1.
    rng = np.random.default_rng(9)
    cells = rng.normal(0, 0.6, (1, 2000)) + rng.normal(0, 0.8, (3, 2000))
    found = replicated_agreement(
        cells, np.zeros(2), (1.0, 1.0), (0, 0), operators="random", draws=2000
    )
    assert float(found.sd) == pytest.approx(1.0, rel=0.04)
    reach = np.array(found.upper_limits) - float(found.mean)
    assert reach == pytest.approx(1.96 * np.ones(2), rel=0.08)


def test_one_operator_with_replicates_by_hand():
    # differences of means of 2: variance between parts 3.5, plus half of each repeatability
    cells = np.array([1.0, 2.0, 3.0, 6.0])[:, None]
    found = replicated_agreement(cells, np.array([0.4, 0.6]), (2.0, 2.0), (4, 4), draws=1000)
    sd = np.sqrt(np.var([1.0, 2.0, 3.0, 6.0], ddof=1) + 0.5 * 0.4 + 0.5 * 0.6)
    assert float(found.sd) == pytest.approx(sd, rel=1e-12)
    assert float(found.lower) == pytest.approx(3.0 - 1.96 * sd, rel=1e-4)
    assert float(found.upper) == pytest.approx(3.0 + 1.96 * sd, rel=1e-4)


def test_one_operators_limits_hold_the_truth():
    rng = np.random.default_rng(11)
    studies, parts, between, repeat = 600, 12, 1.0, 1.5
    means = rng.normal(0.0, np.hypot(between, repeat), (studies, parts, 1))
    errors = repeat**2 * rng.chisquare(12, (studies, 2)) / 12
    # each method's mean of two readings keeps half of its repeatability: r²/2 twice is r²
    found = replicated_agreement(means, errors, (2.0, 2.0), (12, 12), draws=1000)
    true_upper = 1.96 * np.sqrt(between**2 + 2.0 * repeat**2)
    for limits, true in ((found.upper_limits, true_upper), (found.lower_limits, -true_upper)):
        inside = (limits.lower <= true) & (true <= limits.upper)
        assert inside.mean() == pytest.approx(0.95, abs=0.035)


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
def test_too_little_for_a_difference_is_refused(shape, operators, words):
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


def studies(count, *, ev, interaction, offsets=None, operator_sd=0.0, seed=1, shape=(10, 3, 3)):
    """Readings by two methods (last axis but one); interactions and operators are shared."""
    rng = np.random.default_rng(seed)
    p, o, r = shape
    alpha = (
        rng.normal(0, operator_sd, (count, 1, o, 1, 1))
        if offsets is None
        else np.asarray(offsets)[:, None, None]
    )
    common = rng.normal(0, 3, (count, p, 1, 1, 1)) + alpha
    common = common + rng.normal(0, interaction, (count, p, o, 1, 1))
    scatter = rng.normal(0, 1, (count, p, o, 2, r)) * np.asarray(ev)[:, None]
    return common + scatter


def drawn(readings, **options):
    *_, p, o, _, r = readings.shape
    cells = readings.mean(axis=-1)
    within = np.square(readings - cells[..., None]).sum(axis=(-4, -3, -1))
    df = p * o * (r - 1)
    return grr_variance_draws(cells, within, (r, r), (df, df), **options)


@pytest.mark.parametrize(
    "operators, case",
    [
        ("fixed", {"ev": (1, 2), "interaction": 0.5, "offsets": (-1.0, 0.3, 0.7)}),
        ("fixed", {"ev": (0.3, 0.5), "interaction": 0.1, "offsets": (-1.0, 0.3, 0.7)}),
        ("fixed", {"ev": (1, 1), "interaction": 1.0, "offsets": (0.0, 0.0, 0.0)}),
        ("random", {"ev": (1, 2), "interaction": 0.5, "operator_sd": 1.0}),
    ],
)
def test_intervals_of_the_ratio_hold_the_truth(operators, case):
    readings = studies(400, **case)
    draws = drawn(readings, operators=operators, draws=1000)
    low, high = two_sided_limits(np.sqrt(draws[:, 1] / draws[:, 0]), 0.95)
    common = case["interaction"] ** 2 + (
        np.var(case["offsets"]) if operators == "fixed" else case["operator_sd"] ** 2
    )
    ratio = np.sqrt((case["ev"][1] ** 2 + common) / (case["ev"][0] ** 2 + common))
    # 400 studies: standard error 1.1 %; the pivot is known to be on the wide side.
    assert ((low <= ratio) & (ratio <= high)).mean() > 0.925


@pytest.mark.parametrize("operators", ["fixed", "random"])
def test_each_method_alone_has_nearly_the_limits_of_its_own_study(operators):
    readings = studies(
        1, ev=(1, 2), interaction=0.7, offsets=(-1, 0, 1, 0.5, -0.5), shape=(10, 5, 3)
    )[0]
    together = drawn(readings, operators=operators, draws=100_000)
    for method in (0, 1):
        alone = crossed_pivots(crossed_anova(readings[:, :, method]), operators=operators).grr
        for level in (0.5, 0.9):
            expected = np.array(two_sided_limits(alone, level))
            # Half of the draws have one degree of freedom less behind them.
            tolerance = 0.05 if operators == "fixed" else 0.25
            assert np.array(two_sided_limits(together[method], level)) == pytest.approx(
                expected, rel=tolerance
            )


def test_drawing_together_makes_the_ratio_surer():
    readings = studies(1, ev=(0.3, 0.3), interaction=1.0, offsets=(0, 0, 0), seed=4)[0]
    together = drawn(readings, draws=20_000)
    low, high = two_sided_limits(np.sqrt(together[1] / together[0]), 0.95)
    shuffled = np.random.default_rng(0).permutation(together[1])
    apart = two_sided_limits(np.sqrt(shuffled / together[0]), 0.95)
    assert high / low < 0.7 * apart.upper / apart.lower


def test_the_matrix_pivot_has_the_right_middle():
    products = np.array([[40.0, 18.0], [18.0, 90.0]])
    draws = covariance_diagonal_pivot(products, 20, 100_000, np.random.default_rng(2))
    # Each variance is near S/χ²(20), whose mean is S/18.
    assert draws.mean(axis=-1) == pytest.approx([40 / 18, 90 / 18], rel=0.06)


def test_methods_exchanged_give_the_inverse():
    readings = studies(1, ev=(1, 2), interaction=0.5, offsets=(-1, 0, 1))[0]
    one = drawn(readings, draws=100_000)
    other = drawn(readings[:, :, ::-1], draws=100_000)
    forth = np.array(two_sided_limits(np.sqrt(one[1] / one[0]), 0.95))
    back = np.array(two_sided_limits(np.sqrt(other[0] / other[1]), 0.95))
    assert back == pytest.approx(forth, rel=0.02)


@pytest.mark.parametrize("shape, operators", [((2, 3), "fixed"), ((5, 2), "random")])
def test_too_little_for_a_ratio_is_refused(shape, operators):
    with pytest.raises(StudyError, match="three parts"):
        grr_variance_draws(np.zeros((*shape, 2)), np.zeros(2), (2, 2), (9, 9), operators=operators)


def test_the_committed_simulation_covers():
    script = Path(__file__).parents[1] / "coverage" / "method_ratio.csv"
    assert pd.read_csv(script)["coverage"].between(0.94, 1.0).all()


def test_draws_of_two_variances_follow_the_unit():
    products = np.array([[4.0, 1.0], [1.0, 2.0]])
    plain, small = (
        covariance_diagonal_pivot(size * products, 8, 100, np.random.default_rng(3))
        for size in (1.0, 1e-8)
    )
    np.testing.assert_allclose(small, 1e-8 * plain, rtol=1e-9)


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


SCRIPT = Path(__file__).parents[1] / "coverage" / "method_choice.py"
SIMULATION = runpy.run_path(str(SCRIPT))


def evidence(candidate=0.5, baseline=0.5, within=0.5, beyond=None):
    beyond = 1 - within if beyond is None else beyond
    values = (candidate, 1 - candidate, baseline, 1 - baseline, within, beyond)
    return MethodEvidence(*(np.asarray(v, dtype=float) for v in values))


@pytest.mark.parametrize(
    "found, choice, sure",
    [
        (evidence(0.99, 0.99, 0.97), "candidate", 0.97),
        (evidence(0.99, 0.99, 0.90), "open", 0.90),
        (evidence(0.90, 0.99, 0.99), "open", 0.90),
        # over with 99 %: half of the doubt is kept for the difference, 98 % is left
        (evidence(0.01, 0.99, 0.50), "baseline", 0.98),
        (evidence(0.01, 0.01, 0.50), "neither", 0.98),
        (evidence(0.01, 0.50, 0.50), "open", 0.50),
        (evidence(0.03, 0.99, 0.50), "open", 0.94),
        (evidence(0.99, 0.99, 0.00, 0.999), "baseline", 0.99),
    ],
)
def test_the_rule(found, choice, sure):
    assert method_choice(found, 0.95) == choice
    assert float(choice_confidence(found, choice)) == pytest.approx(sure)


def test_a_stack_is_decided_study_by_study():
    found = evidence(np.array([0.99, 0.01, 0.01]), np.array([0.99, 0.99, 0.0]), 0.99)
    assert method_choice(found).tolist() == ["candidate", "baseline", "neither"]
    assert method_choice(found, 0.999).tolist() == ["open"] * 3


def test_over_a_limit_counts_the_doubt_twice():
    draws = np.arange(1.0, 101.0)
    assert confidence_over(draws, 2.5) == pytest.approx(0.96)
    assert confidence_over(draws, 60.0) == 0.0


def test_the_committed_simulation_holds_the_stated_levels():
    table = pd.read_csv(SCRIPT.with_suffix(".csv")).set_index("setting")
    by_name = {setting.name: setting for setting in SIMULATION["SETTINGS"]}
    assert set(table.index) == set(by_name)
    for name, row in table.iterrows():
        for decision in by_name[name].wrong:
            # 2,000 studies: standard error 0.5 %
            assert row[decision] < 0.06, (name, decision)
    assert table.loc["twice as noisy, 20 and 40 %", "baseline"] > 0.9
    assert table.loc["twice as noisy, 10 and 20 %", "candidate"] > 0.97


@pytest.mark.parametrize("index", [0, 2, 4])
def test_few_wrong_decisions_at_the_limit(index):
    setting = SIMULATION["SETTINGS"][index]
    found = SIMULATION["shares"](setting, studies=300, seed=50)
    # 300 studies: standard error 1.3 % at 5 %
    assert all(found[decision] < 0.09 for decision in setting.wrong)


def test_a_method_twice_as_noisy_is_told_apart():
    settings = {setting.name: setting for setting in SIMULATION["SETTINGS"]}
    found = SIMULATION["shares"](settings["twice as noisy, 20 and 40 %"], studies=200)
    assert found["baseline"] > 0.85


def test_each_decision_has_its_own_confidence():
    found = evidence(0.9, 0.99, 0.97)
    assert float(choice_confidence(found, "candidate")) == pytest.approx(0.9)
    assert float(choice_confidence(found, "baseline")) == 0.0
    assert float(choice_confidence(found, "open")) == pytest.approx(0.9)


@pytest.mark.parametrize("digits", [0, 1, 6])
def test_ranks_are_compared_as_scipy_does(digits):
    rng = np.random.default_rng(7)
    for m, n in rng.integers(2, 40, (60, 2)):
        first, second = (
            rng.normal(20.0, 4.0, m).round(digits),
            rng.normal(21.0, 3.0, n).round(digits),
        )
        if np.ptp(np.concatenate([first, second])) > 0.0:
            theirs = stats.mannwhitneyu(first, second).pvalue
            assert rank_sum_p(first, second) == pytest.approx(theirs, rel=1e-12)
