import numpy as np
import pytest
import statsmodels.api as sm

from grr.formulas.micrometer import phase_information, pitch_error
from grr.model.errors import StudyError

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
    with pytest.raises(StudyError, match="too few angles of turn"):
        pitch_error(np.arange(1.0, 11.0), np.zeros(10), pitch=0.5)
    with pytest.raises(StudyError, match="at least six blocks"):
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
