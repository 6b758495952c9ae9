"""A gauge or a measuring process against its tolerance: Cg and Cgk, Q_MS and Q_MP."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from grr.formulas.capability import (
    LIMIT_PROCESS,
    LIMIT_SYSTEM,
    gauge_capability,
    percent_of_width,
    process_uncertainty,
    smallest_tolerance,
    smallest_width,
    system_uncertainty,
)
from grr.formulas.confidence_limits import sd_interval


def test_cg_and_cgk_worked_by_hand():
    # T = 0.06, s = 0.001, bias 0.001: Cg = 0.012/0.006 = 2, Cgk = (0.006 − 0.001)/0.003
    found = gauge_capability(0.001, 0.001, readings=50, width=0.06)
    assert found.cg == pytest.approx(2.0)
    assert found.cgk == pytest.approx(5.0 / 3.0)
    other = gauge_capability(-0.001, 0.001, readings=50, width=0.06, share=0.15, multiple=4.0)
    assert other.cg == pytest.approx(0.009 / 0.004)
    assert other.cgk == pytest.approx(0.0035 / 0.002)


def test_the_interval_of_cg_is_that_of_the_sd():
    found = gauge_capability(0.0, 0.002, readings=25, width=0.1)
    low, high = sd_interval(0.002, 24, level=0.95)
    assert found.cg_lower == pytest.approx(0.02 / (6 * high))
    assert found.cg_upper == pytest.approx(0.02 / (6 * low))
    assert high == pytest.approx(0.002 * np.sqrt(24 / stats.chi2.ppf(0.025, 24)))


def test_the_interval_of_cgk_holds_the_truth():
    rng = np.random.default_rng(5)
    missed_low, missed_high = [], []
    for bias in (0.0, 0.5, 2.0):
        readings = rng.normal(bias, 1.0, (4000, 25))
        found = gauge_capability(
            readings.mean(axis=1), readings.std(axis=1, ddof=1), readings=25, width=40.0
        )
        truth = (4.0 - bias) / 3.0
        missed_low.append(np.mean(found.cgk_lower > truth))
        missed_high.append(np.mean(found.cgk_upper < truth))
    assert max(missed_low) < 0.031
    # with no bias at all the nearer limit is taken as the only one: up to 5 % above
    assert missed_high[0] < 0.055 and max(missed_high[1:]) < 0.031


def test_a_gauge_beyond_its_share_has_a_negative_cgk():
    found = gauge_capability(5.0, 1.0, readings=10, width=20.0)
    assert found.cgk == pytest.approx(-1.0)
    assert found.cgk_lower < -1.0 < found.cgk_upper


def test_the_smallest_tolerance_passes_just():
    width = float(smallest_tolerance(0.0007, 0.0004))
    found = gauge_capability(0.0007, 0.0004, readings=50, width=width)
    assert min(found.cg, found.cgk) == pytest.approx(1.33)


def test_far_out_limits_join_the_exact_ones_and_come_at_once():
    # A bias of 1e9 (a wrong unit) must not set off an endless search.
    found = gauge_capability(np.array(1e9), np.array(1e-3), readings=25, width=1.0)
    assert found.cgk_lower < found.cgk < found.cgk_upper < 0
    # On both sides of the switch, at t = 500, the limits per cgk agree.
    sd = 1e-3
    scale = 3.0 * np.sqrt(25)
    ratios = []
    for t in (499.0, 501.0):
        cgk = t / scale
        at = gauge_capability(np.array(0.2 - 3 * sd * cgk), np.array(sd), readings=25, width=2.0)
        assert float(at.cgk) == pytest.approx(cgk)
        ratios.append([float(at.cgk_lower / at.cgk), float(at.cgk_upper / at.cgk)])
    assert np.allclose(ratios[0], ratios[1], rtol=1e-3)


@pytest.mark.parametrize("multiple", [4.0, 6.0])
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_the_interval_of_cgk_is_that_of_the_noncentral_t(multiple, level):
    # √n·(multiple/2)·Cgk is noncentral t: Kotz & Johnson (1993), chapter 2.
    found = gauge_capability(0.002, 0.001, readings=20, width=0.06, multiple=multiple, level=level)
    scale, tail = np.sqrt(20) * multiple / 2, (1 - level) / 2
    t = scale * float(found.cgk)
    assert stats.nct.cdf(t, 19, scale * found.cgk_lower) == pytest.approx(1 - tail, rel=1e-4)
    assert stats.nct.cdf(t, 19, scale * found.cgk_upper) == pytest.approx(tail, rel=1e-4)


def test_the_interval_of_an_sd_holds_at_95_percent_where_nothing_is_said():
    low, high = sd_interval(2.0, 9)
    assert (low, high) == pytest.approx(tuple(2.0 * np.sqrt(9 / stats.chi2.ppf([0.975, 0.025], 9))))


def test_q_ms_and_q_mp_worked_by_hand():
    # resolution 1 µm: 0.2887; repeatability 0.2: the larger is the resolution
    # bias 0.6: 0.3464; 0.1² + 0.2887² + 0.3464² = 0.01 + 0.083333 + 0.12
    system = system_uncertainty(calibration=0.1, resolution=1.0, repeatability=0.2, bias=-0.6)
    assert system.combined == pytest.approx(0.21333333**0.5)
    assert percent_of_width(system.combined, 12.0) == pytest.approx(400 * 0.21333333**0.5 / 12)
    width = smallest_width(system.combined, 15.0)
    assert percent_of_width(system.combined, width) == pytest.approx(15.0)


def test_repeatability_counts_once_the_largest():
    system = system_uncertainty(calibration=0.0, resolution=0.1, repeatability=0.3, bias=0.0)
    assert system.combined == pytest.approx(0.3)
    alone = process_uncertainty(system, repeatability_on_parts=0.2)
    assert alone == pytest.approx(0.3)
    whole = process_uncertainty(
        system, repeatability_on_parts=0.4, operators=0.3, interaction=1.2, others=(2.0, 6.0)
    )
    assert whole == pytest.approx((0.16 + 0.09 + 1.44 + 40.0) ** 0.5)


def test_every_line_adds_its_square():
    # resolution 0.6·√12 counts as 0.6, bias 0.2·√3 as 0.2, linearity 0.5·√3 as 0.5:
    # 0.3² + 0.6² + 0.2² + 0.5² = 0.74
    system = system_uncertainty(
        calibration=0.3,
        resolution=0.6 * 12**0.5,
        repeatability=0.1,
        bias=0.2 * 3**0.5,
        linearity=-0.5 * 3**0.5,
    )
    lines = (system.calibration, system.resolution, system.bias, system.linearity)
    assert lines == pytest.approx((0.3, 0.6, 0.2, 0.5))
    assert system.combined == pytest.approx(0.74**0.5)
    # on parts the resolution is still the largest of the three, so nothing is added
    assert process_uncertainty(system, repeatability_on_parts=0.4) == pytest.approx(0.74**0.5)
    # 0.7 instead of 0.6: 0.74 + 0.49 − 0.36
    assert process_uncertainty(system, repeatability_on_parts=0.7) == pytest.approx(0.87**0.5)


def test_the_limits_are_the_standards():
    # ISO 22514-7 (from memory): Q_MS at most 15 %, Q_MP at most 30 %.
    assert (LIMIT_SYSTEM, LIMIT_PROCESS) == (15.0, 30.0)
