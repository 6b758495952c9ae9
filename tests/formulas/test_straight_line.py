from pathlib import Path

import numpy as np
import pytest
import scipy.stats
import statsmodels.api as sm

from grr.formulas.published import linearity_table
from grr.formulas.straight_line import (
    block_covariance,
    block_intervals,
    confidence_band,
    fit_line,
    gather_blocks,
    lack_of_fit,
    slope_calibration_u,
)
from grr.model.errors import StudyError

SIZES = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])


def test_the_manuals_example():
    reference, bias = linearity_table()
    line = fit_line(reference, bias)
    blocks = gather_blocks(reference, bias)
    assert blocks.means == pytest.approx([0.491667, 0.125, 0.025, -0.291667, -0.616667], abs=1e-6)
    assert line.slope == pytest.approx(-0.131667, abs=1e-6)
    assert line.intercept == pytest.approx(0.736667, abs=1e-6)
    assert line.r_squared == pytest.approx(0.714, abs=5e-4)
    assert abs(line.slope_t) == pytest.approx(12.043, abs=5e-4)
    assert abs(line.intercept_t) == pytest.approx(10.158, abs=5e-4)


def test_norris_to_nine_digits():
    # NIST StRD linear regression, Norris (J. Norris, calibration of ozone monitors)
    file = Path(scipy.stats.__file__).parent / "tests/data/nist_linregress/Norris.dat"
    y, x = np.loadtxt(file, skiprows=60).T
    line = fit_line(x, y)
    assert line.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert line.slope == pytest.approx(1.00211681802045, rel=1e-9)
    assert line.intercept_error == pytest.approx(0.232818234301152, rel=1e-9)
    assert line.slope_error == pytest.approx(0.429796848199937e-03, rel=1e-9)
    assert line.residual_sd == pytest.approx(0.884796396144373, rel=1e-9)
    assert line.r_squared == pytest.approx(0.999993745883712, rel=1e-9)


def test_line_bands_and_joint_test_are_statsmodels():
    rng = np.random.default_rng(11)
    x = np.repeat(SIZES, 4)
    y = 0.3 - 0.02 * x + rng.normal(0, 0.5, len(x))
    line = fit_line(x, y)
    model = sm.OLS(y, sm.add_constant(x)).fit()
    assert (line.intercept, line.slope) == pytest.approx(tuple(model.params), rel=1e-9)
    assert line.slope_p == pytest.approx(model.pvalues[1], rel=1e-8)
    assert line.joint_p == pytest.approx(float(model.f_test(np.eye(2)).pvalue), rel=1e-8)
    at = np.array([0.0, 10.0, 30.0])
    frame = model.get_prediction(sm.add_constant(at)).summary_frame(alpha=0.1)
    band = confidence_band(line, at, level=0.9)
    assert band.lower == pytest.approx(frame["mean_ci_lower"].to_numpy(), rel=1e-8)
    assert band.upper == pytest.approx(frame["mean_ci_upper"].to_numpy(), rel=1e-8)


def test_lack_of_fit_is_the_comparison_of_two_models():
    reference, bias = linearity_table()
    bias = bias + 0.02 * (reference - 6) ** 2
    found = lack_of_fit(gather_blocks(reference, bias), fit_line(reference, bias))
    line = sm.OLS(bias, sm.add_constant(reference)).fit()
    means = sm.OLS(bias, (reference[:, None] == np.unique(reference)).astype(float)).fit()
    f, p, df = means.compare_f_test(line)
    assert (found.f, found.p, found.df) == (pytest.approx(f), pytest.approx(p), (df, 55.0))


def test_lack_of_fit_needs_repeats_and_three_blocks():
    x = np.array([1.0, 2.0, 3.0, 4.0])
    assert lack_of_fit(gather_blocks(x, x), fit_line(x, 0.1 * x)) is None
    two = np.repeat([1.0, 2.0], 5)
    assert lack_of_fit(gather_blocks(two, two), fit_line(two, np.sin(two))) is None


def test_a_stack_is_its_studies_one_by_one():
    x = np.repeat(SIZES, 3)
    y = np.random.default_rng(4).normal(0, 1, (5, len(x)))
    stack, blocks = fit_line(x, y), gather_blocks(x, y)
    test = lack_of_fit(blocks, stack)
    for i in range(5):
        one = fit_line(x, y[i])
        assert stack.joint_p[i] == pytest.approx(one.joint_p)
        assert test.p[i] == pytest.approx(lack_of_fit(gather_blocks(x, y[i]), one).p)
        assert confidence_band(stack, SIZES).upper[i] == pytest.approx(
            confidence_band(one, SIZES).upper
        )


def test_errors_shared_by_all_blocks_move_the_line_but_not_its_slope():
    x = np.repeat(SIZES, 3)
    line = fit_line(x, np.random.default_rng(4).normal(0, 1e-6, len(x)))
    alike = block_covariance(np.full(10, 0.05), 1.0)
    assert slope_calibration_u(line, SIZES, alike) == pytest.approx(0.0, abs=1e-9)
    band = confidence_band(line, SIZES, blocks=SIZES, covariance=alike)
    assert (band.upper - band.fitted) == pytest.approx(1.96 * 0.05, rel=1e-3)
    apart = block_covariance(np.full(10, 0.05), 0.0)
    # independent and alike: the slope's is u/√Sxx over the blocks
    spread = np.square(SIZES - SIZES.mean()).sum()
    assert slope_calibration_u(line, SIZES, apart) == pytest.approx(0.05 / np.sqrt(spread))
    narrow = confidence_band(line, np.array([SIZES.mean()]), blocks=SIZES, covariance=apart)
    assert (narrow.upper - narrow.fitted) == pytest.approx(1.96 * 0.05 / np.sqrt(10), rel=1e-3)


def test_the_band_says_where_zero_is_and_how_far_bias_may_reach():
    x = np.repeat(SIZES, 5)
    noise = np.random.default_rng(6).normal(0, 0.1, len(x))
    level = confidence_band(fit_line(x, noise), SIZES)
    tilted = confidence_band(fit_line(x, noise + 0.02 * x), SIZES)
    assert level.holds_zero and not tilted.holds_zero
    assert tilted.largest_bias == pytest.approx(np.abs(tilted.fitted).max())
    assert tilted.largest_possible_bias == pytest.approx(tilted.upper[-1])


def test_block_intervals_are_t_intervals_from_pooled_repeats():
    reference, bias = linearity_table()
    blocks = gather_blocks(reference, bias)
    low, high = block_intervals(blocks)
    reach = scipy.stats.t.ppf(0.975, 55) * blocks.within_sd / np.sqrt(12)
    assert high - blocks.means == pytest.approx(reach)
    assert blocks.means - low == pytest.approx(reach)
    once = gather_blocks(SIZES, SIZES * 0.001)
    assert np.isnan(block_intervals(once)[0]).all()


@pytest.mark.parametrize("block_sd", [0.0, 0.6])
def test_block_means_keep_the_level_of_the_slope_whatever_the_blocks_do(block_sd):
    rng = np.random.default_rng(9)
    x = np.repeat(SIZES, 5)
    own = np.repeat(rng.normal(0, block_sd, (3000, 10)), 5, axis=1)
    y = 0.01 * x + own + rng.normal(0, 1.0, (3000, len(x)))
    line = fit_line(SIZES, gather_blocks(x, y).means, by_block=True)
    reach = scipy.stats.t.ppf(0.975, line.df) * line.slope_error
    assert 0.935 < np.mean(np.abs(line.slope - 0.01) <= reach) < 0.965


@pytest.mark.parametrize("x", [[1.0, 2.0], [3.0, 3.0, 3.0]])
def test_too_few_points_are_refused(x):
    with pytest.raises(StudyError, match="line over"):
        fit_line(np.array(x), np.zeros(len(x)))


def test_a_stack_of_bands_answers_study_by_study():
    x = np.repeat(SIZES, 5)
    noise = np.random.default_rng(6).normal(0, 0.1, len(x))
    band = confidence_band(fit_line(x, np.array([noise, noise + 0.02 * x])), SIZES)
    assert band.holds_zero.tolist() == [True, False]
    alone = [confidence_band(fit_line(x, y), SIZES) for y in (noise, noise + 0.02 * x)]
    assert band.largest_bias == pytest.approx([float(one.largest_bias) for one in alone])
    assert band.largest_possible_bias == pytest.approx(
        [float(one.largest_possible_bias) for one in alone]
    )


def test_a_block_known_to_its_calibration_only():
    # Two blocks read twice each: -+0.1 about 0.2 and 0.6. Pooled sd √(0.02 + 0.02)/√2 = 0.1414
    # on 2 degrees of freedom, 0.1 for a mean of two; with u 0.2: √0.05 = 0.2236 on
    # 2·(0.05/0.01)² = 50 degrees of freedom (GUM G.2b), t 2.0086: 0.4491.
    blocks = gather_blocks(np.array([1.0, 1, 5, 5]), np.array([0.1, 0.3, 0.5, 0.7]))
    low, high = block_intervals(blocks, calibration_u=0.2)
    assert high == pytest.approx([0.6491, 1.0491], abs=1e-4)
    assert low == pytest.approx([-0.2491, 0.1509], abs=1e-4)
    # Readings that repeat exactly leave the calibration alone: 1.96·0.2.
    exact = gather_blocks(np.array([1.0, 1, 5, 5]), np.array([0.2, 0.2, 0.6, 0.6]))
    low, high = block_intervals(exact, calibration_u=np.array([0.2, 0.1]))
    assert high == pytest.approx([0.2 + 0.39199, 0.6 + 0.19600], abs=1e-4)
    assert low == pytest.approx([0.2 - 0.39199, 0.6 - 0.19600], abs=1e-4)


def test_one_repeat_is_enough_for_an_interval_and_none_gives_nan_for_each_block():
    # One degree of freedom: t(0.975) = 12.706 on the pooled sd 0.1414; the means of 2, 1.
    blocks = gather_blocks(np.array([1.0, 1, 5]), np.array([0.1, 0.3, 0.6]))
    _, high = block_intervals(blocks)
    assert high == pytest.approx([0.2 + 12.706 * 0.1, 0.6 + 12.706 * 0.141421], abs=1e-4)
    once = gather_blocks(SIZES, SIZES * 0.001)
    assert block_intervals(once)[1].shape == (10,)


def test_lack_of_fit_with_one_block_too_many_and_one_repeat():
    x, y = np.array([1.0, 1.0, 2.0, 4.0]), np.array([0.1, 0.3, 0.9, 0.4])
    found = lack_of_fit(gather_blocks(x, y), fit_line(x, y))
    line = sm.OLS(y, sm.add_constant(x)).fit()
    means = sm.OLS(y, (x[:, None] == np.unique(x)).astype(float)).fit()
    f, p, df = means.compare_f_test(line)
    assert (found.f, found.p, found.df) == (pytest.approx(f), pytest.approx(p), (df, 1.0))


def test_repeats_that_never_differ_leave_no_doubt():
    x, y = np.repeat([1.0, 2.0, 4.0], 2), np.repeat([0.0, 1.0, 0.0], 2)
    assert lack_of_fit(gather_blocks(x, y), fit_line(x, y)).p == 0.0
    still = np.zeros(6)
    assert np.isnan(lack_of_fit(gather_blocks(x, still), fit_line(x, still)).f)
    flat = confidence_band(fit_line(x, still), np.array([1.0, 3.0]))
    assert flat.lower.tolist() == flat.upper.tolist() == [0.0, 0.0]


def test_blocks_read_once_have_no_scatter_in_any_study_of_a_stack():
    once = gather_blocks(SIZES, np.zeros((5, 3, 10)))
    assert once.within_sd.shape == (5, 3) and np.isnan(once.within_sd).all()


def test_one_block_known_badly_moves_the_line_as_shifting_it_does():
    x = np.repeat(SIZES, 3)
    y = np.random.default_rng(4).normal(0, 1e-9, len(x))
    at = np.array([0.0, 9.0, 30.0])
    for block in (0, 6, 9):
        u = np.where(np.arange(10) == block, 0.05, 0.0)
        shift = fit_line(x, y + np.repeat(u, 3)).at(at) - fit_line(x, y).at(at)
        band = confidence_band(
            fit_line(x, y), at, blocks=SIZES, covariance=block_covariance(u, 0.0)
        )
        assert band.upper - band.fitted == pytest.approx(1.959964 * np.abs(shift), rel=1e-5)


def test_degrees_of_freedom_of_a_band_by_hand():
    # Residuals ±0.1 on 2 degrees of freedom: s² 0.02, at the middle of four points 0.005; a
    # calibration error of 0.1 common to both blocks adds 0.01. 2·(0.015/0.005)² = 18 degrees
    # of freedom (GUM G.2b), t 2.1009, √0.015: 0.25731.
    line = fit_line(np.array([1.0, 1, 5, 5]), np.array([0.1, 0.3, 0.5, 0.7]))
    known = {"blocks": np.array([1.0, 5.0]), "covariance": block_covariance(np.full(2, 0.1), 1.0)}
    band = confidence_band(line, np.array([3.0]), **known)
    assert band.upper == pytest.approx([0.4 + 0.25731], abs=1e-5)
    # Blocks without their covariance say nothing: t(0.975, 2)·√0.005
    plain = confidence_band(line, np.array([3.0]), blocks=known["blocks"])
    assert plain.upper == pytest.approx([0.4 + 4.30265 * 0.0707107], abs=1e-5)


def test_three_points_are_scipys_regression():
    x, y = np.array([1.0, 2.0, 4.0]), np.array([0.1, 0.4, 0.3])
    line, expected = fit_line(x, y), scipy.stats.linregress(x, y)
    assert (line.slope, line.intercept) == pytest.approx((expected.slope, expected.intercept))
    assert line.slope_p == pytest.approx(expected.pvalue)
    assert line.r_squared == pytest.approx(expected.rvalue**2)
    assert line.intercept_error == pytest.approx(expected.intercept_stderr)
    assert line.by_block is False
    assert fit_line(x, y, by_block=True).by_block is True


def test_a_stack_of_lines_has_each_lines_own_intercept_test_and_share_explained():
    y = np.random.default_rng(3).normal(0.3, 1.0, (4, 10)) + 0.1 * SIZES
    stack = fit_line(SIZES, y)
    for place in range(4):
        model = sm.OLS(y[place], sm.add_constant(SIZES)).fit()
        assert stack.intercept_p[place] == pytest.approx(model.pvalues[0], rel=1e-8)
        assert stack.r_squared[place] == pytest.approx(model.rsquared, rel=1e-9)


def test_a_band_says_where_it_stands():
    line = fit_line(np.array([1.0, 2.0, 4.0]), np.array([0.1, 0.4, 0.3]))
    at = np.array([0.0, 3.0])
    assert confidence_band(line, at).x is at
