"""How often nominal 95 % intervals hold the true value, by simulation.

Run from the repository: python tests/coverage/intervals.py
Writes intervals.md beside this file (some minutes).
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from simulated_studies import Truth, coverage, crossed, lose_cells, lose_readings, nested

from grr.formulas.analysis_of_variance import crossed_anova, nested_anova
from grr.formulas.arrays import Array
from grr.formulas.pivots import Pivots, crossed_pivots, nested_pivots
from grr.formulas.unweighted_means import unweighted_means, unweighted_nested

DRAWS = 4_000
GAUGES = {"good": 8.0, "marginal": 20.0, "bad": 40.0}
REPRODUCIBILITY = {"none": 0.0, "small": 0.05, "large": 0.7}
COLUMNS = ("EV", "AV", "INT", "GRR", "PV", "TV", "percent TV", "one-sided", "ndc")


@dataclass(frozen=True)
class Design:
    """A way of taking readings, and the pivots that are drawn from them."""

    title: str
    note: str
    readings: Callable[[Truth, int, np.random.Generator], Array]
    pivots: Callable[[Array, int], Pivots]
    studies: int = 2_000
    interaction: float = 0.3
    cases: tuple[tuple[str, str], ...] = tuple(
        (gauge, share) for gauge in GAUGES for share in REPRODUCIBILITY
    )


FEW = (("good", "small"), ("good", "large"), ("bad", "small"), ("bad", "large"))


def random_pivots(readings: Array, seed: int) -> Pivots:
    """Complete crossed study, operators a sample."""
    return crossed_pivots(crossed_anova(readings), draws=DRAWS, seed=seed)


def fixed_pivots(readings: Array, seed: int) -> Pivots:
    """Complete crossed study, operators fixed."""
    return crossed_pivots(crossed_anova(readings), draws=DRAWS, seed=seed, operators="fixed")


def lossy_pivots(readings: Array, seed: int) -> Pivots:
    """Crossed study with missing readings."""
    return crossed_pivots(unweighted_means(readings), draws=DRAWS, seed=seed)


def whole_nested_pivots(readings: Array, seed: int) -> Pivots:
    """Complete nested study."""
    return nested_pivots(nested_anova(readings), draws=DRAWS, seed=seed)


def lossy_nested_pivots(readings: Array, seed: int) -> Pivots:
    """Nested study with missing readings."""
    return nested_pivots(unweighted_nested(readings), draws=DRAWS, seed=seed)


DESIGNS = [
    Design(
        "Crossed, 10 parts × 3 operators × 3 trials, operators a random sample",
        "The design of the manuals.",
        lambda truth, n, rng: crossed(truth, n, (10, 3, 3), rng),
        random_pivots,
    ),
    Design(
        "The same, operators fixed",
        "Operators equally spaced and the same in every study; AV is the mean square of "
        "their differences.",
        lambda truth, n, rng: crossed(truth, n, (10, 3, 3), rng, operators="fixed"),
        fixed_pivots,
    ),
    Design(
        "Small: 5 parts × 2 operators × 2 trials, operators a random sample",
        "",
        lambda truth, n, rng: crossed(truth, n, (5, 2, 2), rng),
        random_pivots,
        cases=FEW,
    ),
    Design(
        "Small: 5 parts × 2 operators × 2 trials, operators fixed",
        "",
        lambda truth, n, rng: crossed(truth, n, (5, 2, 2), rng, operators="fixed"),
        fixed_pivots,
        cases=FEW,
    ),
    Design(
        "10 × 3 × 3 with a tenth of the readings lost at random",
        "Nine of 90 readings lost; now and then a cell is empty.",
        lambda truth, n, rng: lose_readings(crossed(truth, n, (10, 3, 3), rng), 9, rng),
        lossy_pivots,
        cases=FEW,
    ),
    Design(
        "10 × 3 × 2 with four empty cells",
        "Four parts not measured by one of the operators.",
        lambda truth, n, rng: lose_cells(crossed(truth, n, (10, 3, 2), rng), 4, rng),
        lossy_pivots,
        cases=FEW,
    ),
    Design(
        "Nested, 3 operators × 10 parts each × 2 trials",
        "Reproducibility is operators alone.",
        lambda truth, n, rng: nested(truth, n, (3, 10, 2), rng),
        whole_nested_pivots,
        interaction=0.0,
        cases=FEW,
    ),
    Design(
        "The same with a tenth of the readings lost",
        "",
        lambda truth, n, rng: lose_readings(nested(truth, n, (3, 10, 2), rng), 6, rng),
        lossy_nested_pivots,
        interaction=0.0,
        cases=FEW,
    ),
    Design(
        "Crossed, one trial, 10 × 3 × 1",
        "EV holds the interaction, so neither is covered by itself.",
        lambda truth, n, rng: crossed(truth, n, (10, 3, 1), rng),
        random_pivots,
        cases=FEW,
    ),
]


def table(design: Design, outside: list[str]) -> str:
    """Return one design's coverage as a Markdown table, in percent; note what is outside."""
    lines = [f"## {design.title}", ""]
    if design.note:
        lines += [design.note, ""]
    lines += [
        "| gauge, GRR of TV | reproducibility | " + " | ".join(COLUMNS) + " |",
        "|---|---|" + "---:|" * len(COLUMNS),
    ]
    for number, (gauge, share) in enumerate(design.cases):
        truth = Truth(GAUGES[gauge], REPRODUCIBILITY[share], design.interaction)
        rng = np.random.default_rng([20_301, number])
        found = coverage(truth, design.readings(truth, design.studies, rng), design.pivots)
        cells = ["–" if np.isnan(found[name]) else f"{100 * found[name]:.1f}" for name in COLUMNS]
        lines.append(
            f"| {gauge}, {GAUGES[gauge]:g} % | {share}, "
            f"{100 * REPRODUCIBILITY[share]:g} % of GRR² | " + " | ".join(cells) + " |"
        )
        print(lines[-1], flush=True)
        outside += [
            f"- {design.title}; {gauge}, reproducibility {share}: {name} {100 * found[name]:.1f}"
            for name in COLUMNS
            if not np.isnan(found[name]) and not 0.93 <= found[name] <= 0.98
        ]
    return "\n".join(lines)


HEAD = """# How often nominal 95 % intervals hold the true value

Made by `python tests/coverage/intervals.py`; 2,000 simulated studies a row, so the standard
error of each figure is about 0.5. Percent of a two-sided tolerance is GRR divided by a
constant: it is covered exactly where GRR is. "one-sided" is GRR's percent of a one-sided
tolerance (limit 4 TV from the true mean), the mean being estimated from the same study."""

WHY = """Why some are outside:

- A variance that is truly 0 can be missed on one side only: its interval covers 97.5 %.
- One trial: the residual holds repeatability and interaction together and is shown as EV, so
  it misses EV where the interaction is large. GRR, which holds both, is covered.
- Five parts, two operators, two trials: the interaction has four degrees of freedom. The
  distributions of so few are so skewed that the limits of their sum lie a little high; the
  misses are nearly all below the lower limit, so a gauge is called worse, not better, than
  it is."""


def report() -> str:
    """Return every table, and what is outside 93 to 98 %."""
    outside: list[str] = []
    tables = [table(design, outside) for design in DESIGNS]
    listed = "\n".join(outside) or "None."
    return "\n\n".join([HEAD, *tables, "## Outside 93 to 98 %", listed, WHY]) + "\n"


if __name__ == "__main__":
    Path(__file__).with_suffix(".md").write_text(report(), encoding="utf-8")
