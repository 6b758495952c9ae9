import numpy as np
import pytest
import statsmodels.formula.api as smf
from pandas import DataFrame

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.unweighted_means import balanced_means, unweighted_means
from grr.model.errors import StudyError


def study(parts=6, operators=3, trials=3, seed=2):
    rng = np.random.default_rng(seed)
    return (
        rng.normal(0, 2.0, (parts, 1, 1))
        + rng.normal(0, 0.5, (1, operators, 1))
        + rng.normal(0, 0.4, (parts, operators, trials))
        + 10.0
    )


FIELDS = ("mean", "ss_part", "ss_operator", "ss_interaction", "ss_error", "cells")
FIELDS += ("trials", "operators_per_part", "parts_per_operator", "parts_per_difference")
FIELDS += ("df_interaction", "df_error")


@pytest.mark.parametrize("shape", [(6, 3, 3), (5, 2, 2), (4, 1, 3), (7, 3, 1), (2, 3, 3)])
def test_a_full_study_is_the_analysis_of_variance(shape):
    readings = study(*shape)
    expected = balanced_means(crossed_anova(readings))
    found = unweighted_means(readings)
    for name in FIELDS:
        np.testing.assert_allclose(
            getattr(found, name), getattr(expected, name), rtol=1e-9, atol=1e-12, err_msg=name
        )


def test_lost_readings_of_filled_cells_leave_row_and_column_means_of_cell_means():
    readings = study()
    readings[0, 0, 0] = readings[2, 1, 2] = readings[2, 1, 1] = np.nan
    found = unweighted_means(readings)
    cells = np.nanmean(readings, axis=-1)
    harmonic = 18 / (15 / 3 + 1 / 2 + 1 / 1 + 1 / 3)
    assert found.trials == pytest.approx(harmonic)
    assert found.mean == pytest.approx(cells.mean())
    assert found.ss_part == pytest.approx(
        3 * harmonic * np.square(cells.mean(1) - cells.mean()).sum()
    )
    assert found.ss_error == pytest.approx(np.nansum(np.square(readings - cells[..., None])))
    assert (found.df_interaction, found.df_error) == (10, 51 - 18)


def test_empty_cells_leave_the_least_squares_fit_of_the_cell_means():
    readings = study()
    readings[0, 0] = readings[3, 2] = np.nan
    filled = np.isfinite(readings).all(axis=-1)
    cells = readings[filled].mean(axis=-1)
    part, operator = np.nonzero(filled)
    table = DataFrame({"y": cells, "part": part.astype(str), "operator": operator.astype(str)})
    fit = smf.ols("y ~ C(part, Sum) + C(operator, Sum)", table).fit()
    found = unweighted_means(readings)
    assert found.mean == pytest.approx(fit.params["Intercept"], rel=1e-9)
    assert found.ss_interaction / 3 == pytest.approx(fit.ssr, rel=1e-9)
    assert found.df_interaction == fit.df_resid
    first = fit.params.filter(like="operator").to_numpy()
    effects = np.append(first, -first.sum())
    per_operator = float(found.parts_per_operator)
    assert found.ss_operator / (3 * per_operator) == pytest.approx(np.square(effects).sum())
    assert per_operator < 6
    names = [name for name in fit.params.index if "operator" in name]
    scale = fit.cov_params().loc[names, names].to_numpy() / fit.scale
    last = scale.sum()
    assert (np.trace(scale) + last) / 2 == pytest.approx(1 / per_operator, rel=1e-9)
    seen = effects / np.linalg.norm(effects)
    full = np.block([[scale, -scale.sum(1)[:, None]], [-scale.sum(0), last]])
    assert seen @ full @ seen == pytest.approx(1 / found.parts_per_difference, rel=1e-9)


def test_a_stack_with_different_gaps_gives_what_each_study_gives():
    stack = np.stack([study(seed=1), study(seed=2)])
    stack[0, 0, 0, 0] = np.nan
    stack[1, 4, 1] = np.nan
    found = unweighted_means(stack)
    for k in range(2):
        alone = unweighted_means(stack[k])
        for name in FIELDS:
            np.testing.assert_allclose(getattr(found, name)[k], getattr(alone, name), rtol=1e-9)


def test_a_large_offset_costs_no_digits():
    readings = study()
    readings[1, 1, 0] = np.nan
    near, far = unweighted_means(readings), unweighted_means(readings + 2.0**20)
    assert far.ss_error == pytest.approx(near.ss_error, rel=1e-7)
    assert far.ss_part == pytest.approx(near.ss_part, rel=1e-7)


def test_gaps_that_leave_nothing_to_estimate_are_said():
    readings = study()
    readings[2] = np.nan
    with pytest.raises(StudyError, match="part number 3"):
        unweighted_means(readings)
    apart = study(parts=4, operators=2)
    apart[:2, 1] = apart[2:, 0] = np.nan
    with pytest.raises(StudyError, match="groups"):
        unweighted_means(apart)
    chain = study(parts=4, operators=2)
    chain[:2, 1] = chain[3:, 0] = np.nan
    with pytest.raises(StudyError, match="Too few parts"):
        unweighted_means(chain)
    with pytest.raises(StudyError, match="Only one part"):
        unweighted_means(study(parts=1))


def test_operators_who_do_not_differ_at_all():
    readings = np.arange(4.0)[:, None, None] + np.zeros((4, 3, 2)) + np.array([-0.5, 0.5])
    readings[1, 2] = np.nan
    found = unweighted_means(readings)
    assert found.ss_operator == pytest.approx(0.0, abs=1e-20)
    exact = unweighted_means(np.ones((4, 3, 2)))
    assert exact.parts_per_difference == pytest.approx(exact.parts_per_operator) == 4.0


@pytest.mark.parametrize("operators", [2, 3])
def test_cells_behind_each_effect_where_one_is_empty(operators):
    readings = study(parts=5, operators=operators)
    readings[1, 0] = np.nan
    filled = np.isfinite(readings).all(axis=-1)
    part, operator = np.nonzero(filled)
    table = DataFrame({"y": readings[filled].mean(axis=-1), "part": part, "operator": operator})
    fit = smf.ols("y ~ C(part, Sum) + C(operator, Sum)", table).fit()
    found = unweighted_means(readings)
    covariance = fit.cov_params() / fit.scale
    for effect, cells in (
        ("part", found.operators_per_part),
        ("operator", found.parts_per_operator),
    ):
        names = [name for name in covariance.index if f"C({effect}," in name]
        scale = covariance.loc[names, names].to_numpy()
        # The last level is minus the sum of the others.
        assert (np.trace(scale) + scale.sum()) / len(names) == pytest.approx(1 / cells, rel=1e-9)


def test_two_parts_by_two_operators_are_just_enough():
    readings = study(parts=2, operators=2)
    expected = crossed_anova(readings)
    found = unweighted_means(readings)
    assert found.df_interaction == 1
    assert found.ss_interaction == pytest.approx(float(expected.ss_interaction), rel=1e-9)


def test_one_bad_study_of_a_stack_is_refused():
    good = study(parts=4, operators=2)
    chain = good.copy()
    chain[:2, 1] = chain[3:, 0] = np.nan
    with pytest.raises(StudyError, match="Too few parts"):
        unweighted_means(np.stack([good, chain]))
    part, operator = good.copy(), good.copy()
    part[2] = operator[:, 1] = np.nan
    with pytest.raises(StudyError, match="part number 3"):
        unweighted_means(np.stack([good, part]))
    with pytest.raises(StudyError, match="operator number 2"):
        unweighted_means(np.stack([operator, good]))


def test_studies_of_a_stack_far_apart_lose_no_digits():
    near = np.round(64 * study()) / 64
    near[1, 1, 0] = np.nan
    found = unweighted_means(np.stack([near, near + 2.0**40]))
    assert found.ss_error[1] == pytest.approx(found.ss_error[0], rel=1e-10)
    assert found.ss_part[1] == pytest.approx(found.ss_part[0], rel=1e-10)
