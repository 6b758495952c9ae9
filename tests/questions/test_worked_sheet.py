"""The worked average-and-range sheet: every line follows from its own numbers."""

from __future__ import annotations

import math
import re

import numpy as np
import pandas as pd
import pytest

import grr


def worked_out(numbers: str) -> float:
    """Compute the numbers of a line as written."""
    python = numbers.replace("²", "**2").replace("×", "*").replace("−", "-").replace("√", "sqrt")
    python = python.replace("[", "(").replace("]", ")")
    assert re.fullmatch(r"[\d.e+\-*/() sqrt]+", python), python
    return float(eval(python, {"__builtins__": {}}, {"sqrt": math.sqrt}))


def study(operators: int = 3, trials: int = 3, **facts: object) -> grr.Study:
    rng = np.random.default_rng(operators * 10 + trials)
    readings = (
        10.009
        + 1.5e-3 * rng.normal(size=(6, 1, 1))
        + 5e-4 * rng.normal(size=(1, operators, 1))
        + 2e-4 * rng.normal(size=(6, operators, trials))
    )
    index = pd.MultiIndex.from_product(
        [range(1, 7), [f"Op {i}" for i in range(operators)], range(1, trials + 1)],
        names=["part", "operator", "trial"],
    )
    table = pd.Series(np.round(readings.ravel(), 5), index, name="reading").reset_index()
    return grr.Study(table, **({"unit": "mm", "tolerance": grr.Tolerance(10.004, 10.014)} | facts))


def test_manual_example_line_by_line(manual_study: grr.Study) -> None:
    # AIAG MSA, 4th ed., chapter III section B: mean range 0.3417, range of operator means
    # 0.4446, range of part means 3.511, EV 0.20188, AV 0.22963, GRR 0.30575, PV 1.10456,
    # TV 1.14610; percent of TV 17.62, 20.04, 26.68, 96.38; ndc 5. The form rounds its
    # constants to four digits; K1 0.5908, K2 0.5231, K3 0.3146.
    sheet = grr.worked_sheet(manual_study)
    published = {
        "R̄": 0.3417, "X̄diff": 0.4446, "Rp": 3.511, "K1": 0.5908, "K2": 0.5231, "K3": 0.3146,
        "EV": 0.20188, "AV": 0.22963, "GRR": 0.30575, "PV": 1.10456, "TV": 1.14610,
        "EV, % of TV": 17.62, "AV, % of TV": 20.04, "GRR, % of TV": 26.68, "PV, % of TV": 96.38,
        "ndc": 5.09,
    }  # fmt: skip
    for symbol, value in published.items():
        assert sheet.value(symbol) == pytest.approx(value, rel=6e-4), symbol
    text = " ".join(str(sheet).split())
    assert "so 5" in text
    assert "beyond it: part 4 by B" in text


@pytest.mark.parametrize(
    "facts",
    [
        {},
        {"operators": 1},
        {"trials": 2},
        {"tolerance": None},
        {"tolerance": grr.Tolerance(upper=10.014)},
        {"process_sd": 1.5e-3},
        {"process_sd": 1e-6},
        {"parts_from": "chosen"},
        {"resolution": None, "title": "Pins"},
    ],
)
def test_every_line_follows_from_its_numbers(facts: dict) -> None:
    design = {key: facts[key] for key in ("operators", "trials") if key in facts}
    rest = {key: value for key, value in facts.items() if key not in design}
    subject = study(**design, **rest)
    sheet = grr.worked_sheet(subject)
    result = grr.average_range(subject)
    worked = 0
    for line in sheet.lines:
        if line.numbers:
            assert worked_out(line.numbers) == pytest.approx(line.value, rel=3e-4), line
            worked += 1
        assert line.source
    assert worked > 8
    for name in ("EV", "AV", "GRR", "PV", "TV"):
        assert sheet.value(name) == pytest.approx(result.value(name, "sd"), nan_ok=True)


def test_a_negative_variance_is_shown_as_zero() -> None:
    table = study().readings
    table["reading"] -= table.groupby("operator")["reading"].transform("mean")
    sheet = grr.worked_sheet(grr.Study(table, unit="mm"))
    line = next(line for line in sheet.lines if line.symbol == "AV")
    assert line.value == 0.0
    assert "below zero, so 0" in line.shown


def test_repeats_hidden_by_the_resolution_are_floored() -> None:
    table = study().readings
    table["reading"] = table["reading"].round(3)
    sheet = grr.worked_sheet(grr.Study(table, unit="mm", resolution=0.001))
    line = next(line for line in sheet.lines if line.symbol == "EV")
    assert line.value == pytest.approx(0.001 / math.sqrt(12))
    assert "under 0.3 of the resolution" in line.shown


def test_prints_within_80_columns_and_escapes_names() -> None:
    table = study().readings.replace({"operator": {"Op 1": "<script>" + "x" * 300}})
    sheet = grr.worked_sheet(grr.Study(table, unit="mm"))
    assert max(map(len, str(sheet).splitlines())) <= 80
    html = sheet._repr_html_()
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
    frame = sheet.to_frame()
    assert list(frame.columns) == [
        "quantity", "symbol", "formula", "numbers", "value", "shown", "source",
    ]  # fmt: skip
    assert len(frame) == len(sheet.lines)


def test_one_trial_is_refused() -> None:
    with pytest.raises(grr.StudyError, match="two trials"):
        grr.worked_sheet(study(trials=1))
