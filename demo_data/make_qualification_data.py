"""Invented readings of a new micrometer, 0 to 25 mm: a block, blocks over the range, checks.

Run ``python demo_data/make_qualification_data.py`` in the checkout. The same seed gives the
same bytes; a test compares.
"""

from __future__ import annotations

import math
import sys
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import tomli_w
from numpy.typing import NDArray

FOLDER = "micrometer_25"
RESOLUTION = 0.0001
#: The truth, in µm where nothing else is said: bias + slope·size + the screw's sinusoid.
BIAS, SLOPE_PER_MM = 0.05, 0.006
PITCH_MM, PITCH_ERROR, PITCH_PHASE = 0.5, 0.22, -0.2
REPEATABILITY = 0.08
#: Closed faces, and blocks that stop the spindle at different angles of turn.
SIZES = (0.0, 2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0)
REPEATS = 5
#: Expanded uncertainty of a block, k = 2: U = 0.05 µm + 0.0005·size; half of it in common.
BLOCK_U, BLOCK_U_PER_MM, SHARED = 0.05, 0.0005, 0.5
REFERENCE, REFERENCE_READINGS = 10.0, 50
FIRST_CHECK, CHECKS, SHIFT_AT, SHIFT = date(2024, 10, 7), 24, 16, 0.45
DAY_TO_DAY = 0.06
SEED, CHECKS_SEED = 20270107, 18


def true_bias(size: float | NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the gauge's bias at a size in mm, in µm."""
    turn = 2.0 * math.pi * np.asarray(size) / PITCH_MM
    return BIAS + SLOPE_PER_MM * np.asarray(size) + PITCH_ERROR * np.sin(turn + PITCH_PHASE)


def expanded_u(size: float) -> float:
    """Return the expanded uncertainty of a block, in µm; closed faces have none."""
    return BLOCK_U + BLOCK_U_PER_MM * size if size > 0.0 else 0.0


def shown(size: float, error: float) -> str:
    """Return a reading as the gauge shows it: size in mm, error in µm."""
    return f"{round((size + error / 1000.0) / RESOLUTION) * RESOLUTION:.4f}"


def make_qualification_data(target: Path) -> None:
    """Write the three files and the truth into ``target/micrometer_25``."""
    folder = target / FOLDER
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(SEED)
    block_errors = _block_errors(rng)
    _write(folder / "blocks.csv", _blocks(rng, block_errors))
    _write(folder / "reference.csv", _reference(rng, block_errors))
    _write(folder / "checks.csv", _checks(np.random.default_rng(CHECKS_SEED)))
    _write_truth(folder, block_errors)


def _block_errors(rng: np.random.Generator) -> dict[float, float]:
    """Return calibrated minus true size of each block and of the reference, in µm."""
    common = rng.normal()
    errors = {}
    for size in (*SIZES, REFERENCE):
        mixed = math.sqrt(SHARED) * common + math.sqrt(1.0 - SHARED) * rng.normal()
        errors[size] = round(0.5 * expanded_u(size) * mixed, 4)
    return errors


def _blocks(rng: np.random.Generator, errors: dict[float, float]) -> list[str]:
    rows = ["reference (mm),reading (mm),expanded_uncertainty (mm)"]
    for _ in range(REPEATS):
        for size in rng.permutation(SIZES).tolist():
            error = float(true_bias(size)) - errors[size] + rng.normal(0.0, REPEATABILITY)
            rows.append(f"{size:.4f},{shown(size, error)},{expanded_u(size) / 1000.0:.6f}")
    return rows


def _reference(rng: np.random.Generator, errors: dict[float, float]) -> list[str]:
    bias = float(true_bias(REFERENCE)) - errors[REFERENCE]
    readings = bias + rng.normal(0.0, REPEATABILITY, REFERENCE_READINGS)
    return ["reading (mm)", *(shown(REFERENCE, error) for error in readings.tolist())]


def _checks(rng: np.random.Generator) -> list[str]:
    rows = ["time,reading (mm)"]
    scatter = math.hypot(REPEATABILITY, DAY_TO_DAY)
    for number in range(CHECKS):
        day = FIRST_CHECK + timedelta(days=round(number * 30.44 + rng.uniform(-3, 3)))
        error = float(true_bias(REFERENCE)) + rng.normal(0.0, scatter)
        error += SHIFT if number >= SHIFT_AT else 0.0
        rows.append(f"{day},{shown(REFERENCE, error)}")
    return rows


def _write(path: Path, rows: list[str]) -> None:
    path.write_text("\n".join(rows) + "\n", encoding="utf-8", newline="\n")


def _write_truth(folder: Path, errors: dict[float, float]) -> None:
    truth = {
        "note": "Invented. Lengths in µm where nothing else is said; sizes in mm.",
        "bias": BIAS,
        "slope_per_mm": SLOPE_PER_MM,
        "pitch_mm": PITCH_MM,
        "pitch_error": PITCH_ERROR,
        "pitch_phase_radian": PITCH_PHASE,
        "repeatability": REPEATABILITY,
        "day_to_day": DAY_TO_DAY,
        "reference_mm": REFERENCE,
        "bias_at_reference": round(float(true_bias(REFERENCE)), 4),
        "first_check_after_shift": SHIFT_AT + 1,
        "shift": SHIFT,
        "drift_per_year": 0.0,
        "block_errors": {f"{size:g}": error for size, error in errors.items()},
    }
    text = f"# What the invented readings were made from.\n\n{tomli_w.dumps(truth)}"
    (folder / "truth.toml").write_text(text, encoding="utf-8", newline="\n")


if __name__ == "__main__":
    make_qualification_data(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)
