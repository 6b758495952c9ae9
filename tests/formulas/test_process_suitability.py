import pytest

from grr.formulas.capability import (
    LIMIT_PROCESS,
    LIMIT_SYSTEM,
    percent_of_width,
    process_uncertainty,
    smallest_width,
    system_uncertainty,
)


def test_worked_by_hand():
    # resolution 1 µm: 0.2887; repeatability 0.2: the larger is the resolution
    # bias 0.6: 0.3464; 0.1² + 0.2887² + 0.3464² = 0.01 + 0.083333 + 0.12
    system = system_uncertainty(calibration=0.1, resolution=1.0, repeatability=0.2, bias=-0.6)
    assert system.combined == pytest.approx(0.21333333**0.5)
    assert percent_of_width(system.combined, 12.0) == pytest.approx(400 * 0.21333333**0.5 / 12)
    width = smallest_width(system.combined, 15.0)
    assert percent_of_width(system.combined, width) == pytest.approx(15.0)


def test_repeatability_counts_once_the_largest():
    system = system_uncertainty(calibration=0.0, resolution=0.1, repeatability=0.3, bias=0.0)
    assert system.combined == pytest.approx(0.3)
    alone = process_uncertainty(system, repeatability_on_parts=0.2)
    assert alone == pytest.approx(0.3)
    whole = process_uncertainty(
        system, repeatability_on_parts=0.4, operators=0.3, interaction=1.2, others=(2.0, 6.0)
    )
    assert whole == pytest.approx((0.16 + 0.09 + 1.44 + 40.0) ** 0.5)


def test_every_line_adds_its_square():
    # resolution 0.6·√12 counts as 0.6, bias 0.2·√3 as 0.2, linearity 0.5·√3 as 0.5:
    # 0.3² + 0.6² + 0.2² + 0.5² = 0.74
    system = system_uncertainty(
        calibration=0.3,
        resolution=0.6 * 12**0.5,
        repeatability=0.1,
        bias=0.2 * 3**0.5,
        linearity=-0.5 * 3**0.5,
    )
    lines = (system.calibration, system.resolution, system.bias, system.linearity)
    assert lines == pytest.approx((0.3, 0.6, 0.2, 0.5))
    assert system.combined == pytest.approx(0.74**0.5)
    # on parts the resolution is still the largest of the three, so nothing is added
    assert process_uncertainty(system, repeatability_on_parts=0.4) == pytest.approx(0.74**0.5)
    # 0.7 instead of 0.6: 0.74 + 0.49 − 0.36
    assert process_uncertainty(system, repeatability_on_parts=0.7) == pytest.approx(0.87**0.5)


def test_the_limits_are_the_standards():
    # ISO 22514-7 (from memory): Q_MS at most 15 %, Q_MP at most 30 %.
    assert (LIMIT_SYSTEM, LIMIT_PROCESS) == (15.0, 30.0)
