import numpy as np
import pytest

from grr.formulas.micrometer import STEEL_EXPANSION, growth, temperature_error, warming_for
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


def test_only_the_difference_between_part_and_gauge_counts_when_both_are_steel():
    # by hand: 25 mm × 11.5e-6 × (20.5 − 22.0) = −0.43 µm; the warm gauge reads small
    assert temperature_error(25_000.0, 20.5, 22.0) == pytest.approx(-0.43125)
    assert temperature_error(25_000.0, 26.0, 26.0) == pytest.approx(0.0)


def test_two_materials_away_from_20_degrees():
    # by hand: 25 mm of aluminium (23e-6) and a steel gauge, both at 26 °C: 25·6·11.5e-6
    error = temperature_error(25_000.0, 26.0, 26.0, part_expansion=23e-6)
    assert error == pytest.approx(1.725)
