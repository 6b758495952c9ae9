"""The drawings for print: well formed, escaped, the same places as the figures."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET

import pytest
from studies import SHAPES

import grr
from grr.show import static, svg, template
from grr.show.ruler_figures import ruler_layout

NAME = "{http://www.w3.org/2000/svg}"
WITH_TOLERANCE = [shape for shape in SHAPES if shape != "no tolerance"]


def inner_width(root: ET.Element) -> float:
    """Return the width in px between the ends of the horizontal axis."""
    return float(root.find(f"{NAME}clipPath/{NAME}rect").get("width"))


@pytest.mark.parametrize("shape", WITH_TOLERANCE)
def test_ruler_is_well_formed_and_stays_in_its_frame(shape: str) -> None:
    text = grr.show.tolerance_ruler_svg(grr.anova(SHAPES[shape]()))
    root = ET.fromstring(text)
    assert root.get("role") == "img"
    assert root.get("aria-label").startswith("A ruler drawn to scale")
    assert text == grr.show.tolerance_ruler_svg(grr.anova(SHAPES[shape]()))
    for line in root.iter(f"{NAME}line"):
        assert all(-1 <= float(line.get(key)) <= static.WIDTH + 1 for key in ("x1", "x2"))
    assert "nan" not in text


@pytest.mark.parametrize("shape", list(SHAPES))
def test_sources_are_well_formed(shape: str) -> None:
    result = grr.anova(SHAPES[shape]())
    root = ET.fromstring(grr.show.spread_sources_svg(result))
    colours = {template.ROLES[name] for name in ("EV", "AV", "INT", "GRR", "PV", "TV")}
    bars = [
        float(box.get("width")) for box in root.iter(f"{NAME}rect") if box.get("fill") in colours
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
    root = ET.fromstring(grr.show.tolerance_ruler_svg(result))
    hatched = [p for p in root.iter(f"{NAME}path") if p.get("fill").startswith("url")]
    assert len(hatched) == 2
    per_unit = inner_width(root) / place.span
    for zone in hatched:
        x = [float(at) for at in re.findall(r"[ML](-?[\d.]+) ", zone.get("d"))]
        assert max(x) - min(x) == pytest.approx(2.0 * place.half * per_unit, abs=0.02)


def test_no_tolerance_is_refused_with_a_remedy() -> None:
    with pytest.raises(grr.StudyError, match="Give the lower limit"):
        grr.show.tolerance_ruler_svg(grr.anova(SHAPES["no tolerance"]()))


def test_text_is_escaped() -> None:
    drawn = svg.runs([("<b>&", False, ""), ("<i>", True, "")], 0, 0)
    assert "<b>" not in drawn
    assert "".join(ET.fromstring(drawn).itertext()) == "<b>&<i>"
    assert "<b>" not in svg.runs([("<b>&", False, "")], 0, 0)
