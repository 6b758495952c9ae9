import numpy as np
import pytest
from scipy import integrate

from grr.formulas.micrometer import (
    CARBIDE,
    STEEL,
    Material,
    cylinder_on_flat,
    flattening,
    frame_deflection,
    sphere_on_flat,
    tilt_error,
)
from grr.model.errors import StudyError


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


def test_tilt():
    # half a degree on 25 mm: 25·(0.0087266²)/2 = 0.000952 mm
    assert tilt_error(25.0, np.radians(0.5)) == pytest.approx(0.000952, abs=1e-6)


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
