"""The demo data is what its README says, and comes out of the generator byte for byte."""

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grr
from grr.files.journal import verify

DEMO = Path(__file__).parents[2] / "demo_data"
STUDIES = sorted(path.parent for path in DEMO.glob("*/study.toml"))
PINS = ("dowel_pin", "dowel_pin_handheld", "dowel_pin_mistakes", "bushing_inch")


def truth_of(name):
    return tomllib.loads((DEMO / name / "truth.toml").read_text(encoding="utf-8"))


def test_generator_gives_the_same_bytes(tmp_path):
    script = DEMO / "make_demo_data.py"
    command = [sys.executable, "-B", str(script), str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True)
    made = [path for path in tmp_path.rglob("*") if path.is_file() and path.suffix != ".lock"]
    assert len(made) >= 3 * len(PINS) + 3
    for path in made:
        kept = DEMO / path.relative_to(tmp_path)
        assert path.read_bytes() == kept.read_bytes(), path.name


@pytest.mark.parametrize("folder", STUDIES, ids=lambda folder: folder.name)
def test_every_demo_study_says_that_it_is_invented(folder):
    study = grr.open_study(folder)
    assert study.example
    assert "invented" in study.title


@pytest.mark.parametrize("name", ["dowel_pin", "dowel_pin_handheld", "bushing_inch"])
def test_journals_are_whole(name):
    assert verify(DEMO / name / "readings.csv") is None
    study = grr.open_study(DEMO / name)
    assert (len(study.parts), len(study.operator_names), study.trials) == (10, 3, 3)
    assert study.readings["time"].is_monotonic_increasing
    assert study.readings["order"].tolist() == list(range(1, 91))


@pytest.mark.parametrize(
    ("name", "decision"),
    [
        ("dowel_pin", "USE"),
        ("dowel_pin_handheld", "DO NOT USE FOR THIS TOLERANCE"),
        ("bushing_inch", "NOT DECIDED YET"),
    ],
)
def test_each_study_decides_as_the_readme_says(name, decision):
    study = grr.open_study(DEMO / name)
    assert not grr.check(study).must_mend
    assert str(grr.verdict(grr.anova(study)).decision) == decision


def test_two_days_each_show_the_zero_and_blame_nobody():
    study, truth = grr.open_study(DEMO / "dowel_pin_two_days"), truth_of("dowel_pin_two_days")
    zeros = np.array(list(truth["zeros_in_micrometres"].values()))
    assert zeros.shape == (3, 2)
    result = grr.anova(study)
    # Within each person two zeros; the readings behind each are many, so little else is in it.
    drawn = float(np.sqrt(zeros.var(axis=1, ddof=1).mean()))
    assert result.value("SES", "sd") * 1000 == pytest.approx(drawn, rel=0.1)
    low, high = (result.intervals()[end]["SES", "sd"] * 1000 for end in ("lower", "upper"))
    assert low < truth["zero_scatter_in_micrometres"] < high
    assert [cause.kind for cause in grr.assess(study).causes if cause.kind != "repeatability"] == [
        "sessions"
    ]
    assert not grr.check(study).must_mend
    assert str(grr.verdict(result).decision) == "USE WITH LIMITS"


def test_components_are_near_the_truth_they_were_made_from():
    study, truth = grr.open_study(DEMO / "dowel_pin"), truth_of("dowel_pin")
    people = truth["operators_in_micrometres"].values()
    offsets = np.array([person["offset"] for person in people])
    variances = {
        # a repeat scatters, and is rounded to 0.1 µm
        "EV": np.mean([person["scatter"] ** 2 for person in people]) + 0.1**2 / 12,
        "AV": np.var(offsets, ddof=1),
    }
    sources = grr.anova(study).sources
    # 60 degrees of freedom behind EV: within a third of its sd; AV rests on three people
    assert sources.loc["EV", "sd"] * 1000 == pytest.approx(variances["EV"] ** 0.5, rel=0.3)
    assert sources.loc["AV", "sd"] * 1000 == pytest.approx(variances["AV"] ** 0.5, abs=0.02)
    means = study.readings.groupby("part")["reading"].mean()
    for part, size in truth["true_sizes"].items():
        assert means[part] == pytest.approx(size + offsets.mean() / 1000, abs=0.0001)


def test_bare_hand_reads_lower_and_lower():
    table = grr.open_study(DEMO / "dowel_pin_handheld").readings
    trials = table.groupby(["operator", "trial"])["reading"].mean().unstack() * 1000
    assert (trials[3] - trials[1])["Miro"] < -0.3
    assert (trials[3] - trials[1]).drop("Miro").abs().max() < 0.05


def test_planted_mistakes_are_found():
    study, truth = grr.open_study(DEMO / "dowel_pin_mistakes"), truth_of("dowel_pin_mistakes")
    planted = [line.split(":")[0] for line in truth["planted"]]
    assert planted == [
        *("exchanged parts", "copied trial", "one part out", "factor", "factor"),
        *("range beyond limit", "incomplete"),
    ]
    found = grr.check(study)
    places = {
        "exchanged parts": ["parts 5 and 10, operator Jonas, every trial"],
        "copied trial": ["operator Ilka, trials 2 and 3"],
        "one part out": ["operator Miro, trial 2"],
        "factor": ["part 2, operator Ilka, trial 1", "part 9, operator Miro, trial 1"],
    }
    for topic, where in places.items():
        assert [finding.place for finding in found.about(topic)] == where
    (missing,) = found.about("incomplete")
    assert "part 4, operator Jonas, trial 2" in missing.what


def test_planted_outlier_is_found_once_the_gross_errors_are_mended():
    study = grr.open_study(DEMO / "dowel_pin_mistakes")
    table = study.readings
    gross = (table["reading"] > 50) | (table["reading"] < 5)
    table.loc[gross, "reading"] = np.nan
    mended = grr.Study(table, tolerance=study.tolerance, unit="mm", resolution=0.0001)
    (line,) = [x for x in truth_of("dowel_pin_mistakes")["planted"] if x.startswith("range")]
    part = line.split("pin ")[1].split(",")[0]
    (told,) = grr.check(mended).about("range beyond limit")  # Miro's trial 2 is one part out
    assert f"part {part}, operator Miro" in told.what


def test_old_forms_hold_the_same_readings():
    tables = {
        name: grr.read_readings(DEMO / name).set_index(["part", "operator", "trial"])["reading"]
        for name in ("old_form.xlsx", "old_form_parts_down.csv", "old_form_parts_across.csv")
    }
    first, down, across = tables.values()
    assert len(first) == len(down) == len(across) == 90
    pd.testing.assert_series_equal(down.sort_index(), across.sort_index())
    assert first.isna().sum() == 1
    pd.testing.assert_series_equal(
        first.dropna().sort_index(), down[first.dropna().index].sort_index()
    )


def test_old_form_is_described_for_confirmation():
    readings = grr.read_readings(DEMO / "old_form.xlsx")
    taken, text = readings.attrs["taken"], grr.describe_reading(readings)
    assert (readings["reading"].count(), readings["trial"].nunique()) == (89, 3)
    assert (len(taken["parts"]), len(taken["operators"])) == (10, 3)
    assert (readings.attrs["unit"], taken["unit_from"]) == ("mm", "row 4")
    assert taken["missing"] == ("part 6, operator Jonas, trial 3 in D29",)
    assert "row 21: Operator: Jonas" in taken["stated"]
    for told in ("89 readings", "10 parts", taken["missing"][0], "row 21: Operator: Jonas"):
        assert told in text
