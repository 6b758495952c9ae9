"""What the pages draw in SVG: the sign of a decision, the ruler, the share, readings by part.

Every drawing is a picture with its finding as its name; colour fills shapes only, text is ink.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from html import escape
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from grr.model.choices import Decision
from grr.model.estimate import Estimate
from grr.model.rounding import length, size
from grr.model.study import Study
from grr.model.tolerance import Tolerance
from grr.show.axes import graduations, round_step, tick_text
from grr.show.svg import box, mark, runs

if TYPE_CHECKING:
    from grr.questions.deciding import Criterion
    from grr.questions.gauge import GaugeResult

INK, GROUND, BLUE, SKY = "#11161d", "#f4f4f0", "#0072b2", "#56b4e9"
ORANGE, VERMILLION, PURPLE, CLEAR = "#e69f00", "#d55e00", "#cc79a7", "#cfe6f4"
Interval = tuple[float, float]
UNKNOWN = (math.nan, math.nan)
#: Decision → the wash of its banner, and the bar at its edge.
WASHES = {
    "USE": ("#e0eef7", BLUE),
    "LIKE_THIS": ("#e6f4fc", SKY),
    "WITH_LIMITS": ("#fdf0d7", ORANGE),
    "DO_NOT_USE": ("#fce6d8", VERMILLION),
    "NOT_DECIDED": ("#f6e9f1", PURPLE),
}
#: Symbol and colour of the readings of each operator, in turn.
LOOKS_OF_OPERATORS = (
    ("circle", BLUE),
    ("square", INK),
    ("triangle-up", "#009e73"),
    ("diamond", VERMILLION),
    ("cross", PURPLE),
    ("triangle-down", ORANGE),
)
_HATCHES = (
    '<defs><pattern id="{name}-dark" width="10" height="10" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="10" height="10" fill="#fdf3dd"/>'
    '<rect width="6" height="10" fill="#e69f00"/></pattern>'
    '<pattern id="{name}-light" width="11" height="11" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="11" height="11" fill="#fffdf6"/>'
    '<rect width="1.6" height="11" fill="#e69f00"/></pattern></defs>'
)


def _drawing(width: float, height: float, inner: str, *, says: str, shown: float = 0.0) -> str:
    """Return a drawing with its finding as its name; one that says nothing is an ornament.

    ``shown`` is its width on the page; without, it fills what it is in.
    """
    wide = f'width="{shown:g}" height="{shown * height / width:g}"' if shown else 'width="100%"'
    named = f'role="img" aria-label="{escape(says)}"' if says else 'aria-hidden="true"'
    return (
        f'<svg {named} viewBox="0 0 {width:g} {height:g}" {wide} '
        f'font-family="inherit">{inner}</svg>'
    )


def _bar(x: float, top: float, bottom: float, width: float = 4.0) -> str:
    return box((x - width / 2, top, width, bottom - top), INK)


# The decision
# ------------


def decision_sign(decision: Decision, shown: float = 150.0) -> str:
    """Return the window between the limits, filled as the decision is."""
    name = f"sign{shown:g}{decision.name}"
    dark, light = f"url(#{name}-dark)", f"url(#{name}-light)"
    fillings = {
        "USE": box((26, 14, 98, 60), BLUE),
        "LIKE_THIS": box((26, 14, 98, 60), BLUE)
        + "".join(box((44, y, 8, 8), "#fff") + box((61, y, 46, 8), "#fff") for y in (23, 40, 57)),
        "WITH_LIMITS": box((10, 14, 34, 60), dark)
        + box((106, 14, 34, 60), dark)
        + box((44, 14, 62, 60), BLUE),
        "DO_NOT_USE": box((2, 14, 146, 60), dark)
        + '<path d="M52 25 L98 63 M98 25 L52 63" stroke="#fff" stroke-width="19"/>'
        + f'<path d="M52 25 L98 63 M98 25 L52 63" stroke="{INK}" stroke-width="10"/>',
        "NOT_DECIDED": box((2, 14, 48, 60), light)
        + box((100, 14, 48, 60), light)
        + runs([("?", True, "")], 75, 63, anchor="middle", size=52, colour=INK),
    }
    dashed = ' stroke-dasharray="8 5"' if decision.name == "NOT_DECIDED" else ""
    window = (
        f'<rect x="1.5" y="13" width="147" height="62" fill="none" stroke="{INK}" '
        f'stroke-width="3"{dashed}/>'
    )
    inner = _HATCHES.format(name=name) + fillings[decision.name] + window
    inner += _bar(26, 0, 88, 5) + _bar(124, 0, 88, 5)
    return _drawing(150, 88, inner, says=str(decision), shown=shown)


def stop_sign() -> str:
    """Return the sign of data to mend."""
    inner = f'<circle cx="42" cy="42" r="40" fill="#fff" stroke="{INK}" stroke-width="4"/>'
    return _drawing(84, 84, inner + box((30, 30, 24, 24), INK), says="to mend", shown=84)


def calm_sign() -> str:
    """Return the sign of data with nothing to fix."""
    inner = f'<path d="M6 44 L30 68 L80 14" fill="none" stroke="{INK}" stroke-width="11"/>'
    return _drawing(84, 84, inner, says="nothing to fix", shown=84)


def step_scale(done: int) -> str:
    """Return the six steps as a small scale, done as far as said."""
    at = [4 + 26 * index for index in range(6)]
    here = at[min(done, 5)]
    inner = box((4, 14, here - 4, 9), SKY) + box((4, 22, 130, 1.5), INK)
    inner += "".join(box((x - 0.75, 4, 1.5, 19), INK) for x in at)
    inner += "".join(box((4 + 5.2 * i, 16, 0.8, 7), INK) for i in range(26))
    inner += mark("triangle-down", here, 2, size=12, fill=BLUE, edge="none", edge_width=0)
    return _drawing(140, 26, f'<g transform="translate(0 3)">{inner}</g>', says="", shown=140)


# GRR in the tolerance
# --------------------


@dataclass(frozen=True)
class _Ruler:
    """Where a length stands on a ruler of 1146: the tolerance takes three fifths of it."""

    lower: float
    upper: float

    def at(self, value: float) -> float:
        span = (self.upper - self.lower) / 0.6
        return min(max(1146 * (0.2 + (value - self.lower) / span), 1.0), 1145.0)


def answer_ruler(result: GaugeResult, accept: Tolerance | None) -> str:
    """Return the tolerance to scale, the doubt at each limit, the parts, and the jaws.

    Parameters
    ----------
    result : GaugeResult
        Of a study with both limits.
    accept : Tolerance or None
        Narrower limits to accept by; None where the limits themselves are.
    """
    study = result.study
    limits = study.tolerance
    assert limits is not None and limits.lower is not None and limits.upper is not None
    place = _Ruler(limits.lower, limits.upper)
    doubt = 3.0 * result.value("GRR", "sd")
    most = max(doubt, 3.0 * _upper_sd(result))
    known = length(doubt, study.unit)
    inner = _HATCHES.format(name="ruler") + box((0, 62, 1146, 138), GROUND)
    inner += box((place.at(limits.lower + most), 62, 0, 138), CLEAR)
    left, right = place.at(limits.lower + most), place.at(limits.upper - most)
    if right > left:
        inner += box((left, 62, right - left, 138), CLEAR)
        if right - left > 70:
            inner += runs([("clear", False, "")], (left + right) / 2, 128, anchor="middle", size=20)
    for reach, fill in ((most, "url(#ruler-light)"), (doubt, "url(#ruler-dark)")):
        for limit in (limits.lower, limits.upper):
            start, end = place.at(limit - reach), place.at(limit + reach)
            inner += box((start, 62, end - start, 138), fill)
    inner += _graduated(place, study)
    inner += (
        f'<rect x="1" y="62" width="1144" height="138" fill="none" stroke="{INK}" '
        'stroke-width="2"/>'
    )
    for mean in _part_means(study):
        inner += mark(
            "triangle-down", place.at(mean), 57, size=11, fill=BLUE, edge="none", edge_width=0
        )
    aside = 12.0
    if accept is not None and accept.lower is not None:  # beyond the jaws
        aside = max(aside, 54.0 - place.at(accept.lower) + place.at(limits.lower))
    inner += _limit(place.at(limits.lower), "lower limit", known, "end", -aside)
    inner += _limit(place.at(limits.upper), "upper limit", known, "start", aside)
    inner += runs([(f"light: to ±{length(most, study.unit)}", False, "")], 0, 222, size=16)
    inner += runs(
        [(study.unit, False, ""), ("   ▾ parts", False, "")], 1146, 222, anchor="end", size=16
    )
    says = f"At each limit readings within ±{known} leave doubt."
    if accept is not None and accept.lower is not None and accept.upper is not None:
        low, high = size(accept.lower, study.resolution), size(accept.upper, study.resolution)
        inner += _jaw(place.at(accept.lower), low, 1.0) + _jaw(place.at(accept.upper), high, -1.0)
        says += f" Accept from {low} to {high} {study.unit}."
    return _drawing(1146, 228, inner, says=says)


def small_ruler(result: GaugeResult, name: str) -> str:
    """Return the tolerance and the doubt at each limit to scale, without figures.

    Parameters
    ----------
    result : GaugeResult
        Of a study with both limits.
    name : str
        No other drawing of the page has it.
    """
    study = result.study
    limits = study.tolerance
    assert limits is not None and limits.lower is not None and limits.upper is not None
    place = _Ruler(limits.lower, limits.upper)
    doubt = 3.0 * result.value("GRR", "sd")
    most = max(doubt, 3.0 * _upper_sd(result))
    inner = _HATCHES.format(name=name) + box((0, 0, 1146, 138), GROUND)
    left, right = place.at(limits.lower + most), place.at(limits.upper - most)
    if right > left:
        inner += box((left, 0, right - left, 138), CLEAR)
    for reach, hatch in ((most, "light"), (doubt, "dark")):
        for limit in (limits.lower, limits.upper):
            start, end = place.at(limit - reach), place.at(limit + reach)
            inner += box((start, 0, end - start, 138), f"url(#{name}-{hatch})")
    edge = f'fill="none" stroke="{INK}" stroke-width="3"'
    inner += f'<rect x="1.5" y="1.5" width="1143" height="135" {edge}/>'
    inner += _bar(place.at(limits.lower), 0, 138, 7) + _bar(place.at(limits.upper), 0, 138, 7)
    says = f"At each limit readings within ±{length(doubt, study.unit)} leave doubt."
    return _drawing(1146, 138, inner, says=says)


def _limit(x: float, words: str, doubt: str, anchor: str, aside: float) -> str:
    return (
        _bar(x, 10, 200)
        + runs([(words, True, "")], x + aside, 28, anchor=anchor, size=18, colour=INK)
        + runs([(f"doubt ±{doubt}", False, "")], x + aside, 51, anchor=anchor, size=18, colour=INK)
    )


def _jaw(x: float, words: str, side: float) -> str:
    """Return one jaw that closes in, with the limit that it leaves."""
    corners = [(0, 10), (-44, 10), (-44, 28), (-20, 44), (0, 44)]
    path = " L".join(f"{x + side * dx:.1f} {y}" for dx, y in corners)
    anchor = "start" if side > 0 else "end"
    text = runs([(words, True, "")], x + side * 12, 28, anchor=anchor, size=20, colour=INK)
    return f'<path d="M{path} Z" fill="{INK}"/>' + _bar(x, 10, 200, 4.5) + text


def _graduated(place: _Ruler, study: Study) -> str:
    """Return the graduations, with the limits and a few round sizes written under them."""
    span = place.upper - place.lower
    step = round_step(span / 60)
    low, high = place.lower - span / 3, place.upper + span / 3
    inner = ""
    for value in graduations(low, high, step):
        number = round(value / step)
        tall = 25 if number % 10 == 0 else 16 if number % 5 == 0 else 8
        inner += box((place.at(value) - 0.7, 200 - tall, 1.4, tall), INK)
    numbered = round_step(span / 3)
    for value in graduations(low, high, numbered):
        x = place.at(value)
        clear = min(abs(x - place.at(limit)) for limit in (place.lower, place.upper))
        if clear > 90 and 190 < x < 1000:
            words = tick_text(value, numbered)
            inner += runs([(words, False, "")], x, 222, anchor="middle", size=16)
    for limit in (place.lower, place.upper):
        words = size(limit, study.resolution)
        inner += runs([(words, True, "")], place.at(limit), 222, anchor="middle", size=16)
    return inner


def _upper_sd(result: GaugeResult) -> float:
    table = result.intervals()
    upper = float(table["upper"]["GRR", "sd"])
    return upper if math.isfinite(upper) else math.nan


def _part_means(study: Study) -> list[float]:
    return [float(one) for one in study.readings.groupby("part")["reading"].mean()]


def share_scale(
    value: float, judged: Criterion, *, interval: Interval = UNKNOWN, without: float = math.nan
) -> str:
    """Return GRR in percent on three equal zones, with its interval and without its cause."""
    good, limit = judged.good, judged.limit
    lower, upper = interval

    def at(percent: float) -> float:
        marks = [0.0, good, limit, 100.0]
        return 8 + float(np.interp(min(percent, 100.0), marks, [0.0, 104.0, 208.0, 312.0]))

    inner = box((8, 40, 312, 14), GROUND) + box((8, 39, 312, 2), INK)
    if math.isfinite(lower) and math.isfinite(upper):
        inner += box((at(lower), 23, at(upper) - at(lower), 16), SKY, INK)
    inner += "".join(
        box((8 + 104 * zone + 104 * i / 10 - 0.5, 40, 1, 8), INK)
        for zone in range(3)
        for i in range(1, 10)
    )
    inner += "".join(box((8 + 104 * i - 1, 39, 2, 15), INK) for i in (0, 3))
    inner += _bar(at(good), 9, 54) + _bar(at(limit), 9, 54)
    inner += mark("triangle-down", at(value), 32, size=17, fill=INK, edge="none", edge_width=0)
    if math.isfinite(without) and at(value) - at(without) > 4:
        x, y = at(without), at(value)
        inner += (
            f'<path d="M{y:.1f} 23 V14 H{x:.1f} V24" fill="none" stroke="{INK}" stroke-width="2"/>'
        )
        inner += mark("triangle-down", x, 31, size=15, fill="#fff", edge=INK, edge_width=2)
    for percent, bold in ((0.0, False), (good, True), (limit, True), (100.0, False)):
        words = f"{percent:g} %" if bold else f"{percent:g}"
        anchor = {0.0: "start", 100.0: "end"}.get(percent, "middle")
        inner += runs([(words, bold, "")], at(percent), 75, anchor=anchor, size=16, colour=INK)
    says = f"GRR takes {value:.0f} %; up to {good:g} % is good, over {limit:g} % is not accepted."
    return _drawing(330, 82, inner, says=says, shown=330)


# People
# ------


def offset_scale(offset: Estimate, matters_from: float, span: float) -> str:
    """Return an offset with its interval on a scale of ±span; blue ground: too small to matter."""

    def at(value: float) -> float:
        return 231 + 225 * min(max(value / span, -1.0), 1.0)

    inner = ""
    if math.isfinite(matters_from):
        inner += box((at(-matters_from), 0, at(matters_from) - at(-matters_from), 52), CLEAR)
    inner += _bar(231, 0, 54, 3) + box((6, 53, 450, 2), INK)
    inner += "".join(box((6 + 22.5 * i - 0.5, 46, 1, 8), INK) for i in range(21))
    beyond = abs(offset.value) > matters_from
    if offset.bounded:
        start, end = at(offset.lower), at(offset.upper)
        inner += box((start, 18, end - start, 14), ORANGE if beyond else SKY, INK)
    inner += mark(
        "triangle-down", at(offset.value), 26, size=15, fill=INK, edge="none", edge_width=0
    )
    return _drawing(462, 58, inner, says=f"reads {offset:+} from the others", shown=420)


def length_bar(value: float, most: float) -> str:
    """Return a length as a bar, the longest filling it."""
    inner = box((2, 8, 156 * value / most if most else 0.0, 20), SKY, INK) + box(
        (2, 28, 158, 2), INK
    )
    inner += "".join(box((2 + 26 * i - 0.5, 22, 1, 7), INK) for i in range(7))
    return _drawing(164, 34, inner, says="", shown=150)


# Gauges
# ------


def proven_scale(proven: Interval, in_use: Sequence[float], ends: Interval) -> str:
    """Return widths of tolerances on a logarithmic scale: proven for, and in use.

    Parameters
    ----------
    proven : (float, float)
        From where on GRR is shown to be good, and to be acceptable.
    in_use : sequence of float
        Widths of the tolerances that the gauge is used on.
    ends : (float, float)
        Of the scale, powers of ten.
    """
    good, limit = proven
    low, high = (math.log10(one) for one in ends)

    def at(width: float) -> float:
        share = (math.log10(max(width, ends[0])) - low) / (high - low)
        return 4 + 540 * min(max(share, 0.0), 1.0)

    name = f"proven{limit:g}-{good:g}".replace(".", "-")
    inner = _HATCHES.format(name=name) + box((4, 22, 540, 22), f"url(#{name}-light)", INK)
    inner += box((at(limit), 22, 544 - at(limit), 22), CLEAR, INK)
    inner += box((at(good), 22, 544 - at(good), 22), BLUE, INK)
    for power in range(round(low), round(high) + 1):
        anchor = {round(low): "start", round(high): "end"}.get(power, "middle")
        inner += box((at(10.0**power) - 0.5, 34, 1, 10), INK)
        words = f"{10.0**power:g} µm"
        inner += runs([(words, False, "")], at(10.0**power), 62, anchor=anchor, size=15)
    for width in in_use:
        fill = VERMILLION if width < limit else INK
        x = at(width)
        inner += mark("triangle-down", x, 13, size=14, fill=fill, edge="none", edge_width=0)
    says = f"proven from {limit:.3g} µm, good from {good:.3g} µm"
    return _drawing(548, 66, inner, says=says, shown=548)


# Readings by part
# ----------------


def readings_by_part(study: Study, odd: Collection[tuple[str, str, int, str]] = ()) -> str:
    """Return every reading over its part, each operator's side by side; ``odd`` ones ringed.

    Of several ways of holding, the first is drawn with full marks and the others with open ones.
    """
    table = study.readings.dropna(subset="reading")
    parts, trials = study.parts, sorted(table["trial"].unique())
    series = list(product(study.methods or ("",), study.operator_names))
    known = study.tolerance
    limits = [x for x in (known.lower, known.upper) if x is not None] if known else []
    low, high = float(table["reading"].min()), float(table["reading"].max())
    inside = [x for x in limits if low - (high - low) < x < high + (high - low)]
    low, high = min([low, *inside]), max([high, *inside])
    pad = 0.08 * (high - low) or 1.0

    def at(value: float) -> float:
        return 262 - 246 * (value - low + pad) / (high - low + 2 * pad)

    wide = 1056 / len(parts)
    inner = "".join(box((90 + wide * p, 8, wide, 258), GROUND) for p in range(0, len(parts), 2))
    close = len(inside) > 1 and at(inside[0]) - at(inside[1]) < 20
    for limit in inside:
        inner += box((90, at(limit) - 1.5, 1056, 3), INK)
        words = "limits" if close else size(limit, study.resolution)
        if not close or limit == inside[0]:
            inner += runs([(words, True, "")], 80, at(limit) + 6, anchor="end", size=16, colour=INK)
    slots = len(series) * (len(trials) + 1)
    for row in table.to_dict("records"):
        operator, method = row["operator"], str(row.get("method") or "")
        column = series.index((method, operator)) * (len(trials) + 1) + trials.index(row["trial"])
        x = 90 + wide * (parts.index(row["part"]) + (column + 1) / (slots + 0.5))
        y = at(row["reading"])
        if (row["part"], operator, row["trial"], method) in odd:
            inner += (
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="17" fill="#fce6d8" '
                f'stroke="{VERMILLION}" stroke-width="4"/>'
            )
        inner += _mark_of(study, operator, x, y, 10, full=method in ("", *study.methods[:1]))
    for p, part in enumerate(parts):
        if wide > 24 or p % 5 == 0:
            words = part if len(part) <= wide / 11 else f"{part[: max(1, int(wide / 11) - 1)]}…"
            inner += runs(
                [(words, False, "")], 90 + wide * (p + 0.5), 290, anchor="middle", size=18
            )
    return _drawing(1146, 300, inner, says="Every reading, over the part that it belongs to.")


def _mark_of(study: Study, operator: str, x: float, y: float, wide: float, *, full: bool) -> str:
    looks = LOOKS_OF_OPERATORS[study.operator_names.index(operator) % len(LOOKS_OF_OPERATORS)]
    symbol, colour = looks
    fill, edge = (colour, 0.0) if full else ("#ffffff", 2.0)
    return mark(symbol, x, y, size=wide, fill=fill, edge=colour, edge_width=edge)


def operator_legend(study: Study) -> list[tuple[str, str]]:
    """Return the mark of each operator, and the name; then what full and open marks are."""
    return [
        (_drawing(16, 16, _mark_of(study, name, 8, 8, 13, full=True), says="", shown=16), name)
        for name in study.operator_names
    ] + [
        ("", f"{which}: {method}")
        for which, method in zip(("full", "open"), study.methods, strict=False)
        if len(study.methods) == 2
    ]
