"""Six tests of scatter: their numbers by hand, their false alarms, what they see and name."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from grr.formulas.scatter_tests import (
    FINDS,
    SCATTER_LEVEL,
    compared,
    in_order,
    most_outliers,
    neighbours_alike,
    normal_studies,
    outliers,
    part_shares,
    residuals,
    scatter_sd,
    share_back_to_back,
    six_numbers,
    size_number,
)

SHAPE = (10, 3, 3)


def an_order(shape, rng):
    p, o, r = shape
    order = np.empty(shape)
    for j in range(o):
        for k in range(r):
            order[rng.permutation(p), j, k] = (j * r + k) * p + np.arange(p)
    return order


def test_the_six_numbers_by_hand():
    rng = np.random.default_rng(1)
    y = rng.normal(size=SHAPE)
    order = an_order(SHAPE, rng)
    e = residuals(y)
    found = six_numbers(e, in_order(order))
    flat = e.ravel()
    # scipy's kurtosis is about the mean, which residuals have at 0.
    assert found[0] == pytest.approx(stats.kurtosis(flat, fisher=False))
    squares = np.square(e)
    for place, axes in ((1, (0, 2)), (2, (1, 2))):
        of_each = squares.sum(axis=axes)
        assert found[place] == pytest.approx(((of_each / of_each.mean() - 1.0) ** 2).sum())
    along = 0.0
    for j in range(3):
        taken = e[:, j].ravel()[np.argsort(order[:, j].ravel())]
        along += sum(taken[t] * taken[t + 1] for t in range(len(taken) - 1))
        along += sum(0.6 * taken[t] * taken[t + 2] for t in range(len(taken) - 2))
    assert found[4] == pytest.approx(along / squares.sum())
    rounds = sum(e[:, j, k].mean() ** 2 for j in range(3) for k in range(3))
    assert found[5] == pytest.approx(rounds / squares.sum())
    x, ss = y.mean(axis=(1, 2)), squares.sum(axis=(1, 2))
    number = abs(((x - x.mean()) * ss).sum()) / (x.std() * ss.sum())
    assert size_number(part_shares(e), x) == pytest.approx(number)


@pytest.mark.parametrize("shape", [(10, 3, 3), (5, 3, 3), (10, 2, 2), (10, 1, 3)])
def test_false_alarms_of_all_six_together(shape):
    rng = np.random.default_rng(2)
    normal = normal_studies(shape, in_order(an_order(shape, rng)))
    y = rng.standard_normal((3000, *shape)) + 5.0 * rng.standard_normal((3000, shape[0], 1, 1))
    fires = (compared(y, normal).p.min(axis=-1) < SCATTER_LEVEL).mean()
    # 3000 studies: standard error 0.3 points; that of the simulated threshold is as large.
    assert 0.6 * SCATTER_LEVEL < fires < 1.45 * SCATTER_LEVEL


@pytest.mark.parametrize("digit", [1.0, 2.0, 2.5])
def test_false_alarms_with_a_coarse_digit_and_parts_closer_than_it(digit):
    rng = np.random.default_rng(3)
    shape = (10, 3, 3)
    normal = normal_studies(shape, digit=digit)
    position = digit * rng.uniform(size=(2000, 10, 1, 1))
    y = rng.standard_normal((2000, *shape)) + 0.7 * rng.standard_normal((2000, 10, 1, 1)) + position
    fires = (compared(digit * np.round(y / digit), normal).p.min(axis=-1) < SCATTER_LEVEL).mean()
    assert fires < 1.6 * SCATTER_LEVEL


def test_each_kind_of_scatter_is_seen_and_named():
    rng = np.random.default_rng(4)
    order = in_order(an_order(SHAPE, rng))
    normal = normal_studies(SHAPE, order)
    studies = 400
    z = rng.standard_normal((studies, *SHAPE))
    x = np.sort(rng.uniform(size=(studies, 10)), axis=1)[..., None, None]
    flat = z.reshape(studies, -1)[:, order]
    for t in range(1, 30):
        flat[..., t] = 0.8 * flat[..., t - 1] + 0.6 * flat[..., t]
    alike = np.empty((studies, 90))
    alike[:, order] = flat
    planted = {
        "outliers": np.where(rng.random(z.shape) < 0.03, 5.0 * z, z),
        "operator_scatter": z * np.array([1.0, 1.0, 4.0])[:, None],
        "part": z * np.where(np.arange(10) == 4, 5.0, 1.0)[:, None, None],
        "size": z * np.exp(np.log(3.0) * x),
        "autocorrelation": alike.reshape(z.shape),
        "place": z + 1.5 * rng.standard_normal((studies, 1, 3, 3)),
    }
    least = {"outliers": 0.4, "size": 0.45}
    for name, y in planted.items():
        look = compared(y + 30.0 * x, normal)
        fired = look.p.min(axis=-1) < SCATTER_LEVEL
        assert fired.mean() > least.get(name, 0.9), name
        assert (look.named[fired] == FINDS.index(name)).mean() > 0.6, name


def test_without_an_order_neighbours_and_rounds_are_not_compared():
    rng = np.random.default_rng(5)
    normal = normal_studies(SHAPE)
    assert normal.tested == ("outliers", "operator_scatter", "part", "size")
    look = compared(rng.standard_normal(SHAPE) + 3.0 * rng.standard_normal((1, 3, 3)), normal)
    assert (look.p[4:] == 1.0).all()
    assert in_order(np.full(SHAPE, np.nan)) is None
    assert in_order(np.zeros(SHAPE)) is None


def test_readings_that_do_not_differ_alarm_nobody():
    look = compared(np.zeros(SHAPE), normal_studies(SHAPE))
    assert (look.p > SCATTER_LEVEL).all()


def test_outliers_are_counted_and_bounded():
    rng = np.random.default_rng(6)
    y = rng.standard_normal(SHAPE)
    clean = [len(outliers(rng.standard_normal(SHAPE))) > 0 for _ in range(400)]
    assert np.mean(clean) < 0.08
    y[2, 1, 0] += 12.0
    y[7, 0, 2] -= 15.0
    assert outliers(y)[:2] == [7 * 9 + 2, 2 * 9 + 3]
    assert most_outliers(0, 90) == pytest.approx(1.0 - 0.05 ** (1 / 90))
    for found, readings in ((1, 90), (3, 60)):
        exact = stats.binomtest(found, readings).proportion_ci(0.90, method="exact")
        assert most_outliers(found, readings) == pytest.approx(exact.high)


def test_trials_back_to_back_are_seen():
    rng = np.random.default_rng(7)
    at_once = in_order(np.arange(90.0).reshape(SHAPE))
    apart = in_order(an_order(SHAPE, rng))
    assert share_back_to_back(at_once, SHAPE) == 1.0
    assert share_back_to_back(apart, SHAPE) < 0.1


def test_neighbours_alike_and_the_scatter_without_its_rounding():
    rng = np.random.default_rng(8)
    order = in_order(an_order((40, 3, 3), rng))
    z = rng.standard_normal((3, 120))
    for t in range(1, 120):
        z[:, t] = 0.8 * z[:, t - 1] + 0.6 * z[:, t]
    y = np.empty(360)
    y[order] = z
    y = y.reshape(40, 3, 3)
    assert neighbours_alike(y, order) == pytest.approx(0.8, abs=0.12)
    assert neighbours_alike(rng.standard_normal(y.shape), order) == pytest.approx(0.05, abs=0.12)
    fine = rng.standard_normal((200, 3, 3)) + rng.uniform(0.0, 30.0, (200, 1, 1))
    assert scatter_sd(1.5 * np.round(fine / 1.5), 1.5) == pytest.approx(1.0, abs=0.08)
    assert scatter_sd(np.zeros((5, 3, 3)), 0.7) == pytest.approx(0.2)
