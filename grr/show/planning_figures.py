"""`grr.show.certainty_bought`: readings spent against certainty bought."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from grr.model.rounding import counted, whole_percent
from grr.show import template
from grr.show.axes import dots

if TYPE_CHECKING:
    from plotly.graph_objects import Figure

    from grr.questions.planning import DesignComparison

QUESTION = "How much certainty do more readings buy?"
#: Numbers of operators that get a line, where the comparison holds them: colour, mark, and
#: the mark as a letter.
LOOKS = {
    2: (template.BLUE, "circle", "●"),
    3: (template.VERMILLION, "diamond", "◆"),
    4: (template.GREEN, "square", "■"),
    6: (template.PURPLE, "triangle-up", "▲"),
    8: (template.ORANGE, "triangle-down", "▼"),
    12: (template.BLACK, "x", "✖"),
}
_HEIGHT = 330
#: Least distance of two labels, in percent of the axis.
_APART = 6.5


def certainty_bought(comparison: DesignComparison) -> Figure:
    """Draw how often a study decides rightly against the readings it takes.

    One line a number of operators: the best design with at most so many readings.

    Parameters
    ----------
    comparison : DesignComparison
        From `grr.compare_designs`.

    Returns
    -------
    plotly Figure
    """
    table = comparison.to_frame()
    lines = {n: _best_so_far(table[table["operators"] == n]) for n in LOOKS}
    lines = {n: line for n, line in lines.items() if len(line)}
    ends = _kept_apart({n: 100.0 * float(line["decides"].iloc[-1]) for n, line in lines.items()})
    return template.draw(
        "certainty-bought",
        QUESTION,
        _answer(comparison),
        alt=(
            "A line for each number of operators: the share of simulated studies that decide "
            "rightly, against the number of readings."
        ),
        traces=[_trace(n, line) for n, line in lines.items()],
        height=_HEIGHT,
        notes=[label for n in lines for label in _labels(n, ends[n])],
        margin={"r": 126, "b": 60},
        xaxis={
            "title": {"text": "readings of the study"},
            "range": [0, 1.03 * comparison.budget],
        },
        yaxis={
            "title": {"text": "studies that decide rightly"},
            "range": [0, 104],
            "tickvals": [0, 25, 50, 75, 100],
            "ticktext": ["0 %", "25 %", "50 %", "75 %", "100 %"],
            "showgrid": True,
            "gridcolor": "#E4E8EC",
        },
    )


def _best_so_far(designs: pd.DataFrame) -> pd.DataFrame:
    """Return the best design at each number of readings, worse ones left out."""
    ordered = designs.sort_values(["readings", "decides"], ascending=[True, False])
    best = ordered[ordered["decides"] > ordered["decides"].cummax().shift(fill_value=-1.0)]
    return best.drop_duplicates("readings")


def _labels(operators: int, height: float) -> list[dict[str, Any]]:
    """Return the mark and the name of a line, beside the drawing."""
    colour, _, glyph = LOOKS[operators]
    place: dict[str, Any] = {"xref": "paper", "xanchor": "left"}
    font = {"size": template.SMALL}
    return [
        template.note(glyph, 1.0, height, **place, xshift=8, font={**font, "color": colour}),
        template.note(counted(operators, "operator"), 1.0, height, **place, xshift=26, font=font),
    ]


def _trace(operators: int, line: pd.DataFrame) -> dict[str, Any]:
    colour, symbol, _ = LOOKS[operators]
    told = [
        f"{row['parts']} parts × {row['operators']} operators × {row['trials']} trials = "
        f"{row['readings']} readings<br>"
        f"good shown good: {whole_percent(row['good_shown_good'])}<br>"
        f"bad shown bad: {whole_percent(row['bad_shown_bad'])}"
        for row in line.to_dict("records")
    ]
    heights = template.rounded(100.0 * line["decides"].to_numpy())
    marker = {"color": colour, "symbol": symbol, "size": 8}
    marks = dots([int(v) for v in line["readings"]], heights, marker, told, clipped=False)
    return marks | {"mode": "lines+markers", "line": {"color": colour, "width": 2}}


def _kept_apart(ends: dict[int, float]) -> dict[int, float]:
    """Return heights of labels that do not overlap, near the ends of their lines."""
    placed: dict[int, float] = {}
    floor = -_APART
    for name, height in sorted(ends.items(), key=lambda item: item[1]):
        floor = max(height, floor + _APART)
        placed[name] = floor
    too_high = max(0.0, floor - 102.0)
    ceiling = 102.0 + _APART
    for name in reversed(placed):
        ceiling = min(placed[name], ceiling - _APART) if too_high else placed[name]
        placed[name] = ceiling
    return placed


def _answer(comparison: DesignComparison) -> str:
    table = comparison.table
    question = comparison.question
    best = table.iloc[0]
    three = table[table["operators"] == 3]
    words = (
        f"With at most {comparison.budget} readings, {int(best['parts'])} parts × "
        f"{int(best['operators'])} operators × {int(best['trials'])} trials decide best: "
        f"{whole_percent(float(best['decides']))} of studies find a gauge of "
        f"{question.good_gauge:g} % good or one of {question.bad_gauge:g} % bad, with confidence."
    )
    if comparison.operators_are == "random" and len(three) and int(best["operators"]) != 3:
        words += (
            f" Three operators come to {whole_percent(float(three['decides'].max()))}: more "
            "operators buy more than more parts or trials."
        )
    return words
