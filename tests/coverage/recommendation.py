"""Which of two methods is recommended, and how often, by simulation with known truths.

Run from the repository: python tests/coverage/recommendation.py
Writes recommendation.csv beside this file. 10 parts × 3 operators × 3 trials by each method,
tolerance 6, margin 5 % of it; every study goes through `grr.compare_methods` whole, a second
each. The column studies says how many were simulated: with 16 a share of 90 % has a standard
error of 8 %.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

import grr

TOLERANCE = 6.0
PARTS, OPERATORS, TRIALS = 10, 3, 3


@dataclass(frozen=True)
class Setting:
    """A true state of affairs: GRR of A and B in percent of the tolerance, and what is right.

    ``people`` is the share of the operators in the GRR variance of A, the same under both;
    ``drift`` is how much B falls in the ten minutes of a session; ``right`` the
    recommendation that the truth calls for, with the method.
    """

    name: str
    a: float
    b: float
    right: tuple[tuple[str, str | None], ...]
    people: float = 0.3
    drift: float = 0.0
    operators: str = "fixed"


SETTINGS = [
    Setting("A four times better, both suffice", 5, 20, (("use", "A"),)),
    Setting("B four times better, both suffice", 20, 5, (("use", "B"),)),
    Setting("A four times better, operators a sample", 5, 20, (("use", "A"),), operators="random"),
    Setting("equal and good", 12, 12, (("either", None),)),
    Setting("equal and good, operators a sample", 12, 12, (("either", None),), operators="random"),
    Setting("equal, at the limit", 30, 30, (("can't tell yet", None),)),
    Setting(
        "equal and bad, by means good", 50, 50, (("only if", "A"), ("only if", "B")), people=0.1
    ),
    Setting("B drifts by a quarter of the tolerance", 12, 12, (("use", "A"),), drift=1.5),
]


def simulate(setting: Setting, rng: np.random.Generator) -> grr.Study:
    """Return a study; the readings of a session follow each other by 20 seconds."""
    sds = np.array([setting.a, setting.b]) / 100 * TOLERANCE / 6
    people = setting.people * min(sds) ** 2
    offsets = rng.normal(0.0, 1.0, OPERATORS)
    if setting.operators == "fixed":
        offsets = np.array([-1.0, 0.2, 0.8]) / np.sqrt(0.56)
    sizes = rng.normal(0.0, 1.0, PARTS)
    rows = []
    for method, sd in zip("AB", sds, strict=True):
        for number, name in enumerate("xyz"):
            start = pd.Timestamp("2026-05-05T08:00:00Z") + pd.Timedelta(
                hours=2 * number + 8 * (method == "B")
            )
            for n in range(PARTS * TRIALS):
                trial, part = divmod(n, PARTS)
                value = sizes[part] + np.sqrt(people) * offsets[number]
                value += np.sqrt(sd**2 - people) * rng.standard_normal()
                if method == "B":
                    value -= setting.drift * n / (PARTS * TRIALS - 1)
                when = start + pd.Timedelta(seconds=20 * n)
                rows.append((f"{part + 1}", name, trial + 1, method, value, when))
    columns = ["part", "operator", "trial", "method", "reading", "time"]
    return grr.Study(
        pd.DataFrame(rows, columns=columns),
        tolerance=grr.Tolerance(-TOLERANCE / 2, TOLERANCE / 2),
        unit="µm",
        operators=setting.operators,
    )


def shares(setting: Setting, *, studies: int, seed: int = 1) -> dict[str, float]:
    """Return how often each recommendation is made, the right one, and the zeroing of B asked."""
    rng = np.random.default_rng([seed, SETTINGS.index(setting)])
    counts: Counter[str] = Counter()
    for _ in range(studies):
        found = grr.compare_methods(simulate(setting, rng), baseline="A", candidate="B")
        counts[found.recommendation.value] += 1
        counts["right"] += (found.recommendation, found.recommended) in setting.right
        condition = found.conditions.get("B")
        counts["B to be zeroed"] += condition is not None and condition.zero_every != ""
    names = ("use", "either", "only if", "neither", "can't tell yet", "right", "B to be zeroed")
    return {name: counts[name] / studies for name in names}


def main(studies: int = 16) -> None:
    """Simulate every setting, print the table and write it down."""
    rows = []
    for setting in SETTINGS:
        row = {"setting": setting.name, "studies": studies, **shares(setting, studies=studies)}
        rows.append(row)
        print(row, flush=True)
    pd.DataFrame(rows).to_csv(
        Path(__file__).with_suffix(".csv"), index=False, encoding="utf-8", lineterminator="\n"
    )


if __name__ == "__main__":
    main()
