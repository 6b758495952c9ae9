"""What holds for every figure of a gauge's qualification."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import numpy as np
import pandas as pd
import pytest

import grr
from grr.show import template

TOLERANCE = grr.Tolerance(9.997, 10.003)
SIZES = np.array([2.5, 5.1, 7.7, 10.3, 12.9, 15.0, 17.6, 20.2, 22.8, 25.0])


def reference(count: int = 30, **more: Any) -> grr.ReferenceResult:
    readings = np.round(np.random.default_rng(1).normal(10.0001, 0.0001, count), 4)
    given = {"unit": "mm", "resolution": 0.0001, "tolerance": TOLERANCE} | more
    return grr.reference_study(readings, reference=10.0, **given)


def over_range(repeats: int = 4, **more: Any) -> grr.LinearityResult:
    x = np.repeat(SIZES, repeats)
    y = x + 0.0003 * np.sin(2 * np.pi * x / 0.5) + np.random.default_rng(2).normal(0, 1e-4, len(x))
    table = pd.DataFrame({"reference": x, "reading": y})
    return grr.linearity(table, **({"unit": "mm", "resolution": 0.0001} | more))


def checks(shift: float = 0.0, count: int = 24) -> grr.StabilityResult:
    rng = np.random.default_rng(3)
    times = pd.date_range("2025-01-15", periods=count, freq="30D").strftime("%Y-%m-%d")
    reading = 10.0 + rng.normal(0, 0.0001, count) + shift * (np.arange(count) >= count - 5)
    table = pd.DataFrame({"time": times, "reading": reading})
    return grr.stability(table, unit="mm", tolerance=TOLERANCE, baseline=max(6, count - 8))


def budget(name: str = "calibration", size: float = 0.0003) -> grr.UncertaintyBudget:
    held = grr.Contribution(
        "resolution", 0.00005, "rectangular", inside="repeatability", in_study=True
    )
    lines = [grr.Contribution(name, size), grr.Contribution("repeatability", 0.0001), held]
    return grr.UncertaintyBudget(lines, unit="mm")


HOSTILE = "<script>alert(1)</script> $x^2$ %{meta.id} \u202eabc" + "n" * 300

CASES = {
    "reference": lambda: grr.show.on_reference(reference()),
    "reference, few, no tolerance": lambda: grr.show.on_reference(reference(3, tolerance=None)),
    "reference, no scatter": lambda: grr.show.on_reference(
        grr.reference_study([10.0] * 12, reference=10.0, unit="mm", tolerance=TOLERANCE)
    ),
    "range": lambda: grr.show.over_range(over_range(bias_limit=0.001, mpe=0.002, pitch=0.5)),
    "range, once, no limits": lambda: grr.show.over_range(over_range(repeats=1)),
    "range, no unit": lambda: grr.show.over_range(over_range(unit="")),
    "turn": lambda: grr.show.screw_turn(over_range(pitch=0.5)),
    "turn, not asked": lambda: grr.show.screw_turn(over_range()),
    "checks": lambda: grr.show.checks_over_time(checks()),
    "checks, shifted": lambda: grr.show.checks_over_time(checks(shift=0.001)),
    "checks, six": lambda: grr.show.checks_over_time(checks(count=6)),
    "budget": lambda: grr.show.uncertainty_sources(budget()),
    "budget, hostile": lambda: grr.show.uncertainty_sources(budget(HOSTILE)),
    "acceptance": lambda: grr.show.acceptance_ruler(budget(), TOLERANCE),
    "acceptance, none": lambda: grr.show.acceptance_ruler(budget(size=0.01), TOLERANCE),
    "acceptance, one limit": lambda: grr.show.acceptance_ruler(budget(), grr.Tolerance(upper=10.0)),
    "legs, empty": lambda: grr.show.nearest_limit(grr.qualify(TOLERANCE, unit="mm")),
    "legs": lambda: grr.show.nearest_limit(
        grr.qualify(TOLERANCE, unit="mm", reference=reference(), budget=budget(size=0.01))
    ),
}
every = pytest.mark.parametrize("case", CASES)


@cache
def drawn(case: str) -> Any:
    return CASES[case]()


def texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key not in {"meta", "template"}:
                yield from texts(entry)
    elif isinstance(value, (list, tuple)):
        for entry in value:
            yield from texts(entry)


@every
def test_title_is_a_question_and_the_answer_fits_under_it(case: str) -> None:
    layout = drawn(case).layout
    assert layout.title.text.endswith("?")
    assert layout.meta["answer"].endswith(".")
    lines = layout.title.subtitle.text.split("<br>")
    assert 1 <= len(lines) <= 8
    assert all(len(line) <= template.LINE_LENGTH + 20 for line in lines)
    assert layout.meta["alt"] and layout.meta["id"].startswith("fig-")


@every
def test_the_same_bytes_on_two_runs_in_plain_lists(case: str) -> None:
    first = drawn(case).to_json()
    assert CASES[case]().to_json() == first
    for word in ("bdata", "NaN", "Infinity"):
        assert word not in first
    for trace in json.loads(first)["data"]:
        for value in trace.get("y", []):
            assert value is None or float(f"{value:.8e}") == value


@every
def test_nothing_is_said_to_be_nan_and_nothing_is_markup(case: str) -> None:
    for text in texts(drawn(case).to_plotly_json()):
        assert not re.search(r"\bnan\b|\binf\b|None$", text), text
        assert set(re.findall(r"<[^>]*>?", text)) <= {"<br>", "<b>", "</b>"}, text
        assert "$" not in text and "%{" not in text and "\u202e" not in text


def test_what_does_not_count_is_drawn_in_outline() -> None:
    bars = drawn("budget").data[0]
    colours = dict(zip(bars.y, bars.marker.color, strict=True))
    assert list(colours.values()).count("#ffffff") == 1


def test_alarms_are_diamonds_and_a_step_is_drawn() -> None:
    shifted = drawn("checks, shifted")
    assert list(shifted.data[0].marker.symbol[-5:]) == ["diamond"] * 5
    assert len(shifted.data) == 4 and "stepped by" in shifted.layout.meta["answer"]


def test_the_acceptance_zone_is_what_the_guard_leaves() -> None:
    figure, use = drawn("acceptance"), budget().against(TOLERANCE)
    assert max(figure.data[0].x) == pytest.approx(1000 * use.guard)
    assert f"{use.left_percent:.1f}" in " ".join(texts(figure.to_plotly_json()))


def test_no_word_crosses_the_line_of_all_that_is_allowed() -> None:
    figure = drawn("legs")
    outcomes = [note for note in figure.layout.annotations if note.text != "allowed"]
    assert len(outcomes) == len(figure.data[0].y)
    assert all(note.xref == "paper" and note.x == 1 for note in outcomes)


def test_what_a_reference_is_uncertain_by_is_drawn_for_paper_too() -> None:
    figure = drawn("reference")
    (mean,) = [trace for trace in figure.data if trace.error_y.value]
    colour, high = mean.error_y.color, mean.error_y.value
    lines = re.findall(
        rf'<line [^>]*y1="([\d.]+)"[^>]*y2="([\d.]+)" stroke="{colour}"',
        grr.show.figure_svg(figure),
    )
    (ends,) = [(float(a), float(b)) for a, b in lines if a != b]
    low, top = figure.layout.yaxis.range
    inner = figure.layout.height - figure.layout.margin.t - figure.layout.margin.b
    assert abs(ends[1] - ends[0]) == pytest.approx(2.0 * high / (top - low) * inner, abs=0.03)


def many() -> pd.DataFrame:
    return pd.DataFrame(
        {
            "study": ["a", "b"],
            "GRR_percent_tolerance": [50.0, 20.0],
            "EV_sd": [3.0, 1.0],
            "AV_sd": [4.0, 0.0],
            "INT_sd": [0.0, 0.0],
        }
    )


def test_pieces_are_shares_of_the_variance_and_the_answer_says_so() -> None:
    figure = grr.show.worst_gauges(many()).to_plotly_json()
    pieces = {trace["name"][:2]: trace for trace in figure["data"]}
    assert pieces["EV"]["x"] == pytest.approx([20.0, 50.0 * 9 / 25])
    assert pieces["EV"]["customdata"] == pytest.approx([100.0, 36.0])
    assert "of the variance" in pieces["EV"]["hovertemplate"]
    answer = figure["layout"]["meta"]["answer"]
    assert "to scale" in answer


def test_the_legend_stands_above_the_bars() -> None:
    layout = grr.show.worst_gauges(many()).to_plotly_json()["layout"]
    assert layout["legend"]["y"] > 1.0 and layout["legend"]["yanchor"] == "bottom"
