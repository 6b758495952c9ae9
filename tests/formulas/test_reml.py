"""Variance components where readings are missing, by restricted maximum likelihood."""

from __future__ import annotations

import tracemalloc
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from grr.formulas.analysis_of_variance import (
    among_people,
    crossed_anova,
    interaction_kept,
    interaction_pooled,
    interaction_test,
)
from grr.formulas.reml import (
    boundary_p,
    interaction_likelihood_ratio,
    nested_reml,
    reml,
)
from grr.formulas.reml_fit import FROM_EVERY_CORNER, checked_codes, cube_of_codes
from grr.model.errors import StudyError

NAMES = ("part", "operator", "interaction", "repeatability", "grr")


def cube(readings, part, operator):
    values, codes = checked_codes(readings, part, operator)
    return cube_of_codes(values, *codes)


def reml_of_columns(readings, part, operator, **options):
    return reml(cube(readings, part, operator), **options)


def ratio_of_columns(readings, part, operator, **options):
    return interaction_likelihood_ratio(cube(readings, part, operator), **options)


def one_search(readings, part, operator, **options):
    """Return the components that the first start leads to."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("grr.formulas.reml.FROM_EVERY_CORNER", FROM_EVERY_CORNER[:1])
        return reml_of_columns(readings, part, operator, **options).components


def design(parts, operators, trials):
    part, operator, _ = np.indices((parts, operators, trials)).reshape(3, -1)
    return part, operator


def simulated(rng, part, operator, *, sds, studies=None):
    """Readings of a design; ``sds`` of part, operator, interaction and repeatability."""
    stack = () if studies is None else (studies,)
    p, o = part.max() + 1, operator.max() + 1
    return (
        rng.normal(0, sds[0], (*stack, p))[..., part]
        + rng.normal(0, sds[1], (*stack, o))[..., operator]
        + rng.normal(0, sds[2], (*stack, p * o))[..., part * o + operator]
        + rng.normal(0, sds[3], (*stack, len(part)))
    )


def without(rng, part, operator, lost):
    kept = np.sort(rng.permutation(len(part))[lost:])
    return part[kept], operator[kept]


def balanced(rng, *, studies=200, interaction=0.8):
    cube = (
        rng.normal(0, 3, (studies, 10, 1, 1))
        + rng.normal(0, 1, (studies, 1, 3, 1))
        + rng.normal(0, interaction, (studies, 10, 3, 1))
        + rng.normal(0, 1, (studies, 10, 3, 3))
    )
    return cube + 20.0


def assert_same(found, expected, **tolerance):
    for name in NAMES:
        assert getattr(found, name) == pytest.approx(
            getattr(expected, name), nan_ok=True, **tolerance
        ), name


# ---- on balanced data it is the analysis of variance (Searle, Casella & McCulloch, 3.8)


def test_balanced_components_are_those_of_the_anova_where_positive():
    cube = balanced(np.random.default_rng(1))
    expected = interaction_kept(crossed_anova(cube))
    positive = np.all([getattr(expected, name) > 0 for name in NAMES], axis=0)
    assert positive.sum() > 100
    found = reml(cube[positive]).components
    assert_same(found, interaction_kept(crossed_anova(cube[positive])), rel=1e-7)


def test_a_large_study_is_the_anova_and_its_memory_grows_with_the_readings():
    rng = np.random.default_rng(5)
    parts, operators = rng.normal(0, 3, (400, 1, 1)), rng.normal(0, 1, (1, 40, 1))
    cube = parts + operators + rng.normal(0, 0.7, (400, 40, 1)) + rng.normal(0, 1, (400, 40, 2))
    tracemalloc.start()
    found = reml(cube).components
    largest = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert_same(found, interaction_kept(crossed_anova(cube)), rel=1e-7)
    # A matrix of cells × cells would take 2 GB.
    assert largest < 4 * cube.nbytes * cube.shape[1]


def test_balanced_components_without_interaction():
    cube = balanced(np.random.default_rng(2), studies=50, interaction=0.0)
    expected = interaction_pooled(crossed_anova(cube))
    positive = expected.operator > 0
    found = reml(cube[positive], interaction=False).components
    assert_same(found, interaction_pooled(crossed_anova(cube[positive])), rel=1e-7)


def test_balanced_components_with_fixed_operators():
    cube = balanced(np.random.default_rng(3), studies=50)
    kept = interaction_kept(crossed_anova(cube))
    positive = (kept.interaction > 0) & (kept.part > 0)
    expected = among_people(interaction_kept(crossed_anova(cube[positive])), 3)
    found = reml(cube[positive], operators="fixed")
    assert_same(found.components, expected, rel=1e-7)
    assert found.operator_means == pytest.approx(cube[positive].mean(axis=(1, 3)), rel=1e-9)


def test_balanced_mean_and_its_error():
    cube = balanced(np.random.default_rng(4), studies=20)
    anova = crossed_anova(cube)
    kept = interaction_kept(anova)
    positive = (kept.interaction > 0) & (kept.part > 0) & (kept.operator > 0)
    fit = reml(cube)
    assert fit.mean == pytest.approx(anova.mean, rel=1e-9)
    variance = (anova.ms_part + anova.ms_operator - anova.ms_interaction) / 90
    assert fit.mean_error[positive] == pytest.approx(np.sqrt(variance)[positive], rel=1e-7)


def test_a_component_below_zero_in_the_anova_is_exactly_zero():
    cube = balanced(np.random.default_rng(5), interaction=0.0)
    below = interaction_kept(crossed_anova(cube)).interaction < 0
    fit = reml(cube)
    assert 50 < below.sum() < 150
    assert (fit.components.interaction[below] == 0.0).all()
    assert (fit.interaction_at_zero == (fit.components.interaction == 0.0)).all()
    pooled = interaction_pooled(crossed_anova(cube[below & (fit.components.operator > 0)]))
    chosen = fit.components.repeatability[below & (fit.components.operator > 0)]
    assert chosen == pytest.approx(pooled.repeatability, rel=1e-7)


def test_one_operator_is_the_one_way_analysis():
    # Searle, Casella & McCulloch (1992), section 3.6: sigma2 = MSE, part = (MSA - MSE)/n.
    rng = np.random.default_rng(6)
    values = rng.normal(0, 2, (8, 1)) + rng.normal(0, 1, (8, 4))
    fit = reml_of_columns(
        values.ravel(), np.repeat(np.arange(8), 4), np.zeros(32, int), interaction=False
    )
    within = values.var(axis=1, ddof=1).mean()
    between = 4 * values.mean(axis=1).var(ddof=1)
    assert fit.components.repeatability == pytest.approx(within, rel=1e-9)
    assert fit.components.part == pytest.approx((between - within) / 4, rel=1e-9)
    assert np.isnan(fit.components.operator) and np.isnan(fit.components.interaction)
    assert fit.components.grr == fit.components.repeatability


# ---- it is a maximum, and the right one


def dense_log_likelihood(readings, part, operator, variances):
    """The restricted log likelihood written out with full matrices, reading by reading."""
    n = len(readings)
    cell = part * 1000 + operator
    v = sum(
        variance * (code[:, None] == code[None, :])
        for variance, code in zip(variances, (part, operator, cell, np.arange(n)), strict=True)
    )
    inverse = np.linalg.inv(v)
    information = inverse.sum()
    mean = inverse.sum(axis=0) @ readings / information
    residual = readings - mean
    return -0.5 * (
        np.linalg.slogdet(v)[1]
        + np.log(information)
        + residual @ inverse @ residual
        + (n - 1) * np.log(2 * np.pi)
    )


@pytest.mark.parametrize("sds", [(3, 1, 0.7, 1), (2, 0, 0, 1), (0, 0, 0, 1), (0.1, 2, 1, 0.2)])
def test_no_neighbour_is_more_likely(sds):
    rng = np.random.default_rng(7)
    part, operator = without(rng, *design(6, 3, 3), 14)
    for readings in simulated(rng, part, operator, sds=sds, studies=5):
        fit = reml_of_columns(readings, part, operator)
        best = np.array([float(getattr(fit.components, name)) for name in NAMES[:4]])
        top = dense_log_likelihood(readings, part, operator, best)
        assert float(fit.log_likelihood) == pytest.approx(top, abs=1e-8)
        for _ in range(60):
            step = rng.normal(0, 1, 4) * 10.0 ** rng.uniform(-4, 0) * best.sum()
            other = np.maximum(best + step, [0, 0, 0, best[3] / 100])
            assert dense_log_likelihood(readings, part, operator, other) <= top + 1e-9


#: Invented readings whose likelihood has two tops; from equal shares one search finds the lower.
TWO_TOPS = (
    [-0.7, -0.4, 0.6, -2.2, 2.7, -0.5, 0.6, -0.3, 2.1, -0.1],
    [0, 0, 0, 0, 1, 1, 1, 2, 2, 2],
    [0, 0, 2, 2, 1, 2, 2, 0, 2, 2],
)


def test_the_higher_of_two_tops_is_taken():
    fit, quick = reml_of_columns(*TWO_TOPS), one_search(*TWO_TOPS)
    readings, part, operator = (np.array(column) for column in TWO_TOPS)

    def likelihood(components):
        variances = [float(getattr(components, name)) for name in NAMES[:4]]
        return dense_log_likelihood(readings, part, operator, variances)

    assert likelihood(fit.components) > likelihood(quick) + 0.01
    grid = np.meshgrid(*[[0.0, 0.05, 0.2, 0.6, 1.8]] * 3, [0.1, 0.3, 1.0, 2.0])
    everywhere = np.stack([axis.ravel() for axis in grid], axis=-1)
    highest = max(dense_log_likelihood(readings, part, operator, v) for v in everywhere)
    assert likelihood(fit.components) >= highest


# ---- nothing but the readings matters


@settings(deadline=None, max_examples=25)
@given(
    seed=st.integers(0, 10**6),
    offset=st.sampled_from([0.0, 1.0, 4096.0, -(2.0**24)]),
    power=st.integers(-30, 30),
    sd_operator=st.sampled_from([0.0, 1.0]),
)
def test_offset_and_unit_do_not_matter(seed, offset, power, sd_operator):
    rng = np.random.default_rng(seed)
    part, operator = without(rng, *design(6, 3, 2), 8)
    steps = np.round(100 * simulated(rng, part, operator, sds=(2, sd_operator, 0.5, 1))) / 64
    if np.unique(part).size < 6 or np.unique(operator).size < 3:
        return
    plain = reml_of_columns(steps, part, operator)
    moved = reml_of_columns((steps + offset) * 2.0**power, part, operator)
    size = 4.0**power
    for name in NAMES:
        found, expected = getattr(moved.components, name), getattr(plain.components, name)
        assert found / size == pytest.approx(expected, rel=1e-9, abs=1e-12)
        assert (found == 0.0) == (expected == 0.0)
    assert moved.mean / 2.0**power - offset == pytest.approx(plain.mean, abs=2e-8)
    assert moved.mean_error / 2.0**power == pytest.approx(plain.mean_error, rel=1e-9)


def test_order_and_names_do_not_matter():
    rng = np.random.default_rng(8)
    part, operator = without(rng, *design(6, 3, 3), 9)
    readings = simulated(rng, part, operator, sds=(2, 1, 0.5, 1))
    expected = reml_of_columns(readings, part, operator)
    shuffled = rng.permutation(len(part))
    names = np.array(["f", "b", "a", "d", "e", "c"])[part]
    found = reml_of_columns(
        readings[shuffled], names[shuffled], np.array(list("zxy"))[operator[shuffled]]
    )
    assert_same(found.components, expected.components, rel=1e-9)


def test_a_stack_is_its_studies():
    rng = np.random.default_rng(9)
    part, operator = without(rng, *design(6, 3, 3), 9)
    readings = simulated(rng, part, operator, sds=(2, 1, 0.5, 1), studies=6).reshape(2, 3, -1)
    stack = reml_of_columns(readings, part, operator)
    quick = one_search(readings, part, operator)
    assert stack.components.part.shape == stack.mean.shape == stack.converged.shape == (2, 3)
    assert_same(quick, stack.components, rel=1e-8, abs=1e-12)
    for place in np.ndindex(2, 3):
        one = reml_of_columns(readings[place], part, operator)
        assert one.mean.shape == ()
        for name in NAMES:
            assert getattr(stack.components, name)[place] == pytest.approx(
                getattr(one.components, name), rel=1e-8
            )


def test_each_study_of_a_cube_may_lack_other_readings():
    rng = np.random.default_rng(10)
    cube = balanced(rng, studies=4)
    cube[rng.random(cube.shape) < 0.15] = np.nan
    stack = reml(cube)
    for number, study in enumerate(cube):
        part, operator, trial = np.nonzero(np.isfinite(study))
        one = reml_of_columns(study[part, operator, trial], part, operator)
        assert stack.components.grr[number] == pytest.approx(one.components.grr, rel=1e-8)
        assert stack.readings[number] == len(part)


# ---- a gauge so coarse, or so good, that repeats do not scatter


def test_repeats_all_alike_are_the_limit_of_a_vanishing_scatter():
    rng = np.random.default_rng(11)
    part, operator = without(rng, *design(6, 3, 3), 9)
    exact = simulated(rng, part, operator, sds=(2, 1, 0.5, 0))
    fit = reml_of_columns(exact, part, operator)
    near = reml_of_columns(exact + rng.normal(0, 1e-5, len(part)), part, operator)
    assert fit.components.repeatability == 0.0
    assert_same(fit.components, near.components, rel=1e-3, abs=1e-8)
    assert bool(fit.converged) and np.isposinf(fit.log_likelihood)
    assert fit.mean_error == pytest.approx(near.mean_error, rel=1e-3)


@pytest.mark.parametrize("interaction", [True, False])
def test_readings_that_are_part_plus_operator(interaction):
    part, operator = design(4, 3, 2)
    part, operator = part[:-3], operator[:-3]
    parts, operators = np.array([1.0, 2.0, 4.0, 9.0]), np.array([0.0, 0.5, -0.5])
    fit = reml_of_columns(
        10 + parts[part] + operators[operator], part, operator, interaction=interaction
    )
    assert fit.components.part == pytest.approx(parts.var(ddof=1), rel=1e-12)
    assert fit.components.operator == pytest.approx(0.25, rel=1e-12)
    assert fit.components.interaction == fit.components.repeatability == 0.0
    fixed = reml_of_columns(parts[part] + operators[operator], part, operator, operators="fixed")
    assert fixed.components.operator == pytest.approx(0.5 / 3, rel=1e-12)
    assert fixed.operator_means == pytest.approx(parts.mean() + operators, rel=1e-12)


def test_readings_all_alike_have_no_variance():
    part, operator = design(4, 3, 2)
    fit = reml_of_columns(np.full(24, 10.01), part, operator)
    assert all(getattr(fit.components, name) == 0.0 for name in NAMES)
    assert fit.mean == 10.01


@pytest.mark.parametrize("scatter", [1e-3, 1e-5, 1e-7])
@pytest.mark.parametrize("interaction", [True, False])
def test_parts_that_differ_many_thousand_times_the_scatter(scatter, interaction):
    # The estimate differs from its limit by a share of the order of the scatter; rounding
    # ends the search within 1e-4 standard errors where the scatter is smallest.
    rng = np.random.default_rng(16)
    part, operator = without(rng, *design(6, 3, 3), 9)
    exact = simulated(rng, part, operator, sds=(2, 1, 0.0, 0))
    noise = rng.normal(0, 1, len(part))
    fit = reml_of_columns(exact + scatter * noise, part, operator, interaction=interaction)
    near = reml_of_columns(exact + scatter / 10 * noise, part, operator, interaction=interaction)
    assert bool(fit.converged) and bool(near.converged)
    close = 20 * scatter + (1e-4 if scatter < 1e-6 else 0.0)
    assert fit.components.part == pytest.approx(near.components.part, rel=close)
    assert fit.components.operator == pytest.approx(near.components.operator, rel=close)
    ratio = float(fit.components.repeatability / near.components.repeatability)
    assert ratio == pytest.approx(100, rel=1e-5 + 1e3 * scatter**2 + 1e-8 / scatter)


def test_one_study_without_scatter_in_a_stack():
    rng = np.random.default_rng(12)
    part, operator = without(rng, *design(5, 3, 2), 5)
    readings = simulated(rng, part, operator, sds=(2, 1, 0.5, 1), studies=5)
    expected = reml_of_columns(readings, part, operator)
    readings[2] = np.round(readings[2, 0])
    found = reml_of_columns(readings, part, operator)
    others = [0, 1, 3, 4]
    assert found.components.grr[2] == 0.0
    assert found.components.grr[others] == pytest.approx(expected.components.grr[others], rel=1e-9)


# ---- fixed operators


def test_fixed_operators_mean_is_the_mean_of_their_means():
    rng = np.random.default_rng(13)
    part, operator = without(rng, *design(8, 3, 2), 9)
    readings = 100 + simulated(rng, part, operator, sds=(2, 1, 0.5, 1))
    fit = reml_of_columns(readings, part, operator, operators="fixed")
    assert fit.mean == pytest.approx(fit.operator_means.mean(), rel=1e-12)
    assert fit.mean_error == pytest.approx(np.sqrt(fit.operator_covariance.mean()), rel=1e-9)


def test_fixed_operators_differences_are_estimated_without_bias():
    rng = np.random.default_rng(14)
    part, operator = without(rng, *design(8, 3, 2), 12)
    effects = np.array([-0.5, 0.1, 0.4])
    readings = simulated(rng, part, operator, sds=(2, 0, 0.7, 1), studies=2000)
    found = one_search(readings + effects[operator], part, operator, operators="fixed")
    error = found.operator.std(ddof=1) / np.sqrt(2000)
    assert found.operator.mean() == pytest.approx(np.mean(effects**2), abs=4 * error)


# ---- designs that cannot show what is asked


@pytest.mark.parametrize(
    ("part", "operator", "interaction", "words"),
    [
        ([0, 0, 0, 0], [0, 0, 1, 1], True, "Only one part"),
        ([0, 0, 1, 1], [0, 0, 1, 1], True, "nested"),
        ([0, 0, 1, 1, 2, 2, 3, 3], [0, 1, 0, 1, 2, 3, 2, 3], False, "groups"),
        ([0, 0, 1, 1], [0, 1, 0, 1], True, "cannot be told from repeatability"),
        ([0, 0, 0, 1, 1], [0, 0, 1, 1, 1], True, "more than one operator"),
        ([0, 0, 1], [0, 1, 1], False, "Nothing was measured twice"),
        ([0, 1, 2], [0, 0, 0], False, "Nothing was measured twice"),
        ([0, 0, 1, 1], [0, 0, 0, 0], True, "at least two operators"),
    ],
)
def test_what_a_design_cannot_show(part, operator, interaction, words):
    readings = np.arange(len(part)) ** 1.5
    with pytest.raises(StudyError, match=words):
        reml_of_columns(readings, part, operator, interaction=interaction)


def test_a_part_without_readings_in_a_cube():
    cube = balanced(np.random.default_rng(15), studies=2)
    cube[1, 4] = np.nan
    with pytest.raises(StudyError, match="part number 5"):
        reml(cube)
    with pytest.raises(StudyError, match="is missing"):
        reml(np.full((3, 2, 2), np.nan))


@pytest.mark.parametrize(
    ("readings", "part"), [([1.0, np.nan, 2.0], [0, 0, 1]), ([1.0, 2.0], [0, 0, 1])]
)
def test_readings_that_cannot_be_used(readings, part):
    with pytest.raises(StudyError):
        reml_of_columns(readings, part, [0, 1, 1])


def test_a_word_not_known_for_operators():
    with pytest.raises(StudyError, match="random, fixed"):
        reml_of_columns(*TWO_TOPS, operators="some")


def test_searches_start_from_every_choice_of_terms():
    # Seven choices of part, operator and interaction, the error small or very small; and one
    # start from equal shares.
    assert FROM_EVERY_CORNER.shape == (15, 4)
    assert len(np.unique(FROM_EVERY_CORNER, axis=0)) == 15
    assert (FROM_EVERY_CORNER >= 0.0).all()
    assert FROM_EVERY_CORNER.sum(axis=1) == pytest.approx(1.0)
    assert set(FROM_EVERY_CORNER[:, 3]) == {0.25, 0.05, 0.001}


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_readings_that_are_exactly_parts_plus_operators(operators):
    # Parts 0, 4, 8 and operators 0, 2 above 10, one cell empty; and a study twice as large.
    cube = 10.0 + np.array([0.0, 4.0, 8.0])[:, None, None] + np.array([[0.0], [2.0]])
    cube = np.repeat(cube, 2, axis=2)
    cube[2, 1] = np.nan
    found = reml(np.stack([cube, 2.0 * cube]), interaction=False, operators=operators)
    for study, size in enumerate((1.0, 4.0)):
        assert found.components.part[study] == pytest.approx(16.0 * size)  # 4² about their mean
        assert found.components.repeatability[study] == 0.0
        assert found.mean[study] == pytest.approx(15.0 * size**0.5)
        assert found.log_likelihood[study] == np.inf
        if operators == "random":
            assert found.components.operator[study] == pytest.approx(2.0 * size)
            # Three parts drawn with variance 16, two operators with variance 2.
            expected = (16.0 / 3 + 2.0 / 2) * size
            assert found.mean_error[study] == pytest.approx(expected**0.5)
        else:
            assert found.components.operator[study] == pytest.approx(1.0 * size)  # Σα²/o
            assert found.operator_means[study] == pytest.approx(np.array([14.0, 16.0]) * size**0.5)
            assert found.mean_error[study] == pytest.approx((16.0 / 3 * size) ** 0.5)


def test_operators_exactly_alike_have_no_variance():
    cube = np.repeat(np.array([0.0, 4.0, 8.0])[:, None, None] + np.zeros((3, 2, 1)), 2, axis=2)
    cube[2, 1] = np.nan
    found = reml(cube, interaction=False)
    assert found.components.operator == 0.0
    assert found.components.part == pytest.approx(16.0)


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
    test = ratio_of_columns(readings, part, operator)
    kept = reml_of_columns(readings, part, operator).log_likelihood
    pooled = reml_of_columns(readings, part, operator, interaction=False).log_likelihood
    assert test.statistic == pytest.approx(2 * (kept - pooled), abs=1e-9)
    assert (test.p < 1).all()


def test_without_interaction_p_is_rarely_small():
    readings, part, operator = unbalanced(400, interaction=0.0, seed=2, parts=8, trials=2)
    p = ratio_of_columns(readings, part, operator).p
    for level in (0.25, 0.1, 0.05):
        # Slightly conservative in a study of this size; never liberal beyond chance.
        chance = 3 * np.sqrt(level * (1 - level) / len(p))
        assert 0.7 * level - chance < (p <= level).mean() < level + chance
    assert 0.45 < (p == 1.0).mean() < 0.63


def test_a_large_interaction_is_seen():
    readings, part, operator = unbalanced(80, interaction=1.5, seed=3)
    test = ratio_of_columns(readings, part, operator)
    assert (test.p < 0.05).mean() > 0.9
    fit, pooled = test.by_rule()
    assert not pooled[test.p <= 0.25].any()
    assert fit.components.interaction[~pooled] == pytest.approx(
        test.kept.components.interaction[~pooled]
    )


def test_the_rule_takes_the_pooled_fit_where_p_is_above():
    readings, part, operator = unbalanced(40, interaction=0.3, seed=4)
    test = ratio_of_columns(readings, part, operator)
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
    _, pooled = interaction_likelihood_ratio(cube).by_rule(0.25)
    by_f = interaction_test(crossed_anova(cube))[1] > 0.25
    assert (pooled == by_f).mean() > 0.93


def test_repeats_all_alike():
    part, operator, _ = np.indices((4, 3, 2)).reshape(3, -1)
    additive = part * 2.0 + operator
    with_interaction = additive + 0.3 * ((part == 1) & (operator == 2))
    test = ratio_of_columns(
        np.stack([np.full(24, 5.0), additive, with_interaction]), part, operator
    )
    assert test.p.tolist() == [1.0, 1.0, 0.0]
    assert test.by_rule()[1].tolist() == [True, True, False]


# Against R and lme4; the fixtures' script and the versions are in tests/fixtures/lme4.
# -------------------------------------------------------------------------------------

FIXTURES = Path(__file__).parents[1] / "fixtures" / "lme4"
READINGS = pd.read_csv(FIXTURES / "readings.csv")
ESTIMATES = pd.read_csv(FIXTURES / "estimates.csv").set_index("study")
MEANS = pd.read_csv(FIXTURES / "means.csv").set_index("study")
COMPONENTS_OF_LME4 = ("part", "operator", "interaction", "repeatability")
#: Where lme4's estimate is 0: below this share of the total.
ZERO = 1e-8


def fitted(name):
    table = READINGS[READINGS.study == name]
    model = ESTIMATES.loc[name, "model"]
    columns = [table[c].to_numpy() for c in ("reading", "part", "operator")]
    operators = "fixed" if model.startswith("0 + operator") else "random"
    if "operator:part" in model:
        return nested_reml(*columns, operators=operators)
    return reml_of_columns(*columns, interaction="part:operator" in model, operators=operators)


def differences(name):
    """Relative difference of each component that lme4 has."""
    fit = fitted(name)
    expected = ESTIMATES.loc[name, list(COMPONENTS_OF_LME4)].dropna()
    found = np.array([float(getattr(fit.components, c)) for c in expected.index])
    expected = expected.to_numpy(dtype=float)
    total = expected.sum()
    zero = expected < ZERO * total
    assert (found[zero] == 0.0).all(), "a component that is 0 is exactly 0"
    assert (found[~zero] > 0.0).all()
    return fit, np.abs(found[~zero] / expected[~zero] - 1.0)


def test_the_fixtures_hold_what_they_should():
    zeros = ESTIMATES[list(COMPONENTS_OF_LME4)].lt(ZERO, axis=0).any(axis=1)
    assert len(ESTIMATES) >= 20
    assert zeros.sum() >= 8
    for _, table in READINGS.groupby("study"):
        counts = table.groupby(["part", "operator"]).size().unstack(fill_value=0)
        assert counts.nunique().max() > 1 or counts.T.nunique().max() > 1, "unbalanced"


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_components_are_lme4s(name):
    fit, relative = differences(name)
    assert relative.max() < 1e-5
    assert bool(fit.converged)


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_the_likelihood_is_lme4s_and_never_lower(name):
    found = float(fitted(name).log_likelihood)
    expected = ESTIMATES.loc[name, "log_likelihood"]
    assert found == pytest.approx(expected, abs=1e-7)
    assert found > expected - 1e-10


@pytest.mark.parametrize("name", ESTIMATES.index)
def test_means_and_their_errors_are_lme4s(name):
    fit, expected = fitted(name), MEANS.loc[[name]]
    if len(expected) == 1:
        found, error = [float(fit.mean)], [float(fit.mean_error)]
    else:
        found, error = fit.operator_means, np.sqrt(np.diagonal(fit.operator_covariance))
    assert np.asarray(found) == pytest.approx(expected.estimate.to_numpy(), rel=1e-5, abs=1e-7)
    assert np.asarray(error) == pytest.approx(expected.error.to_numpy(), rel=1e-5)


def test_boundary_flags_say_which_component_was_estimated_at_zero():
    fit = fitted("operator_and_interaction_at_zero")
    assert (bool(fit.part_at_zero), bool(fit.operator_at_zero)) == (False, True)
    assert bool(fit.interaction_at_zero)
    assert bool(fitted("nested_part_at_zero").part_at_zero)


def test_one_search_finds_the_same():
    for name in ESTIMATES.index[~ESTIMATES.model.str.contains("operator:part|0 \\+")]:
        table = READINGS[READINGS.study == name]
        columns = [table[c].to_numpy() for c in ("reading", "part", "operator")]
        interaction = "part:operator" in ESTIMATES.loc[name, "model"]
        quick = one_search(*columns, interaction=interaction)
        slow = fitted(name).components
        for component in COMPONENTS_OF_LME4:
            assert getattr(quick, component) == pytest.approx(
                getattr(slow, component), rel=1e-8, abs=1e-12, nan_ok=True
            )


# Why the likelihood is maximised here and not by statsmodels: it stops early at a zero.
# --------------------------------------------------------------------------------------


def by_mixedlm(table):
    """Crossed random effects as one group's variance components (statsmodels manual)."""
    import statsmodels.formula.api as smf

    model = smf.mixedlm(
        "reading ~ 1",
        table.assign(everything=1),
        groups="everything",
        vc_formula={
            "part": "0 + C(part)",
            "operator": "0 + C(operator)",
            "interaction": "0 + C(part):C(operator)",
        },
    )
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fit = model.fit(reml=True)
    return dict(zip(model.exog_vc.names, fit.vcomp, strict=True)), float(fit.scale), float(fit.llf)


def both(name):
    table = READINGS[READINGS.study == name]
    ours = reml_of_columns(*(table[c].to_numpy() for c in ("reading", "part", "operator")))
    return ours, *by_mixedlm(table)


@pytest.mark.parametrize("name", ["a_tenth_lost", "unequal_trials", "half_lost"])
def test_they_agree_where_every_component_is_positive(name):
    ours, variances, scale, log_likelihood = both(name)
    assert ours.log_likelihood == pytest.approx(log_likelihood, abs=1e-6)
    for component, variance in variances.items():
        assert getattr(ours.components, component) == pytest.approx(variance, rel=1e-3)
    assert ours.components.repeatability == pytest.approx(scale, rel=1e-3)


@pytest.mark.parametrize(
    "name",
    ["interaction_at_zero", "operator_and_interaction_at_zero", "all_at_zero"],
)
def test_mixedlm_stops_early_where_a_component_is_zero(name):
    ours, variances, _, log_likelihood = both(name)
    assert ours.log_likelihood > log_likelihood + 0.05
    assert ours.components.interaction == 0.0
    assert variances["interaction"] > 1e-3
