"""The uncertainty budget: its inputs, the law of propagation, and propagation of distributions."""

from __future__ import annotations

import math

import numpy as np
import pytest

from grr.formulas.uncertainty import (
    InputQuantity,
    agreement,
    combined_uncertainty,
    correlation_matrix,
    coverage_factor,
    effective_df,
    numerical_tolerance,
    propagate,
)
from grr.model.errors import StudyError

#: JCGM 100:2008 (GUM), example H.1: contributions in nm and their degrees of freedom.
H1 = np.array([25.0, 9.7, 2.9, 16.6])
H1_DF = np.array([18.0, 25.6, 50.0, 2.0])


def test_the_gums_end_gauge_to_the_published_digits():
    combined = combined_uncertainty(H1)
    df = effective_df(H1, H1_DF, combined)
    k = coverage_factor(df, 0.99)
    assert round(combined) == 32 and combined == pytest.approx(31.67, abs=0.005)
    assert math.floor(df) == 16 and df == pytest.approx(16.76, abs=0.005)
    assert k == pytest.approx(2.92, abs=0.005)
    # the GUM multiplies the rounded 32 nm: 93 nm; unrounded 92.5 nm
    assert k * 32.0 == pytest.approx(93.0, abs=0.6)
    assert k * combined == pytest.approx(92.5, abs=0.05)


def test_correlated_contributions_add_or_cancel():
    pair = np.array([3.0, -4.0])
    assert combined_uncertainty(pair) == pytest.approx(5.0)
    for r, expected in ((1.0, 1.0), (-1.0, 7.0), (0.5, math.sqrt(13.0))):
        matrix = correlation_matrix(["a", "b"], {("a", "b"): r})
        assert combined_uncertainty(pair, matrix) == pytest.approx(expected)


def test_coverage_factors_are_the_gums_table_g2():
    # JCGM 100:2008, table G.2
    for df, level, k in ((1, 0.95, 12.71), (10, 0.95, 2.23), (50, 0.99, 2.68), (3.9, 0.95, 3.18)):
        assert coverage_factor(df, level) == pytest.approx(k, abs=0.005)
    assert coverage_factor(math.inf) == pytest.approx(1.96, abs=0.005)
    with pytest.raises(StudyError, match="degree"):
        coverage_factor(0.5)


def test_known_inputs_have_endless_degrees_of_freedom():
    assert effective_df(H1, np.full(4, np.inf), 31.0) == math.inf


@pytest.mark.parametrize(
    ("pairs", "message"),
    [
        ({("a", "z"): 0.5}, "not in the budget"),
        ({("a", "a"): 0.5}, "between two contributions"),
        ({("a", "b"): 1.5}, "between two contributions"),
        ({("a", "b"): -1.0, ("b", "c"): -1.0, ("a", "c"): -1.0}, "contradict"),
    ],
)
def test_impossible_correlations_are_refused(pairs, message):
    with pytest.raises(StudyError, match=message):
        correlation_matrix(["a", "b", "c"], pairs)


@pytest.mark.parametrize(
    ("distribution", "size", "expected"),
    [
        ("normal", 2.0, 2.0),
        ("rectangular", 3.0, math.sqrt(3.0)),
        ("triangular", 6.0, math.sqrt(6.0)),
        ("u-shaped", 2.0, math.sqrt(2.0)),
    ],
)
def test_standard_uncertainty_is_the_sd_of_the_values(distribution, size, expected):
    quantity = InputQuantity(distribution, 5.0, size)
    assert quantity.standard_u == pytest.approx(expected)
    rng = np.random.default_rng(1)
    values = quantity.values(rng.standard_normal(200_000), rng)
    assert values.mean() == pytest.approx(5.0, abs=0.02)
    assert values.std() == pytest.approx(expected, rel=0.01)
    if distribution != "normal":
        assert np.abs(values - 5.0).max() <= size


def test_readings_scatter_as_t():
    rng = np.random.default_rng(2)
    quantity = InputQuantity("readings", 0.0, 2.0, df=8.0)
    values = quantity.values(rng.standard_normal(400_000), rng)
    # variance of t: ν/(ν − 2); its 97.5 % quantile 2.306 with 8 degrees of freedom
    assert values.std() == pytest.approx(2.0 * math.sqrt(8 / 6), rel=0.01)
    assert np.quantile(values, 0.975) == pytest.approx(2.0 * 2.306, rel=0.01)


def test_an_inexact_half_width_gives_degrees_of_freedom():
    # GUM H.1: the half-width known to 10 %: 50; to 50 %: 2
    assert InputQuantity("rectangular", 0, 1.0, limit_half_width=0.1).effective_df == 50.0
    assert InputQuantity("rectangular", 0, 0.05, limit_half_width=0.025).effective_df == 2.0
    rng = np.random.default_rng(3)
    values = InputQuantity("rectangular", 0, 1.0, limit_half_width=0.5).values(
        rng.standard_normal(300_000), rng
    )
    # JCGM 101:2008, 6.4.3.3: variance (b − a)²/12 + d²/9
    assert values.var() == pytest.approx(1 / 3 + 0.25 / 9, rel=0.01)


@pytest.mark.parametrize(
    ("distribution", "df", "size", "endless"),
    [
        # Student's t has a finite standard deviation from more than 2 degrees of freedom.
        ("readings", 2.0, 0.1, True),
        ("normal", 1.0, 0.1, True),
        ("readings", 3.0, 0.1, False),
        ("rectangular", 2.0, 0.1, False),
        ("normal", 2.0, 0.0, False),
        ("normal", math.inf, 0.1, False),
    ],
)
def test_inputs_without_a_finite_standard_deviation(distribution, df, size, endless):
    assert InputQuantity(distribution, 0.0, size, df=df).spread_is_endless is endless


def test_small_contributions_that_almost_cancel():
    matrix = correlation_matrix(["a", "b"], {("a", "b"): 1.0})
    assert combined_uncertainty(np.array([0.003, -0.004]), matrix) == pytest.approx(0.001)


def test_a_doubtful_half_width_has_the_gums_degrees_of_freedom():
    # JCGM 100:2008 (GUM), G.4.2: judged to 25 % it has 8.
    doubtful = InputQuantity("rectangular", 0.0, 0.4, limit_half_width=0.1)
    assert doubtful.effective_df == pytest.approx(8.0)
    assert InputQuantity("normal", 0.0, 0.4, df=5.0).effective_df == 5.0


def test_a_coefficient_below_minus_one_is_refused():
    with pytest.raises(StudyError, match="from −1 to 1"):
        correlation_matrix(["a", "b"], {("a", "b"): -1.5})


def total(values):
    return values.sum(axis=0)


def test_four_normal_inputs():
    # JCGM 101:2008, 9.2.2: y 0, u 2.0, 95 % interval −3.92 to 3.92, validated
    run = propagate([InputQuantity("normal", 0.0, 1.0)] * 4, total)
    assert run.settled
    assert run.standard_u == pytest.approx(2.0, abs=0.01)
    assert (run.lower, run.upper) == (pytest.approx(-3.92, abs=0.02), pytest.approx(3.92, abs=0.02))
    assert agreement(0.0, 2.0, 3.92, run).agrees


def test_four_rectangular_inputs():
    # JCGM 101:2008, 9.2.3: interval −3.88 to 3.88 against 3.92: still validated at two digits
    run = propagate([InputQuantity("rectangular", 0.0, np.sqrt(3.0))] * 4, total)
    assert run.upper == pytest.approx(3.88, abs=0.01)
    found = agreement(0.0, 2.0, 3.92, run)
    assert found.agrees and found.tolerance == pytest.approx(0.05)


def test_one_dominant_rectangle_is_not_validated():
    # JCGM 101:2008, 9.2.4: u 10.1, interval −17.0 to 17.0 against 19.9: not validated
    small = InputQuantity("rectangular", 0.0, np.sqrt(3.0))
    run = propagate([small] * 3 + [InputQuantity("rectangular", 0.0, np.sqrt(300.0))], total)
    assert run.standard_u == pytest.approx(10.1, abs=0.06)
    assert run.upper == pytest.approx(17.0, abs=0.1)
    assert not agreement(0.0, 10.1, 19.9, run).agrees


def test_the_end_gauge_as_a_nonlinear_model():
    # JCGM 101:2008, 9.5 (inputs of table 10): u about 36 nm where the GUM's first-order
    # formula gives 32 nm, so the two are not validated at two digits.
    inputs = [
        InputQuantity("readings", 50_000_623.0, 25.0, 18.0),
        InputQuantity("readings", 215.0, 6.0, 24.0),
        InputQuantity("readings", 0.0, 4.0, 5.0),
        InputQuantity("readings", 0.0, 7.0, 8.0),
        InputQuantity("rectangular", 11.5e-6, 2e-6),
        InputQuantity("normal", -0.1, 0.2),
        InputQuantity("u-shaped", 0.0, 0.5),
        InputQuantity("rectangular", 0.0, 1e-6, limit_half_width=0.1e-6),
        InputQuantity("rectangular", 0.0, 0.05, limit_half_width=0.025),
    ]

    def length(values):
        standard, d, d1, d2, alpha, mean, cycle, expansion, difference = values
        warmed = expansion * (mean + cycle) + alpha * difference
        return standard + d + d1 + d2 - standard * warmed - 50_000_000.0

    run = propagate(inputs, length, level=0.99, most_draws=600_000)
    assert run.estimate == pytest.approx(838.0, abs=0.5)
    assert run.standard_u == pytest.approx(35.8, abs=0.15)
    found = agreement(838.0, 31.67, 92.5, run)
    assert not found.agrees
    assert found.tolerance == 0.5


def test_correlated_inputs():
    pair = [InputQuantity("normal", 0.0, 3.0), InputQuantity("normal", 0.0, 4.0)]
    for r, expected in ((1.0, 7.0), (-1.0, 1.0), (0.5, np.sqrt(37.0))):
        matrix = correlation_matrix(["a", "b"], {("a", "b"): r})
        run = propagate(pair, total, correlation=matrix, digits=1)
        assert run.standard_u == pytest.approx(expected, rel=0.01)


def test_a_seed_gives_the_same_run_and_a_limit_stops_it():
    inputs = [InputQuantity("normal", 0.0, 1.0)]
    one = propagate(inputs, total, seed=4, most_draws=200_000, digits=3)
    assert one == propagate(inputs, total, seed=4, most_draws=200_000, digits=3)
    assert one.draws == 200_000 and not one.settled


def test_numerical_tolerance():
    # JCGM 101:2008, 7.9.2, examples: 0.35 g at two digits: δ 0.005 g; 2 K at one: 0.5 K
    assert numerical_tolerance(0.35, 2) == pytest.approx(0.005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)
    assert numerical_tolerance(0.0998, 2) == pytest.approx(0.005)


def test_the_gaps_are_those_of_each_end():
    run = propagate([InputQuantity("rectangular", 0.0, np.sqrt(3.0))] * 4, total)
    found = agreement(0.1, 2.0, 3.92, run)
    assert found.low_gap == pytest.approx(abs(0.1 - 3.92 - run.lower))
    assert found.high_gap == pytest.approx(abs(0.1 + 3.92 - run.upper))
    # One end may agree and the other not: then the two do not.
    assert found.low_gap > 0.05 < found.high_gap and not found.agrees
    one_end = agreement(0.04, 2.0, 3.92, run)
    assert one_end.low_gap < 0.05 < one_end.high_gap and not one_end.agrees


def test_a_run_that_does_not_settle_stops_after_three_million_draws():
    # JCGM 101:2008, 7.9 sets no end; here three million draws do.
    never = propagate([InputQuantity("normal", 0.0, 1.0)], total, digits=4)
    assert never.draws == 3_000_000 and never.settled is False


def test_a_run_says_how_it_was_made():
    run = propagate([InputQuantity("normal", 5.0, 0.3)], total, level=0.9, seed=7)
    assert (run.level, run.seed) == (0.9, 7)
    assert run.tolerance == 0.005 and run.settled is True
    assert run.upper - run.lower == pytest.approx(2 * 1.644854 * 0.3, rel=0.01)
    known = propagate([InputQuantity("normal", 5.0, 0.0)], total)
    assert (known.standard_u, known.tolerance, known.settled) == (0.0, 0.0, True)
    assert numerical_tolerance(1.0, 2) == pytest.approx(0.05)
