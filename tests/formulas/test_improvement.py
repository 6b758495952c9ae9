"""Predicted effect of changes, against simulated readings after the change."""

import numpy as np
import pytest

from grr.formulas.analysis_of_variance import crossed_anova, interaction_kept
from grr.formulas.improvement import (
    MOST_READINGS,
    Change,
    GrrVariances,
    combined,
    grr_after,
    ranked,
    readings_for,
    repeatability_after,
    single_changes,
    smallest_change,
)

NOW = GrrVariances(repeatability=4.0, operator=2.0, interaction=1.0, grr=7.0)


def mean_grr_of_studies(change, studies=6000):
    """GRR by analysis of variance of simulated studies made after the change."""
    rng = np.random.default_rng(7)
    p, o, r = 6, 4, 2
    scale_o = 0.0 if change.operators_alike else np.sqrt(NOW.operator)
    scale_po = 0.0 if change.no_interaction else np.sqrt(NOW.interaction)
    repeats = rng.normal(0, np.sqrt(NOW.repeatability), (studies, p, o, r, change.readings))
    readings = (
        rng.normal(0, 3.0, (studies, p, 1, 1))
        + rng.normal(0, 1.0, (studies, 1, o, 1)) * scale_o
        + rng.normal(0, 1.0, (studies, p, o, 1)) * scale_po
        + repeats.mean(axis=-1)
    )
    found = interaction_kept(crossed_anova(readings))
    # As estimated, below zero too: what is shown as 0 there makes the mean larger.
    return float((found.repeatability + found.operator + found.interaction).mean())


@pytest.mark.parametrize(
    "change",
    [
        Change(),
        Change(readings=3),
        Change(operators_alike=True),
        Change(no_interaction=True),
        Change(readings=2, operators_alike=True, no_interaction=True),
    ],
)
def test_the_prediction_is_what_a_study_after_the_change_finds(change):
    assert mean_grr_of_studies(change) == pytest.approx(float(grr_after(NOW, change)), rel=0.03)


def test_numbers_by_hand():
    assert float(grr_after(NOW, Change(readings=4))) == 4.0 / 4 + 2.0 + 1.0
    assert float(grr_after(NOW, Change(operators_alike=True))) == 5.0
    assert float(grr_after(NOW, Change(4, True, True))) == 1.0


def test_averaging_leaves_the_operators_differences():
    assert float(grr_after(NOW, Change(readings=1_000_000))) == pytest.approx(3.0, abs=1e-5)


def test_fewest_readings_to_average():
    assert readings_for(NOW, 7.0) == 1
    assert readings_for(NOW, 5.0) == 2
    assert readings_for(NOW, 4.0) == 4
    assert readings_for(NOW, 3.0) is None
    assert readings_for(NOW, 3.0 + 4.0 / MOST_READINGS) == MOST_READINGS
    assert readings_for(NOW, 1.0, Change(operators_alike=True, no_interaction=True)) == 4


def test_grr_does_not_fall_under_what_is_left_of_repeatability():
    # The interaction was estimated below zero, so GRR is less than EV plus AV.
    now = GrrVariances(repeatability=4.0, operator=1.0, interaction=0.0, grr=4.5)
    assert float(grr_after(now, Change(operators_alike=True))) == 4.0
    assert float(grr_after(now, Change(readings=2, operators_alike=True))) == 2.0


def test_a_finer_digit_takes_its_rounding_error_away():
    step = 0.6
    now = GrrVariances(0.04, 0.0, 0.0, 0.04, resolution=step)
    finer = float(repeatability_after(now, Change(resolution=0.06)))
    assert finer == pytest.approx(0.04 - (step**2 - 0.06**2) / 12.0)


def test_a_finer_digit_as_simulated():
    rng = np.random.default_rng(11)
    true = rng.uniform(-50, 50, 4000)[:, None] + rng.normal(0, 0.15, (4000, 10))
    coarse, fine = (np.round(true / step) * step for step in (0.2, 0.02))
    now = GrrVariances(coarse.var(axis=1, ddof=1).mean(), 0.0, 0.0, 1.0, resolution=0.2)
    predicted = float(repeatability_after(now, Change(resolution=0.02)))
    assert fine.var(axis=1, ddof=1).mean() == pytest.approx(predicted, rel=0.02)


def test_averaging_does_nothing_where_readings_repeat_to_the_last_digit():
    now = GrrVariances(1.0 / 12.0, 0.0, 0.0, 1.0 / 12.0, resolution=1.0)
    assert float(repeatability_after(now, Change(readings=5))) == pytest.approx(1.0 / 12.0)


def test_combinations_of_single_changes():
    singles = single_changes(NOW, finer=0.1)
    assert len(singles) == 3
    assert len(combined(singles)) == 8
    assert combined(singles)[0] == Change()
    assert single_changes(GrrVariances(4.0, 0.0, 0.0, 4.0)) == ()


def test_the_smallest_change_changes_one_thing_where_one_is_enough():
    singles = single_changes(NOW)
    assert smallest_change(NOW, 7.0, singles) == Change()
    assert smallest_change(NOW, 5.0, singles) == Change(operators_alike=True)
    assert smallest_change(NOW, 4.5, singles) == Change(readings=3)
    assert smallest_change(NOW, 2.5, singles) == Change(readings=3, operators_alike=True)
    assert smallest_change(NOW, 1e-6, singles) is None


def test_ranking_puts_the_lowest_grr_first():
    # One change each, both lead to 5.0: the one that needs no extra reading comes first.
    order = ranked(NOW, (Change(readings=2), Change(operators_alike=True), Change(2, True)))
    assert order == (Change(2, True), Change(operators_alike=True), Change(readings=2))
    values = [float(grr_after(NOW, change)) for change in order]
    assert values == sorted(values)


def test_a_stack_of_studies():
    now = GrrVariances(
        np.array([4.0, 1.0]), np.array([2.0, 0.0]), np.array([1.0, 0.0]), np.array([7.0, 1.0])
    )
    assert grr_after(now, Change(readings=2)) == pytest.approx([5.0, 0.5])


def test_one_reading_more_than_is_practicable_is_not_offered():
    assert readings_for(NOW, 3.0 + 4.0 / (MOST_READINGS + 1)) is None


def test_small_differences_can_be_removed_too():
    now = GrrVariances(4e-6, 2e-6, 1e-6, 7e-6)
    assert single_changes(now) == (Change(operators_alike=True), Change(no_interaction=True))


def test_combinations_keep_every_change_in_any_order():
    finer, alike = Change(resolution=0.1), Change(operators_alike=True)
    both = Change(operators_alike=True, resolution=0.1)
    assert set(combined((finer, alike))) == set(combined((alike, finer)))
    assert both in combined((finer, alike))
    singles = single_changes(NOW, finer=0.1)
    assert combined(singles)[1:4] == singles  # operators, interaction, then the digit


def test_averaging_divides_by_the_number_where_the_digit_hides_nothing():
    now = GrrVariances(0.04, 0.0, 0.0, 0.04, resolution=0.1)
    assert float(repeatability_after(now, Change(readings=4))) == pytest.approx(0.01)
