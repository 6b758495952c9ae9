"""The estimator fits the study, says so, and drops nothing."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import grr
from published import manual_readings


def test_missing_readings_are_estimated_by_reml_and_said_so() -> None:
    readings = manual_readings()
    readings.loc[[3, 40, 77], "reading"] = np.nan
    result = grr.anova(grr.Study(readings, tolerance=grr.Tolerance(-4, 4)))
    assert result.estimator.startswith("Restricted maximum likelihood")
    assert result.anova_table is None
    assert "no table" in result.anova_table_reason
    # Three of 90 readings less: close to the complete study.
    assert result.sources.loc["GRR", "sd"] == pytest.approx(0.3024, rel=0.05)


def test_absent_rows_and_empty_cells_are_the_same() -> None:
    empty = manual_readings()
    empty.loc[[3, 40, 77], "reading"] = np.nan
    absent = manual_readings().drop(index=[3, 40, 77])
    pd.testing.assert_frame_equal(
        grr.anova(grr.Study(empty)).sources, grr.anova(grr.Study(absent)).sources
    )


@pytest.mark.parametrize("interaction", ["keep", "pool"])
def test_reml_equals_anova_where_nothing_is_missing(interaction: str) -> None:
    rng = np.random.default_rng(3)
    cube = (
        rng.normal(size=(8, 1, 1))
        + 0.5 * rng.normal(size=(1, 4, 1))
        + 0.4 * rng.normal(size=(8, 4, 1))
        + 0.2 * rng.normal(size=(8, 4, 2))
    )
    part, operator, trial = np.indices(cube.shape)
    table = pd.DataFrame(
        {"part": part.ravel(), "operator": operator.ravel(), "trial": trial.ravel() + 1}
    ).assign(reading=cube.ravel())
    balanced = grr.anova(grr.Study(table), interaction=interaction)
    assert not balanced.below_zero
    # One part that a fifth operator measured once leaves the rest as it was, nearly; so
    # compare on the same data through the other estimator instead.
    from grr.questions.gauge import incomplete_result

    reml = incomplete_result(grr.Study(table), interaction=interaction, pool_above=0.25, spread=6.0)
    for source in ("EV", "AV", "GRR", "PV", "TV"):
        assert reml.sources.loc[source, "sd"] == pytest.approx(
            balanced.sources.loc[source, "sd"], rel=1e-6
        )


def test_one_operator_with_a_lost_reading() -> None:
    readings = manual_readings().query("operator == 'A'").reset_index(drop=True)
    readings.loc[5, "reading"] = np.nan
    result = grr.anova(grr.Study(readings))
    assert np.isnan(result.sources.loc["AV", "sd"])
    assert result.sources.loc["EV", "sd"] == pytest.approx(0.1, rel=0.5)


def test_average_and_range_says_what_it_needs() -> None:
    with pytest.raises(grr.StudyError, match="every one"):
        grr.average_range(grr.Study(manual_readings().drop(index=[5])))


def nested_readings() -> pd.DataFrame:
    readings = manual_readings()
    return readings.assign(part=readings["operator"] + readings["part"].astype(str))


def test_a_nested_study_is_proposed_and_not_assumed() -> None:
    with pytest.raises(grr.StudyError, match="design='nested'"):
        grr.anova(grr.Study(nested_readings()))


def test_nested_study_equals_its_mean_squares_by_hand() -> None:
    readings = nested_readings()
    result = grr.anova(grr.Study(readings, design="nested"))
    means = readings.groupby(["operator", "part"])["reading"].mean()
    within = readings["reading"] - readings.groupby("part")["reading"].transform("mean")
    ms_error = (within**2).sum() / 60
    of_operator = means.groupby("operator").mean()
    ms_part = 3 * ((means - of_operator.reindex(means.index, level=0)) ** 2).sum() / 27
    assert result.sources.loc["EV", "variance"] == pytest.approx(ms_error)
    assert result.sources.loc["PV", "variance"] == pytest.approx((ms_part - ms_error) / 3)
    assert np.isnan(result.sources.loc["INT", "sd"])
    table = result.anova_table
    assert table is not None
    assert table.loc["operator", "tested_against"] == "part"
    assert table.loc["part", "F"] == pytest.approx(ms_part / ms_error)


def test_ranges_need_a_crossed_study_and_say_so() -> None:
    with pytest.raises(grr.StudyError, match="crossed") as caught:
        grr.average_range(grr.Study(nested_readings(), design="nested"))
    assert "missing" not in str(caught.value)


def test_nested_study_with_lost_readings() -> None:
    result = grr.anova(grr.Study(nested_readings().drop(index=[0, 40]), design="nested"))
    assert "nested" in result.estimator
    assert result.anova_table is None
    assert result.sources.loc["EV", "sd"] == pytest.approx(0.21, rel=0.1)
