"""Chances of true value and reading, against independent integrators."""

import numpy as np
import pytest
from direct_integration import by_adaptive_quadrature
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grr.formulas.conformity import interval_probability, rectangle_probability

INF = np.inf


CASES = [
    # true limits, reading limits, k
    ((2.0, INF), (-2.0, 2.0), 0.1),
    ((2.0, INF), (-1.7, 1.7), 0.1),
    ((2.0, INF), (-INF, 2.0), 0.3),
    ((-INF, -4.0), (-3.6, 3.6), 0.1),  # about 1e-9
    ((5.5, INF), (-5.0, 5.0), 0.1),  # under 1e-12
    ((-3.0, 3.0), (4.5, INF), 0.5),
    ((-1.0, 1.0), (-0.2, 0.3), 3.0),
    ((-0.001, 0.002), (-0.3, 0.3), 0.002),
    ((1.0, INF), (-INF, 0.99), 0.001),
    ((6.0, INF), (-6.0, 6.0), 5.0),
]


@pytest.mark.parametrize(("true", "reading", "k"), CASES)
def test_equals_adaptive_quadrature(true, reading, k):
    ours = float(rectangle_probability(true, reading, mean=0.0, sd=1.0, error_sd=k))
    assert ours == pytest.approx(by_adaptive_quadrature(true, reading, k), rel=1e-9)


def test_small_risks_are_really_small():
    chances = [float(rectangle_probability(t, r, mean=0, sd=1, error_sd=k)) for t, r, k in CASES]
    assert min(chances) < 1e-10


def test_a_value_computed_with_40_digits():
    # mpmath 1.4 with 40 digits, Gauss-Legendre in 160 pieces: 1.36404325334012e-51.
    ours = rectangle_probability(
        (15.020285997228731, INF),
        (-INF, 15.117747031183471),
        mean=0.0,
        sd=1.0,
        error_sd=2.782813642291478,
    )
    assert float(ours) == pytest.approx(1.36404325334012e-51, rel=1e-11)


def test_equals_the_bivariate_normal_distribution_function():
    k = 0.4
    covariance = [[1.0, 1.0], [1.0, 1.0 + k * k]]
    pair = stats.multivariate_normal(mean=[0.0, 0.0], cov=covariance)
    for upper, read in ((0.5, 0.2), (-1.0, 1.3), (2.0, -0.4)):
        ours = rectangle_probability((-INF, upper), (-INF, read), mean=0.0, sd=1.0, error_sd=k)
        assert float(ours) == pytest.approx(float(pair.cdf([upper, read])), abs=1e-7)


@given(
    limits=st.lists(st.floats(-4, 4), min_size=4, max_size=4),
    log_k=st.floats(-2.5, 1.5),
)
@settings(deadline=None, max_examples=60)
def test_nine_rectangles_make_the_whole(limits, log_k):
    k = 10.0**log_k
    true, reading = sorted(limits[:2]), sorted(limits[2:])
    edges = ([-INF, *true, INF], [-INF, *reading, INF])
    total = sum(
        float(
            rectangle_probability(
                (edges[0][i], edges[0][i + 1]),
                (edges[1][j], edges[1][j + 1]),
                mean=0.0,
                sd=1.0,
                error_sd=k,
            )
        )
        for i in range(3)
        for j in range(3)
    )
    assert total == pytest.approx(1.0, rel=1e-11)


def test_a_stack_gives_what_each_problem_gives():
    k = np.array([0.02, 0.3, 4.0])[:, None]
    upper = np.array([0.5, 2.0, 6.0, 9.0])
    stack = rectangle_probability((upper, INF), (-INF, upper), mean=0.1, sd=1.3, error_sd=k)
    assert stack.shape == (3, 4)
    for i in range(3):
        for j in range(4):
            alone = rectangle_probability(
                (upper[j], INF), (-INF, upper[j]), mean=0.1, sd=1.3, error_sd=k[i, 0]
            )
            assert float(alone) == pytest.approx(stack[i, j], rel=1e-11)


def test_reversed_limits_have_no_probability():
    assert float(rectangle_probability((1, 0), (-1, 1), mean=0, sd=1, error_sd=1)) == 0.0
    assert float(rectangle_probability((0, 1), (1, -1), mean=0, sd=1, error_sd=1)) == 0.0
    assert float(interval_probability(1.0, 0.0)) == 0.0


def test_interval_probability_in_the_far_tail():
    assert float(interval_probability(9.0, 10.0)) == pytest.approx(
        stats.norm.sf(9.0) - stats.norm.sf(10.0), rel=1e-12
    )
