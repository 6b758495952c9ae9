"""The physics of a micrometer: warmth, measuring force, the pitch of its screw."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import integrate

from grr.formulas.micrometer import (
    CARBIDE,
    STEEL,
    STEEL_EXPANSION,
    Material,
    cylinder_on_flat,
    flattening,
    frame_deflection,
    growth,
    phase_information,
    pitch_error,
    sphere_on_flat,
    warming_for,
)
from grr.model.errors import StudyError


def test_one_inch_of_steel_warmed_by_1_7_kelvin_grows_half_a_micrometre():
    # Common practice, no source: ten minutes in a bare hand is about 0.5 µm on a 25 mm
    # micrometer, which is what 1.7 K does to 25.4 mm of steel. By hand: 25400 × 11.5e-6 × 1.7.
    assert growth(25_400.0, 1.7) == pytest.approx(0.49657, rel=1e-12)


def test_cooling_shrinks():
    assert growth(100.0, -2.0, 10e-6) == pytest.approx(-0.002, rel=1e-12)


def test_warming_is_the_inverse_of_growth():
    lengths = np.array([5.0, 10.0, 25.0])
    assert warming_for(growth(lengths, 1.25), lengths) == pytest.approx([1.25] * 3, rel=1e-12)
    assert warming_for(growth(8.0, -0.5, 23e-6), 8.0, 23e-6) == pytest.approx(-0.5, rel=1e-12)


@pytest.mark.parametrize(
    "length, expansion", [(0.0, STEEL_EXPANSION), (-1.0, STEEL_EXPANSION), (25.0, 0.0)]
)
def test_a_length_that_cannot_grow_is_refused(length, expansion):
    with pytest.raises(StudyError, match="more than 0"):
        warming_for(0.5, length, expansion)


def test_a_ten_millimetre_steel_ball_at_ten_newton():
    # By hand: (1 − 0.29²)/206e9 = 4.44612e-12; E* = 112.4576e9;
    # 9·100/(16·E*²·0.005) = 8.8954e-19; its cube root 0.96174 µm; two contacts 1.9235 µm.
    assert 2e6 * sphere_on_flat(10.0, 0.010) == pytest.approx(1.9235, abs=1e-4)
    assert 1e6 * flattening(10.0, "sphere", 0.010) == pytest.approx(1.9235, abs=1e-4)


def test_a_ball_is_flattened_as_the_two_thirds_power_of_the_force():
    one, eight = flattening(np.array([1.0, 8.0]), "sphere", 0.010)
    assert eight == pytest.approx(4.0 * one)
    assert flattening(1.0, "sphere", 0.010, face=CARBIDE) < one


def test_a_cylinder_is_the_half_space_under_a_strip_of_elliptical_pressure():
    # Displacement at the middle of the strip by direct integration over the pressure
    # p(x) = p0·√(1 − x²/b²), |x| < b, |y| < l: (1 − ν²)/(πE)·∬p/r, with Hertz's b.
    force, diameter, length = 10.0, 0.010, 0.0065
    half, radius = length / 2, diameter / 2
    v = 2 * STEEL.compliance / np.pi
    b = np.sqrt(4 * (force / length) * radius * v)
    displaced, _ = integrate.quad(
        lambda x: 8 / (np.pi * b) * np.sqrt(1 - (x / b) ** 2) * np.arcsinh(half / x), 0.0, b
    )
    displaced *= force / length * v
    assert cylinder_on_flat(force, diameter, length) == pytest.approx(displaced, rel=1e-6)


def test_a_ten_millimetre_pin_between_six_and_a_half_millimetre_faces():
    # By hand: V1 + V2 = 2.83049e-12; F/2l = 1538.46; ln(8·(3.25e-3)³/(V·10·0.005))
    # = ln(1.94039e6) = 14.4784; (1 + 14.4784)·4.35460e-9 = 67.402 nm; twice 134.80 nm
    found = flattening(10.0, "cylinder", 0.010, 0.0065)
    assert 1e9 * found == pytest.approx(134.80, abs=0.02)


def test_no_force_and_flat_parts_give_nothing():
    assert flattening(0.0, "cylinder", 0.01, 0.006) == 0.0
    assert flattening(10.0, "flat") == 0.0


def test_materials_share_the_load():
    rubber = Material(1e9, 0.5)
    assert sphere_on_flat(1.0, 0.01, part=rubber) == pytest.approx(
        sphere_on_flat(1.0, 0.01, part=STEEL, face=rubber)
    )


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ((1.0, "cone"), "shape of the contact"),
        ((1.0, "sphere"), "needs its diameter"),
        ((1.0, "cylinder", 0.01), "length of contact"),
        ((-1.0, "sphere", 0.01), "below 0"),
        ((np.nan, "sphere", 0.01), "below 0"),
    ],
)
def test_bad_input_is_refused(arguments, message):
    with pytest.raises(StudyError, match=message):
        flattening(*arguments)


def test_one_newton_more_is_a_tenth_of_a_micrometre():
    # common practice, no source
    assert frame_deflection(1.0) == pytest.approx(0.1e-6)
    assert frame_deflection(-2.0, 0.05e-6) == pytest.approx(-0.1e-6)


def test_a_force_below_one_newton_flattens_too():
    # The same closed form as for 10 N above, at 0.5 N: V1 + V2 = 2.83049e-12;
    # F/2l = 76.923; ln(8·(3.25e-3)³/(V·0.5·0.005)) = ln(3.88078e7) = 17.4742;
    # 18.4742·2.17730e-10 = 4.02239 nm; twice that
    assert 1e9 * flattening(0.5, "cylinder", 0.010, 0.0065) == pytest.approx(8.0448, abs=2e-3)


def test_flat_parts_give_one_zero_a_force():
    assert flattening(np.array([1.0, 2.0]), "flat").tolist() == [0.0, 0.0]


@pytest.mark.parametrize("shape", ["sphere", "cylinder"])
def test_a_soft_part_gives_as_a_soft_face_does(shape):
    rubber = Material(1e9, 0.5)
    size = (shape, 0.010, 0.0065)
    soft_part = flattening(1.0, *size, part=rubber, face=STEEL)
    assert soft_part == pytest.approx(flattening(1.0, *size, part=STEEL, face=rubber))
    assert soft_part > 10 * flattening(1.0, *size)


def test_steel_and_carbide():
    # (1 − 0.29²)/206e9 and (1 − 0.22²)/620e9
    assert STEEL.compliance == pytest.approx(4.44612e-12, rel=1e-5)
    assert CARBIDE.compliance == pytest.approx(1.53484e-12, rel=1e-5)


SIZES = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])


def test_a_sinusoid_without_noise_is_found_exactly():
    bias = 0.2 - 0.01 * SIZES + 0.4 * np.sin(2 * np.pi * SIZES / 0.5 + 1.1)
    found = pitch_error(SIZES, bias, pitch=0.5)
    assert found.amplitude == pytest.approx(0.4)
    assert found.slope == pytest.approx(-0.01)
    assert found.intercept == pytest.approx(0.2)
    assert (found.lower, found.upper) == (pytest.approx(0.4), pytest.approx(0.4))
    assert found.at(SIZES) == pytest.approx(bias)


def test_f_is_the_comparison_of_two_models():
    bias = np.random.default_rng(1).normal(0, 0.3, 10)
    found = pitch_error(SIZES, bias, pitch=0.5)
    turn = 2 * np.pi * SIZES / 0.5
    line = sm.add_constant(SIZES)
    whole = sm.OLS(bias, np.column_stack([line, np.sin(turn), np.cos(turn)])).fit()
    f, p, _ = whole.compare_f_test(sm.OLS(bias, line).fit())
    assert (found.f, found.p) == (pytest.approx(f), pytest.approx(p))
    assert (found.sine, found.cosine) == pytest.approx(tuple(whole.params[2:]), abs=1e-10)


@pytest.mark.parametrize("amplitude", [0.0, 0.6, 1.5])
def test_the_interval_holds_the_amplitude(amplitude):
    rng = np.random.default_rng(2)
    wave = amplitude * np.sin(2 * np.pi * SIZES / 0.5 + 0.7)
    found = pitch_error(SIZES, wave + rng.normal(0, 0.4, (400, 10)), pitch=0.5)
    covered = np.mean((found.lower <= amplitude) & (found.upper >= amplitude))
    assert 0.925 < covered < (0.995 if amplitude == 0.0 else 0.975)


def test_blocks_at_one_angle_of_turn_are_refused():
    assert phase_information(SIZES, 0.5) > 0.5
    with pytest.raises(StudyError, match="angles"):
        pitch_error(np.arange(1.0, 11.0), np.zeros(10), pitch=0.5)
    with pytest.raises(StudyError, match="six blocks"):
        pitch_error(SIZES[:5], np.zeros(5), pitch=0.5)


def test_six_blocks_are_enough():
    sizes = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0])
    bias = np.random.default_rng(3).normal(0, 0.3, 6)
    turn = 2 * np.pi * sizes / 0.5
    whole = sm.OLS(
        bias, np.column_stack([sm.add_constant(sizes), np.sin(turn), np.cos(turn)])
    ).fit()
    found = pitch_error(sizes, bias, pitch=0.5)
    assert (found.sine, found.cosine) == pytest.approx(tuple(whole.params[2:]), abs=1e-10)
