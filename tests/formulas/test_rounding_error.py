"""Repeatability under the rounding error is raised to it, and GRR with it."""

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal

from grr.formulas.analysis_of_variance import Components
from grr.formulas.pivots import Pivots, floored_components, floored_pivots

# A step of 0.6 has a rounding variance of 0.36/12 = 0.03 and hides an sd under 0.18,
# a variance under 0.0324.


def test_a_hidden_repeatability_is_the_rounding_error():
    ev = np.array([0.01, 0.25, 0.0312])
    found = Components(
        part=np.full(3, 4.0),
        operator=np.full(3, 0.5),
        interaction=np.full(3, 0.1),
        repeatability=ev,
        grr=ev + 0.6,
    )
    raised, hidden = floored_components(found, 0.6)
    assert hidden.tolist() == [True, False, True]
    # The third is hidden, yet above the rounding variance: it stays as it was found.
    assert_allclose(raised.repeatability, [0.03, 0.25, 0.0312])
    assert_allclose(raised.grr, [0.63, 0.85, 0.6312])
    assert_array_equal(raised.part, found.part)
    assert_array_equal(raised.operator, found.operator)
    assert_array_equal(raised.interaction, found.interaction)


def test_without_a_known_step_nothing_changes():
    one = np.array([0.01, 0.01])
    found = Components(part=one, operator=one, interaction=one, repeatability=one, grr=2 * one)
    raised, hidden = floored_components(found, np.array([np.nan, 0.6]))
    assert hidden.tolist() == [False, True]
    assert_allclose(raised.repeatability, [0.01, 0.03])
    assert_allclose(raised.grr, [0.02, 0.04])


def test_draws_are_raised_one_by_one_and_grr_and_total_with_them():
    ev = np.array([0.01, 0.25])
    draws = Pivots(
        part=np.array([4.0, 5.0]),
        operator=np.array([0.5, 0.5]),
        interaction=np.array([0.1, 0.1]),
        repeatability=ev,
        grr=ev + 0.6,
        total=ev + 4.6,
        mean=np.array([10.0, 10.1]),
    )
    raised = floored_pivots(draws, 0.6)
    assert_allclose(raised.repeatability, [0.03, 0.25])
    assert_allclose(raised.grr, [0.63, 0.85])
    assert_allclose(raised.total, [4.63, 4.85])
    assert_array_equal(raised.part, draws.part)
    assert_array_equal(raised.mean, draws.mean)
