"""How often a study of n of N people decides, and how often wrongly: ``people.md``.

    python tests/coverage/people.py            # writes tests/coverage/people.md, about 10 minutes

Studies of 10 parts × 3 operators × 3 trials of gauges whose true GRR, over all N people,
takes a stated share of the tolerance. Columns: share of studies that show GRR under 10 %
where it is 6 % (right) and 10.1 % (wrong), that leave it open at 15 and 20 % whether it is
under 30 %, and that show it over 30 % where it is 29.5 % (wrong).
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.confidence_limits import careful_lower_bound, upper_bound
from grr.formulas.pivots import crossed_pivots
from grr.formulas.precision import Design, Shares, simulated_anova

STUDIES, DRAWS, CHUNK = 2000, 10_000, 100
SHARES = {
    "60/30/10": Shares(0.6, 0.3, 0.1),
    "25/70/5": Shares(0.25, 0.7, 0.05),
    "5/95/0": Shares(0.05, 0.95, 0.0),
}


def bounds(design: Design, shares: Shares, studies: int, seed: int) -> tuple[np.ndarray, ...]:
    """Return the lower and upper bounds of GRR's sd, whose true value is 1."""
    rng = np.random.default_rng(seed)
    found = []
    for start in range(0, studies, CHUNK):
        anova = simulated_anova(design, shares, min(CHUNK, studies - start), rng)
        grr = crossed_pivots(
            anova, draws=DRAWS, seed=seed + start, operators=design.operators_are
        ).grr
        sd = np.sqrt(np.maximum(grr, 0.0))
        found.append((careful_lower_bound(sd, 0.95), upper_bound(sd, 0.95)))
    low, high = (np.concatenate(parts) for parts in zip(*found, strict=True))
    return low, high


def row(design: Design, shares: Shares, studies: int, seed: int = 101) -> dict[str, float]:
    """Return the shares of studies, in percent."""
    low, high = bounds(design, shares, studies, seed)
    return {
        "USE at 6": 100 * float(np.mean(6.0 * high <= 10.0)),
        "wrong USE at 10.1": 100 * float(np.mean(10.1 * high <= 10.0)),
        "open at 15": 100 * float(np.mean((15 * high > 30) & (15 * low <= 30))),
        "open at 20": 100 * float(np.mean((20 * high > 30) & (20 * low <= 30))),
        "wrong DO NOT USE at 29.5": 100 * float(np.mean(29.5 * low > 30.0)),
    }


def main() -> None:
    lines = [
        "# n of N people: how often a study decides",
        "",
        f"Made by `tests/coverage/people.py`: {STUDIES} studies a line, {DRAWS} draws, seeded. "
        "10 parts × 3 operators × 3 trials unless stated; shares of GRR's variance in "
        "repeatability/reproducibility/interaction. Percent of studies; standard error at 5 %: "
        f"{100 * (0.05 * 0.95 / STUDIES) ** 0.5:.2f}.",
        "",
    ]
    head = None
    for name, shares in SHARES.items():
        for design in (
            Design(10, 3, 3, "fixed"),
            *(Design(10, 3, 3, people) for people in (4, 6)),
            Design(10, 3, 3, "random"),
            Design(5, 6, 3, 8),
            Design(10, 2, 3, 3),
        ):
            found = row(design, shares, STUDIES)
            if head is None:
                head = list(found)
                lines += [
                    f"| design | people | shares | {' | '.join(head)} |",
                    "|---|---|---|" + "---|" * len(head),
                ]
            cells = " | ".join(f"{value:.1f}" for value in found.values())
            size = f"{design.parts} × {design.operators} × {design.trials}"
            lines.append(f"| {size} | {design.operators_are} | {name} | {cells} |")
            print(lines[-1], file=sys.stderr)
    Path(__file__).with_suffix(".md").write_text("\n".join([*lines, ""]), encoding="utf-8")


if __name__ == "__main__":
    main()
