"""What is said about the tolerance ruler: numbers and sentences."""

from __future__ import annotations

import math

from grr.model.rounding import JOIN, counted, figures, length, percent, size, with_unit
from grr.model.study import Study
from grr.questions.result import GaugeResult
from grr.show.limits import sd_intervals
from grr.show.ruler_layout import RulerLayout
from grr.show.scale import fine_scale


def axis_title(study: Study) -> str:
    """Return what the numbers under the ruler are, with their units."""
    end = "upper" if study.tolerance is not None and study.tolerance.lower is None else "lower"
    fine = fine_scale(study).unit
    unit, below = (f", {name}" if name else "" for name in (study.unit, fine))
    return f"size{unit}; below it the distance from the {end} limit{below}"


def limit_text(study: Study, value: float) -> str:
    """Return a limit with its unit, with no decimal lost."""
    shown = size(value, study.resolution)
    if study.resolution is None or abs(float(shown) - value) > 1e-9 * abs(value):
        shown = f"{value:.12g}"
    return with_unit(shown.replace("-", "−"), study.unit)


def confidence_reach(result: GaugeResult) -> float | None:
    """Return how far a zone reaches at most, at the study's confidence; fine unit."""
    confidence = result.study.rules.confidence
    interval = sd_intervals(result, 2.0 * confidence - 1.0).get("GRR")
    if interval is None:
        return None
    return 0.5 * result.spread * interval[1] * fine_scale(result.study).factor


def reach_text(result: GaugeResult) -> str:
    """Return how far a zone of doubt reaches to either side of its limit."""
    return f"±{length(0.5 * result.value('GRR', 'spread'), result.study.unit)}"


def ruler_answer(result: GaugeResult, place: RulerLayout, bound: float | None) -> str:
    """Return the sentences under the question of the ruler."""
    share = result.value("GRR", "percent_tolerance")
    reach = reach_text(result)
    if place.half == 0.0:
        return "The readings of a part do not differ at all, so no zone of doubt can be drawn."
    limit = "a limit" if len(place.limits) == 2 else "the limit"
    what = f"Within {reach} of {limit} a part can read good or bad by measuring alone"
    rest = _confident(result, bound) + " A bias of the gauge comes on top."
    if len(place.limits) == 1:
        if math.isnan(share):
            return f"{what}; the mean lies at or past the limit.{rest}"
        return f"{what}: {percent(share)} of the distance from the mean to the limit.{rest}"
    if place.clear <= 0.0:
        return (
            f"Nowhere inside the tolerance: the zones of doubt, {reach} at each limit, meet "
            f"({percent(share)} of the tolerance).{rest}"
        )
    fine = " (drawn to scale, finer than the line)" if place.half / place.span < 1e-3 else ""
    left = length(place.clear / fine_scale(result.study).factor, result.study.unit)
    return (
        f"{what}{fine}. Inside the limits that takes {percent(share)} of the tolerance and leaves "
        f"{left} clear.{rest}"
    )


def _confident(result: GaugeResult, bound: float | None) -> str:
    if bound is None:
        return ""
    most = with_unit(figures(bound), fine_scale(result.study).unit)
    level = f"{100 * result.study.rules.confidence:g}{JOIN}%"
    return f" With {level} confidence the reach is under ±{most} (dotted)."


def ruler_alt(result: GaugeResult, place: RulerLayout) -> str:
    """Return what the ruler shows, for those who do not see it."""
    limits = " and ".join(
        limit_text(result.study, place.origin + at / fine_scale(result.study).factor)
        for at in place.limits
    )
    return (
        f"A ruler drawn to scale with the tolerance limit at {limits}, a hatched zone of doubt of "
        f"{reach_text(result)} there, and the means of {counted(len(place.parts), 'part')} "
        "marked above it."
    )
