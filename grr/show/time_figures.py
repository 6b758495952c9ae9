"""What changes with time: `readings_in_order`, `drift_over_time`, `checks_over_time`."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from grr.formulas.arrays import Array
from grr.formulas.operator_comparison import from_part_mean
from grr.model.html_blocks import FAINT, INK, LINE
from grr.model.names import begun, short_names, shortened
from grr.model.rounding import JOIN, counted, fine_interval, length, listed, signed_length, size
from grr.model.study import Cube, Study
from grr.show import template
from grr.show.axes import (
    Lanes,
    curve,
    dots,
    fine_scale,
    graduations,
    lanes_for,
    level_line,
    name_beside,
    path,
    reach_axis,
    round_step,
    tick_text,
    unit_scale,
    upright,
    upright_band,
    words_above,
)
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.drift import Drift
    from grr.questions.stability import StabilityResult

ORDER_QUESTION = "Did anything change while measuring?"
#: Longest line of the key under the drift, and the height above it of the operators' names.
KEY_LENGTH, NAMES_ABOVE = 58, 46
CONFIDENCE = 0.95


def readings_in_order(study: Study, found: Drift | str) -> Figure:
    """Draw what `grr.show.in_order` shows: the readings, and the drift found in them.

    ``found`` is what `grr.drift` says at `CONFIDENCE`, or why it cannot tell.
    """
    ordered = _with_order(study)
    if ordered is None:
        return template.unanswered(
            "in-order",
            ORDER_QUESTION,
            "The readings carry no order. Give a column order that numbers them 1, 2, 3 as they "
            "were taken, or a column time; the entry form records both.",
        )
    cube, order = ordered.cube(), ordered.cube("order").values
    used = np.isfinite(cube.values) & np.isfinite(order)
    deviations = np.where(used, from_part_mean(cube.values), np.nan)
    scale = fine_scale(study)
    lanes = lanes_for(cube.operators, deviations * scale.factor, 0.0)
    most = int(used.sum(axis=(0, 2)).max())
    return template.draw(
        "in-order",
        ORDER_QUESTION,
        _order_answer(study, found, int(np.isfinite(cube.values).sum() - used.sum())),
        example=study.example,
        alt=(
            "One lane an operator: the readings in the order taken, each measured from its "
            "part's mean."
        ),
        traces=[
            trace
            for lane in range(len(lanes.names))
            for trace in _lane(study, lanes, lane, (deviations, order), found)
        ],
        height=lanes.height + 74,
        top=24,
        shapes=lanes.zeros(),
        notes=[*lanes.titles(), lanes.unit(scale.named("distance from the part's mean"))],
        margin={"b": 60},
        xaxis={
            "range": [0.2, most + 0.8],
            "title": {"text": "the operator's own readings, first to last"},
            "tickformat": "d",
            "nticks": 12,
        },
        yaxis=lanes.axis(),
    )


def _with_order(study: Study) -> Study | None:
    """Return the study with the order of its readings; None where it was not recorded."""
    table = study.readings
    if "order" in table and table["order"].notna().any():
        return study
    if "time" in table and table["time"].notna().any():
        return replace(study, readings=table.assign(order=table["time"].rank(method="first")))
    return None


def _lane(
    study: Study, lanes: Lanes, lane: int, drawn: tuple[Array, Array], found: Drift | str
) -> list[dict[str, Any]]:
    """Return the readings of one operator, given all deviations and their order."""
    deviations, order = drawn
    cube = study.cube()
    factor = fine_scale(study).factor
    places = np.argwhere(np.isfinite(deviations[:, lane]))
    at = order[places[:, 0], lane, places[:, 1]]
    sequence = np.argsort(at, kind="stable")
    places, at = places[sequence], at[sequence]
    values = deviations[places[:, 0], lane, places[:, 1]]
    colour, symbol = template.OPERATOR_LOOKS[lane % len(template.OPERATOR_LOOKS)]
    numbers = list(range(1, len(values) + 1))
    drawn_at = (values * factor).tolist()
    traces = [
        dots(
            numbers,
            template.rounded([lanes.at(lane, value) for value in drawn_at]),
            {
                "color": colour,
                "opacity": 1,
                "size": [11 if lanes.beyond(v) else 7 for v in drawn_at],
                "symbol": [
                    ("triangle-up" if v > 0 else "triangle-down") if lanes.beyond(v) else symbol
                    for v in drawn_at
                ],
            },
            [
                f"reading {int(when)}: part {markup(shortened(cube.parts[part], 80))}, trial "
                f"{cube.trials[trial]}<br>{markup(shortened(cube.operators[lane], 80))}<br>reads "
                f"{size(float(cube.values[part, lane, trial]), study.resolution, study.unit)}, "
                f"{signed_length(float(value), study.unit)} from the part's mean"
                for (part, trial), when, value in zip(
                    places.tolist(), at.tolist(), values.tolist(), strict=True
                )
            ],
            clipped=False,
        )
        | {"mode": "lines+markers", "line": {"color": LINE, "width": 1}}
    ]
    line = _dashes(found, cube, lane, places, values)
    if line is not None:
        heights = template.rounded([lanes.at(lane, v) for v in (line * factor).tolist()])
        traces.append(path(numbers, heights, INK, 1.6, dash="dash"))
    return traces


def _dashes(
    found: Drift | str, cube: Cube, lane: int, places: NDArray[np.intp], values: Array
) -> Array | None:
    """Return the fitted drift through an operator's readings, session by session.

    None where this operator's readings do not drift.
    """
    if isinstance(found, str):
        return None
    numbers, operator = found.numbers, cube.operators[lane]
    (method,) = numbers.methods
    if operator not in numbers.drifters(method) or len(values) < 2:
        return None
    taken = numbers.taken.table
    rows = taken[taken["operator"] == operator].set_index(["part", "trial"])
    rows = rows.loc[[(cube.parts[part], cube.trials[trial]) for part, trial in places.tolist()]]
    line = numbers.fitted(method, operator, rows["since"].to_numpy(dtype=np.float64))
    session = rows["sitting"].to_numpy()
    for one in np.unique(session):
        own = session == one
        line[own] += values[own].mean() - line[own].mean()
    return line


def _order_answer(study: Study, found: Drift | str, left_out: int) -> str:
    note = ""
    if len(study.operator_names) > 1:
        note = " A change between two operators' sessions cannot be told from the operators."
    if left_out:
        note += f" {counted(left_out, 'reading')} without a place in the order left out."
    if isinstance(found, str):
        return f"A drift cannot be told: {found[0].lower()}{found[1:]}.{note}"
    (shown,) = found.numbers.methods.values()
    if found.numbers.drifters(shown.method):
        return (
            f"Yes: {found.headline[0].lower()}{found.headline[1:]} Dashed: the drift. Look at "
            f"warming, zero and wear.{note}"
        )
    if found.sudden:
        return (
            f"Yes: {listed(found.sudden)}. Look at zero, setting and room. Apart from that, no "
            f"drift shows.{note}"
        )
    most = max(abs(float(v)) for v in shown.slope.limits(CONFIDENCE)) * shown.span
    if most == 0.0:
        return f"No drift shows: the readings repeat to the last digit.{note}"
    return (
        f"No drift shows while measuring: over a session it is at most "
        f"{length(most, study.unit)} ({100 * CONFIDENCE:g}{JOIN}% confidence).{note}"
    )


DRIFT_QUESTION = "Do the readings drift while the gauge is in use?"
POINTS = 80
#: Height of a panel and of the gap between two, in px.
PANEL, GAP = 170, 36
#: Operators named above the panels at most.
NAMED = 6
MARKS = {"circle": "●", "diamond": "◆", "square": "■", "triangle-up": "▲", "triangle-down": "▼"}


@dataclass(frozen=True)
class _Panels:
    """One panel a method, under each other, with the same scale."""

    methods: tuple[str, ...]
    low: float
    high: float
    height: int = PANEL

    @property
    def total(self) -> int:
        """Height of all panels in px."""
        return len(self.methods) * self.height + (len(self.methods) - 1) * GAP

    def axis_name(self, panel: int) -> str:
        """Return plotly's name of a panel's vertical axis: y, y2 …"""
        return "y" if panel == 0 else f"y{panel + 1}"

    def axes(self) -> dict[str, dict[str, Any]]:
        """Return the vertical axes, from the top."""
        step = round_step((self.high - self.low) / 5.0)
        at = graduations(self.low, self.high, step)
        found = {}
        for panel in range(len(self.methods)):
            top = 1.0 - panel * (self.height + GAP) / self.total
            bottom = top - self.height / self.total
            found["yaxis" if panel == 0 else f"yaxis{panel + 1}"] = {
                "domain": [round(max(bottom, 0.0), 6), round(top, 6)],
                "range": template.rounded([self.low, self.high]),
                "tickvals": template.rounded(at),
                "ticktext": [tick_text(value, step) for value in at],
                "anchor": "x",
            }
        return found


def drift_over_time(drift: Drift) -> Figure:
    """Draw each reading against the time since zeroing, one panel a method.

    Parameters
    ----------
    drift : Drift

    Returns
    -------
    plotly Figure
        What the parts and sessions differ by is taken off. Line: the fitted drift;
        shaded: what is allowed for drift; dotted line: when the drift reaches it.
    """
    numbers, scale = drift.numbers, fine_scale(drift.study)
    allowed = max((when.allowed for when in drift.re_zero.values()), default=0.0) * scale.factor
    panels = _panels(drift, allowed)
    unit = "minutes" if numbers.taken.unit == "min" else "readings"
    below = f"{unit} since zeroing, or since the session began"
    if allowed > 0.0:
        key = f"shaded: the {length(allowed / scale.factor, drift.study.unit)} allowed for drift"
        if any(_used_up(drift, method) for method in panels.methods):
            key += "; dotted: when the drift reaches it"
        below = template.with_key(below, key, KEY_LENGTH)
    room = template.KEY_LINE * below.count("<br>")
    return template.draw(
        "drift-over-time",
        DRIFT_QUESTION,
        drift.headline,
        alt="One panel a method: readings against the time since zeroing, and the fitted drift.",
        example=drift.study.example,
        traces=[
            trace
            for panel in range(len(panels.methods))
            for trace in (*_readings(drift, panels, panel), _fitted(drift, panels, panel))
        ],
        height=panels.total + 84 + room,
        top=72,
        shapes=[
            shape
            for panel in range(len(panels.methods))
            for shape in _grounds(drift, panels, panel, allowed)
        ],
        notes=[
            *(_method_name(panels, panel) for panel in range(len(panels.methods))),
            words_above(scale.named("distance from the reading at the start"), 0, 28),
            _operator_names(drift),
        ],
        margin={"b": 66 + room},
        xaxis={
            **_time_axis(
                max(found.span for found in numbers.methods.values()),
                below,
            ),
            "anchor": panels.axis_name(len(panels.methods) - 1),
        },
        **panels.axes(),
    )


def _panels(drift: Drift, allowed: float) -> _Panels:
    """Return the panels; one reading far beyond all others does not set the scale."""
    values = drift.numbers.readings["drift"].to_numpy() * fine_scale(drift.study).factor
    middle = float(np.median(values))
    usual = 8.0 * float(np.median(np.abs(values - middle)))
    low, high = float(values.min()), float(values.max())
    if usual > 0.0:
        low, high = max(low, middle - usual), min(high, middle + usual)
    low, high = min(low, -1.3 * allowed), max(high, 1.3 * allowed)
    pad = 0.06 * (high - low) or 1.0
    return _Panels(tuple(drift.numbers.methods), low - pad, high + pad)


def _readings(drift: Drift, panels: _Panels, panel: int) -> list[dict[str, Any]]:
    table, factor = drift.numbers.readings, fine_scale(drift.study).factor
    traces = []
    for place, operator in enumerate(drift.study.operator_names):
        rows = table[(table["method"] == panels.methods[panel]) & (table["operator"] == operator)]
        if rows.empty:
            continue
        colour, symbol = template.OPERATOR_LOOKS[place % len(template.OPERATOR_LOOKS)]
        since, values = rows["since"].tolist(), rows["drift"].tolist()
        heights = [min(max(value * factor, panels.low), panels.high) for value in values]
        who, unit = markup(shortened(operator, 40)), drift.numbers.taken.unit
        marker = {"color": colour, "symbol": symbol, "size": 7, "opacity": 0.75}
        told = [
            f"{who}<br>{at:.1f} {unit}<br>{markup(length(abs(value), drift.study.unit))} "
            f"{'below' if value < 0 else 'above'} the start"
            for at, value in zip(since, values, strict=True)
        ]
        x, y = template.rounded(since), template.rounded(heights)
        marks = dots(x, y, marker, told, clipped=False)
        traces.append(marks | {"yaxis": panels.axis_name(panel)})
    return traces


def _fitted(drift: Drift, panels: _Panels, panel: int) -> dict[str, Any]:
    found = drift.numbers.methods[panels.methods[panel]]
    at = np.linspace(0.0, found.span, POINTS)
    heights = found.at(at) * fine_scale(drift.study).factor
    return curve(at, heights, colour=INK) | {"yaxis": panels.axis_name(panel)}


def _grounds(drift: Drift, panels: _Panels, panel: int, allowed: float) -> list[dict[str, Any]]:
    """Return what is allowed for drift, the line of the start, and when the drift reaches it."""
    axis, method = panels.axis_name(panel), panels.methods[panel]
    across = {"xref": "paper", "x0": 0, "x1": 1, "yref": axis, "layer": "below"}
    shapes: list[dict[str, Any]] = [
        {"type": "line", **across, "y0": 0, "y1": 0, "line": {"color": FAINT, "width": 1}}
    ]
    if allowed > 0.0:
        ground = {"fillcolor": template.ROLES["band"], "line": {"width": 0}}
        edges = {"y0": template.one(-allowed), "y1": template.one(allowed)}
        shapes.insert(0, {"type": "rect", **across, **edges, **ground})
    if _used_up(drift, method):
        at, ends = (
            drift.re_zero[method].estimate,
            (template.one(panels.low), template.one(panels.high)),
        )
        line = upright(
            template.one(at), template.ROLES["doubt"], 1.6, "dot", ends=ends, below=False
        )
        shapes.append(line | {"yref": axis})
    return shapes


def _used_up(drift: Drift, method: str) -> bool:
    """Whether the drift of a method used up its allowance while it was watched."""
    when = drift.re_zero.get(method)
    return when is not None and when.estimate <= drift.numbers.methods[method].span


def _method_name(panels: _Panels, panel: int) -> dict[str, Any]:
    return template.note(
        shortened(panels.methods[panel] or "all readings", 60),
        0,
        template.one(panels.high),
        xref="paper",
        yref=panels.axis_name(panel),
        xanchor="left",
        yanchor="bottom",
        yshift=2,
        bold=True,
        font={"size": template.TEXT_SIZE},
    )


def _operator_names(drift: Drift) -> dict[str, Any]:
    """Return the operators by colour and shape, at the right above the panels."""
    names = short_names(drift.study.operator_names, 12)
    pieces = []
    for place, name in enumerate(names[:NAMED]):
        colour, symbol = template.OPERATOR_LOOKS[place % len(template.OPERATOR_LOOKS)]
        mark = MARKS.get(symbol, "★")
        pieces.append(f'<span style="color:{colour}">{mark}</span> {markup(name)}')
    if len(names) > NAMED:
        pieces.append(f"and {len(names) - NAMED} more")
    corner = {"xref": "paper", "yref": "paper", "xanchor": "right", "yanchor": "bottom"}
    return template.note("", 1, 1, **corner, yshift=NAMES_ABOVE) | {"text": "   ".join(pieces)}


def _time_axis(span: float, title: str) -> dict[str, Any]:
    step = round_step(span / 8.0)
    at = graduations(0.0, span, step)
    return {
        "range": template.rounded([-0.02 * span, 1.03 * span]),
        "tickvals": template.rounded(at),
        "ticktext": [f"{value:g}" for value in template.rounded(at) if value is not None],
        "title": {"text": title},
    }


CHECKS_QUESTION = "Is the gauge stable over time?"


def checks_over_time(result: StabilityResult) -> Figure:
    """Draw each check and their running mean against the limits taken from the baseline.

    Parameters
    ----------
    result : StabilityResult

    Returns
    -------
    plotly Figure
        The grey ground is the baseline; between the two limits the running mean is to stay;
        diamonds are checks at which there is an alarm.
    """
    scale = unit_scale(result.unit)
    centre, limit = float(result.limits.centre), result.mean_limit * scale.factor
    points = (result.means - centre) * scale.factor
    means = (result.running_means - centre) * scale.factor
    days = [f"{time:%Y-%m-%d}" for time in result.times]
    pad = (result.times[-1] - result.times[0]) * 0.03
    span = [f"{result.times[0] - pad:%Y-%m-%d}", f"{result.times[-1] + pad:%Y-%m-%d}"]
    start = max(result.baseline - 1, 0)
    heights = [*points, 1.3 * limit, -1.3 * limit]
    shapes = [
        upright_band(days[0], days[result.baseline - 1], template.ROLES["band"]),
        level_line(0.0, colour=FAINT, width=1.0),
        *(level_line(side * limit, colour=template.ROLES["limit"]) for side in (-1, 1)),
    ]
    reach = length(result.mean_limit, result.unit)
    notes = [
        name_beside(f"+{reach}", limit),
        name_beside(f"−{reach}", -limit),
        words_above("● check   ◆ alarm   ━ running mean, between its limits", 1, 4),
        template.note(
            f"baseline: {counted(result.baseline, 'check')}",
            None,
            1,
            yref="paper",
            xanchor="right",
            yanchor="top",
            xshift=-4,
            font={"color": FAINT, "size": template.SMALL},
        )
        | {"x": days[result.baseline - 1]},
    ]
    return template.draw(
        "checks-over-time",
        CHECKS_QUESTION,
        _checks_answer(result),
        alt="Checks in order of time, as distances from the mean of the baseline, with their "
        "running mean and its limits.",
        traces=[
            _points(result, days, points),
            *_steps(result, days, scale.factor),
            path(days[start:], template.rounded([0.0, *means[start + 1 :]]), INK, 3),
        ],
        height=330,
        top=20,
        shapes=shapes,
        notes=notes,
        margin={"b": 50, "r": 84},
        xaxis={"type": "date", "range": span, "title": {"text": ""}},
        yaxis=reach_axis(heights, scale.named("distance from the baseline's mean")),
    )


def _points(result: StabilityResult, days: list[str], points: Any) -> dict[str, Any]:
    rules = result.to_frame()["rules_met"].tolist()
    return dots(
        days,
        template.rounded(points),
        template.found_or_not([bool(met) for met in rules]),
        [
            f"{day}: {size(float(mean), result.resolution, result.unit)}"
            + (f"<br>{met}" if met else "")
            for day, mean, met in zip(days, result.means, rules, strict=True)
        ],
        clipped=False,
    )


def _steps(result: StabilityResult, days: list[str], factor: float) -> list[dict[str, Any]]:
    """Return the mean before and after a step, as two lines."""
    if result.step is None:
        return []
    first = int(result.step.first_after)
    levels = np.split((result.means - float(result.limits.centre)) * factor, [first])
    pieces = (days[:first], days[first:])
    return [
        path(
            [piece[0], piece[-1]],
            template.rounded([level.mean(), level.mean()]),
            template.VERMILLION,
            2,
            dash="dash",
        )
        for piece, level in zip(pieces, levels, strict=True)
    ]


def _checks_answer(result: StabilityResult) -> str:
    count = len({signal.check for signal in result.signals})
    checks = counted(len(result.means), "check")
    if result.step is not None and result.step_between is not None:
        size_of = signed_length(float(result.step.size), result.unit)
        before, after = (time.date() for time in result.step_between)
        return (
            f"No: it stepped by {size_of} between {before} and {after} (dashed). Alarm at {count} "
            f"of {checks} (diamonds)."
        )
    drift = result.drift
    interval = fine_interval(drift.lower, drift.upper, result.unit)
    yearly = f"{interval} a year with {100 * result.level:g}{JOIN}% confidence"
    shown = drift.lower > 0.0 or drift.upper < 0.0
    moved = f"it drifts by {yearly}" if shown else f"no drift is shown ({yearly})"
    if result.newest_words and count < 2:
        seen = f"Not quite: alarm at {count} of {checks} (diamond)." if count else "No alarm."
        return f"{seen} {result.newest_words} {begun(moved)}."
    if count:
        return f"Not quite: alarm at {count} of {checks} (diamonds); {moved}."
    return f"{'Not quite' if shown else 'Yes'}: no alarm at any of {checks}; {moved}."
