"""What a plant's earlier studies would bring to a decision, and what they could do wrong.

Run from the repository: ``.venv/bin/python tests/coverage/history.py``. It writes ``history.md``
beside it, in a few minutes. The verdict does not use earlier studies; this table says why.

A study of 10 parts, 3 operators and 3 trials knows the operators' variance from two degrees of
freedom. Earlier studies of the same gauge by other people could tell more. Here their operators'
variances are a sample of one lognormal distribution, whose middle and spread are integrated over
a grid (spread: half-normal with scale 0.5, a flat prior for the middle), and the study at hand
is judged by the bound that follows. Against a history that is not of this gauge stands a test: if
operators who differ as much would be seen in fewer than 5 of 100 studies like the earlier ones,
the history is put aside. Wrong USE: the true GRR is 10.5 % of the tolerance, and the upper 95 %
bound lies at or below 10 %.

Sources: hierarchical model of variances, Gelman, Bayesian Analysis 1 (2006), 515-534 (half-normal
in place of half-t; from memory); prior predictive check, Box, JRSS A 143 (1980), 383-430 (from
memory).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy import special

Array = NDArray[np.float64]

PARTS, OPERATORS, TRIALS = 10, 3, 3
STUDIES, CHUNK, DRAWS = 4000, 500, 2000
#: Of GRR's variance, in repeatability and between operators.
SHARES = {"60/40": 0.4, "30/70": 0.7}
#: Earlier studies, and how much smaller the operators' standard deviation was in them.
HISTORIES = (
    (3, 1.0),
    (5, 1.0),
    (10, 1.0),
    (3, 2.0),
    (5, 2.0),
    (10, 2.0),
    (3, 4.0),
    (5, 4.0),
    (10, 4.0),
)
#: Logarithms of variances of the operators' mean, in units of what is found; and their spread.
STEPS = np.linspace(-9.0, 6.0, 61)
SPREADS = np.array([0.1, 0.3, 0.6, 1.0, 1.5])


def _likelihood(found: Array, noise: Array) -> Array:
    """Return how likely a variance of the operators' means is, for each true one of the grid.

    The found one is (true + noise) · χ² / df, with two degrees of freedom.
    """
    true = np.exp(STEPS) + noise[..., None]
    df = OPERATORS - 1
    x = df * found[..., None] / true
    return np.exp(-x / 2 + (df / 2 - 1) * np.log(x)) / true


def _predicted(history: Array, noise: Array) -> Array:
    """Return the weights of the grid's variances for one more study: (studies, steps)."""
    middle, spread = np.meshgrid(STEPS, SPREADS, indexing="ij")
    middle, spread = middle.ravel(), spread.ravel()
    kernel = np.exp(-0.5 * ((STEPS - middle[:, None]) / spread[:, None]) ** 2)
    kernel /= kernel.sum(axis=1, keepdims=True)
    seen = np.einsum("nhs,ks->nhk", _likelihood(history, noise), kernel)
    weight = np.exp(np.log(np.maximum(seen, 1e-300)).sum(axis=1)) * np.exp(
        -0.5 * (spread / 0.5) ** 2
    )
    weight /= weight.sum(axis=1, keepdims=True)
    return np.asarray(weight @ kernel)


def _bounds(
    rng: np.random.Generator, ev: float, av: float, count: int, factor: float
) -> tuple[Array, Array, Array]:
    """Return the upper 95 % bounds of GRR's variance without and with history, and the conflict."""
    df, df_ev = OPERATORS - 1, PARTS * OPERATORS * (TRIALS - 1) + (PARTS - 1) * (OPERATORS - 1)
    noise = ev / (PARTS * TRIALS)
    found_ev = ev * rng.chisquare(df_ev, CHUNK) / df_ev
    found = (av + noise) * rng.chisquare(df, CHUNK) / df
    earlier_ev = ev * rng.chisquare(df_ev, (CHUNK, count)) / df_ev
    earlier = (av / factor**2 + noise) * rng.chisquare(df, (CHUNK, count)) / df
    draws_ev = found_ev[:, None] * df_ev / rng.chisquare(df_ev, (CHUNK, DRAWS))
    draws_av = found[:, None] * df / rng.chisquare(df, (CHUNK, DRAWS))
    noise_now = found_ev / (PARTS * TRIALS)
    without = draws_ev + np.maximum(draws_av - draws_ev / (PARTS * TRIALS), 0.0)
    before = _predicted(earlier, earlier_ev / (PARTS * TRIALS))
    tail = special.chdtrc(df, df * found[:, None] / (np.exp(STEPS) + noise_now[:, None]))
    conflict = (before * tail).sum(axis=1) < 0.05
    after = before * _likelihood(found, noise_now)
    up = np.cumsum(after, axis=1) / after.sum(axis=1, keepdims=True)
    at = (rng.random((CHUNK, DRAWS))[:, :, None] > up[:, None, :]).sum(axis=2)
    width = STEPS[1] - STEPS[0]
    together = draws_ev + np.exp(
        STEPS[np.minimum(at, len(STEPS) - 1)] + width * (rng.random((CHUNK, DRAWS)) - 0.5)
    )
    return (
        np.quantile(without, 0.95, axis=1),
        np.quantile(together, 0.95, axis=1),
        conflict.astype(float),
    )


def line(name: str, count: int, factor: float) -> str:
    """Return a line of the table."""
    rng = np.random.default_rng(1980)
    shares = []
    for percent in (6.0, 10.5):
        votes = np.zeros(4)
        limit = (10.0 / percent) ** 2  # GRR's true variance is 1
        for _ in range(STUDIES // CHUNK):
            alone, together, conflict = _bounds(
                rng, 1.0 - SHARES[name], SHARES[name], count, factor
            )
            use, use_with = alone <= limit, together <= limit
            tested = np.where(conflict > 0, use, use_with)
            votes += [use.sum(), use_with.sum(), tested.sum(), conflict.sum()]
        shares.append(100.0 * votes / STUDIES)
    good, bad = shares
    cells = [*good[:3], *bad[:3], bad[3]]
    like = "as large" if factor == 1.0 else f"{factor:g} times too small"
    return f"| {name} | {count} | {like} | {' | '.join(f'{cell:.1f}' for cell in cells)} |"


def main() -> None:
    """Write the table."""
    lines = [
        "# A plant's earlier studies: what they bring, and why the verdict does not use them",
        "",
        f"Made by `tests/coverage/history.py`: {STUDIES} studies a line, {DRAWS} draws, seeded; "
        f"the model stands there. Studies of {PARTS} parts × {OPERATORS} operators × {TRIALS} "
        "trials, operators a sample. Shares of GRR's variance in repeatability/reproducibility. "
        "Percent of studies called USE; at a true 10.5 % that is wrong, and at most 6 % would do.",
        "",
        "| shares | earlier studies | operators' sd in them | USE at 6 %, alone | with history | "
        "with history and test | wrong USE at 10.5 %, alone | with history | "
        "with history and test | conflict seen |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in SHARES:
        for count, factor in HISTORIES:
            lines.append(line(name, count, factor))
            print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
