"""The F test against scipy, and where there is nothing to divide by."""

from __future__ import annotations

import numpy as np
from numpy.testing import assert_allclose, assert_array_equal
from scipy.stats import f as f_distribution

from grr.numerics.crossed import crossed_anova
from grr.numerics.interaction import components_by_rule, f_test


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
