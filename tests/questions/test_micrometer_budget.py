import math

import pytest

import grr
from grr.formulas.micrometer import CARBIDE, cylinder_on_flat
from grr.model.errors import StudyError
from published import manual_readings

LINES = grr.MicrometerLines(25.0, "mm")


def made(line):
    """What a line makes of the measured size, in µm, as a half-width."""
    return 1000 * line.size * line.sensitivity


def test_ten_minutes_in_a_bare_hand_are_half_a_micrometre():
    # common practice, no source: 1.7 K on 25 mm; by hand 25000·11.5e-6·1.7
    assert made(LINES.body_heat(1.7)) == pytest.approx(0.48875)


def test_one_newton_is_a_tenth_of_a_micrometre():
    # common practice, no source
    assert made(LINES.force_on_frame(1.0)) == pytest.approx(0.1)


def test_room_and_part_temperature_worked_by_hand():
    assert made(LINES.away_from_20(3.0, 2e-6)) == pytest.approx(25_000 * 3 * 2e-6)
    assert made(LINES.part_against_gauge(0.5)) == pytest.approx(25_000 * 11.5e-6 * 0.5)


def test_a_steel_ball_and_a_pin_are_flattened():
    steel = {"carbide_faces": False}
    ball = LINES.flattening_correction("sphere", 10.0, diameter=10.0, **steel)
    assert 1000 * ball == pytest.approx(1.9235, abs=1e-4)
    zeroed_on_ball = LINES.flattening_correction(
        "sphere", 10.0, diameter=10.0, zero_shape="sphere", zero_diameter=10.0, **steel
    )
    assert zeroed_on_ball == pytest.approx(0.0)
    pin = LINES.flattening_correction("cylinder", 10.0, diameter=10.0, contact_length=6.5)
    assert 1000 * pin == pytest.approx(2e6 * cylinder_on_flat(10, 0.01, 0.0065, face=CARBIDE))


def test_a_flattening_that_is_corrected_leaves_what_the_force_may_add():
    shape = {"diameter": 10.0, "contact_length": 6.5}
    whole = LINES.flattening("cylinder", 5.0, **shape)
    left = LINES.flattening("cylinder", 5.0, force_off=1.0, corrected=True, **shape)
    more = LINES.flattening("cylinder", 6.0, **shape)
    assert left.size == pytest.approx(more.size - whole.size)
    assert "not corrected" in whole.formula


def test_the_same_in_inches():
    inch = grr.MicrometerLines(25.0 / 25.4, "in")
    assert inch.body_heat(1.7).sensitivity * 25.4 == pytest.approx(LINES.body_heat(1.7).sensitivity)
    assert inch.force_on_frame(1.0).sensitivity * 25.4 == pytest.approx(
        LINES.force_on_frame(1.0).sensitivity
    )
    ball = {"shape": "sphere", "force": 10.0}
    assert 25.4 * inch.flattening_correction(diameter=10 / 25.4, **ball) == pytest.approx(
        LINES.flattening_correction(diameter=10.0, **ball)
    )


def test_resolution_is_in_the_repeatability():
    line = LINES.resolution(0.001)
    assert line.standard_u == pytest.approx(0.001 / math.sqrt(12))
    assert (line.inside, line.in_study) == ("repeatability", True)
    assert LINES.zero_setting(0.0002).in_study is None


def test_certificates_bias_faces_and_orientation():
    assert LINES.calibration(0.0008).standard_u == pytest.approx(0.0004)
    flat, parallel = LINES.faces(flatness=0.0003, parallelism=0.0006)
    assert (flat.size, parallel.size) == (pytest.approx(0.00015), pytest.approx(0.0003))
    assert LINES.faces(flatness=0.0003) == [flat]
    assert LINES.orientation(0.0002).size == pytest.approx(0.0002)


def test_a_known_bias_is_corrected_or_left_in():
    readings = [9.9996, 9.9998, 9.9997, 9.9995, 9.9999]  # mean 9.9997, s = 0.000158
    given = {"reference": 10.0, "expanded_uncertainty": 0.0001, "resolution": 0.0001}
    reference = grr.reference_study(readings, unit="mm", **given)
    corrected = LINES.bias(reference, corrected=True)
    left = LINES.bias(reference, corrected=False)
    u = math.hypot(0.00015811388 / math.sqrt(5), 0.00005)
    assert corrected.standard_u == left.standard_u == pytest.approx(u)
    assert corrected.df == pytest.approx(4 * (u / (0.00015811388 / math.sqrt(5))) ** 4)
    assert (corrected.bias, corrected.corrected, left.corrected) == (0.0, True, False)
    assert left.bias == pytest.approx(-0.0003)
    with pytest.raises(StudyError, match="another unit"):
        grr.MicrometerLines(1.0, "in").bias(reference, corrected=True)


@pytest.mark.parametrize("method", [grr.anova, grr.average_range])
def test_lines_from_a_study(method, manual_result):
    result = method(manual_result)
    repeat, reproduce = LINES.from_study(result, mean_of=4)
    assert repeat.size == pytest.approx(result.value("EV", "sd") / 2)
    assert reproduce.size == pytest.approx(result.value("AV", "sd"))
    assert reproduce.df == 2.0
    assert 50 < repeat.df < 80
    with pytest.raises(StudyError, match="another unit"):
        grr.MicrometerLines(1.0, "in").from_study(result)


@pytest.fixture
def manual_result():
    return grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), unit="mm")


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (lambda: grr.MicrometerLines(25.0, ""), "need a unit"),
        (lambda: grr.MicrometerLines(0.0, "mm"), "length must be more than 0"),
        (lambda: LINES.resolution(0.0), "resolution must be more than 0"),
        (lambda: LINES.zero_setting(-1.0), "below 0"),
        (lambda: LINES.body_heat("warm"), "kelvin is not a finite number"),
        (lambda: LINES.flattening("cone", 1.0), "shape of the contact"),
        (lambda: LINES.flattening("cylinder", 1.0, diameter=10.0), "length of contact"),
        (lambda: LINES.flattening("sphere", -1.0, diameter=10.0), "force is below 0"),
    ],
)
def test_bad_input_is_one_sentence_with_a_remedy(make, message):
    with pytest.raises(StudyError, match=message) as caught:
        make()
    assert caught.value.remedy
