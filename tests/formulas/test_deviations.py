"""Readings from their part's mean, ranges, and the bands of repeatability."""

from __future__ import annotations

import numpy as np
import pytest

from grr.formulas.operator_comparison import (
    cell_means,
    from_part_mean,
    repeatability_bands,
    trial_ranges,
)


@pytest.fixture
def cube() -> np.ndarray:
    values = np.random.default_rng(5).normal(10.0, 1.0, (5, 3, 4))
    values[0, 0, 1:] = np.nan
    values[2, 1, :] = np.nan
    values[3, 2, 3] = np.nan
    return values


def test_part_mean_weighs_every_operator_alike(cube: np.ndarray) -> None:
    found = from_part_mean(cube)
    for part in range(5):
        means = [np.nanmean(cell) for cell in cube[part] if np.isfinite(cell).any()]
        expected = cube[part] - np.mean(means)
        assert found[part] == pytest.approx(expected, abs=1e-12, nan_ok=True)


def test_cell_means_are_missing_where_nothing_was_read(cube: np.ndarray) -> None:
    found = cell_means(cube)
    assert np.isnan(found[2, 1])
    assert found[0, 0] == cube[0, 0, 0]
    assert found[4, 2] == pytest.approx(cube[4, 2].mean(), rel=1e-14)


def test_deviations_are_exact_at_a_large_offset() -> None:
    steps = np.random.default_rng(1).integers(-50, 50, (4, 3, 2)) * 2.0**-20
    assert from_part_mean(1e6 + steps) == pytest.approx(from_part_mean(steps), abs=1e-15)


def test_only_full_cells_have_a_range(cube: np.ndarray) -> None:
    found = trial_ranges(cube)
    assert found is not None
    assert np.isnan(found.ranges[[0, 2, 3], [0, 1, 2]]).all()
    assert np.isfinite(found.ranges).sum() == 12
    assert found.ranges[1, 1] == np.ptp(cube[1, 1])
    assert found.mean == pytest.approx(np.nanmean(found.ranges))
    # D4 for four values: ASTM E2587 and AIAG MSA, 4th ed. print 2.282.
    assert found.factor == pytest.approx(2.282, abs=5e-4)
    assert found.limit == pytest.approx(found.factor * found.mean)


def test_single_readings_have_no_range() -> None:
    assert trial_ranges(np.ones((4, 3, 1))) is None


@pytest.mark.parametrize(("operators", "trials"), [(3, 3), (2, 2), (1, 3), (10, 2)])
def test_bands_hold_three_standard_deviations(operators: int, trials: int) -> None:
    draws = np.random.default_rng(7).normal(0.0, 2.0, (60_000, operators, trials))
    near = draws - draws.mean(axis=(1, 2), keepdims=True)
    reading, mean = repeatability_bands(2.0, operators, trials)
    assert reading == pytest.approx(3.0 * near.std(), rel=0.01)
    assert mean == pytest.approx(3.0 * near.mean(axis=2).std(), rel=0.01, abs=1e-9)


def test_a_part_with_a_single_reading_deviates_by_nothing() -> None:
    readings = np.full((2, 2, 2), np.nan)
    readings[0, 1, 0] = 10.5
    readings[1] = [[1.0, 3.0], [5.0, 7.0]]
    found = from_part_mean(readings)
    assert found[0, 1, 0] == 0.0
    assert found[1].tolist() == [[-3.0, -1.0], [1.0, 3.0]]


def test_two_trials_have_a_range() -> None:
    found = trial_ranges(np.array([[[1.0, 4.0]], [[2.0, 3.0]]]))
    assert found is not None
    assert found.ranges.tolist() == [[3.0], [1.0]]
    # D4 for two values: ASTM E2587 and AIAG MSA, 4th ed. print 3.267.
    assert found.limit == pytest.approx(3.267 * 2.0, abs=2e-3)
