"""Variance components: exact relations, and what they recover in simulation."""

from __future__ import annotations

import numpy as np
import pytest

from grr.formulas.analysis_of_variance import (
    Components,
    components_by_rule,
    crossed_anova,
    interaction_kept,
    interaction_pooled,
    interaction_test,
    operators_fixed,
)
from grr.model.errors import StudyError


def simulated(shape: tuple[int, int, int], sds: tuple[float, ...], studies: int) -> np.ndarray:
    p, o, r = shape
    part, operator, both, error = sds
    rng = np.random.default_rng(11)
    return (
        10.0
        + part * rng.normal(size=(studies, p, 1, 1))
        + operator * rng.normal(size=(studies, 1, o, 1))
        + both * rng.normal(size=(studies, p, o, 1))
        + error * rng.normal(size=(studies, p, o, r))
    )


def test_grr_is_the_sum_of_the_untruncated_parts() -> None:
    found = interaction_kept(crossed_anova(simulated((6, 3, 2), (1, 0.1, 0.0, 0.5), 50)))
    assert np.allclose(found.grr, found.operator + found.interaction + found.repeatability)
    assert (found.interaction < 0).any()
    assert (found.truncated.interaction >= 0).all()


def test_kept_components_are_unbiased() -> None:
    truth = (2.0, 0.7, 0.4, 0.5)
    found = interaction_kept(crossed_anova(simulated((8, 4, 3), truth, 40_000)))
    for estimate, sd in zip(
        (found.part, found.operator, found.interaction, found.repeatability), truth, strict=True
    ):
        margin = 5 * estimate.std() / np.sqrt(len(estimate))
        assert estimate.mean() == pytest.approx(sd**2, abs=margin)


def test_auto_pools_by_the_p_value_study_by_study() -> None:
    table = crossed_anova(simulated((6, 3, 3), (1, 0.2, 0.15, 0.3), 200))
    found, pooled = components_by_rule(table, interaction="auto", pool_above=0.25)
    assert (pooled == (interaction_test(table)[1] > 0.25)).all()
    assert 0 < pooled.sum() < 200
    kept, pooled_all = interaction_kept(table), interaction_pooled(table)
    assert np.array_equal(found.grr, np.where(pooled, pooled_all.grr, kept.grr))


def test_fixed_operators_replace_the_sample_variance_by_the_mean_square() -> None:
    kept = interaction_kept(crossed_anova(simulated((6, 4, 2), (1, 1, 0.1, 0.1), 5)))
    fixed = operators_fixed(kept, 4)
    assert np.allclose(fixed.operator, kept.operator * 0.75)
    assert np.allclose(kept.grr - fixed.grr, kept.operator * 0.25)


def test_what_cannot_be_estimated_is_refused_or_nan() -> None:
    one_operator = crossed_anova(np.random.default_rng(1).normal(size=(5, 1, 3)))
    found = interaction_pooled(one_operator)
    assert np.isnan(found.operator)
    assert found.grr == found.repeatability
    with pytest.raises(StudyError, match="two operators and two trials"):
        interaction_kept(one_operator)
    with pytest.raises(StudyError, match="Nothing was measured twice"):
        interaction_pooled(crossed_anova(np.random.default_rng(1).normal(size=(5, 1, 1))))


def test_repeats_that_never_differ_are_pooled_without_a_warning() -> None:
    cube = np.round(10.0 + 0.001 * np.random.default_rng(2).normal(size=(5, 1, 1)), 4)
    cube = np.round(cube + np.array([0.0, 0.0001, 0.0003])[None, :, None], 4).repeat(2, axis=2)
    found, pooled = components_by_rule(crossed_anova(cube))
    assert pooled
    assert found.repeatability == 0.0
    assert np.sqrt(found.grr) == pytest.approx(0.00015275, rel=1e-4)  # sd of 0, 1 and 3 in 0.1 µm


def test_fixed_operators_do_not_raise_grr_where_av_is_pooled_below_zero() -> None:
    table = crossed_anova(simulated((6, 3, 2), (1, 0.0, 0.0, 0.5), 200))
    pooled = interaction_pooled(table)
    below = pooled.operator < 0
    assert below.any()
    fixed = operators_fixed(pooled, 3, pooled=True)
    assert np.allclose(fixed.grr[below], pooled.repeatability[below], rtol=1e-12)
    assert np.allclose(fixed.grr, fixed.repeatability + np.maximum(fixed.operator, 0.0))


def test_what_is_shown_is_not_below_zero() -> None:
    found = Components(*(np.array([-0.3, 0.0, 0.4]) * size for size in (1.0, 2.0, 3.0, 4.0, 5.0)))
    shown = found.truncated
    for size, name in enumerate(("part", "operator", "interaction", "repeatability", "grr"), 1):
        assert np.array_equal(getattr(shown, name), np.array([0.0, 0.0, 0.4]) * size), name
    assert found.part[0] == -0.3  # what was estimated stays as it was


def test_pooled_components_of_two_operators_by_hand() -> None:
    # Part means 1, 3, 8 and operators 0.5 to either side; every cell reads ±0.1 about its sum.
    cube = np.array([1.0, 3, 8])[:, None, None] + np.array([[-0.5], [0.5]]) + [-0.1, 0.1]
    found = interaction_pooled(crossed_anova(cube))
    # 6 cells of 2·0.01 on 6 + 2 df: 0.015. MS_P 4·26/2 = 52, MS_O 6·0.5/1 = 3.
    assert float(found.repeatability) == pytest.approx(0.015)
    assert float(found.part) == pytest.approx((52 - 0.015) / 4)
    assert float(found.operator) == pytest.approx((3 - 0.015) / 6)
    assert float(found.grr) == pytest.approx(0.015 + (3 - 0.015) / 6)
    assert found.interaction == 0.0


def test_one_operator_by_hand_and_one_trial() -> None:
    # One operator: MS_P 2·26/2 = 26 on part means 1, 3, 8; repeatability 3·0.02/3.
    one = interaction_pooled(
        crossed_anova(np.array([1.0, 3, 8])[:, None, None] + np.array([-0.1, 0.1]))
    )
    assert float(one.part) == pytest.approx((26 - 0.02) / 2)
    assert np.isnan(one.operator) and np.isnan(one.interaction)
    # One trial: the interaction is in the repeatability and has no number of its own.
    single = interaction_pooled(crossed_anova(np.random.default_rng(1).normal(size=(5, 3, 1))))
    assert np.isnan(single.interaction) and np.isfinite(single.operator)
