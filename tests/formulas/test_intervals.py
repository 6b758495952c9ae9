import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import (
    careful_lower_bound,
    confidence_below,
    lower_bound,
    ndc_draws,
    percent_tolerance_draws,
    percent_tv_draws,
    quantity_limits,
    share_draws,
    two_sided_limits,
    upper_bound,
    variance_draws,
)
from grr.formulas.pivots import crossed_pivots
from grr.formulas.sources_of_variation import Yardstick
from grr.model.errors import StudyError


def pivots(*, parts=10, operators=3, trials=3, part_sd=2.0, draws=5_000):
    rng = np.random.default_rng(4)
    readings = (
        rng.normal(0, part_sd, (parts, 1, 1))
        + rng.normal(0, 0.3, (1, operators, 1))
        + rng.normal(0, 0.4, (parts, operators, trials))
    )
    return crossed_pivots(crossed_anova(readings), draws=draws)


def test_limits_leave_the_same_share_on_either_side():
    draws = np.arange(1_000.0)[::-1]
    limits = two_sided_limits(draws, 0.95)
    assert (limits.lower, limits.upper) == (25.0, 974.0)


@given(st.floats(0.01, 0.49), st.floats(0.5, 0.98))
@settings(deadline=None, max_examples=25)
def test_more_confidence_never_gives_narrower_limits(low, high):
    draws = np.random.default_rng(0).normal(size=500)
    narrow, wide = two_sided_limits(draws, low), two_sided_limits(draws, high)
    assert wide.lower <= narrow.lower <= narrow.upper <= wide.upper


@pytest.mark.parametrize("level", [0, 1, 1.5, -0.2, float("nan"), "high", None, True])
def test_a_level_outside_0_and_1_is_refused(level):
    with pytest.raises(StudyError, match="level"):
        two_sided_limits(np.arange(200.0), level)


def test_a_process_sd_of_0_is_refused():
    with pytest.raises(StudyError, match="process_sd must be more than 0"):
        Yardstick(process_sd=0.0)


def test_one_sided_bounds_and_confidence_agree():
    draws = np.random.default_rng(1).normal(10.0, 2.0, (3, 20_000))
    for confidence in (0.8, 0.95):
        bound = upper_bound(draws, confidence)
        for row, value in zip(draws, bound, strict=True):
            assert confidence_below(row, value) == pytest.approx(confidence, abs=2e-4)
        np.testing.assert_allclose(lower_bound(draws, confidence), -upper_bound(-draws, confidence))
    with pytest.raises(StudyError, match="confidence must be more than"):
        upper_bound(draws, 0.4)


def test_every_measure_agrees_with_its_own_draws():
    found, yardstick = pivots(), Yardstick(lower=-8.0, upper=8.0, spread=5.15)
    limits = quantity_limits(found, yardstick, level=0.9)
    for quantity in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        direct = {
            "variance": variance_draws(found, quantity, yardstick),
            "percent_contribution": 100.0 * share_draws(found, quantity, yardstick),
            "percent_tv": percent_tv_draws(found, quantity, yardstick),
            "percent_tolerance": percent_tolerance_draws(found, quantity, yardstick),
        }
        for measure, draws in direct.items():
            np.testing.assert_allclose(
                limits[quantity, measure], two_sided_limits(draws, 0.9), rtol=1e-12
            )
        sd, spread = limits[quantity, "sd"], limits[quantity, "spread"]
        np.testing.assert_allclose(np.square(sd), limits[quantity, "variance"])
        np.testing.assert_allclose(spread, 5.15 * np.asarray(sd))
    np.testing.assert_allclose(
        limits["ndc", "value"], two_sided_limits(ndc_draws(found, yardstick), 0.9)
    )
    share = np.asarray(limits["PV", "percent_contribution"]) / 100.0
    np.testing.assert_allclose(limits["ICC", "value"], share, rtol=1e-9)


def test_shares_stay_between_0_and_100_even_without_part_variation():
    limits = quantity_limits(pivots(part_sd=0.0), Yardstick())
    for quantity in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        lower, upper = limits[quantity, "percent_contribution"]
        assert 0.0 <= lower <= upper <= 100.0
    assert limits["PV", "sd"].lower == 0.0
    assert limits["GRR", "percent_tv"].upper == 100.0
    assert limits["TV", "percent_tv"] == (100.0, 100.0)


def test_no_tolerance_no_percent_of_tolerance():
    found = pivots()
    assert ("GRR", "percent_tolerance") not in quantity_limits(found, Yardstick())
    with pytest.raises(StudyError, match="No tolerance was given"):
        percent_tolerance_draws(found, "GRR", Yardstick())


def test_a_given_process_sd_is_the_total():
    found, yardstick = pivots(), Yardstick(process_sd=3.0)
    limits = quantity_limits(found, yardstick)
    assert limits["TV", "sd"] == pytest.approx((3.0, 3.0))
    grr, part = limits["GRR", "variance"], limits["PV", "variance"]
    np.testing.assert_allclose(part, (9.0 - grr.upper, 9.0 - grr.lower), atol=1e-3)
    np.testing.assert_allclose(
        limits["GRR", "percent_tv"], 100.0 * np.sqrt(np.asarray(grr)) / 3.0, rtol=1e-12
    )


def test_a_process_sd_below_the_measuring_system_shows():
    limits = quantity_limits(pivots(), Yardstick(process_sd=0.01))
    assert limits["GRR", "percent_tv"].lower > 100.0
    assert limits["PV", "variance"].upper == 0.0


def test_one_sided_percent_carries_the_uncertainty_of_the_mean():
    found = pivots()
    mean = float(np.median(found.mean))
    uncertain = quantity_limits(found, Yardstick(upper=mean + 4.0))["GRR", "percent_tolerance"]
    known = quantity_limits(found, Yardstick(upper=mean + 4.0, process_mean=mean))
    known = known["GRR", "percent_tolerance"]
    assert uncertain.lower < 0.95 * known.lower
    assert uncertain.upper > 1.05 * known.upper
    grr = quantity_limits(found, Yardstick())["GRR", "sd"]
    np.testing.assert_allclose(known, 100.0 * 3.0 * np.asarray(grr) / 4.0)
    mirrored = quantity_limits(found, Yardstick(lower=mean - 4.0, process_mean=mean))
    np.testing.assert_allclose(mirrored["GRR", "percent_tolerance"], known)


def test_a_mean_that_may_lie_past_the_limit_has_no_upper_limit_of_percent():
    limits = quantity_limits(pivots(), Yardstick(upper=0.5))["GRR", "percent_tolerance"]
    assert np.isfinite(limits.lower)
    assert limits.upper == np.inf


def test_what_the_design_cannot_estimate_is_nan_and_the_rest_is_not():
    limits = quantity_limits(pivots(operators=1), Yardstick(lower=-5, upper=5))
    for quantity in ("AV", "INT"):
        assert np.isnan(limits[quantity, "sd"]).all()
        assert np.isnan(limits[quantity, "percent_tolerance"]).all()
    for quantity in ("EV", "GRR", "PV", "TV"):
        assert np.isfinite(limits[quantity, "percent_tolerance"]).all()
    assert np.isfinite(limits["ndc", "value"]).all()


def test_readings_that_are_all_alike_have_no_shares():
    found = crossed_pivots(crossed_anova(np.full((4, 3, 2), 7.0)), draws=200)
    limits = quantity_limits(found, Yardstick(lower=6.0, upper=8.0))
    assert limits["GRR", "sd"] == (0.0, 0.0)
    assert np.isnan(limits["GRR", "percent_tv"]).all()
    assert np.isnan(limits["ndc", "value"]).all()


def test_the_careful_lower_bound_takes_half_the_doubt():
    draws = np.arange(1_000.0)[::-1]
    assert lower_bound(draws, 0.95) == 50.0
    assert careful_lower_bound(draws, 0.95) == 25.0


@pytest.mark.parametrize("bound", [lower_bound, upper_bound])
@pytest.mark.parametrize("confidence", [0.4, 0.5, 1.0, 1.5])
def test_a_confidence_that_cannot_be_is_refused(bound, confidence):
    with pytest.raises(StudyError, match="confidence must be"):
        bound(np.arange(200.0), confidence)


def test_limits_and_confidence_of_a_stack_are_each_rows_own():
    draws = np.stack([np.arange(1_000.0), 5.0 + np.arange(1_000.0), np.arange(1_000.0)])
    draws[2, 7] = np.nan
    limits = two_sided_limits(draws, 0.95)
    np.testing.assert_array_equal(limits.lower, [25.0, 30.0, np.nan])
    np.testing.assert_array_equal(limits.upper, [974.0, 979.0, np.nan])
    np.testing.assert_array_equal(confidence_below(draws, 100.0), [0.1, 0.095, np.nan])
