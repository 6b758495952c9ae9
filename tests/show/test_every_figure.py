"""What holds for every figure of every study."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from dataclasses import replace
from functools import cache
from typing import Any

import pandas as pd
import pytest
from studies import HOSTILE_OPERATORS, SHAPES

import grr
from grr.shipped import shipped_folder
from grr.show import template

OF_RESULT = ("spread_sources", "tolerance_ruler", "parts_by_operators")
OF_STUDY = ("trial_ranges", "in_order")
FIGURES = (*OF_RESULT, *OF_STUDY)


@cache
def study(shape: str) -> grr.Study:
    return SHAPES[shape]()


@cache
def result(shape: str) -> grr.GaugeResult:
    return grr.anova(study(shape))


def draw(figure: str, shape: str) -> Any:
    subject = result(shape) if figure in OF_RESULT else study(shape)
    return getattr(grr.show, figure)(subject)


@cache
def drawn(figure: str, shape: str) -> Any:
    return draw(figure, shape)


def texts(value: Any) -> Iterator[str]:
    """Every text that plotly would draw or show when pointed at; ``meta`` is for others."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, dict):
        for key, entry in value.items():
            if key not in {"meta", "template"}:
                yield from texts(entry)
    elif isinstance(value, list):
        for entry in value:
            yield from texts(entry)


every = pytest.mark.parametrize(
    ("figure", "shape"), [(figure, shape) for figure in FIGURES for shape in SHAPES]
)


@every
def test_title_is_a_question_and_the_answer_fits_under_it(figure: str, shape: str) -> None:
    layout = drawn(figure, shape).layout
    assert layout.title.text.endswith("?")
    assert "<br>" not in layout.title.text
    assert layout.meta["question"] == layout.title.text
    assert layout.meta["answer"].endswith(".")
    lines = layout.title.subtitle.text.split("<br>")
    assert 1 <= len(lines) <= 8
    entity = re.compile(r"&(#\d+|\w+);")
    assert all(len(entity.sub("x", line)) <= template.LINE_LENGTH for line in lines)
    assert layout.meta["alt"]
    assert layout.meta["id"].startswith("fig-")


@every
def test_same_study_gives_the_same_bytes_in_plain_lists(figure: str, shape: str) -> None:
    first = drawn(figure, shape).to_json()
    assert draw(figure, shape).to_json() == first
    assert "bdata" not in first
    assert "NaN" not in first
    assert "Infinity" not in first
    assert len(first) < 150_000
    for trace in json.loads(first)["data"]:
        for name in ("x", "y", "base"):
            for value in trace.get(name, []):
                assert value is None or float(f"{value:.8e}") == value


@every
def test_nothing_is_said_to_be_nan(figure: str, shape: str) -> None:
    shown = " ".join(texts(drawn(figure, shape).to_plotly_json()))
    assert not re.search(r"\bnan\b|\binf\b|None", shown)


@pytest.mark.parametrize("figure", FIGURES)
def test_hostile_names_stay_text(figure: str) -> None:
    allowed = {"<br>", "<b>", "</b>"}
    for text in texts(drawn(figure, "hostile names").to_plotly_json()):
        assert set(re.findall(r"<[^>]*>?", text)) <= allowed, text
        assert "$" not in text
        assert "%{" not in text
        assert "\u202e" not in text
        assert "\n" not in text


@pytest.mark.parametrize("figure", FIGURES)
def test_long_names_are_shortened_and_stay_apart(figure: str) -> None:
    figure_json = drawn(figure, "hostile names").to_plotly_json()
    for text in texts(figure_json):
        assert max(map(len, text.split("<br>"))) < 400
    if figure == "parts_by_operators":
        ticks = figure_json["layout"]["xaxis"]["ticktext"]
        assert len(set(ticks)) == len(ticks) == 5
    for note in figure_json["layout"].get("annotations", []):
        for line in note["text"].split("<br>"):
            assert len(line) < 140, line
    assert HOSTILE_OPERATORS[0] not in json.dumps(figure_json)


def test_figures_of_a_name_with_two_methods_say_what_to_do() -> None:
    table = study("two of each").readings
    both = grr.Study(pd.concat([table.assign(method="a"), table.assign(method="b")]), unit="mm")
    for figure in OF_STUDY:
        with pytest.raises(grr.StudyError, match="for_method"):
            getattr(grr.show, figure)(both)


def test_ids_are_different_and_template_is_ours() -> None:
    figures = [drawn(figure, "manual") for figure in FIGURES]
    assert len({figure.layout.meta["id"] for figure in figures}) == len(FIGURES)
    for figure in figures:
        assert len(json.dumps(figure.to_plotly_json()["layout"]["template"])) < 3000


@pytest.mark.parametrize("figure", FIGURES)
def test_invented_readings_are_stamped(figure: str) -> None:
    example = replace(study("one operator"), example=True)
    subject = grr.anova(example) if figure in OF_RESULT else example
    stamped = getattr(grr.show, figure)(subject)
    assert template.EXAMPLE in stamped.layout.title.subtitle.text
    assert template.EXAMPLE not in drawn(figure, "one operator").layout.title.subtitle.text
    assert stamped.layout.margin.t > drawn(figure, "one operator").layout.margin.t


def test_a_result_plots_its_own_figure() -> None:
    pins = grr.open_study(shipped_folder("demo_data") / "pins_two_ways")
    stand = pins.for_method("stand")
    without = grr.Study(stand.readings.drop(columns="method"), unit="mm")
    compared = grr.compare_methods(pins, baseline="stand", candidate="handheld")
    for one, figure in (
        (grr.anova(stand), grr.show.tolerance_ruler),
        (grr.anova(without), grr.show.spread_sources),
        (grr.compare_operators(stand), grr.show.operators_side_by_side),
        (compared, grr.show.method_rulers),
        (grr.drift(stand), grr.show.drift_over_time),
    ):
        assert one.plot().to_json() == figure(one).to_json()
