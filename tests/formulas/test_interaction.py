"""The F test against scipy, and where there is nothing to divide by."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import f as f_distribution

from grr.formulas.analysis_of_variance import (
    components_by_rule,
    crossed_anova,
    f_test,
    interaction_test,
)


def test_f_and_p_are_scipys_whatever_the_unit() -> None:
    above, below = np.array([1e-9, 2.5, 0.0]), np.array([4e-10, 5.0, 0.3])
    ratio, p = f_test(above, 18, below, 60)
    assert_allclose(ratio, above / below)
    assert_allclose(p, f_distribution.sf(above / below, 18, 60), rtol=1e-10)


def test_over_a_zero_f_is_infinite_and_p_zero() -> None:
    ratio, p = f_test(np.array([1e-12, 3.0]), 4, np.array([0.0, 0.0]), 9)
    assert_array_equal(ratio, [np.inf, np.inf])
    assert_array_equal(p, [0.0, 0.0])


def test_where_nothing_varies_there_is_no_f() -> None:
    ratio, p = f_test(np.array([0.0]), 4, np.array([0.0]), 9)
    assert np.isnan(ratio).all()
    assert np.isnan(p).all()


def test_the_rule_is_auto_unless_another_is_asked_for() -> None:
    stack = np.random.default_rng(1).normal(size=(50, 5, 3, 2))
    anova = crossed_anova(stack)
    for ours, theirs in zip(
        vars(components_by_rule(anova)[0]).values(),
        vars(components_by_rule(anova, interaction="auto")[0]).values(),
        strict=True,
    ):
        assert_array_equal(ours, theirs)
    assert 0 < components_by_rule(anova)[1].sum() < 50
    assert not components_by_rule(anova, interaction="keep")[1].any()
    assert components_by_rule(anova, interaction="pool")[1].all()


def test_two_operators_and_two_trials_are_enough_to_keep_it() -> None:
    # Operators reverse the order of the parts: nothing but interaction.
    cube = np.array([[0.0, 2.0], [1.0, 1.0], [2.0, 0.0]])[:, :, None] + [0.0, 0.01]
    anova = crossed_anova(np.stack([cube, cube]))
    components, pooled = components_by_rule(anova)
    assert pooled.tolist() == [False, False]
    # Four cells 1 off: MS_PO = 2·4/2, MS_E = 0.00005: (4 − 0.00005)/2
    assert_allclose(components.interaction, 1.999975)


def test_what_is_pooled_is_said_study_by_study() -> None:
    anova = crossed_anova(np.random.default_rng(2).normal(size=(4, 2, 5, 3, 2)))
    assert components_by_rule(anova, interaction="pool")[1].shape == (4, 2)
    assert components_by_rule(anova, interaction="keep")[1].shape == (4, 2)


def test_a_p_value_at_the_level_is_not_above_it() -> None:
    anova = crossed_anova(np.random.default_rng(3).normal(size=(5, 3, 2)))
    p = float(interaction_test(anova)[1])
    assert not components_by_rule(anova, pool_above=p)[1]
    assert components_by_rule(anova, pool_above=np.nextafter(p, 0.0))[1]


def test_with_one_operator_or_one_trial_there_is_nothing_to_keep() -> None:
    rng = np.random.default_rng(4)
    for shape in ((5, 1, 3), (5, 3, 1)):
        for interaction in ("auto", "keep", "pool"):
            anova = crossed_anova(rng.normal(size=shape))
            components, pooled = components_by_rule(anova, interaction=interaction)
            assert pooled
            assert np.isfinite(components.repeatability)
