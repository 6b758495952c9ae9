from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import two_sided_limits
from grr.formulas.method_comparison import covariance_diagonal_pivot, grr_variance_draws
from grr.formulas.pivots import crossed_pivots
from grr.model.errors import StudyError


def studies(count, *, ev, interaction, offsets=None, operator_sd=0.0, seed=1, shape=(10, 3, 3)):
    """Readings by two methods (last axis but one); interactions and operators are shared."""
    rng = np.random.default_rng(seed)
    p, o, r = shape
    alpha = (
        rng.normal(0, operator_sd, (count, 1, o, 1, 1))
        if offsets is None
        else np.asarray(offsets)[:, None, None]
    )
    common = rng.normal(0, 3, (count, p, 1, 1, 1)) + alpha
    common = common + rng.normal(0, interaction, (count, p, o, 1, 1))
    scatter = rng.normal(0, 1, (count, p, o, 2, r)) * np.asarray(ev)[:, None]
    return common + scatter


def drawn(readings, **options):
    *_, p, o, _, r = readings.shape
    cells = readings.mean(axis=-1)
    within = np.square(readings - cells[..., None]).sum(axis=(-4, -3, -1))
    df = p * o * (r - 1)
    return grr_variance_draws(cells, within, (r, r), (df, df), **options)


@pytest.mark.parametrize(
    "operators, case",
    [
        ("fixed", {"ev": (1, 2), "interaction": 0.5, "offsets": (-1.0, 0.3, 0.7)}),
        ("fixed", {"ev": (0.3, 0.5), "interaction": 0.1, "offsets": (-1.0, 0.3, 0.7)}),
        ("fixed", {"ev": (1, 1), "interaction": 1.0, "offsets": (0.0, 0.0, 0.0)}),
        ("random", {"ev": (1, 2), "interaction": 0.5, "operator_sd": 1.0}),
    ],
)
def test_intervals_of_the_ratio_hold_the_truth(operators, case):
    readings = studies(400, **case)
    draws = drawn(readings, operators=operators, draws=1000)
    low, high = two_sided_limits(np.sqrt(draws[:, 1] / draws[:, 0]), 0.95)
    common = case["interaction"] ** 2 + (
        np.var(case["offsets"]) if operators == "fixed" else case["operator_sd"] ** 2
    )
    ratio = np.sqrt((case["ev"][1] ** 2 + common) / (case["ev"][0] ** 2 + common))
    # 400 studies: standard error 1.1 %; the pivot is known to be on the wide side.
    assert ((low <= ratio) & (ratio <= high)).mean() > 0.925


@pytest.mark.parametrize("operators", ["fixed", "random"])
def test_each_method_alone_has_nearly_the_limits_of_its_own_study(operators):
    readings = studies(
        1, ev=(1, 2), interaction=0.7, offsets=(-1, 0, 1, 0.5, -0.5), shape=(10, 5, 3)
    )[0]
    together = drawn(readings, operators=operators, draws=100_000)
    for method in (0, 1):
        alone = crossed_pivots(crossed_anova(readings[:, :, method]), operators=operators).grr
        for level in (0.5, 0.9):
            expected = np.array(two_sided_limits(alone, level))
            # Half of the draws have one degree of freedom less behind them.
            tolerance = 0.05 if operators == "fixed" else 0.25
            assert np.array(two_sided_limits(together[method], level)) == pytest.approx(
                expected, rel=tolerance
            )


def test_drawing_together_makes_the_ratio_surer():
    readings = studies(1, ev=(0.3, 0.3), interaction=1.0, offsets=(0, 0, 0), seed=4)[0]
    together = drawn(readings, draws=20_000)
    low, high = two_sided_limits(np.sqrt(together[1] / together[0]), 0.95)
    shuffled = np.random.default_rng(0).permutation(together[1])
    apart = two_sided_limits(np.sqrt(shuffled / together[0]), 0.95)
    assert high / low < 0.7 * apart.upper / apart.lower


def test_the_matrix_pivot_has_the_right_middle():
    products = np.array([[40.0, 18.0], [18.0, 90.0]])
    draws = covariance_diagonal_pivot(products, 20, 100_000, np.random.default_rng(2))
    # Each variance is near S/χ²(20), whose mean is S/18.
    assert draws.mean(axis=-1) == pytest.approx([40 / 18, 90 / 18], rel=0.06)


def test_methods_exchanged_give_the_inverse():
    readings = studies(1, ev=(1, 2), interaction=0.5, offsets=(-1, 0, 1))[0]
    one = drawn(readings, draws=100_000)
    other = drawn(readings[:, :, ::-1], draws=100_000)
    forth = np.array(two_sided_limits(np.sqrt(one[1] / one[0]), 0.95))
    back = np.array(two_sided_limits(np.sqrt(other[0] / other[1]), 0.95))
    assert back == pytest.approx(forth, rel=0.02)


@pytest.mark.parametrize("shape, operators", [((2, 3), "fixed"), ((5, 2), "random")])
def test_too_little_is_refused(shape, operators):
    with pytest.raises(StudyError, match="three parts"):
        grr_variance_draws(np.zeros((*shape, 2)), np.zeros(2), (2, 2), (9, 9), operators=operators)


def test_the_committed_simulation_covers():
    script = Path(__file__).parents[1] / "coverage" / "method_ratio.csv"
    assert pd.read_csv(script)["coverage"].between(0.94, 1.0).all()


def test_draws_of_two_variances_follow_the_unit():
    products = np.array([[4.0, 1.0], [1.0, 2.0]])
    plain, small = (
        covariance_diagonal_pivot(size * products, 8, 100, np.random.default_rng(3))
        for size in (1.0, 1e-8)
    )
    np.testing.assert_allclose(small, 1e-8 * plain, rtol=1e-9)
