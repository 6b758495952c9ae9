"""Confidence limits: from draws of the variances to limits of what a person reads."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

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
from grr.formulas.sources_of_variation import Specification
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
    with pytest.raises(StudyError, match="process_sd"):
        Specification(process_sd=0.0)


def test_one_sided_bounds_and_confidence_agree():
    draws = np.random.default_rng(1).normal(10.0, 2.0, (3, 20_000))
    for confidence in (0.8, 0.95):
        bound = upper_bound(draws, confidence)
        for row, value in zip(draws, bound, strict=True):
            assert confidence_below(row, value) == pytest.approx(confidence, abs=2e-4)
        np.testing.assert_allclose(lower_bound(draws, confidence), -upper_bound(-draws, confidence))
    with pytest.raises(StudyError, match="confidence must"):
        upper_bound(draws, 0.4)


def test_every_measure_agrees_with_its_own_draws():
    found, specification = pivots(), Specification(lower=-8.0, upper=8.0, spread=5.15)
    limits = quantity_limits(found, specification, level=0.9)
    for quantity in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        direct = {
            "variance": variance_draws(found, quantity, specification),
            "percent_contribution": 100.0 * share_draws(found, quantity, specification),
            "percent_tv": percent_tv_draws(found, quantity, specification),
            "percent_tolerance": percent_tolerance_draws(found, quantity, specification),
        }
        for measure, draws in direct.items():
            np.testing.assert_allclose(
                limits[quantity, measure], two_sided_limits(draws, 0.9), rtol=1e-12
            )
        sd, spread = limits[quantity, "sd"], limits[quantity, "spread"]
        np.testing.assert_allclose(np.square(sd), limits[quantity, "variance"])
        np.testing.assert_allclose(spread, 5.15 * np.asarray(sd))
    np.testing.assert_allclose(
        limits["ndc", "value"], two_sided_limits(ndc_draws(found, specification), 0.9)
    )
    share = np.asarray(limits["PV", "percent_contribution"]) / 100.0
    np.testing.assert_allclose(limits["ICC", "value"], share, rtol=1e-9)


def test_shares_stay_between_0_and_100_even_without_part_variation():
    limits = quantity_limits(pivots(part_sd=0.0), Specification())
    for quantity in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        lower, upper = limits[quantity, "percent_contribution"]
        assert 0.0 <= lower <= upper <= 100.0
    assert limits["PV", "sd"].lower == 0.0
    assert limits["GRR", "percent_tv"].upper == 100.0
    assert limits["TV", "percent_tv"] == (100.0, 100.0)


def test_no_tolerance_no_percent_of_tolerance():
    found = pivots()
    assert ("GRR", "percent_tolerance") not in quantity_limits(found, Specification())
    with pytest.raises(StudyError, match="No tolerance"):
        percent_tolerance_draws(found, "GRR", Specification())


def test_a_given_process_sd_is_the_total():
    found, specification = pivots(), Specification(process_sd=3.0)
    limits = quantity_limits(found, specification)
    assert limits["TV", "sd"] == pytest.approx((3.0, 3.0))
    grr, part = limits["GRR", "variance"], limits["PV", "variance"]
    np.testing.assert_allclose(part, (9.0 - grr.upper, 9.0 - grr.lower), atol=1e-3)
    np.testing.assert_allclose(
        limits["GRR", "percent_tv"], 100.0 * np.sqrt(np.asarray(grr)) / 3.0, rtol=1e-12
    )


def test_a_process_sd_below_the_measuring_system_shows():
    limits = quantity_limits(pivots(), Specification(process_sd=0.01))
    assert limits["GRR", "percent_tv"].lower > 100.0
    assert limits["PV", "variance"].upper == 0.0


def test_one_sided_percent_carries_the_uncertainty_of_the_mean():
    found = pivots()
    mean = float(np.median(found.mean))
    uncertain = quantity_limits(found, Specification(upper=mean + 4.0))["GRR", "percent_tolerance"]
    known = quantity_limits(found, Specification(upper=mean + 4.0, process_mean=mean))
    known = known["GRR", "percent_tolerance"]
    assert uncertain.lower < 0.95 * known.lower
    assert uncertain.upper > 1.05 * known.upper
    grr = quantity_limits(found, Specification())["GRR", "sd"]
    np.testing.assert_allclose(known, 100.0 * 3.0 * np.asarray(grr) / 4.0)
    mirrored = quantity_limits(found, Specification(lower=mean - 4.0, process_mean=mean))
    np.testing.assert_allclose(mirrored["GRR", "percent_tolerance"], known)


def test_a_mean_that_may_lie_past_the_limit_has_no_upper_limit_of_percent():
    limits = quantity_limits(pivots(), Specification(upper=0.5))["GRR", "percent_tolerance"]
    assert np.isfinite(limits.lower)
    assert limits.upper == np.inf


def test_what_the_design_cannot_estimate_is_nan_and_the_rest_is_not():
    limits = quantity_limits(pivots(operators=1), Specification(lower=-5, upper=5))
    for quantity in ("AV", "INT"):
        assert np.isnan(limits[quantity, "sd"]).all()
        assert np.isnan(limits[quantity, "percent_tolerance"]).all()
    for quantity in ("EV", "GRR", "PV", "TV"):
        assert np.isfinite(limits[quantity, "percent_tolerance"]).all()
    assert np.isfinite(limits["ndc", "value"]).all()


def test_readings_that_are_all_alike_have_no_shares():
    found = crossed_pivots(crossed_anova(np.full((4, 3, 2), 7.0)), draws=200)
    limits = quantity_limits(found, Specification(lower=6.0, upper=8.0))
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
    with pytest.raises(StudyError, match="confidence must"):
        bound(np.arange(200.0), confidence)


def test_limits_and_confidence_of_a_stack_are_each_rows_own():
    draws = np.stack([np.arange(1_000.0), 5.0 + np.arange(1_000.0), np.arange(1_000.0)])
    draws[2, 7] = np.nan
    limits = two_sided_limits(draws, 0.95)
    np.testing.assert_array_equal(limits.lower, [25.0, 30.0, np.nan])
    np.testing.assert_array_equal(limits.upper, [974.0, 979.0, np.nan])
    np.testing.assert_array_equal(confidence_below(draws, 100.0), [0.1, 0.095, np.nan])


# Limits from pivots against closed forms, by how often they hold the true value.
# -------------------------------------------------------------------------------
# The closed forms are written out here from their sources and share no code with the package.

PARTS, OPERATORS, TRIALS = 10, 3, 3
STUDIES = 1_000


def exact_repeatability(ms_error, df, level=0.95):
    """Chi-square interval of a variance (any textbook of statistics)."""
    tail = (1 - level) / 2
    return df * ms_error / stats.chi2.ppf(1 - tail, df), df * ms_error / stats.chi2.ppf(tail, df)


def sum_of_mean_squares(coefficients, mean_squares, dfs, level=0.95):
    """Modified large-sample interval of Σcθ, c > 0.

    Graybill & Wang, Journal of the American Statistical Association 75 (1980), 869-873.
    """
    tail = (1 - level) / 2
    estimate = sum(c * s for c, s in zip(coefficients, mean_squares, strict=True))
    below = above = 0.0
    for c, s, df in zip(coefficients, mean_squares, dfs, strict=True):
        g = 1 - df / stats.chi2.ppf(1 - tail, df)
        h = df / stats.chi2.ppf(tail, df) - 1
        below, above = below + (g * c * s) ** 2, above + (h * c * s) ** 2
    return estimate - np.sqrt(below), estimate + np.sqrt(above)


def difference_of_mean_squares(c1, s1, df1, c2, s2, df2, level=0.95):
    """Interval of c1·θ1 − c2·θ2.

    Ting, Burdick, Graybill, Jeyaratnam & Lu, Journal of Statistical Computation and
    Simulation 35 (1990), 135-143; Burdick & Graybill, Confidence Intervals on Variance
    Components (1992), section 3.3 (formulas from memory).
    """
    tail = (1 - level) / 2
    g1, g2 = (1 - df / stats.chi2.ppf(1 - tail, df) for df in (df1, df2))
    h1, h2 = (df / stats.chi2.ppf(tail, df) - 1 for df in (df1, df2))
    f_high, f_low = stats.f.ppf(1 - tail, df1, df2), stats.f.ppf(tail, df1, df2)
    g12 = ((f_high - 1) ** 2 - g1**2 * f_high**2 - h2**2) / f_high
    h12 = ((1 - f_low) ** 2 - h1**2 * f_low**2 - g2**2) / f_low
    a, b = c1 * s1, c2 * s2
    below = g1**2 * a**2 + h2**2 * b**2 + g12 * a * b
    above = h1**2 * a**2 + g2**2 * b**2 + h12 * a * b
    return (
        np.maximum(a - b - np.sqrt(np.maximum(below, 0.0)), 0.0),
        np.maximum(a - b + np.sqrt(np.maximum(above, 0.0)), 0.0),
    )


def readings(part, operator, interaction, repeatability, seed=12):
    rng = np.random.default_rng(seed)
    return sum(
        np.sqrt(variance) * rng.normal(size=(STUDIES, *shape))
        for variance, shape in (
            (part, (PARTS, 1, 1)),
            (operator, (1, OPERATORS, 1)),
            (interaction, (PARTS, OPERATORS, 1)),
            (repeatability, (PARTS, OPERATORS, TRIALS)),
        )
    )


def limits_by_pivots(stack):
    """Limits of each variance, fifty studies at a time with draws of their own."""
    found = {name: ([], []) for name in ("EV", "GRR", "PV", "INT")}
    for seed, start in enumerate(range(0, STUDIES, 50)):
        pivots = crossed_pivots(crossed_anova(stack[start : start + 50]), draws=2_000, seed=seed)
        for name, ends in found.items():
            for end, values in zip(
                ends,
                two_sided_limits(variance_draws(pivots, name, Specification()), 0.95),
                strict=True,
            ):
                end.append(values)
    return {name: tuple(map(np.concatenate, ends)) for name, ends in found.items()}


def coverage(limits, truth):
    lower, upper = limits
    return float(((lower <= truth) & (truth <= upper)).mean())


@pytest.mark.parametrize(
    "variances", [(20.0, 0.05, 0.02, 1.0), (20.0, 2.0, 0.5, 1.0), (1.0, 0.3, 0.2, 1.0)]
)
def test_pivots_cover_as_the_closed_forms_do(variances):
    part, operator, interaction, repeatability = variances
    stack = readings(*variances)
    anova = crossed_anova(stack)
    limits = limits_by_pivots(stack)
    df_po, df_e = (PARTS - 1) * (OPERATORS - 1), PARTS * OPERATORS * (TRIALS - 1)
    closed = {
        "EV": exact_repeatability(anova.ms_error, df_e),
        "GRR": sum_of_mean_squares(
            (1 / (PARTS * TRIALS), (PARTS - 1) / (PARTS * TRIALS), (TRIALS - 1) / TRIALS),
            (anova.ms_operator, anova.ms_interaction, anova.ms_error),
            (OPERATORS - 1, df_po, df_e),
        ),
        "PV": difference_of_mean_squares(
            1 / (OPERATORS * TRIALS),
            anova.ms_part,
            PARTS - 1,
            1 / (OPERATORS * TRIALS),
            anova.ms_interaction,
            df_po,
        ),
        "INT": difference_of_mean_squares(
            1 / TRIALS, anova.ms_interaction, df_po, 1 / TRIALS, anova.ms_error, df_e
        ),
    }
    truth = {
        "EV": repeatability,
        "GRR": operator + interaction + repeatability,
        "PV": part,
        "INT": interaction,
    }
    for quantity, true in truth.items():
        ours = coverage(limits[quantity], true)
        theirs = coverage(closed[quantity], true)
        assert 0.93 <= ours <= 0.98, quantity
        assert ours == pytest.approx(theirs, abs=0.025), quantity
    widths = {
        quantity: np.median(np.subtract(*limits[quantity][::-1]))
        / np.median(np.subtract(*closed[quantity][::-1]))
        for quantity in truth
    }
    assert widths["EV"] == pytest.approx(1.0, abs=0.04)
    assert widths["PV"] == pytest.approx(1.0, abs=0.1)
