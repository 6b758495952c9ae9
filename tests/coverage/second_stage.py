"""Whether the chance that a second stage decides, as a verdict tells it, comes true.

Run from the repository: ``.venv/bin/python tests/coverage/second_stage.py``. It simulates
studies of 10 parts × 3 operators × 3 trials in which two looks are planned, and takes those that
the first look leaves open. It notes the chance told (`second_stage_of`), adds the second stage of
three people on five parts, and notes whether the study then decides. Writes ``second_stage.md``.
Some minutes.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pandas as pd

import grr
from grr.model.choices import Decision
from grr.questions.second_stage import second_stage_of
from grr.questions.verdict import judged

OPEN, MOST = 40, 200
SHARES = {"60/30/10": (0.6, 0.3, 0.1), "AV70": (0.25, 0.70, 0.05)}
NAMES = ("A", "B", "C", "D", "E", "F")
PARTS = tuple(str(number) for number in range(1, 11))


def readings(rng: np.random.Generator, true: float, split: tuple[float, ...]) -> pd.DataFrame:
    """Return what six people read of ten parts; GRR takes ``true`` of a tolerance of 1."""
    ev, av, inter = (true / 6.0 * np.sqrt(share) for share in split)
    cube = 10.0 + 0.12 * rng.standard_normal((10, 1, 1))
    cube = cube + av * rng.standard_normal((1, 6, 1)) + inter * rng.standard_normal((10, 6, 1))
    cube = (cube + ev * rng.standard_normal((10, 6, 3))).round(4)
    rows = [(PARTS[i], NAMES[j], k + 1, cube[i, j, k]) for i, j, k in np.ndindex(10, 6, 3)]
    return pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])


def study(table: pd.DataFrame, further: tuple[str, ...] = ()) -> grr.Study:
    """Return the study, with the second stage where parts for it are given."""
    plan = grr.Plan(
        PARTS,
        NAMES[:3],
        3,
        looks=2,
        further_operators=NAMES[3:] if further else (),
        further_parts=further,
    )
    kept = table["operator"].isin(NAMES[:3]) | table["part"].isin(further)
    return grr.Study(
        table[kept],
        tolerance=grr.Tolerance(9.5, 10.5),
        unit="mm",
        resolution=0.0001,
        process_sd=0.25,
        plan=plan,
    )


def line(name: str, true: float) -> str:
    """Return a line of the table."""
    rng = np.random.default_rng(606)
    told, came, tried = [], [], 0
    while len(told) < OPEN and tried < MOST:
        tried += 1
        table = readings(rng, true, SHARES[name])
        first = grr.anova(study(table))
        if judged(first)[1] != Decision.NOT_DECIDED:
            continue
        found = second_stage_of(first)
        assert found is not None
        told.append(found.chance)
        second = grr.anova(study(table, found.parts))
        came.append(judged(second)[1] != Decision.NOT_DECIDED)
    low, high = np.quantile(told, [0.1, 0.9])
    better = np.array(told) > np.median(told)
    halves = " | ".join(f"{100 * np.mean(np.array(came)[half]):.0f}" for half in (~better, better))
    return (
        f"| {name} | {100 * true:g} | {len(told)} of {tried} | {100 * np.mean(told):.0f} "
        f"({100 * low:.0f} to {100 * high:.0f}) | {100 * np.mean(came):.0f} | {halves} |"
    )


def main() -> None:
    """Write the table."""
    start = time.process_time()
    lines = [
        "# The chance that a second stage decides: told, and come true",
        "",
        "Made by `tests/coverage/second_stage.py`: 10 × 3 × 3, then three people on five parts; "
        "the process is known, its ±2 sd fill the tolerance. Percent of the studies that the first "
        f"look left open; standard error with {OPEN} studies: 8. What is told is an average over "
        "every GRR that the readings allow: at one true GRR more or fewer come true, fewer where "
        "it lies near a limit of the decision.",
        "",
        "| shares | true GRR, % | open at look 1 | told, mean (80 % of studies) | came true | "
        "of the half told less | of the half told more |",
        "|---|---|---|---|---|---|---|",
    ]
    for name in SHARES:
        for true in (0.15, 0.20):
            lines.append(line(name, true))
            print(lines[-1], f"{time.process_time() - start:.0f} s", flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
