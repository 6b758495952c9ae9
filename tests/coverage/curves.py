"""Operating curves: how often a gauge is called USE, by what it truly takes of the tolerance.

    python tests/coverage/curves.py   # writes tests/coverage/curves.csv and the picture in grr/docs

Normal scatter, shares 60/30/10 of GRR's variance in repeatability/reproducibility/interaction,
6 sd, 95 %; 4000 studies a design, seeded, by the tables of `grr.expected_precision`.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

import grr
from grr.formulas.precision import Design, Shares, tabulated_precision
from grr.show import figure_svg, template

STUDIES = 4000
TRUE = np.arange(2.0, 14.01, 0.25)
#: Design → name, colour, dash and mark of its line.
LINES = {
    Design(10, 3, 3, "fixed"): ("10 × 3 × 3, all who measure", template.BLUE, "solid"),
    Design(5, 9, 2): ("5 × 9 × 2, a sample", template.GREEN, "dash"),
    Design(5, 6, 2): ("5 × 6 × 2, a sample", template.ORANGE, "dot"),
    Design(10, 3, 3, 4): ("10 × 3 × 3, three of four", template.PURPLE, "dashdot"),
    Design(10, 3, 3): ("10 × 3 × 3, a sample", template.VERMILLION, "longdash"),
}
HERE = Path(__file__).parent
PICTURE = Path(grr.__file__).parent / "docs" / "operating_curves.svg"


def curves() -> pd.DataFrame:
    """Return the share of studies that show GRR to be at most 10 %, a column a design."""
    table = {"true GRR, percent": TRUE}
    for design, (name, *_) in LINES.items():
        found = tabulated_precision(design, Shares(), studies=STUDIES)
        table[name] = np.round([100.0 * found.assurance_under(10.0, true) for true in TRUE], 1)
    return pd.DataFrame(table)


def picture(table: pd.DataFrame) -> str:
    """Return the curves as SVG."""
    labels, traces, heights = [], [], (96.0, 84.0, 72.0, 60.0, 48.0)
    for name, colour, dash in LINES.values():
        traces.append(
            {
                "type": "scatter",
                "mode": "lines",
                "x": TRUE.tolist(),
                "y": table[name].tolist(),
                "line": {"color": colour, "dash": dash, "width": 2.5},
                "hoverinfo": "skip",
            }
        )
    ends = {name: float(table[name][np.argmin(abs(TRUE - 6.0))]) for name, *_ in LINES.values()}
    for (name, colour, _), height in zip(LINES.values(), heights, strict=True):
        text = f"{name}: {ends[name]:.0f} % at 6 %"
        labels.append(
            template.note(
                text, 1.0, height, xref="paper", xanchor="left", xshift=8,
                font={"size": template.SMALL, "color": colour},
            )
        )  # fmt: skip
    figure = template.draw(
        "operating-curves",
        "How often is a gauge called USE?",
        "Parts × operators × trials. Over 10 % USE is wrong: at most 5 studies of 100 say it.",
        traces=traces,
        height=330,
        notes=labels,
        margin={"r": 300, "b": 60},
        shapes=[
            {
                "type": "line", "x0": 10, "x1": 10, "y0": 0, "y1": 100,
                "line": {"color": template.INK, "width": 1},
            }
        ],
        xaxis={"title": {"text": "GRR truly takes, percent of the tolerance"}, "range": [2, 14]},
        yaxis={"title": {"text": "studies that say USE, percent"}, "range": [0, 102]},
    )  # fmt: skip
    return figure_svg(figure, width=960)


if __name__ == "__main__":
    found = curves()
    found.to_csv(HERE / "curves.csv", index=False, lineterminator="\n")
    PICTURE.write_text(picture(found), encoding="utf-8", newline="\n")
