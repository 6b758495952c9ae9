"""Wrong USE and coverage where the truth is not the one assumed: ``other_truths.md``.

    python tests/coverage/other_truths.py         # writes other_truths.md, about 4 minutes

A gauge truly takes 10.5 % of the tolerance, or 6 %. Errors are skewed or a mixture, follow each
other in the order, the interaction is most of GRR, few people or few parts are studied, the digit
is coarse, or each person measured in one session. Bounds are those of a verdict: degrees of freedom
as they look, a coarse digit counted; no USE where the tests of scatter forbid it. The truth is the
standard deviation of the error of one reading, over all parts, people and sessions; of fixed
operators the mean square of their own offsets is the share.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.coarse_digit import as_read
from grr.formulas.confidence_limits import two_sided_limits, upper_bound
from grr.formulas.pivots import crossed_pivots, effective_df
from grr.formulas.scatter_tests import (
    FINDS,
    FORBIDDING,
    SCATTER_LEVEL,
    compared,
    in_order,
    neighbours_alike,
    normal_studies,
)

STUDIES, DRAWS, CHUNK = 1000, 1000, 250
#: Shares of repeatability, operators, interaction, sessions in GRR's variance.
USUAL, CELLS, DAYS = (0.6, 0.3, 0.1, 0.0), (0.3, 0.1, 0.6, 0.0), (0.4, 0.2, 0.1, 0.3)
#: Name, errors, shares, digit in standard deviations of repeatability.
TRUTHS = {
    "as assumed": ("normal", USUAL, 0.0),
    "skewed errors (χ² with 4 df)": ("skewed", USUAL, 0.0),
    "skewed errors, repeatability alone": ("skewed", (1.0, 0.0, 0.0, 0.0), 0.0),
    "mixture, one in ten at 3 sd": ("mixture", USUAL, 0.0),
    "mixture, repeatability alone": ("mixture", (1.0, 0.0, 0.0, 0.0), 0.0),
    "correlated 0.5 along the run order": ("alike", USUAL, 0.0),
    "the same, repeatability alone": ("alike", (1.0, 0.0, 0.0, 0.0), 0.0),
    "interaction 60 % of GRR": ("normal", CELLS, 0.0),
    "interaction 60 %, of two sizes": ("cells", CELLS, 0.0),
    "digit of 3 sd": ("normal", USUAL, 3.0),
    "one session each, 30 % of GRR": ("normal", DAYS, 0.0),
}
DESIGNS = (
    ((10, 3, 3), "fixed"),
    ((10, 3, 3), "random"),
    ((10, 2, 3), "fixed"),
    ((3, 3, 3), "fixed"),
    ((5, 6, 2), "random"),
)


def errors(kind: str, size: tuple[int, ...], order: np.ndarray, rng: np.random.Generator):
    """Return errors of standard deviation 1."""
    if kind == "skewed":
        return (rng.chisquare(4.0, size) - 4.0) / np.sqrt(8.0)
    z = rng.standard_normal(size)
    if kind == "mixture":
        return np.where(rng.random(size) < 0.1, 3.0, 1.0) * z / np.sqrt(1.8)
    if kind == "alike":
        flat = z.reshape(size[0], -1)
        for t in range(1, flat.shape[1]):
            flat[:, t] = 0.5 * flat[:, t - 1] + np.sqrt(0.75) * flat[:, t]
        return flat[:, order.astype(int)]
    return z


def studies_of(
    truth: str,
    shape: tuple[int, int, int],
    who: str,
    studies: int,
    rng: np.random.Generator,
) -> tuple[np.ndarray, np.ndarray]:
    """Return readings of many studies whose GRR is 1, and the order they were taken in."""
    kind, shares, digit = TRUTHS[truth]
    p, o, r = shape
    ev, av, both, day = np.sqrt(shares)
    order = np.empty(shape)  # all people take turns, round after round, parts at random
    for k in range(r):
        order[:, :, k] = k * p * o + rng.permutation(p * o).reshape(p, o)
    offsets = rng.standard_normal((studies, 1, o, 1))
    if who == "fixed":
        offsets -= offsets.mean(axis=2, keepdims=True)
        offsets /= np.sqrt(np.square(offsets).mean(axis=2, keepdims=True))
    cells = rng.standard_normal((studies, p, o, 1))
    if kind == "cells":  # one in five cells is off
        cells *= np.where(rng.random(cells.shape) < 0.2, np.sqrt(5.0), 0.0)
    y = 4.0 * rng.standard_normal((studies, p, 1, 1)) + av * offsets + both * cells
    y = y + day * rng.standard_normal((studies, 1, o, 1))
    y = y + ev * errors(kind, (studies, *shape), order, rng)
    return (np.round(y / (digit * ev)) * (digit * ev) if digit else y), order


def row(
    truth: str, shape: tuple[int, int, int], who: str, studies: int = STUDIES
) -> dict[str, float]:
    """Return in percent: limits that hold GRR, wrong USE at 10.5 %, USE at 6 %."""
    rng = np.random.default_rng([11, list(TRUTHS).index(truth), *shape, len(who)])
    y, taken = studies_of(truth, shape, who, studies, rng)
    _, shares, digit = TRUTHS[truth]
    step = digit * np.sqrt(shares[0]) or None
    order = in_order(taken)
    fired = np.zeros((studies, len(FINDS)), dtype=bool)
    if step is None:  # with a digit so coarse scatter is hardly tested
        fired = compared(y, normal_studies(shape, order)).p < SCATTER_LEVEL
    df = np.asarray(effective_df(y).used, dtype=float)
    for n in np.flatnonzero(fired[:, FINDS.index("autocorrelation")]):
        square = min(max(neighbours_alike(y[n], order), 0.0), 0.99) ** 2
        df[n] *= (1.0 - square) / (1.0 + square)
    df = np.maximum(df, 2.0)
    forbidden = fired[:, [FINDS.index(name) for name in FORBIDDING]].any(axis=1)
    held, most = 0, np.empty(studies)
    true = 1.0 + (0.0 if step is None else step**2 / 12.0)
    for start in range(0, studies, CHUNK):
        here = slice(start, start + CHUNK)
        anova = crossed_anova(y[here])
        pivots = crossed_pivots(anova, draws=DRAWS, operators=who, df_error=df[here])
        drawn = np.maximum(pivots.grr, 0.0)
        low, high = two_sided_limits(drawn, 0.95)
        held += int(np.sum((low <= true) & (true <= high)))
        sd = np.sqrt(np.median(drawn, axis=-1))
        most[here] = upper_bound(
            np.sqrt(np.maximum(as_read(pivots, sd, step).grr, 0.0)), 0.95
        ) / np.sqrt(true)
    return {
        "held": 100.0 * held / studies,
        "wrong": 100.0 * float(np.mean((10.5 * most <= 10.0) & ~forbidden)),
        "use": 100.0 * float(np.mean((6.0 * most <= 10.0) & ~forbidden)),
    }


def main() -> None:
    lines = [
        "# Where the truth is another one: wrong USE and coverage",
        "",
        f"Made by `tests/coverage/other_truths.py`: {STUDIES} studies a line, {DRAWS} draws, "
        "seeded. Percent of studies: the two-sided 95 % interval of GRR holds the truth; wrong USE "
        "of a gauge that truly takes 10.5 %; USE of one that takes 6 %. 60/30/10 "
        "repeatability/reproducibility/interaction where nothing else is said. Standard error 0.7 "
        "at 5 and 95 %.",
        "",
        "| truth | design | operators | interval holds | wrong USE at 10.5 % | USE at 6 % |",
        "|---|---|---|---|---|---|",
    ]
    for truth in TRUTHS:
        for shape, who in DESIGNS:
            found = row(truth, shape, who)
            cells = " | ".join(f"{value:.1f}" for value in found.values())
            lines.append(f"| {truth} | {' × '.join(map(str, shape))} | {who} | {cells} |")
            print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
