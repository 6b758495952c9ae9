"""How often GRR's 95 % interval with the drift taken out holds the GRR of a gauge that is still.

Run from the top of the repository: ``python tests/coverage/drift.py > tests/coverage/drift.md``.
10 parts × 3 operators × 3 trials, GRR's sd 1, part variation 3, everyone's readings drift on a
straight line within a session of 30 readings; operators are a sample, or all there are.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

import grr

STUDIES = 150
SHARES = {"60/30/10": (0.6, 0.3, 0.1), "90/5/5": (0.9, 0.05, 0.05)}


def study(rng: np.random.Generator, shares: tuple[float, ...], drift: float, who: str) -> grr.Study:
    """Return one study whose readings drift by ``drift`` over a session."""
    ev, av, inter = np.sqrt(shares)
    offsets = rng.standard_normal((1, 3, 1))
    if who == "fixed":  # AV is then the mean square of these three
        offsets = np.array([-1.0, 0.0, 1.0]).reshape(1, 3, 1) * np.sqrt(1.5)
    y = 3.0 * rng.standard_normal((10, 1, 1)) + av * offsets
    y = y + inter * rng.standard_normal((10, 3, 1)) + ev * rng.standard_normal((10, 3, 3))
    order = np.empty((10, 3, 3))
    for j, k in np.ndindex(3, 3):
        order[rng.permutation(10), j, k] = 30 * j + 10 * k + np.arange(10)
    y = y + drift * (order % 30) / 29
    i, j, k = (n.ravel() for n in np.indices(y.shape))
    table = pd.DataFrame({"part": i, "operator": j, "trial": k + 1, "reading": y.ravel()})
    table["order"] = order.ravel().astype(int) + 1
    table = table.astype({"part": str, "operator": str})
    return grr.Study(table, tolerance=grr.Tolerance(-50.0, 50.0), unit="µm", operators=who)


def main() -> None:
    """Print the table."""
    print("# GRR with the drift taken out: how often its interval holds\n")
    print(
        "Made by `tests/coverage/drift.py`. 10 parts × 3 operators × 3 trials; a straight drift "
        "over a session, in sds of the GRR without it; shares of that GRR in "
        "repeatability/reproducibility/interaction. Percent of the studies in which the drift "
        "showed: the two-sided 95 % interval of GRR with the drift taken out lies too low, too "
        "high, holds.\n"
    )
    print(f"{STUDIES} studies a line: standard error 1.8 at 95 %.\n")
    print("| shares | operators | drift in a session | shown in | too low | too high | holds |")
    print("|---|---|---|---|---|---|---|")
    for name, shares in SHARES.items():
        for who in ("random", "fixed"):
            for drift in (1.5, 4.0):
                rng, shown, low, high = np.random.default_rng(1901), 0, 0, 0
                for _ in range(STUDIES):
                    found = grr.drift(study(rng, shares, drift, who)).grr()
                    if found is not None:
                        shown += 1
                        low += found.without.upper < 6.0
                        high += found.without.lower > 6.0
                shares_of = (f"{100 * n / shown:.1f}" for n in (low, high, shown - low - high))
                part = f"{100 * shown / STUDIES:.0f}"
                print(f"| {name} | {who} | {drift} sd | {part} | {' | '.join(shares_of)} |")


if __name__ == "__main__":
    main()
