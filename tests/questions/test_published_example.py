"""Both methods on the manual's worked example, to the published digits."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

import grr

# AIAG MSA, 4th ed., chapter III section B, worked example.
BY_RANGES = {"EV": 0.20188, "AV": 0.22963, "GRR": 0.30575, "PV": 1.10456, "TV": 1.14610}
PERCENT_BY_RANGES = {"EV": 17.62, "AV": 20.04, "GRR": 26.68, "PV": 96.38}
BY_ANOVA = {"EV": 0.199933, "AV": 0.226838, "INT": 0.0, "GRR": 0.302373, "PV": 1.042327}
SUMS = {
    "part": (9, 88.3619),
    "operator": (2, 3.1673),
    "interaction": (18, 0.3590),
    "error": (60, 2.7589),
    "total": (89, 94.6471),
}


def test_average_and_range(manual_study: grr.Study) -> None:
    result = grr.average_range(manual_study)
    for source, sd in BY_RANGES.items():
        # The form rounds constants and averages to four digits; here nothing is rounded.
        assert result.sources.loc[source, "sd"] == pytest.approx(sd, rel=3e-4)
    for source, percent in PERCENT_BY_RANGES.items():
        assert result.sources.loc[source, "percent_tv"] == pytest.approx(percent, abs=0.01)
    assert result.ndc == 5
    assert result.ndc_exact == pytest.approx(5.09, abs=0.005)
    assert np.isnan(result.sources.loc["INT", "sd"])
    assert "INT" in result.reasons
    assert result.anova_table is None


def test_anova(manual_study: grr.Study) -> None:
    result = grr.anova(manual_study)
    for source, sd in BY_ANOVA.items():
        assert result.sources.loc[source, "sd"] == pytest.approx(sd, abs=2e-6)
    assert result.sources.loc["TV", "sd"] == pytest.approx(1.085, abs=5e-4)
    assert result.ndc == 4
    assert result.ndc_exact == pytest.approx(4.86, abs=0.005)
    assert result.pooled
    table = result.anova_table
    assert table is not None
    for row, (df, sum_sq) in SUMS.items():
        assert table.loc[row, "df"] == df
        assert table.loc[row, "sum_sq"] == pytest.approx(sum_sq, abs=5e-5)
    assert table.loc["interaction", "F"] == pytest.approx(0.434, abs=5e-4)


def test_denominators_are_named(manual_study: grr.Study) -> None:
    pooled, kept = grr.anova(manual_study), grr.anova(manual_study, interaction="keep")
    for result, name, denominator in (
        (pooled, "pooled error", "pooled error"),
        (kept, "interaction", "interaction"),
    ):
        table = result.anova_table
        assert table is not None
        for row in ("part", "operator"):
            assert table.loc[row, "tested_against"] == name
            assert table.loc[row, "F"] == pytest.approx(
                table.loc[row, "mean_sq"] / table.loc[denominator, "mean_sq"]
            )
        assert table.loc["interaction", "tested_against"] == "error"


def test_spread_of_5_15_on_request(manual_study: grr.Study) -> None:
    six, other = grr.anova(manual_study), grr.anova(manual_study, spread=5.15)
    assert other.sources.loc["GRR", "spread"] == pytest.approx(5.15 * 0.302373, rel=1e-5)
    assert other.sources.loc["GRR", "percent_tolerance"] == pytest.approx(
        six.sources.loc["GRR", "percent_tolerance"] * 5.15 / 6
    )
    assert other.sources.loc["GRR", "percent_tv"] == six.sources.loc["GRR", "percent_tv"]


def test_the_table_of_sums_of_squares_prints_in_one_unit() -> None:
    study = grr.open_study(Path(__file__).parents[2] / "demo_data" / "dowel_pin")
    table = grr.anova(study).anova_table
    text = str(table)
    assert "e-" not in text
    assert text.endswith("in µm².")
    assert "in µm²." in table._repr_html_()
    part = next(line for line in text.splitlines() if line.startswith("part "))
    assert float(part.split()[2]) == pytest.approx(table.loc["part", "sum_sq"] * 1e6, rel=5e-4)
    assert str(grr.anova(grr.Study(study.readings)).anova_table).count("µm") == 0
