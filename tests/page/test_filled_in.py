"""Every filled-in formula gives the number that it claims to give."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from studies import SHAPES

import grr
from grr.model.units import conversion, fine_unit
from grr.page.filled_in import filled_in

#: What a filled-in line may hold besides numbers.
_SIGNS = (("−", "-"), ("×", "*"), ("²", "**2"), ("√", "sqrt"), ("[", "("), ("]", ")"))


def worth(text: str) -> float | None:
    """The value of a piece between two equal signs; None where it is words."""
    for sign, meaning in _SIGNS:
        text = text.replace(sign, meaning)
    text = re.sub(r"\s*(%|mm|in|µm|µin)\s*$", "", text.replace("\u00a0", " ").strip())
    text = re.sub(r"sqrt(-?\d[\d.]*(?:e[+-]?\d+)?)", r"sqrt(\1)", text)
    if re.search(r"[^\d.()+\-*/ esqrt]", text) or not re.search(r"\d", text):
        return None
    return float(eval(text, {"__builtins__": {}, "sqrt": math.sqrt}))


def numeric_steps(line: str) -> list[float]:
    """The values of the steps of a line that are numbers; what follows a comma is a remark."""
    steps = [step.split(", ")[0] for step in line.split(" = ")]
    return [value for value in map(worth, steps) if value is not None]


def nested() -> grr.Study:
    table = SHAPES["manual"]().readings
    table["part"] = table["part"] + " of " + table["operator"]
    return grr.Study(table, design="nested", tolerance=grr.Tolerance(-4.0, 4.0), unit="mm")


def fixed(shape: str) -> grr.Study:
    return replace(SHAPES[shape](), operators="fixed")


def kept(shape: str, operators: str = "random") -> grr.Study:
    study = SHAPES[shape]()
    return replace(study, operators=operators, rules=grr.Rules(interaction="keep"))


def by_ranges(shape: str) -> grr.Study:
    study = SHAPES[shape]()
    return replace(study, rules=grr.Rules(method_of_record="average_range"))


STUDIES = {
    **{shape: SHAPES[shape] for shape in SHAPES if shape != "readings missing"},
    "interaction kept": lambda: kept("manual"),
    "interaction kept, fixed": lambda: kept("manual", "fixed"),
    "interaction kept, inch": lambda: kept("inch"),
    "pooled, fixed": lambda: fixed("manual"),
    "pooled, fixed, inch": lambda: fixed("inch"),
    "nested": nested,
    "nested, fixed": lambda: replace(nested(), operators="fixed"),
}


@pytest.mark.parametrize("name", STUDIES)
def test_every_step_of_a_line_is_worth_the_same(name):
    for quantity, lines in filled_in(grr.anova(STUDIES[name]())).items():
        for line in lines:
            steps = numeric_steps(line)
            for step in steps[1:]:
                # Percentages are shown to a decimal; differences of mean squares lose figures.
                assert step == pytest.approx(steps[0], rel=2e-3, abs=0.06 if "100 ×" in line else 0)
            if quantity in ("spread", "percent_tolerance", "percent_tv", "ndc"):
                assert steps or "not estimated" in line


@pytest.mark.parametrize("name", STUDIES)
def test_last_value_is_that_of_the_result(name):
    result = grr.anova(STUDIES[name]())
    worked = filled_in(result)
    unit = result.study.unit
    fine = conversion(unit, fine_unit(unit))
    for source in ("EV", "AV", "GRR", "PV", "TV"):
        if math.isnan(result.value(source, "sd")):
            continue
        assert numeric_steps(worked[source][-1])[-1] == pytest.approx(
            fine * result.value(source, "sd"), rel=1e-4, abs=1e-12
        )
    for measure in ("percent_tolerance", "percent_tv", "spread"):
        value = result.value("GRR", measure) * (fine if measure == "spread" else 1.0)
        if not math.isnan(value):
            assert numeric_steps(worked[measure][0])[0] == pytest.approx(value, rel=1e-4)


def test_manual_example_by_ranges():
    """AIAG MSA, 4th ed., chapter III section B: EV 0.20188, AV 0.22963, GRR 0.30575."""
    result = grr.average_range(by_ranges("manual"))
    worked = filled_in(result)
    for source, expected in (("EV", 0.20188), ("AV", 0.22963), ("GRR", 0.30575)):
        assert numeric_steps(worked[source][-1])[-1] == pytest.approx(expected, rel=3e-4)


def test_where_readings_are_missing_no_formula_is_claimed():
    worked = filled_in(grr.anova(SHAPES["readings missing"]()))
    assert "maximum likelihood" in worked["GRR"][0]
    assert numeric_steps(worked["TV"][0])


def test_a_wrong_line_would_be_seen():
    assert numeric_steps("AV² = (3 − 1) / 2 = 2") == [1.0, 2.0]
