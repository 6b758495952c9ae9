"""What a plan promises, and what whole studies come to: ``promised.md``.

    python tests/coverage/promised.py       # writes tests/coverage/promised.md, about 10 minutes

Readings of clean studies are simulated, made a `grr.Study` and judged by the real verdict, with
its checks, its tests of scatter and its own degrees of freedom. Beside that stands what the table
behind `grr.expected_precision` told beforehand. Offsets of people who are all, or some of those,
who will ever measure are drawn so that the mean square over all of them is the true AV.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np
import pandas as pd

import grr
from grr.formulas.conformity import Zone
from grr.formulas.precision import Design, Shares, tabulated_precision
from grr.model.choices import Decision
from grr.questions.planning import PricedZone, decisions_of
from grr.questions.verdict import judged

STUDIES = 100
TRUE = (6.0, 8.0, 12.0, 15.0, 20.0, 30.0, 45.0)
DESIGNS = (
    (10, 3, 3, "fixed", (0.6, 0.3, 0.1)),
    (10, 3, 3, "fixed", (0.98, 0.01, 0.01)),
    (10, 4, 3, 8, (0.6, 0.3, 0.1)),
    (5, 6, 2, "random", (0.6, 0.3, 0.1)),
    (5, 6, 2, "random", (0.25, 0.7, 0.05)),
)
PROCESS = grr.Tolerance(9.5, 10.5)
NAMES = np.array(list("ABCDEFGHIJKL"))


def offsets(rng: np.random.Generator, studied: int, who: str | int) -> np.ndarray:
    """Return what people add whose mean square over all who will measure is 1."""
    people = studied if who == "fixed" else who
    if people == "random":
        return rng.standard_normal(studied)
    everyone = rng.standard_normal(people)
    everyone -= everyone.mean()
    return (everyone / np.sqrt(np.mean(everyone**2)))[:studied]


def study(
    rng: np.random.Generator,
    size: tuple[int, int, int],
    who: str | int,
    shares: tuple[float, float, float],
    true: float,
) -> grr.Study:
    """Return a clean study of a gauge that truly takes so many percent of the tolerance."""
    p, o, r = size
    ev, av, inter = (true / 600.0 * np.sqrt(share) for share in shares)
    cube = 10.0 + rng.standard_normal((p, 1, 1)) / 6.0 + av * offsets(rng, o, who)[:, None]
    cube = cube + inter * rng.standard_normal((p, o, 1)) + ev * rng.standard_normal((p, o, r))
    part, operator, trial = np.indices(size).reshape(3, -1)
    table = pd.DataFrame(
        {
            "part": (part + 1).astype(str),
            "operator": NAMES[operator],
            "trial": trial + 1,
            "reading": cube.ravel().round(5),
        }
    )
    return grr.Study(
        table,
        unit="mm",
        resolution=0.00001,
        tolerance=PROCESS,
        process_sd=1.0 / 6.0,
        process_mean=10.0,
        operators=who,
    )


def came(
    size: tuple[int, int, int],
    who: str | int,
    shares: tuple[float, float, float],
    true: float,
    studies: int,
) -> Counter[Decision]:
    """Count what the verdict says of simulated studies."""
    rng = np.random.default_rng([round(10 * true), *size])
    return Counter(
        judged(grr.anova(study(rng, size, who, shares, true)))[1] for _ in range(studies)
    )


def told(
    size: tuple[int, int, int],
    who: str | int,
    shares: tuple[float, float, float],
    trues: tuple[float, ...],
) -> dict[float, dict[Decision, float]]:
    """Return in percent how often the plan says that each decision comes."""
    precision = tabulated_precision(Design(*size, who), Shares(*shares), studies=4000)
    process = PricedZone(Zone(-0.5, 0.5), 0.0, 1.0 / 6.0, "the process stated", observed=True)
    rows = {}
    for true in trues:
        counts = decisions_of(precision.ratio(true), grr.Rules(), process, one_operator=False)
        rows[true] = {one: 100 * counts[one] / 4000 for one in Decision}
    return rows


def main() -> None:
    orders = list(Decision)
    lines = [
        "# What a plan promises, and what whole studies come to",
        "",
        f"Made by `tests/coverage/promised.py`: {STUDIES} studies a line through the real verdict; "
        "the process is known and its ±3 sd fill the tolerance. Percent of studies, told / came; "
        f"standard error of what came at 50 %: {50 / STUDIES**0.5:.1f}, at 5 %: "
        f"{100 * (0.05 * 0.95 / STUDIES) ** 0.5:.1f}. Shares of GRR's variance in "
        "repeatability/reproducibility/interaction.",
        "",
        "| design | people | shares | true GRR, % | " + " | ".join(map(str, orders)) + " |",
        "|---" * (4 + len(orders)) + "|",
    ]
    for p, o, r, who, shares in DESIGNS:
        planned = told((p, o, r), who, shares, TRUE)
        for true in TRUE:
            found = came((p, o, r), who, shares, true, STUDIES)
            cells = " | ".join(
                f"{planned[true][one]:.0f} / {100 * found[one] / STUDIES:.0f}" for one in orders
            )
            split = "/".join(f"{100 * share:g}" for share in shares)
            lines.append(f"| {p} × {o} × {r} | {who} | {split} | {true:g} | {cells} |")
            print(lines[-1], file=sys.stderr)
    Path(__file__).with_suffix(".md").write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
