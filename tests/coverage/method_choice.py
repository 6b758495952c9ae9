"""How often the choice between two methods is wrong, and how often it is made, by simulation.

Run from the repository: python tests/coverage/method_choice.py
Writes method_choice.csv beside this file. 10 parts × 3 operators × 3 trials by each method,
tolerance 6, limit of acceptance 30 % (a GRR sd of 0.3), margin 5 % of the tolerance (0.3).
Standard error of a share of 2,000 studies: 0.5 % at 5 %.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.confidence_limits import confidence_below, percent_tolerance_draws
from grr.formulas.method_comparison import (
    MethodEvidence,
    confidence_over,
    method_choice,
    method_difference,
    p_inside_margin,
    p_outside_margin,
)
from grr.formulas.pivots import crossed_pivots, effective_df
from grr.formulas.sources_of_variation import Specification

TOLERANCE, LIMIT, MARGIN = 6.0, 30.0, 0.3
PARTS, OPERATORS, TRIALS = 10, 3, 3


@dataclass(frozen=True)
class Setting:
    """A true state of affairs, and which decisions would be wrong in it.

    ``baseline`` and ``candidate`` are GRR in percent of the tolerance; ``reproducibility``
    is the share of operators and interaction in the GRR variance of the baseline, the same
    operators' doings under both methods.
    """

    name: str
    baseline: float
    candidate: float
    difference: float = 0.0
    wrong: tuple[str, ...] = ()
    reproducibility: float = 0.3
    part_by_method: float = 0.05
    operators: str = "fixed"


SETTINGS = [
    Setting("candidate exactly at the limit", 15, 30, wrong=("candidate", "baseline")),
    Setting(
        "the same, reproducibility large",
        25,
        30,
        wrong=("candidate", "baseline"),
        reproducibility=0.8,
    ),
    Setting("difference exactly at the margin", 10, 15, 0.3, wrong=("candidate", "baseline")),
    Setting("both exactly at the limit", 30, 30, wrong=("candidate", "baseline", "neither")),
    Setting("limit and margin both exactly reached", 15, 30, 0.3, wrong=("candidate", "baseline")),
    Setting("baseline at the limit, candidate far over", 30, 60, wrong=("baseline", "neither")),
    Setting(
        "candidate at the limit, operators a sample",
        15,
        30,
        wrong=("candidate", "baseline"),
        operators="random",
    ),
    Setting("twice as noisy, 20 and 40 %", 20, 40),
    Setting("twice as noisy, 18 and 36 %", 18, 36),
    Setting("twice as noisy, 10 and 20 %", 10, 20),
    Setting("twice as noisy, 40 and 80 %", 40, 80),
    Setting("twice as noisy, 10 and 20 %, operators a sample", 10, 20, operators="random"),
    Setting("twice as noisy, 20 and 40 %, operators a sample", 20, 40, operators="random"),
]


def simulate(setting: Setting, studies: int, seed: int) -> np.ndarray:
    """Return readings, shape (studies, parts, operators, 2, trials)."""
    rng = np.random.default_rng(seed)
    sds = np.array([setting.baseline, setting.candidate]) / 100 * TOLERANCE / 6
    people = setting.reproducibility * sds[0] ** 2
    repeat = np.sqrt(sds**2 - people)
    if setting.operators == "fixed":
        offsets = np.array([-1.0, 0.2, 0.8])
        offsets -= offsets.mean()
        offsets *= np.sqrt(people * 0.7 / np.mean(offsets**2))
        operators = np.broadcast_to(offsets[:, None], (studies, 1, OPERATORS, 1))
    else:
        operators = rng.normal(0, np.sqrt(people * 0.7), (studies, 1, OPERATORS, 1))
    true = rng.normal(0, 1.0, (studies, PARTS, 1, 1)) + operators
    true = true + rng.normal(0, np.sqrt(people * 0.3), (studies, PARTS, OPERATORS, 1))
    by_method = rng.normal(0, setting.part_by_method, (studies, PARTS, 1, 1))
    cells = np.concatenate([true, true + setting.difference + by_method], axis=-1)
    noise = rng.normal(0, 1, (studies, PARTS, OPERATORS, 2, TRIALS)) * repeat[:, None]
    return cells[..., None] + noise


def evidence(readings: np.ndarray, operators: str) -> MethodEvidence:
    """Return how sure the statements are, as `grr.compare_methods` does."""
    specification = Specification(lower=-TOLERANCE / 2, upper=TOLERANCE / 2)
    under, over = [], []
    for method in (0, 1):
        cells = readings[:, :, :, method]
        pivots = crossed_pivots(
            crossed_anova(cells),
            operators=operators,
            df_error=effective_df(cells).used,
            even=True,
        )
        share = percent_tolerance_draws(pivots, "GRR", specification)
        under.append(confidence_below(share, LIMIT))
        over.append(confidence_over(share, LIMIT))
    cells = readings.mean(axis=-1)
    found = method_difference(cells[..., 1] - cells[..., 0], operators=operators)
    test = (found.mean, found.error, found.df, MARGIN)
    return MethodEvidence(
        candidate_under=under[1],
        candidate_over=over[1],
        baseline_under=under[0],
        baseline_over=over[0],
        difference_within=1.0 - p_outside_margin(*test),
        difference_beyond=1.0 - p_inside_margin(*test),
    )


def shares(setting: Setting, *, studies: int, seed: int = 1) -> dict[str, float]:
    """Return decision → share of the studies in which it is made."""
    counts = dict.fromkeys(("candidate", "baseline", "neither", "open"), 0)
    block = 100
    for start in range(0, studies, block):
        readings = simulate(setting, min(block, studies - start), seed + start)
        for decision in method_choice(evidence(readings, setting.operators), 0.95):
            counts[str(decision)] += 1
    return {name: count / studies for name, count in counts.items()}


def main(studies: int = 2000) -> None:
    """Simulate every setting, print the table and write it down."""
    rows = []
    for setting in SETTINGS:
        found = shares(setting, studies=studies)
        rows.append(
            {
                "setting": setting.name,
                "operators": setting.operators,
                "baseline_percent": setting.baseline,
                "candidate_percent": setting.candidate,
                "difference": setting.difference,
                **found,
                "wrong_if": " or ".join(setting.wrong),
            }
        )
        print(rows[-1], flush=True)
    table = pd.DataFrame(rows)
    table.to_csv(
        Path(__file__).with_suffix(".csv"), index=False, encoding="utf-8", lineterminator="\n"
    )
    print(table.to_string())


if __name__ == "__main__":
    main()
