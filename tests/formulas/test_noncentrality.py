import numpy as np
import pytest
from scipy import stats

from grr.formulas.pivots import noncentrality_draws


@pytest.mark.parametrize("df", [1, 2, 5])
@pytest.mark.parametrize("observed", [0.0, 0.02, 1.5, 6.0, 40.0, 900.0])
def test_share_of_draws_is_the_noncentral_distribution(df, observed):
    draws = noncentrality_draws(np.array(observed), df, 40_000, np.random.default_rng(df))
    for noncentrality in (0.0, 0.5, 5.0, 30.0, 850.0, 950.0):
        share = (draws <= noncentrality).mean()
        exact = (
            stats.ncx2.sf(observed, df, noncentrality)
            if noncentrality
            else stats.chi2.sf(observed, df)
        )
        assert share == pytest.approx(exact, abs=4 * 0.5 / np.sqrt(40_000))


def test_every_draw_solves_its_equation():
    rng = np.random.default_rng(3)
    observed = rng.uniform(0.0, 12.0, 2_000)
    draws = noncentrality_draws(observed, 1, 2_000, np.random.default_rng(8))
    uniform = np.random.default_rng(8).uniform(size=2_000)
    positive = draws > 0.0
    s, delta = np.sqrt(observed), np.sqrt(np.maximum(draws, 0.0))
    again = stats.norm.cdf(s - delta) - stats.norm.cdf(-s - delta)
    np.testing.assert_allclose(again[positive], uniform[positive], atol=1e-9)
    assert (uniform[~positive] >= stats.chi2.cdf(observed[~positive], 1) - 1e-12).all()


def test_where_nothing_fits_the_draw_is_what_is_left_after_chance():
    observed = np.full(40_000, 0.1)
    draws = noncentrality_draws(observed, 3, 40_000, np.random.default_rng(5))
    below = np.sort(draws[draws <= 0.0])
    for quantile in (0.1, 0.5, 0.9):
        value = np.quantile(below, quantile)
        expected = stats.chi2.sf(0.1 - value, 3) / stats.chi2.sf(0.1, 3)
        assert quantile == pytest.approx(expected, abs=0.01)


def test_a_stack_gives_what_each_row_gives():
    observed = np.array([[0.3], [20.0]])
    stacked = noncentrality_draws(observed, 2, 500, np.random.default_rng(1))
    assert stacked.shape == (2, 500)
    for row, value in zip(stacked, observed, strict=True):
        alone = noncentrality_draws(value, 2, 500, np.random.default_rng(1))
        np.testing.assert_allclose(row, alone, atol=1e-7)
