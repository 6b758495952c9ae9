import numpy as np
import pytest

from grr.formulas.uncertainty import (
    InputQuantity,
    agreement,
    correlation_matrix,
    numerical_tolerance,
    propagate,
)


def total(values):
    return values.sum(axis=0)


def test_four_normal_inputs():
    # JCGM 101:2008, 9.2.2: y 0, u 2.0, 95 % interval −3.92 to 3.92, validated
    run = propagate([InputQuantity("normal", 0.0, 1.0)] * 4, total)
    assert run.settled
    assert run.standard_u == pytest.approx(2.0, abs=0.01)
    assert (run.lower, run.upper) == (pytest.approx(-3.92, abs=0.02), pytest.approx(3.92, abs=0.02))
    assert agreement(0.0, 2.0, 3.92, run).agrees


def test_four_rectangular_inputs():
    # JCGM 101:2008, 9.2.3: interval −3.88 to 3.88 against 3.92: still validated at two digits
    run = propagate([InputQuantity("rectangular", 0.0, np.sqrt(3.0))] * 4, total)
    assert run.upper == pytest.approx(3.88, abs=0.01)
    found = agreement(0.0, 2.0, 3.92, run)
    assert found.agrees and found.tolerance == pytest.approx(0.05)


def test_one_dominant_rectangle_is_not_validated():
    # JCGM 101:2008, 9.2.4: u 10.1, interval −17.0 to 17.0 against 19.9: not validated
    small = InputQuantity("rectangular", 0.0, np.sqrt(3.0))
    run = propagate([small] * 3 + [InputQuantity("rectangular", 0.0, np.sqrt(300.0))], total)
    assert run.standard_u == pytest.approx(10.1, abs=0.06)
    assert run.upper == pytest.approx(17.0, abs=0.1)
    assert not agreement(0.0, 10.1, 19.9, run).agrees


def test_the_end_gauge_as_a_nonlinear_model():
    # JCGM 101:2008, 9.5 (inputs of table 10): u about 36 nm where the GUM's first-order
    # formula gives 32 nm, so the two are not validated at two digits.
    inputs = [
        InputQuantity("readings", 50_000_623.0, 25.0, 18.0),
        InputQuantity("readings", 215.0, 6.0, 24.0),
        InputQuantity("readings", 0.0, 4.0, 5.0),
        InputQuantity("readings", 0.0, 7.0, 8.0),
        InputQuantity("rectangular", 11.5e-6, 2e-6),
        InputQuantity("normal", -0.1, 0.2),
        InputQuantity("u-shaped", 0.0, 0.5),
        InputQuantity("rectangular", 0.0, 1e-6, limit_half_width=0.1e-6),
        InputQuantity("rectangular", 0.0, 0.05, limit_half_width=0.025),
    ]

    def length(values):
        standard, d, d1, d2, alpha, mean, cycle, expansion, difference = values
        warmed = expansion * (mean + cycle) + alpha * difference
        return standard + d + d1 + d2 - standard * warmed - 50_000_000.0

    run = propagate(inputs, length, level=0.99, most_draws=600_000)
    assert run.estimate == pytest.approx(838.0, abs=0.5)
    assert run.standard_u == pytest.approx(35.8, abs=0.15)
    found = agreement(838.0, 31.67, 92.5, run)
    assert not found.agrees
    assert found.tolerance == 0.5


def test_correlated_inputs():
    pair = [InputQuantity("normal", 0.0, 3.0), InputQuantity("normal", 0.0, 4.0)]
    for r, expected in ((1.0, 7.0), (-1.0, 1.0), (0.5, np.sqrt(37.0))):
        matrix = correlation_matrix(["a", "b"], {("a", "b"): r})
        run = propagate(pair, total, correlation=matrix, digits=1)
        assert run.standard_u == pytest.approx(expected, rel=0.01)


def test_a_seed_gives_the_same_run_and_a_limit_stops_it():
    inputs = [InputQuantity("normal", 0.0, 1.0)]
    one = propagate(inputs, total, seed=4, most_draws=200_000, digits=3)
    assert one == propagate(inputs, total, seed=4, most_draws=200_000, digits=3)
    assert one.draws == 200_000 and not one.settled


def test_numerical_tolerance():
    # JCGM 101:2008, 7.9.2, examples: 0.35 g at two digits: δ 0.005 g; 2 K at one: 0.5 K
    assert numerical_tolerance(0.35, 2) == pytest.approx(0.005)
    assert numerical_tolerance(2.0, 1) == pytest.approx(0.5)
    assert numerical_tolerance(0.0998, 2) == pytest.approx(0.005)


def test_the_gaps_are_those_of_each_end():
    run = propagate([InputQuantity("rectangular", 0.0, np.sqrt(3.0))] * 4, total)
    found = agreement(0.1, 2.0, 3.92, run)
    assert found.low_gap == pytest.approx(abs(0.1 - 3.92 - run.lower))
    assert found.high_gap == pytest.approx(abs(0.1 + 3.92 - run.upper))
    # One end may agree and the other not: then the two do not.
    assert found.low_gap > 0.05 < found.high_gap and not found.agrees
    one_end = agreement(0.04, 2.0, 3.92, run)
    assert one_end.low_gap < 0.05 < one_end.high_gap and not one_end.agrees


def test_a_run_that_does_not_settle_stops_after_three_million_draws():
    # JCGM 101:2008, 7.9 sets no end; here three million draws do.
    never = propagate([InputQuantity("normal", 0.0, 1.0)], total, digits=4)
    assert never.draws == 3_000_000 and never.settled is False


def test_a_run_says_how_it_was_made():
    run = propagate([InputQuantity("normal", 5.0, 0.3)], total, level=0.9, seed=7)
    assert (run.level, run.seed) == (0.9, 7)
    assert run.tolerance == 0.005 and run.settled is True
    assert run.upper - run.lower == pytest.approx(2 * 1.644854 * 0.3, rel=0.01)
    known = propagate([InputQuantity("normal", 5.0, 0.0)], total)
    assert (known.standard_u, known.tolerance, known.settled) == (0.0, 0.0, True)
    assert numerical_tolerance(1.0, 2) == pytest.approx(0.05)
