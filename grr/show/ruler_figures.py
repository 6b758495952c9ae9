"""The tolerance to scale as a ruler: `tolerance_ruler` and `acceptance_ruler`."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from grr.formulas.operator_comparison import cell_means
from grr.formulas.second_look import confidence_of
from grr.model.errors import StudyError
from grr.model.html_blocks import FAINT, INK
from grr.model.names import clean, shortened
from grr.model.rounding import JOIN, counted, figures, length, limits_text, percent, size, with_unit
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.show import static, template
from grr.show.axes import (
    box,
    dots,
    doubt_zone,
    fine_scale,
    graduated_axis,
    graduations,
    path,
    round_step,
    tick_text,
    unit_scale,
    upright,
)
from grr.show.spread_figures import sd_intervals
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.budget import BudgetUse, UncertaintyBudget
    from grr.questions.gauge import GaugeResult

RULER_QUESTION = "How near to a limit can this gauge tell good from bad?"
GRADUATION = {"fine": 0.1, "half": 0.17, "numbered": 0.26}
HATCH = ("/", "\\")


def tolerance_ruler(result: GaugeResult) -> Figure:
    """Draw the tolerance to scale as a ruler, with the spread of measuring at each limit.

    A part whose size is exactly a limit reads anywhere in the zone drawn there: half the
    spread to either side. Within it this gauge cannot tell good from bad.

    Parameters
    ----------
    result : GaugeResult

    Returns
    -------
    plotly Figure
        Without a tolerance, a page that says what is needed.
    """
    study = result.study
    if study.tolerance is None:
        return template.unanswered(
            "tolerance-ruler",
            RULER_QUESTION,
            "No tolerance was given, so nothing can be said about good and bad parts. Give the "
            "lower limit, the upper limit or both.",
        )
    place = ruler_layout(result)
    scale = fine_scale(study)
    bound, unknown = confidence_reach(result)
    return template.draw(
        "tolerance-ruler",
        RULER_QUESTION,
        ruler_answer(result, place, bound, unknown),
        example=study.example,
        alt=ruler_alt(result, place),
        traces=[
            *_zones(result, place),
            _marks(place),
            *_reaches(place, bound),
            # the distance from the mean to the only limit
            *(
                [_dimension(place.mean, 0.0, 0.42, template.ROLES["part"])]
                if len(place.limits) == 1
                else []
            ),
            _parts(study, place),
        ],
        height=262,
        shapes=[_body(place), *(_limit(limit, LIMIT_TOP) for limit in place.limits)],
        notes=ruler_labels(study, place),
        margin={"l": 24, "r": 24, "b": 70},
        xaxis={
            "range": [template.one(place.low), template.one(place.high)],
            "tickvals": template.rounded(place.numbered) if place.numbered else [],
            "ticktext": number_labels(place.origin, place.numbered, place.step, scale.factor),
            "ticks": "",
            "showline": False,
            "title": {"text": axis_title(study) if place.numbered else ""},
        },
        yaxis={"range": [0.0, TOP], "visible": False},
    )


def tolerance_ruler_svg(result: GaugeResult) -> str:
    """Return the drawing of `tolerance_ruler` as SVG text.

    Parameters
    ----------
    result : GaugeResult

    Raises
    ------
    StudyError
        The study has no tolerance.
    """
    ruler_layout(result)
    return static.figure_svg(tolerance_ruler(result))


def _body(place: RulerLayout) -> dict[str, Any]:
    """Return the ruler; without a second limit it goes on past the picture."""
    beyond = place.span if len(place.limits) == 1 else 0.0
    lower_only = place.start == place.limits[0]
    left = template.one(place.start - (0.0 if lower_only else beyond))
    return box(left, template.one(place.end + (beyond if lower_only else 0.0)), "#F7F4EC", FAINT)


def _marks(place: RulerLayout) -> dict[str, Any]:
    """Return the graduations as one broken line."""
    x: list[float | None] = []
    y: list[float | None] = []
    for at in place.fine:
        ratio = at / place.step * 2.0
        kind = "fine"
        if math.isclose(ratio, round(ratio), abs_tol=1e-6):
            kind = "half" if round(ratio) % 2 else "numbered"
        x += [template.one(at), template.one(at), None]
        y += [0.0, GRADUATION[kind], None]
    return path(x, y, INK, 1)


def _zones(result: GaugeResult, place: RulerLayout) -> list[dict[str, Any]]:
    text = (
        "zone of doubt: a part on the limit reads anywhere in here<br>"
        f"{markup(reach_text(result))} to either side"
    )
    return [
        doubt_zone(limit - place.half, limit + place.half, text, hatch)
        for limit, hatch in zip(place.limits, HATCH, strict=False)
    ]


def _reaches(place: RulerLayout, bound: float | None) -> list[dict[str, Any]]:
    """Return the reach of each zone as a dimension line; dotted on to the bound."""
    colour = template.ROLES["doubt"]
    traces = []
    for limit in place.limits:
        traces.append(_dimension(limit - place.half, limit + place.half, REACH_AT, colour))
        if bound is not None:
            ends = [max(limit - bound, place.low), min(limit + bound, place.high)]
            dotted = _dimension(ends[0], ends[1], REACH_AT, colour) | {"mode": "lines"}
            traces.append(dotted | {"line": {"color": colour, "width": 1.2, "dash": "dot"}})
    return traces


def _dimension(start: float, end: float, height: float, colour: str) -> dict[str, Any]:
    line = {"color": colour, "width": 1.6}
    ends = {"symbol": "line-ns", "size": 11, "line": line}
    marks = dots(template.rounded([start, end]), [height, height], ends)
    return marks | {"mode": "lines+markers", "line": line}


def _parts(study: Study, place: RulerLayout) -> dict[str, Any]:
    factor = fine_scale(study).factor
    shown = [
        (name, at)
        for name, at in zip(study.parts, place.parts.tolist(), strict=True)
        if place.low <= at <= place.high
    ]
    return dots(
        template.rounded([at for _, at in shown]),
        [PARTS_AT] * len(shown),
        {
            "symbol": "triangle-down",
            "size": 10,
            "color": template.ROLES["part"],
            "opacity": 0.75,
            "line": {"color": "#ffffff", "width": 1},
        },
        [
            f"part {markup(shortened(clean(name), 80))}<br>mean "
            f"{markup(size(place.origin + at / factor, study.resolution, study.unit))}"
            for name, at in shown
        ],
    )


#: How much is shown beyond each limit at least, and for a part at most, in ruler lengths.
BEYOND, FARTHEST_PART = 0.18, 0.5
#: Width in px of the drawing on a narrow page, and of a letter; they decide what fits.
NARROW, LETTER = 640.0, 7.6
#: Divisions between two numbered graduations.
DIVISIONS = 10


@dataclass(frozen=True)
class RulerLayout:
    """Places in the fine unit of the study, counted from the ruler's origin.

    Attributes
    ----------
    origin : float
        Size at 0: the lower limit, or the upper one where it is the only limit; in the
        unit of the study.
    limits : tuple of float
        Places of the limits, the lower first.
    start, end : float
        Ends of the ruler; with one limit the far end is only where the picture stops.
    half : float
        Half the spread of measuring: the zone of doubt reaches so far to either side.
    mean : float
        Mean of the readings, or of the process where it is given.
    parts : ndarray
        Means of the parts.
    low, high : float
        Ends of the picture.
    numbered, fine : list of float
        Graduations with and without a number.
    step : float
        Distance between numbered graduations; 0 where the ruler is too short for numbers.
    """

    origin: float
    limits: tuple[float, ...]
    start: float
    end: float
    half: float
    mean: float
    parts: np.ndarray[tuple[int, ...], np.dtype[np.float64]]
    low: float
    high: float
    numbered: list[float]
    fine: list[float]
    step: float

    @property
    def span(self) -> float:
        """Length of the picture."""
        return self.high - self.low

    @property
    def clear(self) -> float:
        """Length between the zones of doubt of two limits; not above 0 where they meet."""
        return self.end - self.start - 2.0 * self.half


def part_means(study: Study) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    """Return the mean of each part, every operator weighing alike, in the study's unit."""
    values = study.cube().values
    first = float(values[np.isfinite(values)][0])
    return np.asarray(first + np.nanmean(cell_means(values - first), axis=1), dtype=np.float64)


def ruler_layout(result: GaugeResult) -> RulerLayout:
    """Return the places on the ruler of a result.

    Raises
    ------
    StudyError
        The study has no tolerance.
    """
    study = result.study
    tolerance = study.tolerance
    if tolerance is None:
        raise StudyError("No tolerance was given", "Give the lower limit, the upper limit or both")
    scale = fine_scale(study)
    origin = tolerance.lower if tolerance.lower is not None else tolerance.upper
    assert origin is not None
    parts = (part_means(study) - origin) * scale.factor
    centre = result.mean if study.process_mean is None else study.process_mean
    mean = (centre - origin) * scale.factor
    half = 0.5 * result.value("GRR", "spread") * scale.factor
    if tolerance.width is not None:
        start, end = 0.0, tolerance.width * scale.factor
        limits: tuple[float, ...] = (start, end)
    else:
        reach = 1.1 * max(float(np.max(np.abs(parts))), abs(mean), 1.5 * half) or 1.0
        start, end = (0.0, reach) if tolerance.upper is None else (-reach, 0.0)
        limits = (0.0,)
    width = end - start
    least = max(BEYOND * width, 1.15 * half)
    beyond = FARTHEST_PART * width
    low, high = start - least, end + least
    low = min(low, max(float(parts.min()) - 0.03 * width, start - beyond))
    high = max(high, min(float(parts.max()) + 0.03 * width, end + beyond))
    if len(limits) == 1:
        low, high = (low, end) if tolerance.upper is None else (start, high)
    step = _numbered_step(origin, start, end, scale.factor, width / (high - low) * NARROW)
    numbered = graduations(start, end, step) if step else []
    fine = graduations(start, end, step / DIVISIONS) if step else []
    return RulerLayout(
        origin, limits, start, end, half, mean, parts, low, high, numbered, fine, step
    )


def number_labels(origin: float, at: list[float], step: float, factor: float) -> list[str]:
    """Return the size and, under it, the distance from the limit at each graduation."""
    close = 1e-3 * step / factor
    sizes = [origin + place / factor for place in at]
    sizes = [0.0 if abs(whole) < close else whole for whole in sizes]
    decimals = next((d for d in range(10) if all(abs(round(s, d) - s) < close for s in sizes)), 10)
    shown = []
    for whole, place in zip(sizes, at, strict=True):
        near = tick_text(place, step)
        sign = "+" if place > 0.0 and near != "0" else ""
        shown.append(f"{whole:.{decimals}f}<br>{sign}{near}".replace("-", "−"))
    return shown


def _numbered_step(origin: float, start: float, end: float, factor: float, pixels: float) -> float:
    """Return the smallest round step at which numbers do not touch; 0 where two do not fit."""
    for count in range(int(pixels / 50.0), 0, -1):
        step = round_step((end - start) / count)
        labels = number_labels(origin, graduations(start, end, step), step, factor)
        longest = max(len(line) for label in labels for line in label.split("<br>"))
        if len(labels) > 1 and step / (end - start) * pixels > LETTER * longest + 12.0:
            return step
    return 0.0


#: Heights above the foot of the ruler, which is 1 high: of its labels and of its lines.
PARTS_AT, PARTS_NAME_AT, REACH_AT, REACH_NAME_AT, LIMIT_TOP, TOP = 1.12, 1.22, 1.66, 1.74, 2.1, 2.62


def ruler_labels(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    """Return every label on the ruler."""
    return [*_limit_names(study, place), *_zone_names(study, place), *_lane_names(study, place)]


def _limit_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    tolerance = study.tolerance
    assert tolerance is not None
    named = [("lower limit", tolerance.lower), ("upper limit", tolerance.upper)]
    given = [(name, value) for name, value in named if value is not None]
    return [
        template.note(
            f"{name}\n{limit_text(study, value)}",
            template.one(at),
            LIMIT_TOP,
            yanchor="bottom",
            bold=True,
            **_outward(place, name == "lower limit", 130.0),
        )
        for (name, value), at in zip(given, place.limits, strict=True)
    ]


def _zone_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    text = f"doubt ±{with_unit(figures(place.half), fine_scale(study).unit)}"
    return [
        template.note(
            text,
            template.one(limit),
            REACH_NAME_AT,
            yanchor="bottom",
            font={"color": template.WARNING, "size": template.SMALL},
            bgcolor="rgba(255,255,255,0.85)",
            **_outward(
                place,
                index == 0 and len(place.limits) == 2,
                8 + LETTER * len(text.split("\n", maxsplit=1)[0]),
            ),
        )
        for index, limit in enumerate(place.limits)
    ]


def _outward(place: RulerLayout, lower: bool, pixels: float) -> dict[str, Any]:
    """Return where a label hangs: over its limit, or outward where two would meet."""
    gap = (place.end - place.start) / place.span * NARROW
    if len(place.limits) == 1 or gap > pixels:
        return {"xanchor": "center"}
    return {"xanchor": "right" if lower else "left", "xshift": -4 if lower else 4}


def _lane_names(study: Study, place: RulerLayout) -> list[dict[str, Any]]:
    """Return the words inside the ruler and above it, where they fit."""
    notes = []
    if len(place.limits) == 2:
        words = "clear of doubt"
        if place.clear / place.span * NARROW > LETTER * len(words):
            middle = template.one((place.start + place.end) / 2.0)
            notes.append(template.note(words, middle, 0.62, font={"color": "#00664A", "size": 14}))
    elif place.half < abs(place.mean):
        away = length(abs(place.mean) / fine_scale(study).factor, study.unit, 3)
        notes.append(
            template.note(
                f"mean to limit {away}",
                template.one(place.mean / 2.0),
                0.47,
                yanchor="bottom",
                font={"color": template.ROLES["part"], "size": template.SMALL},
                bgcolor="rgba(247,244,236,0.9)",
            )
        )
    notes.append(_parts_name(place))
    return notes


def _parts_name(place: RulerLayout) -> dict[str, Any]:
    """Return what the marks above the ruler are, near the middle of them."""
    inside = [at for at in place.parts.tolist() if place.low <= at <= place.high]
    hidden = len(place.parts) - len(inside)
    text = "the parts measured" + (f"; {hidden} beyond the picture" if hidden else "")
    half = 0.5 * (LETTER * len(text) + 8) / NARROW * place.span
    middle = sum(inside) / len(inside) if inside else place.low
    return template.note(
        text,
        template.one(min(max(middle, place.low + half), place.high - half)),
        PARTS_NAME_AT,
        yanchor="bottom",
        font={"color": template.ROLES["part"], "size": template.SMALL},
        bgcolor="rgba(255,255,255,0.85)",
    )


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


def confidence_reach(result: GaugeResult) -> tuple[float | None, str]:
    """Return how far a zone reaches at most, at the study's confidence, and why it is not known.

    In the fine unit; None, and the reason, where it is not known.
    """
    confidence = confidence_of(result.study)
    intervals, unknown = sd_intervals(result, 2.0 * confidence - 1.0)
    if "GRR" not in intervals:
        return None, unknown
    return 0.5 * result.spread * intervals["GRR"][1] * fine_scale(result.study).factor, ""


def reach_text(result: GaugeResult) -> str:
    """Return how far a zone of doubt reaches to either side of its limit."""
    return f"±{length(0.5 * result.value('GRR', 'spread'), result.study.unit)}"


def ruler_answer(result: GaugeResult, place: RulerLayout, bound: float | None, unknown: str) -> str:
    """Return the sentence under the question of the ruler; ``unknown`` is why it has no bound."""
    share = result.value("GRR", "percent_tolerance")
    reach = reach_text(result)
    if place.half == 0.0:
        return "The readings of a part do not differ at all, so no zone of doubt can be drawn."
    limit = "a limit" if len(place.limits) == 2 else "the limit"
    what = f"Within {reach} of {limit}, bias apart, a good part can read bad and a bad one good"
    rest = _confident(result, bound, unknown)
    if len(place.limits) == 1:
        if math.isnan(share):
            return f"{what}; the mean lies at or past the limit{rest}."
        return f"{what}: {percent(share)} of the distance from the mean to the limit{rest}."
    if place.clear <= 0.0:
        return (
            f"Nowhere inside the tolerance: the zones of doubt, {reach} at each limit, bias apart, "
            f"meet ({percent(share)} of the tolerance){rest}."
        )
    fine = " (drawn to scale, finer than the line)" if place.half / place.span < 1e-3 else ""
    left = length(place.clear / fine_scale(result.study).factor, result.study.unit)
    return (
        f"{what}{fine}: that takes {percent(share)} of the tolerance and leaves {left} clear{rest}."
    )


def _confident(result: GaugeResult, bound: float | None, unknown: str) -> str:
    if bound is None:
        why = f"{unknown[:1].lower()}{unknown[1:]}"
        return f"; how sure that is, is not known: {why}" if unknown else ""
    most = with_unit(figures(bound), fine_scale(result.study).unit)
    level = f"{100 * confidence_of(result.study):g}{JOIN}%"
    return f"; with {level} confidence the zone is narrower than ±{most} (dotted)"


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


ACCEPTANCE_QUESTION = "Which readings prove that a part is in tolerance?"


def acceptance_ruler(budget: UncertaintyBudget, tolerance: Tolerance) -> Figure:
    """Draw the tolerance as a ruler, with the guard bands that the uncertainty takes.

    Parameters
    ----------
    budget : UncertaintyBudget
    tolerance : Tolerance
        With two limits.

    Returns
    -------
    plotly Figure
        Hatched: a reading there proves nothing (ISO 14253-1). Without a second limit, a
        page that says what is needed.
    """
    use = budget.against(tolerance)
    if tolerance.width is None:
        return template.unanswered(
            "acceptance-ruler",
            ACCEPTANCE_QUESTION,
            f"The tolerance has one limit: {use}".replace("\n", " "),
        )
    scale = unit_scale(budget.unit)
    width = tolerance.width * scale.factor
    guard = use.guard * scale.factor if math.isfinite(use.guard) else width / 2.0
    guard = min(guard, width / 2.0)
    pad, below = 0.16 * width, scale.named("from the lower limit")
    return template.draw(
        "acceptance-ruler",
        ACCEPTANCE_QUESTION,
        _answer(use),
        alt="The tolerance to scale, hatched at both ends by the guard band.",
        traces=[
            doubt_zone(0.0, guard, "a reading here proves nothing"),
            doubt_zone(width - guard, width, "a reading here proves nothing"),
        ],
        height=130,
        top=24,
        shapes=[
            box(0.0, template.one(width), "#F7F4EC", FAINT),
            *(
                [box(template.one(guard), template.one(width - guard), "#CDEBDF", template.GREEN)]
                if use.acceptance
                else []
            ),
            *(_limit(x, 1.32) for x in (0.0, width)),
        ],
        notes=[
            template.note("lower limit", 0.0, 1.22, xanchor="right", yanchor="middle", xshift=-5),
            template.note("upper limit", width, 1.22, xanchor="left", yanchor="middle", xshift=5),
            template.note(
                f"accept: {percent(use.left_percent)} of the tolerance"
                if use.acceptance
                else "no reading proves it",
                template.one(width / 2.0),
                0.5,
                bold=True,
            ),
        ],
        margin={"l": 24, "r": 24, "b": 60},
        xaxis={
            **graduated_axis(0.0, width, round_step(width / 10.0), below),
            "range": template.rounded([-pad, width + pad]),
        },
        yaxis={"range": [0.0, 1.4], "visible": False},
    )


def _limit(at: float, top: float) -> dict[str, Any]:
    return upright(template.one(at), INK, 2, ends=(0, top), below=False)


def _answer(use: BudgetUse) -> str:
    if use.acceptance is None:
        u = length(use.standard_u, use.unit)
        return f"None: the standard uncertainty of {u} is too large for this tolerance."
    step = 10.0 ** (math.floor(math.log10(use.guard)) - 1) if use.guard > 0.0 else None
    return (
        f"Readings {limits_text(use.acceptance, step, use.unit)}, {use.as_read}: "
        f"{length(use.guard, use.unit)} inside each limit (ISO 14253-1, "
        f"{100 * use.confidence:g} %)."
    )
