import numpy as np
import pytest
from scipy import stats

from grr.formulas.capability import gauge_capability, smallest_tolerance
from grr.formulas.confidence_limits import sd_interval


def test_worked_by_hand():
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
