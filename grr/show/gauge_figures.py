"""What is known of a gauge, and which of many gauges is the worst.

`on_reference`, `over_range`, `screw_turn`, `uncertainty_sources`, `nearest_limit`, `worst_gauges`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from grr.model.choices import NAMES
from grr.model.errors import StudyError
from grr.model.estimate import Estimate
from grr.model.html_blocks import FAINT, INK
from grr.model.names import short_names, shortened
from grr.model.rounding import (
    JOIN,
    figures,
    length,
    p_text,
    percent,
    size,
)
from grr.model.rules import Rules
from grr.show import template
from grr.show.axes import (
    bars,
    bars_axis,
    count_axis,
    curve,
    dots,
    level_band,
    level_line,
    name_beside,
    reach_axis,
    ribbon,
    unit_scale,
    upright,
    value_axis,
    words_above,
)
from grr.show.template import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.budget import UncertaintyBudget
    from grr.questions.linearity import LinearityResult
    from grr.questions.qualify import Outcome, Qualification, Requirement
    from grr.questions.reference import ReferenceResult

REFERENCE_QUESTION = "Does the gauge read the reference part right?"


def on_reference(result: ReferenceResult) -> Figure:
    """Draw each reading of the reference part from its calibrated value, in the order taken.

    The ground is the share of the tolerance that Cg and Cgk grant; the bar at the right is
    the mean with three standard deviations to either side.

    Parameters
    ----------
    result : ReferenceResult

    Returns
    -------
    plotly Figure
    """
    scale = unit_scale(result.unit)
    deviations = (np.array(result.readings) - result.reference) * scale.factor
    count = len(deviations)
    half = result.asked.share * result.width / 2.0 * scale.factor
    bias, reach = result.bias * scale.factor, 3.0 * result.sd * scale.factor
    heights = [*deviations, bias - reach, bias + reach, 0.0]
    shapes = [level_line(0.0, colour=template.ROLES["limit"])]
    notes = []
    if math.isfinite(half):
        heights += [-half, half]
        shapes.insert(0, level_band(-half, half))
        share = f"{100.0 * result.asked.share:g}{JOIN}%"
        notes.append(words_above(f"shaded: {share} of the tolerance", 0, 4))
    return template.draw(
        "on-reference",
        REFERENCE_QUESTION,
        _reference_answer(result),
        alt=f"{count} readings in the order taken, as distances from the calibrated value.",
        traces=[
            dots(
                list(range(1, count + 1)),
                template.rounded(deviations),
                {"color": template.ROLES["part"], "size": 8, "symbol": "circle"},
                [
                    f"reading {number}: {size(value, result.resolution, result.unit)}"
                    for number, value in enumerate(result.readings, start=1)
                ],
                clipped=False,
            ),
            dots(
                [count + _apart(count)],
                [template.one(bias)],
                {"symbol": "diamond", "size": 12, "color": template.VERMILLION},
                ["mean and three standard deviations to either side"],
                clipped=False,
            )
            | {
                "error_y": {
                    "type": "constant",
                    "value": template.one(reach),
                    "color": template.VERMILLION,
                    "thickness": 2,
                    "width": 9,
                }
            },
        ],
        height=320,
        top=20,
        shapes=shapes,
        notes=[
            *notes,
            template.note(
                "mean ± 3 sd",
                count + _apart(count),
                template.one(bias + reach),
                xanchor="right",
                yanchor="bottom",
                yshift=4,
            ),
        ],
        margin={"b": 60, "l": 20},
        xaxis=count_axis(count, "readings in the order taken", beyond=2.0 * _apart(count) - 0.8),
        yaxis=reach_axis(heights, scale.named("reading minus calibrated value")),
    )


def _apart(count: int) -> float:
    """Return how far to the right of the last reading the mean is drawn."""
    return max(1.0, 0.06 * count)


def _reference_answer(result: ReferenceResult) -> str:
    found = result.bias_with_reference
    bias = f"Bias {found:s} ({found:r}), repeatability {length(result.sd, result.unit)} (one sd)."
    if math.isnan(result.cgk):
        return bias
    limit = result.asked.limit
    reached = "reach" if min(result.cg, result.cgk) >= limit else "do not both reach"
    return (
        f"{bias} Cg {figures(result.cg, 3)} and Cgk {figures(result.cgk, 3)} {reached} {limit:g}."
    )


RANGE_QUESTION = "How does the bias change over the range?"
BAND = "rgba(86,180,233,0.30)"


def over_range(result: LinearityResult) -> Figure:
    """Draw the bias at each block, the line with its confidence band, and the limits.

    Parameters
    ----------
    result : LinearityResult

    Returns
    -------
    plotly Figure
        Small dots are readings, diamonds are the blocks' means. With a periodic error, the
        fitted sinusoid is drawn too.
    """
    scale = unit_scale(result.unit)
    band = result.band
    bias, means = result.bias * scale.factor, result.gauge_blocks.means * scale.factor
    heights: list[Any] = [*bias, *(band.lower * scale.factor), *(band.upper * scale.factor), 0.0]
    shapes, notes = [level_line(0.0, colour=template.ROLES["limit"], width=1.0)], []
    for limit, name, dash, side in (
        (result.bias_limit, "limit", "dash", 1.0),
        (result.mpe, "MPE", "dot", -1.0),
    ):
        if limit is None:
            continue
        at = limit * scale.factor
        heights += [-at, at]
        shapes += [
            level_line(level, colour=template.ROLES["limit"], dash=dash) for level in (-at, at)
        ]
        # one above and one below zero: close limits would cover each other's names
        notes.append(name_beside(f"{name} ±{length(limit, result.unit)}", side * at))
    traces = [
        ribbon(band.x, band.lower * scale.factor, band.upper * scale.factor, BAND),
        curve(band.x, band.fitted * scale.factor, colour=template.BLUE),
    ]
    if result.pitch is not None:
        fine = np.linspace(band.x[0], band.x[-1], 1201)
        traces.append(
            curve(fine, result.pitch.at(fine) * scale.factor, colour=template.PURPLE, width=1.0)
        )
    small = {"color": template.ROLES["TV"], "size": 5, "symbol": "circle", "opacity": 0.6}
    traces += [
        dots(template.rounded(result.reference), template.rounded(bias), small),
        _means(result, means, scale.factor),
    ]
    span = float(result.gauge_blocks.values[-1] - result.gauge_blocks.values[0])
    return template.draw(
        "over-range",
        RANGE_QUESTION,
        _range_answer(result),
        alt="Bias of the readings on each block against the block's size, with a fitted line and "
        "its band.",
        traces=traces,
        height=340,
        shapes=shapes,
        notes=notes,
        margin={"b": 60, "r": 126 if notes else 20},
        xaxis={
            "range": [
                template.one(float(result.gauge_blocks.values[0]) - 0.04 * span),
                template.one(float(result.gauge_blocks.values[-1]) + 0.04 * span),
            ],
            "title": {"text": f"size of the block, {result.unit}".rstrip(", ")},
        },
        yaxis=reach_axis(heights, scale.named("reading minus size of the block")),
    )


def _means(result: LinearityResult, means: Any, factor: float) -> dict[str, Any]:
    lower, upper = result.block_lower * factor, result.block_upper * factor
    known = bool(np.isfinite(lower).all())
    error = {
        "type": "data",
        "symmetric": False,
        "array": template.rounded(upper - means),
        "arrayminus": template.rounded(means - lower),
        "color": template.VERMILLION,
        "thickness": 1.6,
        "width": 6,
    }
    blocks = result.gauge_blocks
    marks = dots(
        template.rounded(blocks.values),
        template.rounded(means),
        {"symbol": "diamond", "size": 11, "color": template.VERMILLION},
        [
            f"block {size(float(value), result.resolution, result.unit)}<br>mean bias "
            f"{length(float(mean), result.unit)} of {int(count)} readings"
            for value, mean, count in zip(blocks.values, blocks.means, blocks.counts, strict=True)
        ],
    )
    return {**marks, **({"error_y": error} if known else {})}


def _range_answer(result: LinearityResult) -> str:
    found = length(result.largest_bias, result.unit)
    possible = length(result.largest_possible_bias, result.unit)
    words = f"The largest bias found is {found}; with the intervals it could be {possible}."
    if result.bias_limit is not None:
        state = result.against(result.bias_limit)
        said = {"within": "within the limit everywhere", "beyond": "beyond the limit somewhere"}
        words += f" That is {said.get(state, 'not decided: the limit lies in between')}."
    if result.mpe is not None:
        words += f" Errors of indication: {result.mpe_state} (ISO 14253-1)."
    if result.pitch_amplitude.known:
        words += f" The screw's periodic error is ±{result.pitch_amplitude} (thin curve)."
    return words


TURN_QUESTION = "Does the screw repeat an error each turn?"


def screw_turn(result: LinearityResult) -> Figure:
    """Draw the blocks' bias, the straight line taken off, against the spindle's angle.

    Parameters
    ----------
    result : LinearityResult
        With a periodic error: `grr.linearity` with ``pitch``.

    Returns
    -------
    plotly Figure
        Without a pitch, a page that says what is needed.
    """
    wave = result.pitch
    if wave is None:
        return template.unanswered(
            "screw-turn",
            TURN_QUESTION,
            "The periodic error was not asked for. Give grr.linearity the pitch of the screw.",
        )
    scale = unit_scale(result.unit)
    blocks = result.gauge_blocks.values
    angles = np.mod(blocks, wave.pitch) / wave.pitch * 360.0
    # a block that stops at a whole turn may come out as 359.999 by rounding
    angles = np.where(angles > 360.0 - 1e-6, 0.0, angles)
    line = wave.at(blocks) - wave.periodic(blocks)
    left = (result.gauge_blocks.means - line) * scale.factor
    turn = np.linspace(0.0, 360.0, 181)
    fitted = wave.periodic(turn / 360.0 * wave.pitch) * scale.factor
    shown = float(wave.p) < 1.0 - wave.level
    answer = (
        f"{'Yes' if shown else 'None is shown'}: amplitude "
        f"{result.pitch_amplitude} ({result.pitch_amplitude:r}, "
        f"{p_text(float(wave.p))}). Errors of single blocks can look like this too."
    )
    return template.draw(
        "screw-turn",
        TURN_QUESTION,
        answer,
        alt="Bias left at each block against the spindle's angle of turn, with a fitted sinusoid.",
        traces=[
            curve(turn, fitted, colour=template.PURPLE),
            dots(
                template.rounded(angles),
                template.rounded(left),
                {"symbol": "diamond", "size": 11, "color": template.VERMILLION},
                [f"block {size(float(at), result.resolution, result.unit)}" for at in blocks],
                clipped=False,
            ),
        ],
        height=280,
        shapes=[level_line(0.0, colour=template.ROLES["limit"], width=1.0)],
        margin={"b": 60},
        xaxis={
            "range": [-8, 368],
            "tickvals": [0, 90, 180, 270, 360],
            "title": {"text": f"angle of turn at a pitch of {wave.pitch:g} {result.unit}, degrees"},
        },
        yaxis=reach_axis([*left, *fitted], scale.named("bias left")),
    )


BUDGET_QUESTION = "What makes the result uncertain?"
BUDGET_ROW = 30


def uncertainty_sources(budget: UncertaintyBudget) -> Figure:
    """Draw what each line contributes, the largest on top, and what they make together.

    Parameters
    ----------
    budget : UncertaintyBudget

    Returns
    -------
    plotly Figure
        Bars in outline do not count: they are in another line already.
    """
    scale = unit_scale(budget.unit)
    frame = budget.to_frame()
    names = [str(name) for name in frame.index]
    parts = [float(value) * scale.factor for value in frame["contribution"]]
    counts = [bool(value) for value in frame["counted"]]
    whole = budget.standard_u * scale.factor
    rows = len(names) + 1
    heights = [rows - 1 - row for row in range(rows)]
    high = 1.6 * max([whole, *parts]) or 1.0
    return template.draw(
        "uncertainty-sources",
        BUDGET_QUESTION,
        _budget_answer(budget),
        alt="Bars as long as the standard uncertainty that each line makes: "
        + ", ".join(
            f"{name} {length(float(value), budget.unit)}"
            for name, value in zip(names, frame["contribution"], strict=True)
        )
        + ".",
        traces=[_budget_bars([*parts, whole], heights, [*counts, True], frame["note"].tolist())],
        height=BUDGET_ROW * rows + 62,
        notes=[
            _value(value, at, text)
            for value, at, text in zip([*parts, whole], heights, _texts(budget, frame), strict=True)
        ],
        margin={"b": 60, "r": 30},
        xaxis=value_axis(high, scale.named("standard uncertainty that it makes")),
        yaxis=bars_axis(
            heights, [*(markup(shortened(name, 34)) for name in names), "<b>together</b>"]
        ),
    )


def _budget_bars(
    values: list[float], heights: list[int], counts: list[bool], notes: list[str]
) -> dict[str, Any]:
    colours = [template.ROLES["EV"] if counted else "#ffffff" for counted in counts[:-1]]
    whole = template.ROLES["GRR"]
    edge = {"color": [FAINT] * (len(values) - 1) + [whole], "width": 1}
    told = [*(markup(note) for note in notes), "combined standard uncertainty"]
    marker = {"color": [*colours, whole], "line": edge}
    return bars(template.rounded(values), heights, marker, told, width=[0.62] * len(values))


def _texts(budget: UncertaintyBudget, frame: Any) -> list[str]:
    texts = []
    for value, share in zip(frame["contribution"], frame["share_percent"], strict=True):
        counted = "not counted" if math.isnan(share) else f"{percent(share)} of the variance"
        texts.append(f"{length(float(value), budget.unit)}, {counted}")
    return [*texts, f"{length(budget.standard_u, budget.unit)}"]


def _value(value: float, at: int, text: str) -> dict[str, Any]:
    return template.note(
        text,
        template.one(value),
        at,
        xanchor="left",
        yanchor="middle",
        xshift=6,
        font={"color": INK, "size": template.SMALL},
    )


def _budget_answer(budget: UncertaintyBudget) -> str:
    frame = budget.to_frame()
    share = float(frame["share_percent"].iloc[0])
    most = shortened(str(frame.index[0]), 40)
    left = Estimate(budget.bias, unit=budget.unit)
    added = f", and the bias of {left:+} left in the readings" if budget.bias else ""
    return (
        f"Most of it is {most} ({percent(share)} of the variance). Together: expanded uncertainty "
        f"U = {length(budget.expanded, budget.unit)} (k = {budget.coverage:.2f}{added})."
    )


FIT_QUESTION = "Is the gauge fit for this tolerance?"
#: Room at the right for how each requirement came out, in px.
OUTCOME_WIDTH = 200
REQUIREMENT_ROW = 36
#: Bars are cut where a requirement uses up more than this many times what is allowed.
FARTHEST = 2.0
_COLOURS: dict[Outcome, str] = {
    "pass": template.GREEN,
    "conditional": template.BLUE,
    "can't tell": FAINT,
    "not done": "#ffffff",
    "fail": template.VERMILLION,
}


def nearest_limit(page: Qualification) -> Figure:
    """Draw how much of what is allowed each requirement uses up, that nearest its limit on top.

    Parameters
    ----------
    page : Qualification

    Returns
    -------
    plotly Figure
        At the unfavourable end of each interval; past the line at 100 % a requirement is not
        met. The outcome stands at the right.
    """
    requirements = page.in_order
    rows = len(requirements)
    heights = [rows - 1 - row for row in range(rows)]
    used = [0.0 if math.isnan(one.used) else min(one.used, FARTHEST) for one in requirements]
    return template.draw(
        "nearest-limit",
        FIT_QUESTION,
        f"{page.decision}. {page.nearest}",
        alt="Bars as long as what each requirement uses up of what is allowed: "
        + ", ".join(f"{one.name} {one.used_text or one.outcome}" for one in requirements)
        + ".",
        traces=[
            bars(
                template.rounded([100.0 * value for value in used]),
                heights,
                {
                    "color": [_COLOURS[one.outcome] for one in requirements],
                    "line": {"color": FAINT, "width": 1},
                },
                [one.why for one in requirements],
                width=[0.56] * rows,
            )
        ],
        height=REQUIREMENT_ROW * rows + 62,
        top=22,
        shapes=[upright(100, INK, 2, below=False)],
        notes=[
            template.note("allowed", 100, 1, yref="paper", yanchor="bottom", yshift=3),
            *(_outcome(one, at) for one, at in zip(requirements, heights, strict=True)),
        ],
        margin={"b": 60, "r": OUTCOME_WIDTH},
        xaxis={
            "range": [0, 104.0 * FARTHEST],
            "tickvals": [0, 50, 100, 150, 200],
            "ticktext": [f"{share}{JOIN}%" for share in (0, 50, 100, 150, 200)],
            "title": {"text": "of what is allowed, at the unfavourable end of the interval"},
        },
        yaxis=bars_axis(heights, [one.name for one in requirements]),
    )


def _outcome(one: Requirement, at: int) -> dict[str, Any]:
    """Return how a requirement came out, in a column at the right of the bars."""
    share = f", {one.used_text}" if one.used_text else ""
    cut = " →" if one.used > FARTHEST else ""
    return template.note(
        f"{one.mark} {one.outcome}{share}{cut}",
        1,
        at,
        xref="paper",
        xanchor="left",
        yanchor="middle",
        xshift=8,
    )


GAUGES_QUESTION = "Which gauges take the most of their tolerance, and what makes it so?"
GAUGES_ROW = 22
#: Height of the legend above the bars, in px.
LEGEND = 20
#: Room between them for the names of the limits, in px.
LIMITS = 22
#: What a bar is made of, from the left, with a hatch for those who see no colour.
LOOKS = {"EV": "", "AV": "/", "INT": "x"}
NEEDED = ("GRR_percent_tolerance", *(f"{source}_sd" for source in LOOKS))


def worst_gauges(
    found: pd.DataFrame,
    by: str = "study",
    *,
    most: int = 25,
    rules: Rules | None = None,
    example: bool = False,
) -> Figure:
    """Draw GRR in percent of tolerance, study by study, and what it is made of.

    Parameters
    ----------
    found : DataFrame
        From `grr.analyse_many`.
    by : str
        The column that names the study.
    most : int
        How many studies are shown.
    rules : Rules, optional
        Where the lines of good and of acceptable stand; 10 % and 30 % by default.
    example : bool
        Whether the readings are invented.

    Returns
    -------
    plotly Figure
        One bar a study, as long as its percent of tolerance, divided in proportion to the
        variances of repeatability, reproducibility and interaction.

    Raises
    ------
    StudyError
        No study has a tolerance, or the table is another one.
    """
    missing = [name for name in (by, *NEEDED) if name not in found]
    if missing:
        raise StudyError(
            "This is no table of many studies",
            "Give what grr.analyse_many returned, and by as it was given there",
            column=missing[0],
        )
    judged = found.dropna(subset="GRR_percent_tolerance")
    if judged.empty:
        raise StudyError(
            "No study has a percent of tolerance", "Give grr.analyse_many the tolerances"
        )
    rules = Rules() if rules is None else rules
    worst = judged.nlargest(most, "GRR_percent_tolerance")[::-1]
    names = short_names([str(name) for name in worst[by]], 22)
    limits = (rules.good_percent, rules.limit_percent)
    longest = max(float(worst["GRR_percent_tolerance"].max()), rules.limit_percent)
    return template.draw(
        "worst-gauges",
        GAUGES_QUESTION,
        _gauges_answer(found, judged, worst, by, rules),
        alt="One bar a study, the worst on top, with lines where good and acceptable end.",
        example=example,
        traces=[_gauges_bars(worst, source) for source in LOOKS],
        height=GAUGES_ROW * len(worst) + 70,
        top=LEGEND + LIMITS,
        barmode="stack",
        bargap=0.25,
        shapes=[
            upright(limit, template.ROLES["limit"], 1.5, "dash", below=False) for limit in limits
        ],
        notes=[
            template.note(f"{limit:g}{JOIN}%", limit, 1.0, yref="paper", yanchor="bottom")
            for limit in limits
        ],
        showlegend=True,
        legend={
            "orientation": "h",
            "x": 0,
            "y": template.one(1.0 + LIMITS / (GAUGES_ROW * len(worst) + 10)),
            "yanchor": "bottom",
            "traceorder": "normal",
        },
        margin={"r": 30, "b": 60},
        xaxis={"title": {"text": "GRR, % of tolerance"}, "range": [0, 1.06 * longest]},
        yaxis={
            "tickvals": list(range(len(worst))),
            "ticktext": [markup(name) for name in names],
            "range": [-0.7, len(worst) - 0.3],
            "ticks": "",
            "showline": False,
        },
    )


def _gauges_answer(
    found: pd.DataFrame, judged: pd.DataFrame, worst: pd.DataFrame, by: str, rules: Rules
) -> str:
    over = int((judged["GRR_percent_tolerance"] > rules.limit_percent).sum())
    top = worst.iloc[-1]
    hidden, without = len(judged) - len(worst), len(found) - len(judged)
    return (
        f"{over} of {len(judged)} are over {rules.limit_percent:g}{JOIN}% as calculated; worst is "
        f"{top[by]} with {percent(top['GRR_percent_tolerance'])}."
        + " Only the whole bar is to scale: it is divided by the shares of the variance."
        + (f" Not shown: {hidden} better ones." if hidden else "")
        + (f" Without a percent of tolerance: {without}." if without else "")
    )


def _gauges_bars(worst: pd.DataFrame, source: str) -> dict[str, Any]:
    variances = worst[[f"{name}_sd" for name in LOOKS]].fillna(0.0) ** 2
    shares = variances.div(variances.sum(axis=1).where(lambda total: total > 0, 1.0), axis=0)
    hatch = {"shape": LOOKS[source], "fgcolor": "#ffffff", "fillmode": "overlay", "size": 6}
    return {
        "type": "bar",
        "orientation": "h",
        "name": f"{source} {NAMES[source]}",
        "x": template.rounded(worst["GRR_percent_tolerance"] * shares[f"{source}_sd"]),
        "y": list(range(len(worst))),
        "marker": {"color": template.ROLES[source], "pattern": hatch},
        "customdata": template.rounded(100.0 * shares[f"{source}_sd"]),
        "hovertemplate": "%{fullData.name}: %{customdata:.0f} % of the variance<extra></extra>",
    }
