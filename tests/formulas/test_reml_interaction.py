import numpy as np
import pytest
from scipy import stats

from grr.formulas.analysis_of_variance import crossed_anova, interaction_test
from grr.formulas.reml import (
    boundary_p,
    interaction_likelihood_ratio,
    interaction_likelihood_ratio_of_cube,
    reml,
)


def cubes(studies, *, interaction, seed, parts=10, trials=3):
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, 3, (studies, parts, 1, 1))
        + rng.normal(0, 0.5, (studies, 1, 3, 1))
        + rng.normal(0, interaction, (studies, parts, 3, 1))
        + rng.normal(0, 1, (studies, parts, 3, trials))
    )


def unbalanced(studies, *, interaction, seed, **design):
    cube = cubes(studies, interaction=interaction, seed=seed, **design)
    flat = cube.reshape(studies, -1)
    part, operator, _ = np.indices(cube.shape[1:]).reshape(3, -1)
    kept = np.sort(np.random.default_rng(seed + 1).permutation(len(part))[len(part) // 10 :])
    return flat[:, kept], part[kept], operator[kept]


def test_p_is_half_a_chi_squares_tail():
    # Self & Liang, J. American Statistical Association 82 (1987), case 5.
    statistic = np.array([0.0, 0.1, 2.705543454095404, 30.0])
    expected = [1.0, *(0.5 * stats.chi2.sf(statistic[1:], 1))]
    assert boundary_p(statistic) == pytest.approx(expected, rel=1e-12)
    assert boundary_p(2.705543454095404) == pytest.approx(0.05, rel=1e-9)
    assert boundary_p(np.inf) == 0.0
    assert np.isnan(boundary_p(np.nan))


def test_the_statistic_is_twice_the_difference_of_likelihoods():
    readings, part, operator = unbalanced(5, interaction=1.0, seed=1)
    test = interaction_likelihood_ratio(readings, part, operator)
    kept = reml(readings, part, operator).log_likelihood
    pooled = reml(readings, part, operator, interaction=False).log_likelihood
    assert test.statistic == pytest.approx(2 * (kept - pooled), abs=1e-9)
    assert (test.p < 1).all()


def test_without_interaction_p_is_rarely_small():
    readings, part, operator = unbalanced(400, interaction=0.0, seed=2, parts=8, trials=2)
    p = interaction_likelihood_ratio(readings, part, operator).p
    for level in (0.25, 0.1, 0.05):
        # Slightly conservative in a study of this size; never liberal beyond chance.
        chance = 3 * np.sqrt(level * (1 - level) / len(p))
        assert 0.7 * level - chance < (p <= level).mean() < level + chance
    assert 0.45 < (p == 1.0).mean() < 0.63


def test_a_large_interaction_is_seen():
    readings, part, operator = unbalanced(80, interaction=1.5, seed=3)
    test = interaction_likelihood_ratio(readings, part, operator)
    assert (test.p < 0.05).mean() > 0.9
    fit, pooled = test.by_rule()
    assert not pooled[test.p <= 0.25].any()
    assert fit.components.interaction[~pooled] == pytest.approx(
        test.kept.components.interaction[~pooled]
    )


def test_the_rule_takes_the_pooled_fit_where_p_is_above():
    readings, part, operator = unbalanced(40, interaction=0.3, seed=4)
    test = interaction_likelihood_ratio(readings, part, operator)
    fit, pooled = test.by_rule(0.25)
    assert 0 < pooled.sum() < 40
    assert (pooled == (test.p > 0.25)).all()
    assert (fit.components.interaction[pooled] == 0.0).all()
    assert (
        fit.components.repeatability
        == np.where(
            pooled, test.pooled.components.repeatability, test.kept.components.repeatability
        )
    ).all()


def test_on_balanced_data_it_mostly_agrees_with_the_f_test():
    cube = cubes(120, interaction=0.4, seed=5)
    _, pooled = interaction_likelihood_ratio_of_cube(cube).by_rule(0.25)
    by_f = interaction_test(crossed_anova(cube))[1] > 0.25
    assert (pooled == by_f).mean() > 0.93


def test_repeats_all_alike():
    part, operator, _ = np.indices((4, 3, 2)).reshape(3, -1)
    additive = part * 2.0 + operator
    with_interaction = additive + 0.3 * ((part == 1) & (operator == 2))
    test = interaction_likelihood_ratio(
        np.stack([np.full(24, 5.0), additive, with_interaction]), part, operator
    )
    assert test.p.tolist() == [1.0, 1.0, 0.0]
    assert test.by_rule()[1].tolist() == [True, True, False]
