"""Figures as drawings that need neither a browser nor a script."""

from __future__ import annotations

import re
from functools import cache
from itertools import pairwise
from typing import Any
from xml.etree import ElementTree

import pandas as pd
import pytest
from studies import SHAPES

import grr
from grr.shipped import shipped_folder
from grr.show import static, svg, template
from grr.show.ruler_figures import ruler_layout
from grr.show.svg import mark, text_width, words

OF_RESULT = ("spread_sources", "tolerance_ruler", "parts_by_operators")
FIGURES = (*OF_RESULT, "trial_ranges", "in_order")
SVG = "{http://www.w3.org/2000/svg}"
every = pytest.mark.parametrize(
    ("figure", "shape"), [(figure, shape) for figure in FIGURES for shape in SHAPES]
)


@cache
def drawn(figure: str, shape: str) -> Any:
    study = SHAPES[shape]()
    return getattr(grr.show, figure)(grr.anova(study) if figure in OF_RESULT else study)


def picture(figure: str, shape: str) -> ElementTree.Element:
    return ElementTree.fromstring(grr.show.figure_svg(drawn(figure, shape)))


def marks_in(svg: ElementTree.Element) -> int:
    """How many closed shapes and circles the drawing holds."""
    circles = len(svg.findall(f".//{SVG}circle"))
    return circles + len([p for p in svg.iter(f"{SVG}path") if p.get("d", "").endswith("Z")])


@every
def test_drawing_is_xml_with_an_alternative_text_and_nothing_that_runs(figure, shape):
    svg = picture(figure, shape)
    assert svg.get("role") == "img"
    assert svg.get("aria-label") == drawn(figure, shape).layout.meta["alt"]
    allowed = {"svg", "g", "path", "rect", "line", "circle", "text", "tspan", "pattern", "clipPath"}
    assert {element.tag.removeprefix(SVG) for element in svg.iter()} <= allowed
    assert "nan" not in ElementTree.tostring(svg, encoding="unicode").lower().split('"')


@every
def test_every_closed_mark_of_the_figure_is_drawn(figure, shape):
    expected = 0
    for trace in drawn(figure, shape).to_plotly_json()["data"]:
        points = [y for x, y in zip(trace["x"], trace["y"], strict=True) if x is not None]
        if trace["type"] == "bar":
            continue
        expected += 2 * bool(trace.get("fillpattern")) or bool(trace.get("fill"))
        if "markers" in trace["mode"]:
            symbols = trace["marker"].get("symbol", "circle")
            each = [symbols] * len(points) if isinstance(symbols, str) else list(symbols)
            expected += sum(not symbol.startswith("line") for symbol in each)
    assert marks_in(picture(figure, shape)) == expected


@every
def test_texts_lie_inside_the_drawing(figure, shape):
    svg = picture(figure, shape)
    _, _, width, height = map(float, svg.get("viewBox").split())
    for text in svg.iter(f"{SVG}text"):
        if text.get("transform"):
            continue
        x, y, size = (float(text.get(key)) for key in ("x", "y", "font-size"))
        # Half a letter's width is what typefaces differ by.
        wide = 0.85 * text_width("".join(text.itertext()), size)
        start = x - wide * {"start": 0.0, "middle": 0.5, "end": 1.0}[text.get("text-anchor")]
        assert start > -12.0, "".join(text.itertext())
        assert start + wide < width + 12.0, "".join(text.itertext())
        assert 0.0 < y < height + 2.0


@pytest.mark.parametrize("figure", FIGURES)
def test_names_are_text_and_stay_text(figure):
    text = grr.show.figure_svg(drawn(figure, "hostile names"))
    assert "<script" not in text
    assert "<a " not in text
    assert "&amp;lt;" not in text
    if figure not in ("tolerance_ruler", "spread_sources"):
        assert "&lt;a href=&#x27;javas" in text


def test_same_figure_gives_the_same_text():
    first = grr.show.figure_svg(drawn("spread_sources", "manual"))
    assert grr.show.figure_svg(drawn("spread_sources", "manual")) == first


def test_position_of_a_mark_is_that_of_its_value():
    figure = drawn("in_order", "one operator")
    svg = picture("in_order", "one operator")
    trace = figure.data[0]
    circles = [(float(c.get("cx")), float(c.get("cy"))) for c in svg.iter(f"{SVG}circle")]
    assert len(circles) == len(trace.x)
    (x0, y0), (x1, y1) = circles[0], circles[-1]
    per_x = (x1 - x0) / (trace.x[-1] - trace.x[0])
    per_y = (y1 - y0) / (trace.y[-1] - trace.y[0])
    assert per_x > 0 > per_y
    for (x, y), at, value in zip(circles, trace.x, trace.y, strict=True):
        assert x == pytest.approx(x0 + per_x * (at - trace.x[0]), abs=0.05)
        assert y == pytest.approx(y0 + per_y * (value - trace.y[0]), abs=0.05)


def test_labels_that_would_meet_are_slanted():
    study = SHAPES["two of each"]()
    table = study.readings
    table["part"] = table["part"].map(lambda name: f"bearing {name}")
    twelve = grr.show.parts_by_operators(
        grr.anova(SHAPES["20 parts, 10 operators"]())
    ).update_xaxes(ticktext=[f"bushing number {n}" for n in range(20)])
    assert re.search(r"rotate\(-38 [^>]*>bushing number 7<", grr.show.figure_svg(twelve))


def test_markup_of_a_figure_becomes_lines_and_runs():
    found = words('<b>a &lt;b&gt;</b><br>c<span style="color:#009E73">d</span>e')
    assert [[run.text for run in line] for line in found.lines] == [["a <b>"], ["c", "d", "e"]]
    assert found.lines[0][0].bold
    assert found.lines[1][1].colour == "#009E73"


def test_days_are_placed_by_the_calendar():
    days = ["2025-01-01", "2025-01-11", "2025-03-02", "2025-06-30", "2025-07-10", "2025-07-20"]
    table = pd.DataFrame({"time": days, "reading": [10.0, 10.001, 10.002, 10.001, 10.0, 10.001]})
    watched = grr.stability(table, unit="mm")
    svg = ElementTree.fromstring(grr.show.figure_svg(grr.show.checks_over_time(watched)))
    x = [float(c.get("cx")) for c in svg.iter(f"{SVG}circle")]
    assert (x[2] - x[0]) / (x[1] - x[0]) == pytest.approx(6.0, abs=0.02)
    assert (x[3] - x[0]) / (x[1] - x[0]) == pytest.approx(18.0, abs=0.05)
    labels = ["".join(text.itertext()) for text in svg.iter(f"{SVG}text")]
    assert {"2025-02", "2025-03"} <= set(labels)


def test_stacked_bars_begin_where_the_last_one_ends():
    found = pd.DataFrame(
        {
            "study": ["a", "b"],
            "GRR_percent_tolerance": [20.0, 40.0],
            "EV_sd": [1.0, 1.0],
            "AV_sd": [1.0, 2.0],
            "INT_sd": [0.0, 1.0],
        }
    )
    text = grr.show.figure_svg(grr.show.worst_gauges(found))
    bars = re.findall(r'<rect x="([\d.]+)" y="([\d.]+)" width="([\d.]+)"[^>]*fill="#', text)
    rows: dict[str, list[tuple[float, float]]] = {}
    for x, y, wide in bars:
        rows.setdefault(y, []).append((float(x), float(wide)))
    stacks = [sorted(pieces) for pieces in rows.values() if len(pieces) == 3]
    lengths = sorted(sum(wide for _, wide in pieces) for pieces in stacks[:2])
    assert lengths[1] == pytest.approx(2.0 * lengths[0], rel=1e-3)
    for pieces in stacks[:2]:
        for (x, wide), (after, _) in pairwise(pieces):
            assert after == pytest.approx(x + wide, abs=0.02)
    assert "AV reproducibility" in text


def test_labels_past_the_edge_make_the_drawing_narrower():
    lines = [grr.Contribution("calibration", 3e-4), grr.Contribution("repeatability", 1e-4)]
    figure = grr.show.uncertainty_sources(grr.UncertaintyBudget(lines, unit="mm"))
    svg = ElementTree.fromstring(grr.show.figure_svg(figure))
    for text in svg.iter(f"{SVG}text"):
        if text.get("text-anchor") == "start":
            end = float(text.get("x")) + text_width("".join(text.itertext()), 13.0)
            assert end <= 682.0


def test_a_ground_is_as_faint_in_the_drawing_as_in_the_figure():
    figure = grr.show.operators_side_by_side(
        grr.compare_operators(grr.open_study(shipped_folder("demo_data") / "dowel_pin"))
    )
    (ground,) = [one for one in figure.layout.shapes if one.fillcolor and one.layer == "below"]
    rects = ElementTree.fromstring(grr.show.figure_svg(figure)).iter()
    (drawn_ground,) = [one for one in rects if one.get("fill") == ground.fillcolor]
    assert float(drawn_ground.get("opacity", 1)) == ground.opacity == 0.2


def test_mark_that_no_figure_uses_is_refused():
    with pytest.raises(KeyError):
        mark("asterisk", 0, 0, size=6, fill="#000", edge="#000", edge_width=1)


WITH_TOLERANCE = [shape for shape in SHAPES if shape != "no tolerance"]


def inner_width(root: ElementTree.Element) -> float:
    """Return the width in px between the ends of the horizontal axis."""
    return float(root.find(f"{SVG}clipPath/{SVG}rect").get("width"))


@pytest.mark.parametrize("shape", WITH_TOLERANCE)
def test_ruler_is_well_formed_and_stays_in_its_frame(shape: str) -> None:
    text = grr.show.tolerance_ruler_svg(grr.anova(SHAPES[shape]()))
    root = ElementTree.fromstring(text)
    assert root.get("role") == "img"
    assert root.get("aria-label").startswith("A ruler")
    assert text == grr.show.tolerance_ruler_svg(grr.anova(SHAPES[shape]()))
    for line in root.iter(f"{SVG}line"):
        assert all(-1 <= float(line.get(key)) <= static.WIDTH + 1 for key in ("x1", "x2"))
    assert "nan" not in text


@pytest.mark.parametrize("shape", list(SHAPES))
def test_sources_are_well_formed(shape: str) -> None:
    result = grr.anova(SHAPES[shape]())
    root = ElementTree.fromstring(grr.show.spread_sources_svg(result))
    colours = {template.ROLES[name] for name in ("EV", "AV", "INT", "GRR", "PV", "TV")}
    bars = [
        float(box.get("width")) for box in root.iter(f"{SVG}rect") if box.get("fill") in colours
    ]
    spreads = result.sources["spread"].dropna().tolist()
    assert len(bars) == len(spreads)
    if spreads[-1] > 0:
        longest = max(spreads)
        assert [bar / max(bars) for bar in bars] == pytest.approx(
            [spread / longest for spread in spreads], abs=1e-3
        )


def test_zones_have_the_width_of_the_figure() -> None:
    result = grr.anova(SHAPES["inch"]())
    place = ruler_layout(result)
    root = ElementTree.fromstring(grr.show.tolerance_ruler_svg(result))
    hatched = [p for p in root.iter(f"{SVG}path") if p.get("fill").startswith("url")]
    assert len(hatched) == 2
    per_unit = inner_width(root) / place.span
    for zone in hatched:
        x = [float(at) for at in re.findall(r"[ML](-?[\d.]+) ", zone.get("d"))]
        assert max(x) - min(x) == pytest.approx(2.0 * place.half * per_unit, abs=0.02)


def test_no_tolerance_is_refused_with_a_remedy() -> None:
    with pytest.raises(grr.StudyError, match="lower limit"):
        grr.show.tolerance_ruler_svg(grr.anova(SHAPES["no tolerance"]()))


def test_text_is_escaped() -> None:
    drawn = svg.runs([("<b>&", False, ""), ("<i>", True, "")], 0, 0)
    assert "<b>" not in drawn
    assert "".join(ElementTree.fromstring(drawn).itertext()) == "<b>&<i>"
    assert "<b>" not in svg.runs([("<b>&", False, "")], 0, 0)
