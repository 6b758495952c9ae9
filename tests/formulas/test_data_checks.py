"""Checks of the readings themselves: plausible, in the right place, digits enough."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.formulas import data_checks
from grr.model.values import finer_than

# Planted mistakes are found; ordinary scatter is not suspected.
# --------------------------------------------------------------

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
            bool(data_checks.factor_slips(cube, STEP)),
            bool(data_checks.swapped_parts(cube, STEP)),
            bool(data_checks.copied_trials(cube)),
            bool(data_checks.shifted_sequences(cube, order, STEP)),
        ]
    assert (alarms <= 1).all(), alarms


@pytest.mark.parametrize("factor", data_checks.FACTORS)
def test_a_factor_is_found(factor: float) -> None:
    cube, _ = clean(1)
    cube[3, 1, 2] *= factor
    assert data_checks.factor_slips(cube, STEP) == [data_checks.Slip(3, 1, 2, factor)]


def test_near_zero_a_reading_is_no_slip_unless_it_is_far_out() -> None:
    cube = np.round(np.random.default_rng(1).normal(size=(10, 3, 3)), 2)  # deviations from 0
    scale = data_checks.noise(cube, 0.01)
    cube[3, 1, 2] = 20.0 * scale  # a tenth of it would fit, as a tenth of much would
    assert data_checks.factor_slips(cube, 0.01) == []
    cube[3, 1, 2] = 40.0 * scale
    assert data_checks.factor_slips(cube, 0.01) == [data_checks.Slip(3, 1, 2, 10.0)]


#: Limits of the drawing around the readings of `clean`, and none.
DRAWN, UNDRAWN = (10.003, 10.015), (np.nan, np.nan)


@pytest.mark.parametrize("limits", [DRAWN, UNDRAWN, (np.nan, 10.015), (10.003, np.nan)])
@pytest.mark.parametrize("off", [0.9, -0.9, 0.09])
def test_readings_far_off_are_found(off: float, limits: tuple[float, float]) -> None:
    for shape in ((10, 3, 3), (10, 2, 2), (4, 2, 2), (10, 1, 2), (10, 3, 1)):
        cube = clean(1)[0][tuple(slice(n) for n in shape)].copy()
        assert not data_checks.far_readings(cube, STEP, *limits).any()
        cube[3, 0, 0] += off
        assert np.argwhere(data_checks.far_readings(cube, STEP, *limits)).tolist() == [[3, 0, 0]]


def test_several_readings_far_off_are_found_also_where_others_are_missing() -> None:
    cube = clean(1)[0][:, :2, :2].copy()
    off = [(0, 0, 0), (1, 1, 1), (2, 0, 1), (5, 1, 0), (9, 0, 0)]
    for number, where in enumerate(off):
        cube[where] += (-1) ** number * 0.9
    cube[4, 0], cube[7, 1, 1] = np.nan, np.nan
    found = data_checks.far_readings(cube, STEP, *DRAWN)
    assert [tuple(where) for where in np.argwhere(found)] == off


def test_what_is_no_single_reading_is_not_far_off() -> None:
    def none(readings: np.ndarray) -> bool:
        return not data_checks.far_readings(readings, STEP, *DRAWN).any()

    cube, _ = clean(1)
    beside = cube.copy()
    beside[3, 1, 2] += 0.012  # past the limits, and less than their width
    assert none(beside)
    one_part, swapped, unit = cube.copy(), cube.copy(), 25.4 * cube
    one_part[3] += 0.9  # of another kind, and repeated as well as the others
    assert none(one_part)
    swapped[[2, 3]] = one_part[[2, 3]]
    swapped[[2, 3], 1] = swapped[[3, 2], 1]  # each reading is that of a part
    assert none(swapped)
    assert none(unit)
    burr = cube.copy()
    burr[3] += 0.05 * np.random.default_rng(2).standard_normal((3, 3))
    assert none(burr)
    assert none(10.009 + 100.0 * (cube - 10.009))  # the whole gauge scatters


def test_few_clean_studies_have_readings_far_off() -> None:
    """Short form of ``tests/coverage/far_readings.md``: at most 1 in 1000, a part of 10 sd 5."""
    rng = np.random.default_rng(4)
    kinds = {
        "normal": rng.standard_normal,
        "tails": lambda shape: rng.standard_t(4, shape) / np.sqrt(2.0),
        "part": lambda shape: rng.standard_normal(shape) * np.where(np.arange(10) == 0, 10.0, 1.0),
    }
    for kind, errors in kinds.items():
        for share in (30.0, 80.0):
            noise = np.moveaxis(errors((1000, 2, 2, 10)), -1, 1) * share / 600.0
            readings = rng.uniform(-0.5, 0.5, (1000, 10, 1, 1)) + noise
            alarms = data_checks.far_readings(readings, 0.0, -0.5, 0.5).any(axis=(1, 2, 3)).sum()
            assert alarms <= (5 if kind == "part" else 1), (kind, share, alarms)


def test_swapped_parts_are_found() -> None:
    cube, _ = clean(2)
    means = cube.mean(axis=(1, 2))
    a, b = sorted((int(means.argmin()), int(means.argmax())))
    cube[[a, b], 1] = cube[[b, a], 1]
    assert data_checks.swapped_parts(cube, STEP) == [data_checks.Swap(1, (a, b), (0, 1, 2))]


def test_a_copied_trial_is_found_but_not_where_all_repeats_agree() -> None:
    cube, _ = clean(3)
    cube[:, 2, 1] = cube[:, 2, 0]
    assert data_checks.copied_trials(cube) == [data_checks.Copy((2, 0), (2, 1))]
    alike = np.repeat(np.round(cube[:, :, :1], 3), 3, axis=2)
    assert data_checks.copied_trials(alike) == []


def test_a_trial_copied_from_another_operator_is_found() -> None:
    cube, _ = clean(3)
    cube[:, 2, 1] = cube[:, 0, 2]
    assert data_checks.copied_trials(cube) == [data_checks.Copy((0, 2), (2, 1))]
    cube[4, 2, 1] = np.nan  # one was left out in copying
    assert data_checks.copied_trials(cube) == [data_checks.Copy((0, 2), (2, 1))]


def test_operators_whose_readings_all_agree_have_copied_nothing() -> None:
    sizes = np.round(10.0 + 0.01 * np.arange(20), 2)
    cube = np.broadcast_to(sizes[:, None, None], (20, 3, 1)).copy()
    assert data_checks.copied_trials(cube) == []


def test_parts_that_differ_little_are_found_exchanged_in_every_trial() -> None:
    found = 0
    for seed in range(30):
        rng = np.random.default_rng(seed)
        sizes = 10.009 + 0.0015 * rng.normal(size=(10, 1, 1))
        sizes[1] = sizes[0] + 0.0013  # 6.5 times the scatter of one reading
        cube = sizes + 0.0002 * rng.normal(size=(10, 3, 3))
        cube[[0, 1], 1] = cube[[1, 0], 1]
        swaps = data_checks.swapped_parts(np.round(cube, 4), STEP)
        found += swaps == [data_checks.Swap(1, (0, 1), (0, 1, 2))]
    assert found >= 15


def exchanged(gap: float, off: float = 0.0, trials: slice = slice(1, 2)) -> list[data_checks.Swap]:
    """Return what is found where the second of three operators exchanged parts 0 and 1.

    Both are in units of the noise: how far the parts lie apart, and by how much the readings
    miss the other part.
    """
    cube = np.zeros((10, 3, 3)) + np.array([-1.0, 0.0, 1.0])
    scale = data_checks.noise(cube)
    cube += 1000.0 * np.arange(10)[:, None, None]
    cube[1] += gap * scale - 1000.0
    cube[0, 1, trials] += (gap - off) * scale
    cube[1, 1, trials] -= (gap - off) * scale
    return data_checks.swapped_parts(cube)


@pytest.mark.parametrize(
    ("gap", "off", "found"),
    [
        (9.0, 0.0, True),  # more than 8 times the noise apart
        (7.5, 0.0, False),
        (12.0, 4.2, True),  # within 0.4 of the gap
        (12.0, 5.2, False),
        (20.0, 5.5, True),  # and within 6 times the noise
        (20.0, 6.5, False),
        (100.0, 30.0, False),
    ],
)
def test_what_counts_as_exchanged_in_one_trial(gap: float, off: float, found: bool) -> None:
    assert exchanged(gap, off) == ([data_checks.Swap(1, (0, 1), (1,))] if found else [])


@pytest.mark.parametrize(
    ("gap", "off", "found"),
    [
        (4.0, 0.0, True),  # more than 6 times the noise of a mean of three apart
        (3.3, 0.0, False),
        (20.0, 7.0, False),
    ],
)
def test_what_counts_as_exchanged_on_average(gap: float, off: float, found: bool) -> None:
    swaps = exchanged(gap, off, slice(None))
    assert swaps == ([data_checks.Swap(1, (0, 1), (0, 1, 2))] if found else [])


def test_a_single_trial_is_no_average() -> None:
    cube = np.zeros((10, 3, 1)) + np.array([-1.0, 0.0, 1.0])[:, None]
    scale = data_checks.noise(cube)
    cube += 1000.0 * np.arange(10)[:, None, None]
    for gap, found in ((7.0, False), (9.0, True)):
        cube[1] = cube[0] + gap * scale
        wrong = cube.copy()
        wrong[[0, 1], 1] = wrong[[1, 0], 1]
        swaps = data_checks.swapped_parts(wrong)
        assert swaps == ([data_checks.Swap(1, (0, 1), (0,))] if found else [])


def test_with_whom_an_operator_is_compared_when_looking_for_exchanged_parts() -> None:
    cube, _ = clean(2)
    means = cube.mean(axis=(1, 2))
    a, b = sorted((int(means.argmin()), int(means.argmax())))
    alone = cube[:, :1].copy()
    alone[[a, b], 0, 1] = alone[[b, a], 0, 1]  # the other trials tell
    assert data_checks.swapped_parts(alone, STEP) == [data_checks.Swap(0, (a, b), (1,))]
    two = cube[:, :2].copy()
    two[[a, b], 1] = two[[b, a], 1]  # one of the two it was; nobody can tell which
    assert data_checks.swapped_parts(two, STEP) == [
        data_checks.Swap(operator, (a, b), (0, 1, 2)) for operator in (0, 1)
    ]
    pair = two[:, :, :1]  # with two readings a part there is nothing to tell noise from
    assert data_checks.swapped_parts(pair, STEP) == []


@pytest.mark.parametrize("step", [1, -1])
def test_a_shifted_sequence_is_found(step: int) -> None:
    cube, order = clean(4)
    sequence = np.argsort(order[:, 0, 1])
    taken = cube[sequence, 0, 1].copy()
    if step == 1:
        cube[sequence[3:9], 0, 1] = taken[4:10]
    else:
        cube[sequence[4:10], 0, 1] = taken[3:9]
    (shift,) = data_checks.shifted_sequences(cube, order, STEP)
    assert (shift.operator, shift.trial, shift.step) == (0, 1, step)
    assert shift.start == pytest.approx(3 if step == 1 else 4, abs=1)


def test_missing_readings_are_no_suspects() -> None:
    cube, order = clean(5)
    cube[2] = np.nan
    cube[5, 1, 0] = np.nan
    assert data_checks.factor_slips(cube, STEP) == []
    assert data_checks.swapped_parts(cube, STEP) == []
    assert data_checks.shifted_sequences(cube, order, STEP) == []


def test_an_operator_who_scatters_has_exchanged_nothing() -> None:
    alarms = 0
    for seed in range(200):
        rng = np.random.default_rng(seed)
        cube = 10.009 + 0.0015 * rng.normal(size=(10, 1, 1)) + 0.0001 * rng.normal(size=(10, 3, 3))
        cube[:, 2] += 0.0006 * rng.normal(size=(10, 3))
        alarms += bool(data_checks.swapped_parts(np.round(cube, 4), STEP))
    assert alarms <= 2


def test_noise_is_not_under_the_rounding_error() -> None:
    still = np.full((4, 2, 2), 10.0)
    assert data_checks.noise(still) == 0.0
    assert data_checks.noise(still, 0.12) == pytest.approx(0.12 / 12**0.5)
    # Half of the readings lie 1 from their part's median: 1.4826.
    assert data_checks.noise(still + np.array([-1.0, 1.0]), 0.12) == pytest.approx(1.4826)


BAND = data_checks.believable_band(10.006, 10.012)


def test_the_band_is_one_tolerance_width_beyond_each_limit():
    assert (BAND.low, BAND.high) == pytest.approx((10.0, 10.018))
    assert BAND.holds(np.array([10.0001, 10.0179, np.nan, 9.99, 10.02])).tolist() == [
        True,
        True,
        True,
        False,
        False,
    ]


@pytest.mark.parametrize(
    ("lower", "upper", "low", "high"),
    [
        (None, 0.005, 0.0, 0.010),
        (2.0, None, 1.0, 4.0),
        (None, None, -np.inf, np.inf),
        (None, 0.0, -np.inf, np.inf),
        (-0.003, 0.003, -0.009, 0.009),
    ],
)
def test_bands_of_other_tolerances(lower, upper, low, high):
    band = data_checks.believable_band(lower, upper)
    assert (band.low, band.high) == pytest.approx((low, high))


@pytest.mark.parametrize("factor", [10.0, 0.1, 25.4, 1 / 25.4, 1000.0, 0.001])
def test_each_factor_is_recognised(factor):
    readings = np.array([[10.008, 10.008 * factor], [10.0095 * factor, np.nan]])
    found = data_checks.suspected_factor(readings, BAND)
    np.testing.assert_allclose(found, [[1.0, factor], [factor, 1.0]])


def test_a_far_reading_of_no_factor_and_deviations_about_zero_name_no_factor():
    assert data_checks.suspected_factor(np.array([10.5]), BAND) == 1.0
    around_zero = data_checks.believable_band(-0.003, 0.003)
    assert data_checks.suspected_factor(np.array([0.02]), around_zero) == 1.0


def test_equal_to_the_three_before():
    readings = np.array([[1.0, 1.0, 1.0, 1.0, 1.0, 2.0], [1.0, 2.0, 2.0, 2.0, 2.0, 2.0]])
    assert data_checks.equal_to_those_before(readings).tolist() == [
        [False, False, False, True, True, False],
        [False, False, False, False, True, True],
    ]
    assert not data_checks.equal_to_those_before(readings[:, :3]).any()


def test_decimals_digits_and_speed():
    assert data_checks.fewer_decimals(np.array([3, 4, 5]), 4).tolist() == [True, False, False]
    assert finer_than(np.array([10.0081, 10.00815]), 0.0001).tolist() == [False, True]
    assert data_checks.too_soon(np.array([0.1, 0.49, 0.5, 3.0])).tolist() == [
        True,
        True,
        False,
        False,
    ]


@settings(deadline=None, max_examples=100)
@given(
    st.floats(0.5, 500.0),
    st.floats(1e-4, 0.02),
    st.lists(st.floats(0.0, 1.0), min_size=1, max_size=20),
)
def test_no_question_about_parts_within_the_tolerance(lower, share, positions):
    upper = lower * (1.0 + share)
    band = data_checks.believable_band(lower, upper)
    readings = lower + np.array(positions) * (upper - lower)
    assert band.holds(readings).all()
    assert (data_checks.suspected_factor(readings, band) == 1.0).all()


def test_every_one_of_the_three_before_counts():
    readings = np.array([[1.0, 2.0, 2.0, 2.0], [2.0, 1.0, 2.0, 2.0], [2.0, 2.0, 1.0, 2.0]])
    assert not data_checks.equal_to_those_before(readings).any()
    stack = np.ones((2, 7, 5))
    assert data_checks.equal_to_those_before(stack).sum() == 2 * 7 * 2
    assert data_checks.equal_to_those_before(np.ones(4)).tolist() == [False, False, False, True]
    assert data_checks.equal_to_those_before(np.ones(4)).dtype == np.bool_


def test_only_a_band_without_zero_tells_factors():
    assert not data_checks.believable_band(None, 0.005).excludes_zero
    assert (
        data_checks.suspected_factor(np.array([0.05]), data_checks.believable_band(None, 0.005))
        == 1.0
    )
    assert data_checks.believable_band(0.5, 0.6).excludes_zero
    assert (
        data_checks.suspected_factor(np.array([5.5]), data_checks.believable_band(0.5, 0.6)) == 10.0
    )
    assert not data_checks.Band(-1.0, 0.0).excludes_zero
    assert data_checks.Band(-2.0, -1.0).excludes_zero


def test_a_lower_limit_alone_however_small():
    small = data_checks.believable_band(0.5, None)
    assert (small.low, small.high) == (0.25, 1.0)
    none = data_checks.believable_band(0.0, None)
    assert (none.low, none.high) == (-np.inf, np.inf)


def test_the_ends_of_a_band_belong_to_it():
    assert data_checks.Band(1.0, 2.0).holds(np.array([1.0, 2.0])).all()


@pytest.mark.parametrize(
    ("width", "digit", "before"),
    [
        (0.006, 0.0001, 3),  # 20 values: equal to three before it by chance once in 8000
        (0.006, 0.001, 10),  # 2 values: 2 to the power of 10 is 1024
        (0.015, 0.001, 5),  # 5 values: 5 to the power of 5 is 3125
        (None, 0.001, 3),
        (0.006, None, 3),
    ],
)
def test_with_a_coarse_digit_longer_runs_of_equal_readings_are_no_question(width, digit, before):
    assert data_checks.equal_before(width, digit) == before


def test_equal_readings_of_a_coarse_digit_are_rarely_asked_about():
    """A third of the tolerance evenly, rounded to the digit: at most one in 1000 is asked."""
    rng = np.random.default_rng(11)
    for digits in (6, 9, 15, 60):  # last digits in the tolerance
        readings = np.round(rng.uniform(0.0, digits / 3.0, 200_000) - 0.5)
        before = data_checks.equal_before(float(digits), 1.0)
        asked = data_checks.equal_to_those_before(readings, before).mean()
        assert asked < 1.3 / data_checks.ONCE_IN


def test_the_share_of_a_value_leaves_out_the_run_that_is_asked_about():
    before = np.array([1.0, 2.0, 1.0, 3.0, 2.0, 2.0, 2.0])
    assert data_checks.share_of_value(before, 2.0) == 0.0  # four readings tell nothing
    before = np.array([1.0, 2.0, 1.0, 3.0, 1.0, 2.0, 2.0])
    assert data_checks.share_of_value(before, 2.0) == pytest.approx((1 + 1) / (5 + 2))
    assert data_checks.share_of_value(np.full(9, 2.0), 2.0) == 0.0
    assert data_checks.share_of_value(np.array([]), 2.0) == 0.0


def test_where_most_readings_are_equal_longer_runs_are_no_question():
    assert data_checks.equal_before(0.013, 0.0001, 0.0) == 3
    assert data_checks.equal_before(0.013, 0.001, 0.0) == 5
    assert data_checks.equal_before(0.013, 0.001, 0.5) == 10  # 2 to the power of 10 is 1024
    assert data_checks.equal_before(None, None, 0.1) == 3
    assert data_checks.equal_before(0.013, 0.001, 1.0) == 66  # 0.9 ** 65.6 is 0.001
