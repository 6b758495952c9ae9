"""The best of many shapes beside a line: F and place against statsmodels, p against counting."""

import numpy as np
import pytest
import statsmodels.api as sm

from grr.formulas.change_points import best_shape
from grr.formulas.drift_rate import blocks

TIMES = np.arange(12.0)
GROUPS = np.tile(np.arange(3), 4)


def least_squares_f(readings, shape, weights):
    columns = np.column_stack([np.eye(3)[GROUPS], TIMES, shape])
    return sm.WLS(readings, columns, weights=weights**2).fit().tvalues[-1] ** 2


@pytest.mark.parametrize("heavy", [1.0, 3.0])
def test_f_is_the_largest_of_the_regressions(heavy):
    rng = np.random.default_rng(2)
    family, stack = rng.normal(size=(5, 12)), rng.normal(size=(2, 3, 12))
    weights = np.where(GROUPS == 0, heavy, 1.0)
    found = best_shape(TIMES, stack, blocks(GROUPS), family, weights=weights, simulations=200)
    for place in np.ndindex(2, 3):
        each = [least_squares_f(stack[place], shape, weights) for shape in family]
        assert found.index[place] == np.argmax(each)
        assert found.f[place] == pytest.approx(max(each), rel=1e-9)


def test_p_is_the_share_of_series_by_chance_with_the_study_itself_counted():
    family = (np.arange(12) >= np.array([[4], [6], [8]])).astype(float)
    means = blocks(GROUPS)
    sure = best_shape(TIMES, 1e6 * family[1] + np.sin(TIMES), means, family, simulations=199)
    assert sure.p == 1 / 200
    still = best_shape(TIMES, np.zeros(12), means, family, simulations=199)
    assert (still.f, still.p) == (0.0, 1.0)
    # Of other series without any shape, p falls below any share about that often.
    p = best_shape(TIMES, np.random.default_rng(7).normal(size=(2000, 12)), means, family).p
    assert (p < 0.2).mean() == pytest.approx(0.2, abs=0.04)


def test_the_same_seed_gives_the_same_p():
    family = np.random.default_rng(1).normal(size=(4, 12))
    readings = np.random.default_rng(3).normal(size=12)
    first, again = (best_shape(TIMES, readings, blocks(GROUPS), family) for _ in range(2))
    assert first.p == again.p


def test_shapes_that_the_line_and_the_means_hold_already_are_never_chosen():
    wave = np.sin(TIMES)
    family = np.stack([np.ones(12), 2.0 * TIMES + 1.0, np.eye(3)[GROUPS][:, 1], 1e-3 * wave])
    found = best_shape(TIMES, wave + 0.1 * np.cos(3 * TIMES), blocks(GROUPS), family)
    assert found.index == 3
    assert found.f == pytest.approx(
        least_squares_f(wave + 0.1 * np.cos(3 * TIMES), wave, np.ones(12)), rel=1e-6
    )


def test_where_nothing_is_left_to_judge_by_there_is_no_shape():
    # Twelve readings in nine groups: one degree of freedom once line and shape are taken off.
    nine = np.r_[np.arange(9), np.arange(3)]
    family = np.random.default_rng(4).normal(size=(3, 12))
    stack = np.random.default_rng(5).normal(size=(2, 4, 12))
    assert (best_shape(TIMES, stack, blocks(nine), family).f > 0.0).all()
    ten = np.r_[np.arange(10), np.arange(2)]
    for means, shapes in ((blocks(ten), family), (blocks(GROUPS), np.zeros((3, 12)))):
        found = best_shape(TIMES, stack, means, shapes)
        assert found.index.shape == found.f.shape == found.p.shape == (2, 4)
        assert (found.index == 0).all() and (found.f == 0.0).all() and (found.p == 1.0).all()
        assert found.index.dtype.kind == "i"
