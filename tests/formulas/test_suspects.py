"""Planted mistakes are found; ordinary scatter is not suspected."""

from __future__ import annotations

import numpy as np
import pytest

from grr.formulas import data_checks as suspects

STEP = 1e-4


def clean(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    cube = (
        10.009
        + 0.0015 * rng.normal(size=(10, 1, 1))
        + 0.0001 * rng.normal(size=(1, 3, 1))
        + 0.0002 * rng.normal(size=(10, 3, 3))
    )
    order = np.argsort(np.argsort(rng.random((10, 3, 3)), axis=0), axis=0).astype(float)
    return np.round(cube / STEP) * STEP, order


def test_ordinary_scatter_is_not_suspected() -> None:
    alarms = np.zeros(4)
    for seed in range(300):
        cube, order = clean(seed)
        alarms += [
            bool(suspects.factor_slips(cube, STEP)),
            bool(suspects.swapped_parts(cube, STEP)),
            bool(suspects.copied_trials(cube)),
            bool(suspects.shifted_sequences(cube, order, STEP)),
        ]
    assert (alarms <= 1).all(), alarms


@pytest.mark.parametrize("factor", suspects.FACTORS)
def test_a_factor_is_found(factor: float) -> None:
    cube, _ = clean(1)
    cube[3, 1, 2] *= factor
    assert suspects.factor_slips(cube, STEP) == [suspects.FactorSlip(3, 1, 2, factor)]


def test_swapped_parts_are_found() -> None:
    cube, _ = clean(2)
    means = cube.mean(axis=(1, 2))
    a, b = sorted((int(means.argmin()), int(means.argmax())))
    cube[[a, b], 1] = cube[[b, a], 1]
    assert suspects.swapped_parts(cube, STEP) == [suspects.Swap(1, (a, b), (0, 1, 2))]


def test_a_copied_trial_is_found_but_not_where_all_repeats_agree() -> None:
    cube, _ = clean(3)
    cube[:, 2, 1] = cube[:, 2, 0]
    assert suspects.copied_trials(cube) == [suspects.Copy((2, 0), (2, 1))]
    alike = np.repeat(np.round(cube[:, :, :1], 3), 3, axis=2)
    assert suspects.copied_trials(alike) == []


def test_a_trial_copied_from_another_operator_is_found() -> None:
    cube, _ = clean(3)
    cube[:, 2, 1] = cube[:, 0, 2]
    assert suspects.copied_trials(cube) == [suspects.Copy((0, 2), (2, 1))]
    cube[4, 2, 1] = np.nan  # one was left out in copying
    assert suspects.copied_trials(cube) == [suspects.Copy((0, 2), (2, 1))]


def test_operators_whose_readings_all_agree_have_copied_nothing() -> None:
    sizes = np.round(10.0 + 0.01 * np.arange(20), 2)
    cube = np.broadcast_to(sizes[:, None, None], (20, 3, 1)).copy()
    assert suspects.copied_trials(cube) == []


def test_parts_that_differ_little_are_found_exchanged_in_every_trial() -> None:
    found = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        sizes = 10.009 + 0.0015 * rng.normal(size=(10, 1, 1))
        sizes[1] = sizes[0] + 0.0013  # 6.5 times the scatter of one reading
        cube = sizes + 0.0002 * rng.normal(size=(10, 3, 3))
        cube[[0, 1], 1] = cube[[1, 0], 1]
        swaps = suspects.swapped_parts(np.round(cube, 4), STEP)
        found += swaps == [suspects.Swap(1, (0, 1), (0, 1, 2))]
    assert found >= 15


@pytest.mark.parametrize("step", [1, -1])
def test_a_shifted_sequence_is_found(step: int) -> None:
    cube, order = clean(4)
    sequence = np.argsort(order[:, 0, 1])
    taken = cube[sequence, 0, 1].copy()
    if step == 1:
        cube[sequence[3:9], 0, 1] = taken[4:10]
    else:
        cube[sequence[4:10], 0, 1] = taken[3:9]
    (shift,) = suspects.shifted_sequences(cube, order, STEP)
    assert (shift.operator, shift.trial, shift.step) == (0, 1, step)
    assert shift.start == pytest.approx(3 if step == 1 else 4, abs=1)


def test_missing_readings_are_no_suspects() -> None:
    cube, order = clean(5)
    cube[2] = np.nan
    cube[5, 1, 0] = np.nan
    assert suspects.factor_slips(cube, STEP) == []
    assert suspects.swapped_parts(cube, STEP) == []
    assert suspects.shifted_sequences(cube, order, STEP) == []


def test_an_operator_who_scatters_has_exchanged_nothing() -> None:
    alarms = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        cube = 10.009 + 0.0015 * rng.normal(size=(10, 1, 1)) + 0.0001 * rng.normal(size=(10, 3, 3))
        cube[:, 2] += 0.0006 * rng.normal(size=(10, 3))
        alarms += bool(suspects.swapped_parts(np.round(cube, 4), STEP))
    assert alarms <= 2


def test_noise_is_not_under_the_rounding_error() -> None:
    still = np.full((4, 2, 2), 10.0)
    assert suspects.noise(still) == 0.0
    assert suspects.noise(still, 0.12) == pytest.approx(0.12 / 12**0.5)
    # Half of the readings lie 1 from their part's median: 1.4826.
    assert suspects.noise(still + np.array([-1.0, 1.0]), 0.12) == pytest.approx(1.4826)
