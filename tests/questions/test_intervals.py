import math
from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import chi2

import grr
from by_hand import degrees_of_freedom
from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import quantity_limits
from grr.questions.intervals import interval_frame, pivots_of, specification_of
from published import manual_readings

SOURCES = ("EV", "AV", "INT", "GRR", "PV", "TV")
MEASURES = ("variance", "sd", "spread", "percent_contribution", "percent_tv", "percent_tolerance")
DRAWS = 20_000


def intervals(study, **options):
    return grr.anova(study).intervals(draws=DRAWS, **options)


def test_the_frame_has_every_quantity_with_its_estimate_inside_its_limits(manual_study):
    result = grr.anova(manual_study, interaction="keep")
    frame = result.intervals(draws=DRAWS)
    expected = [(s, m) for s in SOURCES for m in MEASURES] + [("ndc", "value"), ("ICC", "value")]
    assert list(frame.index) == expected
    assert list(frame.columns) == ["estimate", "lower", "upper", "reason"]
    assert (frame["reason"] == "").all()
    assert (frame["lower"] <= frame["estimate"]).all()
    assert (frame["estimate"] <= frame["upper"]).all()
    assert frame.at[("GRR", "sd"), "estimate"] == result.value("GRR", "sd")
    assert frame.at[("ndc", "value"), "estimate"] == result.ndc_exact


def test_the_published_example_says_little_about_three_sampled_operators(manual_study):
    frame = intervals(manual_study)
    table = crossed_anova(manual_study.cube().packed)
    # The chi-square interval of the repeatability of the model with interaction: 2.7589 with 60
    # degrees of freedom (AIAG MSA, 4th ed.), of which the spread of the variances leaves df.
    df = degrees_of_freedom(manual_readings())
    for end, tail in (("lower", 0.975), ("upper", 0.025)):
        limit = 2.7589 / 60 * df / chi2.ppf(tail, df)
        assert frame.at[("EV", "variance"), end] == pytest.approx(limit, rel=0.01)
    assert float(table.ss_error) == pytest.approx(2.7589, abs=5e-5)
    assert frame.at[("GRR", "percent_tv"), "upper"] > 2 * frame.at[("GRR", "percent_tv"), "lower"]


def test_limits_are_those_of_the_kept_interaction_whatever_the_estimate(manual_study):
    kept = grr.anova(manual_study, interaction="keep").intervals(draws=DRAWS)
    pooled = grr.anova(manual_study, interaction="pool").intervals(draws=DRAWS)
    np.testing.assert_array_equal(kept["lower"], pooled["lower"])
    np.testing.assert_array_equal(kept["upper"], pooled["upper"])
    assert kept.at[("EV", "sd"), "estimate"] != pooled.at[("EV", "sd"), "estimate"]


def test_the_same_readings_give_the_same_limits(manual_study):
    again = grr.Study(manual_readings(), tolerance=manual_study.tolerance)
    first, second = intervals(manual_study), intervals(again)
    np.testing.assert_array_equal(first["upper"], second["upper"])
    other = intervals(manual_study, seed=9)
    assert not np.array_equal(first["upper"], other["upper"])
    np.testing.assert_allclose(first["upper"].iloc[:4], other["upper"].iloc[:4], rtol=0.05)


@pytest.mark.parametrize("level", [0.0, 1.0, 1.5, 95, -1, float("nan"), "wide"])
def test_a_level_outside_0_and_1_is_refused(manual_study, level):
    with pytest.raises(grr.StudyError, match="level"):
        grr.anova(manual_study).intervals(level)


def test_one_operator_keeps_rows_with_the_reason():
    table = manual_readings()
    frame = intervals(grr.Study(table[table["operator"] == "A"], tolerance=grr.Tolerance(-4, 4)))
    for source in ("AV", "INT"):
        rows = frame.loc[source]
        assert rows["lower"].isna().all()
        assert rows["upper"].isna().all()
        assert rows["reason"].str.contains("one operator measured").all()
    assert frame.loc["GRR", "lower"].notna().all()


def test_one_trial_keeps_the_interaction_with_the_reason():
    table = manual_readings()
    frame = intervals(grr.Study(table[table["trial"] == 1], tolerance=grr.Tolerance(-4, 4)))
    assert frame.loc["INT", "reason"].str.contains("once by each operator").all()
    assert frame.loc["EV", "lower"].notna().all()


def test_chosen_parts_say_nothing_of_the_process(manual_study):
    frame = intervals(replace(manual_study, parts_from="chosen"))
    for key in (("GRR", "percent_tv"), ("PV", "sd"), ("TV", "sd"), ("ndc", "value")):
        assert math.isnan(frame.at[key, "lower"])
        assert "chosen" in frame.at[key, "reason"]
    assert frame.at[("GRR", "percent_tolerance"), "reason"] == ""
    given = intervals(replace(manual_study, parts_from="chosen", process_sd=1.2))
    assert (given["reason"] == "").all()
    assert given.at[("TV", "sd"), "lower"] == pytest.approx(1.2)


def test_a_process_sd_below_the_measuring_system_is_said(manual_study):
    frame = intervals(replace(manual_study, process_sd=0.05))
    assert "smaller than" in frame.at[("PV", "sd"), "reason"]
    assert frame.at[("GRR", "percent_tv"), "lower"] > 100.0


def test_no_tolerance_and_a_mean_past_the_only_limit_are_said():
    study = grr.Study(manual_readings())
    frame = intervals(study)
    assert "no tolerance" in frame.at[("GRR", "percent_tolerance"), "reason"]
    past = intervals(replace(study, tolerance=grr.Tolerance(upper=-1.0)))
    assert "only limit" in past.at[("GRR", "percent_tolerance"), "reason"]


def test_a_mean_that_may_lie_past_the_only_limit_leaves_the_upper_limit_open():
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(upper=0.3))
    row = intervals(study).loc[("GRR", "percent_tolerance")]
    assert row["reason"] == ""
    assert row["upper"] == math.inf
    assert row["lower"] < row["estimate"]


def test_fixed_operators_give_shorter_limits(manual_study):
    sampled = intervals(manual_study)
    fixed = intervals(replace(manual_study, operators="fixed"))
    widths = [f.at[("GRR", "sd"), "upper"] - f.at[("GRR", "sd"), "lower"] for f in (sampled, fixed)]
    assert widths[1] < widths[0] / 3.0


@pytest.mark.parametrize("operators", ["random", "fixed"])
def test_lost_readings_and_empty_cells_have_limits(operators):
    table = manual_readings()
    lost = table.index[[3, 17, 40, 41, 42]]
    whole = grr.Study(table, tolerance=grr.Tolerance(-4, 4), operators=operators)
    study = grr.Study(table.drop(lost), tolerance=grr.Tolerance(-4, 4), operators=operators)
    frame, full = intervals(study), intervals(whole)
    assert (frame["reason"] == "").all()
    for key in (("EV", "sd"), ("GRR", "sd"), ("PV", "sd")):
        assert frame.at[key, "lower"] < frame.at[key, "estimate"] < frame.at[key, "upper"]
        assert frame.at[key, "upper"] == pytest.approx(full.at[key, "upper"], rel=0.2)


def test_nested_studies_have_limits_with_and_without_gaps():
    table = manual_readings()
    table["part"] = table["operator"] + table["part"].astype(str)
    study = grr.Study(table, tolerance=grr.Tolerance(-4, 4), design="nested")
    gaps = grr.Study(table.drop([5, 6]), tolerance=grr.Tolerance(-4, 4), design="nested")
    for one in (study, gaps):
        frame = intervals(one)
        assert frame.loc["INT", "reason"].str.contains("measured by one operator only").all()
        rest = frame.drop(index="INT", level="quantity")
        assert (rest["reason"] == "").all()
        assert frame.at[("GRR", "sd"), "upper"] >= frame.at[("EV", "sd"), "upper"]


def test_readings_that_repeat_to_the_last_digit_do_not_claim_certainty():
    table = manual_readings()
    table["reading"] = table.groupby("part")["reading"].transform("first").round(1)
    study = grr.Study(table, tolerance=grr.Tolerance(-4, 4), resolution=0.1)
    frame = intervals(study)
    assert "last digit" in frame.at[("EV", "sd"), "reason"]
    assert frame.at[("GRR", "sd"), "lower"] >= 0.1 / math.sqrt(12) - 1e-12


def test_readings_all_alike_have_limits_of_nothing_but_zero():
    table = manual_readings()
    table["reading"] = 1.0
    frame = intervals(grr.Study(table, tolerance=grr.Tolerance(0, 2)))
    assert "not differ" in frame.at[("GRR", "percent_tv"), "reason"]
    assert frame.at[("GRR", "sd"), "upper"] == 0.0


def test_both_methods_of_calculation_have_the_limits_of_the_same_readings(manual_study):
    by_ranges = grr.average_range(manual_study).intervals(draws=DRAWS)
    by_anova = grr.anova(manual_study).intervals(draws=DRAWS)
    key = ("GRR", "sd")
    assert by_ranges.at[key, "lower"] == by_anova.at[key, "lower"]
    assert by_ranges.loc["INT", "lower"].isna().all()


def test_the_frame_only_labels(manual_study):
    result = grr.anova(manual_study)
    frame = interval_frame(result, level=0.9, draws=DRAWS)
    limits = quantity_limits(pivots_of(result, draws=DRAWS), specification_of(result), level=0.9)
    for key, (lower, upper) in limits.items():
        assert tuple(frame.loc[key, ["lower", "upper"]]) == (float(lower), float(upper))
