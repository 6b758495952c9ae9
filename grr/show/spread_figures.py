"""`grr.show.spread_sources`: how much each source adds to the spread of the readings."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from grr.model.choices import NAMES
from grr.model.errors import StudyError
from grr.model.html_blocks import FAINT, INK
from grr.model.rounding import JOIN, figures, length, percent, with_unit
from grr.show import static, template
from grr.show.axes import (
    Fine,
    bars,
    dots,
    fine_scale,
    level_band,
    rows_axis,
    upright,
    value_axis,
)
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.gauge import GaugeResult

QUESTION = "Where does the spread of the readings come from?"
ROW = 56
#: The scale ends at so many times the largest spread; an interval that goes on is cut there.
LONGEST = 1.5
#: The sources whose intervals are drawn: those of measuring, which are judged. An interval of
#: the part variation says how few the parts were; it is told on pointing at the bar.
MEASURING = ("EV", "AV", "INT", "SES", "GAU", "GRR")
#: A tolerance wider than so many times the largest spread is not drawn: it would dwarf the bars.
WIDEST_TOLERANCE = 3.0
COLUMNS = {"percent_tolerance": "of the\ntolerance", "percent_tv": "of the\ntotal"}
COLUMN_WIDTH = 82


def spread_sources(result: GaugeResult) -> Figure:
    """Draw the spread of each source, in µm first and as percentages second.

    Parameters
    ----------
    result : GaugeResult

    Returns
    -------
    plotly Figure
        A bar a source from EV to TV, as long as its spread (6 standard deviations, or as the
        result has it); over the end of each bar of measuring its 95 % confidence interval;
        the tolerance as a line to the same scale.
    """
    scale = fine_scale(result.study)
    names = result.source_names
    spreads = {name: result.value(name, "spread") * scale.factor for name in names}
    intervals, unknown = sd_intervals(result, LEVEL)
    ends = {
        name: (low * result.spread * scale.factor, high * result.spread * scale.factor)
        for name, (low, high) in intervals.items()
        if not math.isnan(spreads.get(name, math.nan))
    }
    drawn = {name: ends[name] for name in MEASURING if name in ends}
    longest = max((value for value in spreads.values() if not math.isnan(value)), default=0.0)
    width = _tolerance_width(result, scale, longest)
    highest = [min(high, LONGEST * longest) for _, high in drawn.values()]
    reach = 1.06 * max([longest, width or 0.0, *highest]) or 1.0
    below = scale.named(f"spread of the readings ({result.spread:g} sd)")
    if drawn:
        below += f"; thin lines: {100 * LEVEL:g}{JOIN}% confidence"
    columns = [name for name in COLUMNS if result.sources[name].notna().any()]
    return template.draw(
        "spread-sources",
        QUESTION,
        sources_answer(result, unknown),
        example=result.study.example,
        alt=sources_alt(result),
        traces=[_bars(result, spreads, ends), *_intervals(names, drawn, reach)],
        height=ROW * len(names) + 66,
        top=44,
        # The ground behind the measuring system: the row that is judged.
        shapes=[
            level_band(names.index("GRR") - 0.5, names.index("GRR") + 0.5),
            *(
                []
                if width is None
                else [upright(template.one(width), template.ROLES["limit"], 1.2, "dash")]
            ),
        ],
        notes=[
            *_reasons(result, spreads),
            *_percentages(result, columns),
            *_tolerance_name(result, width, reach),
        ],
        margin={"r": 24 + COLUMN_WIDTH * len(columns), "b": 60},
        bargap=0.6,
        xaxis=value_axis(reach, below),
        yaxis=rows_axis([_label(result, name) for name in names]),
    )


def spread_sources_svg(result: GaugeResult) -> str:
    """Return the drawing of `spread_sources` as SVG text.

    Parameters
    ----------
    result : GaugeResult
    """
    return static.figure_svg(spread_sources(result))


def _tolerance_width(result: GaugeResult, scale: Fine, longest: float) -> float | None:
    """Return the width of the tolerance where it can be drawn beside the bars."""
    tolerance = result.study.tolerance
    if tolerance is None or tolerance.width is None:
        return None
    width = tolerance.width * scale.factor
    return width if width <= WIDEST_TOLERANCE * longest else None


def _label(result: GaugeResult, name: str) -> str:
    return f"{NAMES[name]} {name}<br><b>{markup(shown_spread(result, name))}</b>"


def _bars(
    result: GaugeResult, spreads: dict[str, float], ends: dict[str, tuple[float, float]]
) -> dict[str, Any]:
    told = [_hover(result, name, ends.get(name)) for name in spreads]
    marker = {"color": [template.ROLES[name] for name in spreads]}
    return bars(template.rounded(list(spreads.values())), list(range(len(spreads))), marker, told)


def _hover(result: GaugeResult, name: str, ends: tuple[float, float] | None) -> str:
    lines = [f"{NAMES[name]} {name}"]
    sd = result.value(name, "sd")
    if not math.isnan(sd):
        lines.append(f"standard deviation {markup(length(sd, result.study.unit))}")
    if ends is not None:
        unit = fine_scale(result.study).unit
        low, high = (markup(with_unit(figures(end), unit)) for end in ends)
        lines.append(f"spread {low} to {high} with {100 * LEVEL:g}{JOIN}% confidence")
    for measure, words in (
        ("percent_tolerance", "of the tolerance"),
        ("percent_tv", "of the total variation"),
        ("percent_contribution", "of the variance"),
    ):
        value = result.value(name, measure)
        if not math.isnan(value):
            lines.append(f"{percent(value)} {words}")
    return "<br>".join(lines)


def _intervals(
    names: tuple[str, ...], ends: dict[str, tuple[float, float]], reach: float
) -> list[dict[str, Any]]:
    """Return a line from lower to upper limit over the end of a bar; an arrow if cut."""
    line = {"color": INK, "width": 1.6}
    traces = []
    for name, (lower, upper) in ends.items():
        symbols = ["line-ns", "triangle-right" if upper > reach else "line-ns"]
        marker = {"symbol": symbols, "size": 10, "color": INK, "line": line}
        x = template.rounded([lower, min(upper, reach)])
        marks = dots(x, [names.index(name)] * 2, marker, clipped=False)
        traces.append(marks | {"mode": "lines+markers", "line": line})
    return traces


def _tolerance_name(result: GaugeResult, width: float | None, reach: float) -> list[dict[str, Any]]:
    tolerance = result.study.tolerance
    if width is None or tolerance is None or tolerance.width is None:
        return []
    scale = fine_scale(result.study)
    text = f"tolerance {with_unit(f'{tolerance.width * scale.factor:.6g}', scale.unit)}"
    side = (
        "center" if 0.2 * reach < width < 0.8 * reach else "right" if width > reach / 2 else "left"
    )
    return [
        template.note(
            text, template.one(width), 1, yref="paper", xanchor=side, yanchor="bottom", yshift=4
        )
    ]


def _reasons(result: GaugeResult, spreads: dict[str, float]) -> list[dict[str, Any]]:
    notes = []
    told: set[str] = set()
    for row, name in enumerate(spreads):
        if math.isnan(spreads[name]):
            reason = result.reasons.get(name, "the study cannot give it")
            text = f"not estimated{', as above' if reason in told else f': {reason}'}"
            told.add(reason)
            lines = template.lines(text, 42)
            notes.append(
                template.note(
                    "\n".join(lines),
                    0,
                    row,
                    xref="paper",
                    xanchor="left",
                    yanchor="middle",
                    align="left",
                    bgcolor="#ffffff",
                    font={"color": FAINT, "size": 12},
                )
            )
    return notes


def _percentages(result: GaugeResult, columns: list[str]) -> list[dict[str, Any]]:
    notes = []
    for column, measure in enumerate(columns):
        place = {
            "xref": "paper",
            "xanchor": "right",
            "align": "right",
            "xshift": 8 + COLUMN_WIDTH * (column + 1),
        }
        notes.append(
            template.note(COLUMNS[measure], 1, 1, yref="paper", yanchor="bottom", **place)
            | {"font": {"color": FAINT, "size": template.SMALL}}
        )
        for row, name in enumerate(result.source_names):
            value = result.value(name, measure)
            if not math.isnan(value):
                notes.append(
                    template.note(
                        percent(value), 1, row, yanchor="middle", bold=name == "GRR", **place
                    )
                )
    return notes


#: Confidence of the intervals drawn.
LEVEL = 0.95


def shown_spread(result: GaugeResult, name: str) -> str:
    """Return the spread of a source as printed; why it is 0, or a dash, where it is."""
    spread = result.value(name, "spread")
    shown = "—" if math.isnan(spread) else length(spread, result.study.unit)
    if name in result.below_zero:
        shown = "0 (estimated below zero)"
    elif name == "INT" and result.pooled and spread == 0.0:
        shown = "0 (pooled with EV)"
    return shown


def sources_answer(result: GaugeResult, unknown: str) -> str:
    """Return the sentence under the question; ``unknown`` is why no intervals are drawn."""
    study = result.study
    grr = result.value("GRR", "spread")
    if not grr > 0.0:
        return "The readings of a part do not differ at all: no spread of measuring was seen."
    of_tolerance = result.value("GRR", "percent_tolerance")
    share = "" if math.isnan(of_tolerance) else f", {percent(of_tolerance)} of the tolerance"
    source = result.dominant_source
    part = result.value(source, "variance") / result.value("GRR", "variance")
    amount = f"{percent(100 * part)} of the variance"
    most = "most of it" if part > 0.5 else "the largest part"
    what = "all of it" if part > 0.9995 else f"{most}, {amount},"
    why = f"; no confidence intervals: {unknown[:1].lower()}{unknown[1:]}" if unknown else ""
    return (
        f"Readings of one part spread over {length(grr, study.unit)} "
        f"({result.spread:g} sd){share}; {what} is {NAMES[source]} ({source}){why}."
    )


def sources_alt(result: GaugeResult) -> str:
    """Return what the picture of the sources shows, for those who do not see it."""
    shown = [
        f"{NAMES[name]} {length(result.value(name, 'spread'), result.study.unit)}"
        for name in result.source_names
        if not math.isnan(result.value(name, "spread"))
    ]
    return f"Bars as long as the spread of each source: {', '.join(shown)}."


def sd_intervals(
    result: GaugeResult, level: float = 0.95
) -> tuple[dict[str, tuple[float, float]], str]:
    """Return source → two-sided interval of its sd, and why there is none; "" where there are."""
    try:
        table: Any = result.intervals(level)
    except StudyError as error:
        return {}, error.problem
    found = {
        quantity: (float(row["lower"]), float(row["upper"]))
        for (quantity, measure), row in table.iterrows()
        if measure == "sd" and row[["lower", "upper"]].notna().all()
    }
    return found, "" if "GRR" in found else str(table.loc[("GRR", "sd"), "reason"])
