import math

import numpy as np
import pytest

from grr.formulas.uncertainty import (
    InputQuantity,
    combined_uncertainty,
    correlation_matrix,
    coverage_factor,
    effective_df,
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
    with pytest.raises(StudyError, match="less than one degree"):
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
