"""Short versions of tests/coverage/qualification.py, which holds the full table."""

import importlib.util
from pathlib import Path

import pytest

SCRIPT = Path(__file__).parents[1] / "coverage" / "qualification.py"


@pytest.fixture(scope="module")
def script():
    spec = importlib.util.spec_from_file_location("qualification_coverage", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def by_row(rows):
    return {(quantity, setting): value for quantity, setting, value in rows}


def test_bias_is_held(script):
    for (quantity, setting), value in by_row(script.bias_rows(2000)).items():
        if "left out" not in quantity:
            assert 93.0 <= value <= 97.0, (quantity, setting)


def test_slope_is_held_as_chosen_by_lack_of_fit(script):
    rows = by_row(script.slope_rows(2000))
    for (quantity, setting), value in rows.items():
        if quantity in {"slope, block means", "slope, chosen by lack of fit at 0.25"}:
            assert 92.0 <= value <= 98.0, (quantity, setting)
    worst = min(v for (q, _), v in rows.items() if q == "slope, all readings")
    assert worst < 80.0  # what taking every reading as independent would do


def test_the_band_holds_the_line_with_correlated_blocks(script):
    for (quantity, setting), value in by_row(script.band_rows(2000)).items():
        assert 93.0 <= value <= 98.0, (quantity, setting)


def test_drift_is_held_without_a_step_and_beside_a_large_one(script):
    rows = by_row(script.drift_rows(2000))
    held = {setting: value for (quantity, setting), value in rows.items() if quantity == "drift"}
    for setting in ("drift 0 sd a month, step 0 sd", "drift 0.1 sd a month, step 0 sd"):
        assert 93.0 <= held[setting] <= 97.0
    assert held["drift 0 sd a month, step 5 sd"] >= 91.0


def test_the_running_mean_seldom_alarms_for_nothing(script):
    for (quantity, setting), value in by_row(script.running_mean_rows(3000)).items():
        if quantity.startswith("false alarm"):
            most = 5.0 if setting.endswith("not rounded") else 9.0
            assert value < most, (quantity, setting)


def test_the_committed_table_names_every_part(script):
    text = SCRIPT.with_suffix(".md").read_text(encoding="utf-8")
    for title, _, note in script.PARTS:
        assert f"## {title}" in text and note in text
