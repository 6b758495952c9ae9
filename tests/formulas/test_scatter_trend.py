import numpy as np
import pytest
from scipy import stats

from grr.formulas.drift_rate import scatter_trend


@pytest.mark.parametrize("trials", [3, 5])
def test_steady_scatter_alarms_at_the_level(trials):
    rng = np.random.default_rng(3)
    readings = rng.normal(0, 5, (4000, 10, 1)) + rng.normal(size=(4000, 10, trials))
    _, p = scatter_trend(readings)
    assert (p < 0.05).mean() == pytest.approx(0.05, abs=0.011)


def test_growing_and_shrinking_scatter_are_found():
    rng = np.random.default_rng(4)
    noise = rng.normal(size=(500, 15, 3)) * np.array([0.3, 0.6, 2.4])
    ratio, p = scatter_trend(rng.normal(0, 5, (500, 15, 1)) + noise)
    assert (p < 0.05).mean() > 0.9
    # √(0.6² + 2.4²)/√(0.3² + 0.6²) = 3.7
    assert np.median(ratio) == pytest.approx(3.7, abs=0.4)
    back, same_p = scatter_trend(noise[..., ::-1])
    assert np.median(back) < 1 and (same_p < 0.05).mean() > 0.9


def test_nothing_scatters_or_too_little_was_measured():
    assert np.isnan(scatter_trend(np.ones((10, 3)))).all()
    assert np.isnan(scatter_trend(np.random.default_rng(1).normal(size=(10, 2)))).all()
    assert np.isnan(scatter_trend(np.random.default_rng(1).normal(size=(3, 3)))).all()


def test_p_is_that_of_pitmans_correlation_and_four_parts_are_enough():
    stack = np.random.default_rng(5).normal(size=(2, 3, 4, 3)) + np.arange(4.0)[:, None]
    ratio, p = scatter_trend(stack)
    assert ratio.shape == p.shape == (2, 3)
    for place in np.ndindex(2, 3):
        first, last = np.diff(stack[place], axis=-1).T
        assert p[place] == pytest.approx(stats.pearsonr(last + first, last - first).pvalue)
        assert ratio[place] == pytest.approx(last.std() / first.std())


@pytest.mark.parametrize("factor", [0.5, 2.0, 3.0])
def test_scatter_that_changes_by_one_factor_throughout_is_certain(factor):
    first = np.random.default_rng(6).normal(size=(300, 6))
    readings = np.cumsum(np.stack([0.0 * first, first, factor * first], axis=-1), axis=-1)
    ratio, p = scatter_trend(readings)
    assert ratio == pytest.approx(factor)
    assert p == pytest.approx(0.0, abs=1e-20)
