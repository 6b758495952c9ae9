"""Which of two methods is recommended, and how often, by simulation with known truths.

Run from the repository: python tests/coverage/recommendation.py
Writes recommendation.csv beside this file. 10 parts × 3 operators × 3 trials by each method,
tolerance 6, margin 5 % of it; every study goes through `grr.compare_methods` whole, 0.4 seconds
each. The column studies says how many were simulated: of 120, a share of 90 % has a standard
error of 2.7 %. The column wrong counts what is neither right nor "can't tell yet".
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

    ``people`` is the share of the operators in the smaller GRR variance, the same under both;
    ``drift`` is how much B falls in the ten minutes of a session; ``apart`` how much higher B
    reads; ``seconds`` how long a reading takes by A and by B; ``right`` the recommendation that
    the truth calls for, with the method.
    """

    name: str
    a: float
    b: float
    right: tuple[tuple[str, str | None], ...]
    people: float = 0.3
    drift: float = 0.0
    operators: str = "fixed"
    apart: float = 0.0
    seconds: tuple[float, float] = (20.0, 20.0)


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
    Setting("equal and good, B reads apart by a tenth", 12, 12, (("use", "A"),), apart=0.6),
    Setting(
        "A twice better, both suffice, B twice as quick",
        8,
        16,
        (("either", "B"),),
        seconds=(20.0, 10.0),
    ),
    Setting("A a fifth better, both suffice", 12, 14.4, (("either", None),)),
    Setting("A good, B bad", 12, 45, (("use", "A"),)),
]


NAMES = (
    *("use A", "use B", "either", "either A", "either B", "only if A", "only if B", "neither"),
    *("can't tell yet", "right", "wrong", "B to be zeroed"),
)


def simulate(setting: Setting, rng: np.random.Generator) -> grr.Study:
    """Return a study; the pauses of a session vary by a tenth."""
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
            pauses = setting.seconds[method == "B"] * rng.normal(1.0, 0.1, PARTS * TRIALS)
            for n, since in enumerate(np.cumsum(pauses)):
                trial, part = divmod(n, PARTS)
                value = sizes[part] + np.sqrt(people) * offsets[number]
                value += np.sqrt(sd**2 - people) * rng.standard_normal()
                if method == "B":
                    value += setting.apart - setting.drift * n / (PARTS * TRIALS - 1)
                when = start + pd.Timedelta(seconds=round(since))
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
        counts[f"{found.recommendation.value} {found.recommended or ''}".strip()] += 1
        counts["right"] += (found.recommendation, found.recommended) in setting.right
        condition = found.conditions.get("B")
        counts["B to be zeroed"] += condition is not None and condition.zero_every != ""
    counts["wrong"] = studies - counts["right"] - counts["can't tell yet"]
    if ("can't tell yet", None) in setting.right:
        counts["wrong"] = studies - counts["right"]
    return {name: round(counts[name] / studies, 3) for name in NAMES}


def main(studies: int = 120) -> None:
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
