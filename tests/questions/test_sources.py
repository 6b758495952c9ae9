"""Tolerances, process sd, missing operators or trials, negative estimates, rounding."""

from __future__ import annotations

import math

import numpy as np
import pandas as pd
import pytest

import grr
from grr.model.rounding import figures
from published import manual_readings


def table(cube: np.ndarray) -> pd.DataFrame:
    part, operator, trial = np.indices(cube.shape)
    return pd.DataFrame(
        {
            "part": part.ravel() + 1,
            "operator": np.array(list("ABCDEFGHIJ"))[operator.ravel()],
            "trial": trial.ravel() + 1,
            "reading": cube.ravel(),
        }
    )


def test_one_sided_tolerance_uses_half_the_spread_and_the_distance_of_the_mean() -> None:
    readings = manual_readings()
    mean = readings["reading"].mean()
    for limits, distance in (({"upper": 3.0}, 3.0 - mean), ({"lower": -2.0}, mean + 2.0)):
        result = grr.anova(grr.Study(readings, tolerance=grr.Tolerance(**limits)))
        expected = 100 * 3 * result.sources.loc["GRR", "sd"] / distance
        assert result.sources.loc["GRR", "percent_tolerance"] == pytest.approx(expected)
    given = grr.Study(readings, tolerance=grr.Tolerance(upper=3.0), process_mean=1.0)
    result = grr.anova(given)
    assert result.sources.loc["GRR", "percent_tolerance"] == pytest.approx(
        100 * 3 * result.sources.loc["GRR", "sd"] / 2.0
    )


def test_mean_past_the_only_limit_is_not_computable_and_says_why() -> None:
    result = grr.anova(grr.Study(manual_readings(), tolerance=grr.Tolerance(upper=-0.5)))
    assert result.sources["percent_tolerance"].isna().all()
    why = result.estimate("GRR", "percent_tolerance").why
    assert why == result.reasons["percent_tolerance"]
    assert why in " ".join(str(result).split())
    assert grr.verdict(result).decision == "NOT DECIDED YET"


def test_process_sd_replaces_total_variation() -> None:
    result = grr.anova(grr.Study(manual_readings(), process_sd=2.0))
    grr_sd = result.sources.loc["GRR", "sd"]
    assert result.sources.loc["TV", "sd"] == 2.0
    assert result.sources.loc["PV", "sd"] == pytest.approx(np.sqrt(4.0 - grr_sd**2))
    assert result.sources.loc["GRR", "percent_tv"] == pytest.approx(100 * grr_sd / 2.0)
    too_small = grr.anova(grr.Study(manual_readings(), process_sd=0.2))
    assert np.isnan(too_small.sources.loc["PV", "sd"])
    assert too_small.reasons["PV"]
    assert too_small.ndc is None


def test_one_operator() -> None:
    readings = manual_readings()
    result = grr.anova(grr.Study(readings[readings["operator"] == "A"]))
    assert np.isnan(result.sources.loc["AV", "sd"])
    assert result.sources.loc["GRR", "sd"] == result.sources.loc["EV", "sd"]
    assert set(result.reasons) >= {"AV", "INT"} and result.reasons["AV"] == result.reasons["INT"]
    assert any("the interaction" in note for note in result.notes)
    ranges = grr.average_range(grr.Study(readings[readings["operator"] == "A"]))
    assert np.isnan(ranges.sources.loc["AV", "sd"])


def test_one_trial() -> None:
    readings = manual_readings()
    study = grr.Study(readings[readings["trial"] == 1])
    result = grr.anova(study)
    assert np.isnan(result.sources.loc["INT", "sd"])
    assert "repeatability" in result.reasons["INT"]
    with pytest.raises(grr.StudyError, match="two trials"):
        grr.average_range(study)
    with pytest.raises(grr.StudyError, match="twice"):
        grr.anova(grr.Study(readings[(readings["trial"] == 1) & (readings["operator"] == "A")]))


def test_negative_estimates_are_shown_as_0_and_labelled() -> None:
    result = grr.anova(grr.Study(manual_readings()), interaction="keep")
    assert result.below_zero == ("INT",)
    assert result.sources.loc["INT", "variance"] == 0.0
    assert str(result).count("below zero") >= 2  # in the table, and in a note
    shown = result.sources.loc[["EV", "AV", "INT"], "variance"].sum()
    assert result.sources.loc["GRR", "variance"] == pytest.approx(shown, rel=1e-12)
    table = result.anova_table["mean_sq"]
    estimated = shown + (table["interaction"] - table["error"]) / 3
    in_table = figures(6.0 * math.sqrt(estimated), 4)
    assert any(f"it would be {in_table}" in n for n in result.notes)


def test_rounding_floor() -> None:
    rng = np.random.default_rng(2)
    cube = np.round(10 + 0.002 * rng.normal(size=(8, 1, 1)) + np.zeros((8, 3, 3)), 3)
    cube[0, 0, 0] += 0.001
    study = grr.Study(table(np.round(cube, 3)), resolution=0.001)
    for result in (grr.anova(study), grr.average_range(study)):
        assert result.floored
        assert result.sources.loc["EV", "sd"] == pytest.approx(0.001 / np.sqrt(12))
        assert any("√12" in note for note in result.notes)
        assert result.sources.loc["GRR", "sd"] >= result.sources.loc["EV", "sd"] * (1 - 1e-12)


def test_chosen_parts_give_no_percent_of_total_variation() -> None:
    result = grr.anova(grr.Study(manual_readings(), parts_from="chosen"))
    assert result.sources["percent_tv"].isna().all()
    assert result.ndc is None
    assert "chosen" in result.reasons["percent_tv"]
    given = grr.anova(grr.Study(manual_readings(), parts_from="chosen", process_sd=1.1))
    assert given.ndc is not None


def test_uneven_trial_numbers_are_still_balanced() -> None:
    readings = manual_readings()
    renumbered = readings.assign(
        trial=readings["trial"] + (readings["operator"] == "B").astype(int) * 5
    )
    first, second = grr.anova(grr.Study(readings)), grr.anova(grr.Study(renumbered))
    pd.testing.assert_frame_equal(first.sources, second.sources)


def test_printing_fits_80_columns(manual_study: grr.Study) -> None:
    for result in (
        grr.anova(manual_study),
        grr.anova(manual_study, interaction="keep"),
        grr.average_range(manual_study),
        grr.verdict(grr.anova(manual_study)),
        grr.check(manual_study),
    ):
        assert max(map(len, str(result).splitlines())) <= 80
        assert result._repr_html_()
        assert isinstance(result.to_frame(), pd.DataFrame)


@pytest.mark.parametrize(
    ("limits", "shown"),
    [
        ((10.006, 10.012), "10.0060 to 10.0120 mm (10 mm +6/+12 µm)"),
        ((9.99, 10.01), "9.9900 to 10.0100 mm (10 mm ± 10 µm)"),
        ((9.99, 9.996), "9.9900 to 9.9960 mm (10 mm −10/−4 µm)"),
        ((10.0, 10.012), "10.0000 to 10.0120 mm (10 mm 0/+12 µm)"),
        ((None, 10.012), "at most 10.0120 mm (10 mm +12 µm)"),
    ],
)
def test_deviations_are_shown_beside_sizes(
    limits: tuple[float | None, float | None], shown: str
) -> None:
    study = grr.Study(
        manual_readings(), tolerance=grr.Tolerance(*limits), unit="mm", facts={"nominal": 10.0}
    )
    assert shown in str(grr.anova(study))
