"""The micrometer's demo data comes out of its generator, and the analysis finds its truth."""

import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grr

DEMO = Path(__file__).parents[2] / "demo_data"
FOLDER = DEMO / "micrometer_25"
TRUTH = tomllib.loads((FOLDER / "truth.toml").read_text(encoding="utf-8"))
TOLERANCE = grr.Tolerance(10.006, 10.012)


def micrometres(values):
    return 1000.0 * np.asarray(values, dtype=float)


def checks(**more):
    table = grr.read_columns(FOLDER / "checks.csv")
    return grr.stability(table, unit="mm", resolution=0.0001, tolerance=TOLERANCE, **more)


def test_generator_gives_the_same_bytes(tmp_path):
    command = [sys.executable, "-B", str(DEMO / "make_qualification_data.py"), str(tmp_path)]
    subprocess.run(command, check=True, capture_output=True)
    made = sorted((tmp_path / FOLDER.name).iterdir())
    assert [path.name for path in made] == sorted(path.name for path in FOLDER.iterdir())
    for path in made:
        assert path.read_bytes() == (FOLDER / path.name).read_bytes(), path.name


def test_the_reference_study_holds_the_true_bias_and_repeatability():
    result = grr.reference_study(
        grr.read_columns(FOLDER / "reference.csv"),
        reference=TRUTH["reference_mm"],
        expanded_uncertainty=0.000055,
        unit="mm",
        resolution=0.0001,
        tolerance=TOLERANCE,
    )
    bias = result.bias_with_reference
    assert micrometres(bias.lower) < TRUTH["bias_at_reference"] < micrometres(bias.upper)
    row = result.to_frame().loc["repeatability_sd"]
    # rounding to 0.1 µm adds its own variance
    true = np.hypot(TRUTH["repeatability"], 0.1 / np.sqrt(12))
    assert micrometres(row["lower"]) < true < micrometres(row["upper"])


def test_the_range_holds_the_true_slope_and_the_screws_error():
    result = grr.linearity(grr.read_columns(FOLDER / "blocks.csv"), unit="mm", pitch=0.5)
    assert len(result.gauge_blocks.values) == 11 and result.line.by_block
    slope = result.slope
    assert micrometres(slope.lower) < TRUTH["slope_per_mm"] < micrometres(slope.upper)
    wave = result.pitch
    assert micrometres(wave.lower) < TRUTH["pitch_error"] < micrometres(wave.upper)


def test_the_checks_hold_the_true_shift_and_no_drift():
    result = checks(baseline=12)
    assert len(result.means) == 24
    assert result.step.first_after == TRUTH["first_check_after_shift"] - 1
    assert micrometres(result.step.size) == pytest.approx(TRUTH["shift"], abs=0.15)
    assert result.drift.lower < TRUTH["drift_per_year"] < result.drift.upper
    assert result.alarm_now
    assert result.last_good == result.step_between[0]


def test_before_the_shift_nothing_alarms():
    table = pd.read_csv(FOLDER / "checks.csv").rename(columns={"reading (mm)": "reading"})
    result = grr.stability(table[: TRUTH["first_check_after_shift"] - 1], unit="mm", baseline=12)
    assert not result.signals and result.step is None
