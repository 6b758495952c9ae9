"""Repeatability behind a coarse digit, and what rounding adds to what is read."""

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from grr.formulas.coarse_digit import COARSE, as_read, repeatability_before_rounding
from grr.formulas.pivots import Pivots
from grr.model.errors import StudyError

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))
from coarse_digit import bounds, estimate, repeatability


def chance_of_no_scatter(sd, repeats, cells, parts):
    """The chance that all readings of every cell are alike, by quadrature over the position."""
    position = (np.arange(2000) + 0.5) / 2000
    whole = np.arange(-40, 41)[:, None]
    inside = norm.cdf((whole + 0.5 - position) / sd) - norm.cdf((whole - 0.5 - position) / sd)
    of_cell = (inside**repeats).sum(axis=0)
    return np.mean(of_cell**cells) ** parts


@pytest.mark.parametrize(("parts", "operators", "trials"), [(10, 3, 3), (6, 2, 2)])
def test_the_limit_where_nothing_scatters_is_that_of_quadrature(parts, operators, trials):
    found = repeatability_before_rounding(np.ones((parts, operators, trials)), 1.0, level=0.90)
    assert (found.sd, found.lower) == (0.0, 0.0)
    assert chance_of_no_scatter(found.upper, trials, operators, parts) == pytest.approx(
        0.05, abs=0.006
    )


def test_the_limit_where_one_reading_differs_is_that_of_another_simulation():
    # 12 000 studies at each sd, simulated apart from this program: 0.117 digits.
    readings = np.ones((10, 3, 3))
    readings[4, 1, 2] = 2.0
    found = repeatability_before_rounding(readings, 1.0, level=0.90)
    assert found.upper == pytest.approx(0.117, abs=0.003)
    assert found.lower == 0.0


def test_a_fine_digit_gives_the_limits_of_chi_square():
    rng = np.random.default_rng(8)
    readings = np.round(rng.uniform(0, 40, size=(10, 1, 1)) + rng.normal(0, 1.5, (10, 3, 3)))
    found = repeatability_before_rounding(readings, 1.0)
    within = np.square(readings - readings.mean(axis=-1, keepdims=True)).sum()
    low, high = np.sqrt(within / np.array([83.298, 40.482]) - 1.0 / 12.0)  # χ² tables, 60 df
    assert (found.lower, found.upper) == pytest.approx((low, high), rel=0.04)


def test_units_and_missing_readings():
    rng = np.random.default_rng(9)
    whole = np.round(rng.uniform(0, 30, size=(10, 1, 1)) + rng.normal(0, 0.5, (10, 3, 3)))
    whole[3, 1, 0] = whole[6, 2, :2] = np.nan
    found = repeatability_before_rounding(whole, 1.0)
    in_mm = repeatability_before_rounding(25.0 + 0.01 * whole, 0.01)
    for name in ("sd", "lower", "upper"):
        assert getattr(in_mm, name) == pytest.approx(0.01 * getattr(found, name))
    assert found.lower < found.sd < found.upper
    with pytest.raises(StudyError, match="measured twice"):
        repeatability_before_rounding(np.ones((5, 3, 1)), 1.0)


@pytest.mark.parametrize("digit", [1.0, 2.0, 4.0, 6.0])
def test_limits_hold_the_truth(digit):
    found = repeatability(digit, 500)
    assert found["held"] > 92.5  # 95 is meant; three standard errors of 500 studies


def test_the_estimate_is_right_on_average():
    assert estimate(3.0, 40) == pytest.approx(1.0, abs=0.08)


def test_what_is_added_counts_for_the_error_of_what_is_read():
    found = bounds((0.6, 0.3, 0.1), 6.0, 600, operators="random")
    assert found["plain"] > 7.0
    assert found["added"] < 5.0


def test_draws_are_as_they_are_where_the_digit_is_fine():
    one = np.ones(5)
    pivots = Pivots(one, one, one, one, one, one, one)
    assert as_read(pivots, 1.0, None) is pivots
    assert as_read(pivots, 1.0, float("nan")) is pivots
    assert as_read(pivots, 1.0, 1.0 / COARSE) is pivots
    read = as_read(pivots, 0.1, 0.6)
    assert read.grr == pytest.approx(1.06)
    assert read.total == pytest.approx(1.06)
    assert read.repeatability is one
