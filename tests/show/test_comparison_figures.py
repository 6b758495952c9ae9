"""Figures of comparisons: operators, methods and drift."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from studies import HOSTILE_OPERATORS, HOSTILE_PARTS

import grr
from grr.show import template

DEMO = Path(__file__).parents[2] / "demo_data"


def invented(parts, operators, methods, *, tolerance=(-5.0, 5.0), trials=3):
    rng = np.random.default_rng(len(parts) + len(operators))
    sizes = rng.normal(0, 1.5, len(parts))
    rows, minute = [], 0.0
    for which, method in enumerate(methods):
        for operator in operators:
            for trial in range(1, trials + 1):
                for part in rng.permutation(len(parts)):
                    minute += 0.3
                    drift = -0.05 * (minute % (0.3 * len(parts) * trials)) * which
                    value = sizes[part] + drift + rng.normal(0, 0.1 + 0.1 * which)
                    time = pd.Timestamp("2026-05-05T08:00Z") + pd.Timedelta(minutes=minute)
                    rows.append((parts[part], operator, trial, method, value, time))
    columns = ["part", "operator", "trial", "method", "reading", "time"]
    table = pd.DataFrame(rows, columns=columns)
    if len(methods) == 1:
        table = table.drop(columns="method")
    limits = None if tolerance is None else grr.Tolerance(*tolerance)
    return grr.Study(table, unit="µm", tolerance=limits)


def names(word, count):
    return [f"{word} {i + 1}" for i in range(count)]


SHAPES = {
    "demo": lambda: grr.open_study(DEMO / "pins_two_ways"),
    "wide demo": lambda: grr.open_study(DEMO / "rollers_two_ways"),
    "hostile names": lambda: invented(
        HOSTILE_PARTS, HOSTILE_OPERATORS, ("<b>stand</b> $x$" + "y" * 200, "{hand}\u202e held")
    ),
    "20 parts, 10 operators": lambda: invented(
        names("P", 20), names("Operator", 10), ("stand", "handheld"), trials=2
    ),
    "upper limit": lambda: invented(
        names("P", 5), names("O", 2), ("stand", "handheld"), tolerance=(None, 4.0)
    ),
    "no tolerance": lambda: invented(
        names("P", 5), names("O", 2), ("stand", "handheld"), tolerance=None
    ),
}


def draw(figure: str, shape: str) -> Any:
    study = SHAPES[shape]()
    if figure == "operators_side_by_side":
        return grr.show.operators_side_by_side(
            grr.compare_operators(study.for_method(study.methods[0]))
        )
    if figure in ("methods_by_part", "method_rulers"):
        draw_it = getattr(grr.show, figure)
        return draw_it(grr.compare_methods(study, baseline=study.methods[0]))
    return grr.show.drift_over_time(grr.drift(study))


@cache
def drawn(figure: str, shape: str) -> Any:
    return draw(figure, shape)


def texts(value: Any) -> Iterator[str]:
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key not in {"meta", "template"}:
                yield from texts(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from texts(entry)


FIGURES = ("operators_side_by_side", "methods_by_part", "method_rulers", "drift_over_time")
every = pytest.mark.parametrize(
    ("figure", "shape"), [(figure, shape) for figure in FIGURES for shape in SHAPES]
)


@every
def test_title_is_a_question_and_the_answer_fits_under_it(figure, shape):
    layout = drawn(figure, shape).layout
    assert layout.title.text.endswith("?")
    assert layout.meta["answer"].endswith(".")
    assert layout.meta["answer"][0].isupper() or shape == "hostile names"
    lines = layout.title.subtitle.text.split("<br>")
    assert len(lines) <= 8
    entity = re.compile(r"&(#\d+|\w+);|</?span[^>]*>")
    assert all(len(entity.sub("", line)) <= template.LINE_LENGTH for line in lines)
    assert layout.meta["alt"] and layout.meta["id"].startswith("fig-")


@every
def test_numbers_are_plain_rounded_lists(figure, shape):
    text = drawn(figure, shape).to_json()
    assert "bdata" not in text and "NaN" not in text and "Infinity" not in text
    for trace in json.loads(text)["data"]:
        for name in ("x", "y", "base"):
            for value in trace.get(name, []):
                assert value is None or float(f"{value:.8e}") == value
    shown = " ".join(texts(json.loads(text)))
    assert not re.search(r"\bnan\b|\binf\b|None", shown)


@pytest.mark.parametrize("figure", FIGURES)
def test_same_study_gives_the_same_bytes(figure):
    assert draw(figure, "demo").to_json() == drawn(figure, "demo").to_json()


@pytest.mark.parametrize("figure", FIGURES)
def test_hostile_names_stay_text(figure):
    for text in texts(drawn(figure, "hostile names").to_plotly_json()):
        tags = set(re.findall(r"<[^>]*>?", text))
        ours = {"<br>", "<b>", "</b>", "</span>"}
        assert all(tag in ours or tag.startswith('<span style="color:#') for tag in tags), text
        assert "$" not in text and "%{" not in text and "\u202e" not in text
        assert all(len(line) < 260 for line in text.split("<br>"))


@pytest.mark.parametrize("figure", FIGURES)
def test_invented_readings_are_stamped(figure):
    assert template.EXAMPLE in drawn(figure, "demo").layout.title.subtitle.text
    assert template.EXAMPLE not in drawn(figure, "no tolerance").layout.title.subtitle.text


def test_offset_and_scatter_are_drawn_to_scale():
    study = SHAPES["demo"]().for_method("stand")
    numbers = grr.compare_operators(study).numbers
    figure = grr.show.operators_side_by_side(grr.compare_operators(study))
    for place, name in enumerate(study.operator_names):
        bar, mean = figure.data[2 * place], figure.data[2 * place + 1]
        assert bar.x[0] == pytest.approx(6000 * numbers.value(name, "sd"), rel=1e-6)
        assert mean.x[1] == pytest.approx(1000 * numbers.value(name, "from_others"), rel=1e-6)


def test_pairs_and_zones_are_drawn_to_scale():
    comparison = grr.compare_methods(SHAPES["demo"](), baseline="stand")
    figure = grr.show.methods_by_part(comparison)
    stand, hand = figure.data[1], figure.data[2]
    apart = np.mean(np.array(hand.x) - np.array(stand.x))
    assert apart == pytest.approx(1000 * float(comparison.numbers.difference.mean), rel=1e-6)
    zone = figure.data[-1]  # the candidate's at the upper limit, 6 µm above the lower one
    # The spread of GRR without the drift, and the whole drift of a session.
    sd = comparison.numbers.results["handheld"].value("GRR", "sd")
    worst = comparison.numbers.worst["handheld"]
    assert worst.drift > 0.0006 and 0.5 < worst.steady < 1.0
    half = 500 * (6.0 * worst.steady * sd + worst.drift)
    assert (zone.x[0], zone.x[1]) == pytest.approx((6 - half, 6 + half), rel=1e-6)


def test_the_fitted_curve_and_the_time_of_zeroing_are_drawn():
    found = grr.drift(SHAPES["demo"]())
    figure = grr.show.drift_over_time(found)
    line = figure.data[-1]
    curve = found.method("handheld").curve
    assert line.y[-1] == pytest.approx(1000 * float(curve.at(np.array([line.x[-1]]))[0]), rel=1e-6)
    dotted = [s for s in figure.layout.shapes if s.line.dash == "dot"]
    assert [s.x0 for s in dotted] == [pytest.approx(found.re_zero["handheld"].estimate, rel=1e-6)]
    grounds = [s for s in figure.layout.shapes if s.type == "rect"]
    assert {(s.y0, s.y1) for s in grounds} == {(-0.3, 0.3)}
