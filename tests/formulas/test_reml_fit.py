"""The likelihood and its derivatives against full matrices, reading by reading."""

import numpy as np
import pytest

from grr.formulas.mixed_model import cell_by_cell
from grr.formulas.reml_fit import (
    checked_codes,
    crossed_sources,
    cube_of_codes,
    deviance,
    grid_of_cube,
    projection,
    rank_within,
)


def study(seed):
    rng = np.random.default_rng(seed)
    part, operator = rng.integers(0, 6, 40), rng.integers(0, 3, 40)
    readings = (
        5
        + rng.normal(0, 2, 6)[part]
        + rng.normal(0, 1, 3)[operator]
        + rng.normal(0, 0.5, 18)[3 * part + operator]
        + rng.normal(0, 1, 40)
    )
    grid = grid_of_cube(cube_of_codes(readings[None], part, operator))
    return grid, (readings - grid.origin) / grid.scale, part, operator


@pytest.mark.parametrize("operators_fixed", [False, True])
@pytest.mark.parametrize(
    "variances", [(2.0, 0.5, 0.3, 0.7), (1.0, 0.0, 0.2, 0.4), (0.0, 0.3, 0.0, 1.0)]
)
def test_value_and_derivatives(variances, operators_fixed):
    grid, y, part, operator = study(1)
    variances = np.array(variances)
    codes = (part, operator, 3 * part + operator, np.arange(40))
    each = [(code[:, None] == code).astype(float) for code in codes]
    if operators_fixed:
        variances[1] = 0.0
    x = np.eye(3)[operator] if operators_fixed else np.ones((40, 1))
    v = sum(a * b for a, b in zip(variances, each, strict=True))
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.solve(information, x.T @ inverse)

    sources = crossed_sources(3, part=True, interaction=True, operators_fixed=operators_fixed)
    found = deviance(grid, sources, variances[None])
    value = (
        np.linalg.slogdet(v)[1]
        + np.linalg.slogdet(information)[1]
        + y @ p @ y
        + (40 - x.shape[1]) * np.log(2 * np.pi)
    )
    assert found.value[0] == pytest.approx(value, rel=1e-12)
    # With fixed operators their variance does not exist.
    terms = [0, 2, 3] if operators_fixed else [0, 1, 2, 3]
    for j in terms:
        slope = np.trace(p @ each[j]) - y @ p @ each[j] @ p @ y
        assert found.gradient[0, j] == pytest.approx(slope, rel=1e-9, abs=1e-9)
        for k in terms:
            expected = np.trace(p @ each[j] @ p @ each[k])
            assert found.expected[0, j, k] == pytest.approx(expected, rel=1e-9, abs=1e-9)

    at = projection(grid, sources, variances[None])
    effects = np.linalg.solve(information, x.T @ inverse @ y)
    assert at.effects[0] == pytest.approx(effects, rel=1e-9, abs=1e-12)
    assert at.covariance[0] == pytest.approx(np.linalg.inv(information), rel=1e-9)


@pytest.mark.parametrize("with_fixed", [False, True])
def test_value_and_derivatives_with_further_sources(with_fixed):
    rng = np.random.default_rng(3)
    part, operator, session, place = rng.integers(0, [[5], [3], [4], [2]], (4, 60))
    y = rng.normal(0, 1, 60) + part + 0.5 * session
    named = [part, operator, session, 2 * part + place, 3 * part + operator]
    if with_fixed:
        del named[1]
    values, codes = checked_codes(y, *named, operator)
    column = rank_within(codes[0], 12 * operator + 3 * session + place)
    sources = cell_by_cell(codes[:-1], column, codes[-1:] if with_fixed else [])
    grid = grid_of_cube(cube_of_codes(values[None], codes[0], column))
    y = (y - grid.origin) / grid.scale
    variances = np.array([2.0, 0.5, 0.3, 0.8, 0.4][: len(named)])
    each = [(code[:, None] == code).astype(float) for code in named] + [np.eye(60)]
    x = np.eye(3)[operator] if with_fixed else np.ones((60, 1))
    v = np.tensordot([*variances, 0.7], each, axes=1)
    inverse = np.linalg.inv(v)
    information = x.T @ inverse @ x
    p = inverse - inverse @ x @ np.linalg.solve(information, x.T @ inverse)

    # No source of its own is in every cell.
    variances = np.array([*variances, 0.0, 0.7])
    found = deviance(grid, sources, variances[None])
    places = [*range(len(named)), -1]
    value = np.linalg.slogdet(v)[1] + np.linalg.slogdet(information)[1] + y @ p @ y
    assert found.value[0] == pytest.approx(value + (60 - x.shape[1]) * np.log(2 * np.pi))
    for j, one in zip(places, each, strict=True):
        slope = np.trace(p @ one) - y @ p @ one @ p @ y
        assert found.gradient[0, j] == pytest.approx(slope, rel=1e-9, abs=1e-9)
        for k, other in zip(places, each, strict=True):
            expected = np.trace(p @ one @ p @ other)
            assert found.expected[0, j, k] == pytest.approx(expected, rel=1e-9, abs=1e-9)

    at = projection(grid, sources, variances[None])
    effects = np.linalg.solve(information, x.T @ inverse @ y)
    assert at.effects[0] == pytest.approx(effects, rel=1e-9, abs=1e-12)
    assert at.covariance[0] == pytest.approx(np.linalg.inv(information), rel=1e-9)


def test_readings_are_summed_up_without_losing_any():
    grid, y, part, operator = study(2)
    assert grid.readings[0] == 40
    assert grid.counts[0].sum() == np.bincount(3 * part + operator, minlength=18).sum()
    assert np.square(y).mean() == pytest.approx(1.0)
    mean = np.bincount(3 * part + operator, y, 18) / np.maximum(grid.counts[0].ravel(), 1)
    assert grid.means[0].ravel() == pytest.approx(mean, abs=1e-12)
    within = np.square(y - mean[3 * part + operator]).sum()
    assert grid.within[0] == pytest.approx(within, rel=1e-12)
