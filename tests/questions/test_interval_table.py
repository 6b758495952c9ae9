"""The labelled intervals: complete, seeded, honest about what is not estimated."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import chi2

import grr
from by_hand import degrees_of_freedom
from published import manual_readings


def test_every_quantity_is_there_and_lies_in_order(manual_study: grr.Study) -> None:
    table = grr.anova(manual_study, interaction="keep").intervals()
    assert isinstance(table, pd.DataFrame)
    assert list(table.columns) == ["estimate", "lower", "upper", "reason"]
    for source in ("EV", "AV", "INT", "GRR", "PV", "TV"):
        for measure in ("variance", "sd", "spread", "percent_contribution", "percent_tv"):
            row = table.loc[(source, measure)]
            assert row["lower"] <= row["upper"]
    for key in (("GRR", "percent_tolerance"), ("ndc", "value"), ("ICC", "value")):
        row = table.loc[key]
        assert row["lower"] < row["estimate"] < row["upper"]


def test_repeatability_is_the_chi_square_interval_of_the_variances_seen(
    manual_study: grr.Study,
) -> None:
    # Mean square × ν/χ²(ν), ν the least of 60 and of what the variances of cells, parts and
    # operators show by Satterthwaite; the draws come within half a percent.
    row = grr.anova(manual_study).intervals().loc[("EV", "variance")]
    mean_sq, df = 2.7589333333333332 / 60, degrees_of_freedom(manual_readings())
    assert 2.0 < df < 60.0
    assert row["lower"] == pytest.approx(mean_sq * df / chi2.ppf(0.975, df), rel=0.005)
    assert row["upper"] == pytest.approx(mean_sq * df / chi2.ppf(0.025, df), rel=0.005)


def test_the_same_from_run_to_run_and_another_with_another_seed(manual_study: grr.Study) -> None:
    result = grr.anova(manual_study)
    first, second = result.intervals(), grr.anova(manual_study).intervals()
    pd.testing.assert_frame_equal(first, second)
    other = result.intervals(seed=7)
    assert other.loc[("GRR", "sd"), "upper"] != first.loc[("GRR", "sd"), "upper"]
    assert other.loc[("GRR", "sd"), "upper"] == pytest.approx(
        first.loc[("GRR", "sd"), "upper"], rel=0.05
    )


def test_a_higher_level_is_wider(manual_study: grr.Study) -> None:
    result = grr.anova(manual_study)
    wide, narrow = (result.intervals(level).loc[("GRR", "sd")] for level in (0.99, 0.8))
    assert wide["lower"] < narrow["lower"] < narrow["upper"] < wide["upper"]


def test_what_is_not_estimated_says_why() -> None:
    readings = manual_readings()
    one_operator = grr.anova(grr.Study(readings.query("operator == 'A'"))).intervals()
    row = one_operator.loc[("AV", "sd")]
    assert np.isnan(row["lower"])
    assert "one operator" in row["reason"]
    one_trial = grr.anova(grr.Study(readings.query("trial == 1"))).intervals()
    assert "told from repeatability" in one_trial.loc[("INT", "sd"), "reason"]
    chosen = grr.anova(grr.Study(readings, parts_from="chosen")).intervals()
    assert "chosen" in chosen.loc[("ndc", "value"), "reason"]


def test_missing_readings_and_nested_studies_have_intervals_too() -> None:
    readings = manual_readings()
    lost = grr.anova(grr.Study(readings.drop(index=[3, 40, 77]))).intervals()
    assert lost.loc[("GRR", "sd"), "upper"] > 0.3
    apart = readings.assign(part=readings["operator"] + readings["part"].astype(str))
    nested = grr.anova(grr.Study(apart, design="nested")).intervals()
    assert nested.loc[("EV", "sd"), "lower"] > 0.15
    assert "one operator only" in nested.loc[("INT", "sd"), "reason"]


def test_both_methods_share_the_intervals_of_the_readings(manual_study: grr.Study) -> None:
    by_anova = grr.anova(manual_study).intervals()
    by_ranges = grr.average_range(manual_study).intervals()
    assert by_anova.loc[("GRR", "sd"), "lower"] == by_ranges.loc[("GRR", "sd"), "lower"]


def test_printing(manual_study: grr.Study) -> None:
    table = grr.anova(manual_study).intervals()
    assert max(map(len, str(table).splitlines())) <= 80
    assert "two-sided 95 %" in str(table)
    assert "<script" not in table._repr_html_()


def test_by_ranges_operators_are_a_sample_in_estimate_and_limits() -> None:
    fixed = grr.Study(manual_readings(), operators="fixed")
    sampled = grr.Study(manual_readings(), operators="random")
    pd.testing.assert_frame_equal(
        grr.average_range(fixed).intervals().to_frame(),
        grr.average_range(sampled).intervals().to_frame(),
    )
    by_anova = grr.anova(fixed).intervals()
    assert by_anova.loc[("AV", "sd"), "upper"] < 0.5
