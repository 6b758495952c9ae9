"""`grr.show.worst_gauges`: many studies in one picture, the worst on top."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from grr.model.errors import StudyError
from grr.model.names import short_names
from grr.model.rounding import JOIN, percent
from grr.model.rules import Rules
from grr.questions.sources import NAMES
from grr.show import theme
from grr.show.markup import markup

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

QUESTION = "Which gauges take the most of their tolerance, and what makes it so?"
ROW = 22
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
    return theme.draw(
        "worst-gauges",
        QUESTION,
        _answer(found, judged, worst, by, rules),
        alt="One bar a study, the worst on top, with lines where good and acceptable end.",
        example=example,
        traces=[_bars(worst, source) for source in LOOKS],
        height=ROW * len(worst) + 70,
        top=LEGEND + LIMITS,
        barmode="stack",
        bargap=0.25,
        shapes=[_line(limit) for limit in limits],
        notes=[
            theme.note(f"{limit:g}{JOIN}%", limit, 1.0, yref="paper", yanchor="bottom")
            for limit in limits
        ],
        showlegend=True,
        legend={
            "orientation": "h",
            "x": 0,
            "y": theme.one(1.0 + LIMITS / (ROW * len(worst) + 10)),
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


def _answer(
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


def _bars(worst: pd.DataFrame, source: str) -> dict[str, Any]:
    variances = worst[[f"{name}_sd" for name in LOOKS]].fillna(0.0) ** 2
    shares = variances.div(variances.sum(axis=1).where(lambda total: total > 0, 1.0), axis=0)
    hatch = {"shape": LOOKS[source], "fgcolor": "#ffffff", "fillmode": "overlay", "size": 6}
    return {
        "type": "bar",
        "orientation": "h",
        "name": f"{source} {NAMES[source]}",
        "x": theme.rounded(worst["GRR_percent_tolerance"] * shares[f"{source}_sd"]),
        "y": list(range(len(worst))),
        "marker": {"color": theme.ROLES[source], "pattern": hatch},
        "customdata": theme.rounded(100.0 * shares[f"{source}_sd"]),
        "hovertemplate": "%{fullData.name}: %{customdata:.0f} % of the variance<extra></extra>",
    }


def _line(limit: float) -> dict[str, Any]:
    line = {"color": theme.ROLES["limit"], "width": 1.5, "dash": "dash"}
    place = {"x0": limit, "x1": limit, "y0": 0, "y1": 1, "yref": "paper"}
    return {"type": "line", **place, "line": line}
