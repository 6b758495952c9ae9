"""How often a study that may go on with more people is wrong at either of its two looks.

Run from the repository: ``.venv/bin/python tests/coverage/second_look.py``. It simulates the
readings of a study and of its second stage, judges both looks by the study's own draws
(`crossed_pivots`, `unweighted_means`), and writes ``second_look.md`` beside it. Wrong USE: the true
GRR is 10.1 % of the tolerance and a look shows it under 10 %. Wrong DO NOT USE: 29.5 %, shown over
30 %. Some minutes.
"""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np

from grr.formulas.analysis_of_variance import crossed_anova
from grr.formulas.arrays import Array
from grr.formulas.confidence_limits import careful_lower_bound, upper_bound
from grr.formulas.pivots import crossed_pivots
from grr.formulas.second_look import combined_error, second_confidence
from grr.formulas.unweighted_means import unweighted_means

STUDIES, DRAWS, CHUNK = 6000, 5000, 250
SHARES = {"60/30/10": (0.6, 0.3, 0.1), "AV70": (0.25, 0.70, 0.05), "AV95": (0.05, 0.95, 0.0)}
#: Parts, operators at the first look and together, trials, parts of the second stage.
DESIGNS = ((10, 3, 6, 3, 5), (5, 3, 6, 3, 5))


def readings(rng: np.random.Generator, design: tuple[int, ...], split: tuple[float, ...]) -> Array:
    """Return readings whose true variance GRR is 1, NaN where the second stage leaves out."""
    p, n, together, r, again = design
    ev, av, inter = split
    cube = 5.0 * rng.standard_normal((CHUNK, p, 1, 1))
    cube = cube + np.sqrt(av) * rng.standard_normal((CHUNK, 1, together, 1))
    cube = cube + np.sqrt(inter) * rng.standard_normal((CHUNK, p, together, 1))
    cube = cube + np.sqrt(ev) * rng.standard_normal((CHUNK, p, together, r))
    cube[:, again:, n:] = np.nan
    return cube


def bounds(cube: Array, confidence: float, seed: int) -> tuple[Array, Array]:
    """Return the bounds of GRR's sd; the draws are other ones in each chunk."""
    full = np.isfinite(cube).all()
    means = crossed_anova(cube) if full else unweighted_means(cube)
    sd = np.sqrt(np.maximum(crossed_pivots(means, draws=DRAWS, seed=seed).grr, 0.0))
    return careful_lower_bound(sd, confidence), upper_bound(sd, confidence)


def line(design: tuple[int, ...], name: str, planned: bool) -> str:
    """Return a line of the table."""
    p, n, together, r, again = design
    first = 0.975 if planned else 0.95
    second = second_confidence(first, n, together) if planned else 0.99
    rng = np.random.default_rng(404)
    counts = np.zeros(6)
    for chunk in range(STUDIES // CHUNK):
        cube = readings(rng, design, SHARES[name])
        (low, high), (low_2, high_2) = (
            bounds(cube[:, :, :n], first, chunk),
            bounds(cube, second, chunk),
        )
        good, good_2 = 10.1 * high <= 10.0, 10.1 * high_2 <= 10.0
        bad, bad_2 = 29.5 * low > 30.0, 29.5 * low_2 > 30.0
        open_1 = (15.0 * high > 30.0) & (15.0 * low <= 30.0)
        open_2 = open_1 & (15.0 * high_2 > 30.0) & (15.0 * low_2 <= 30.0)
        counts += [one.sum() for one in (good, good | good_2, bad, bad | bad_2, open_1, open_2)]
    share = 100.0 * counts / STUDIES
    error = 100.0 * combined_error(first, second, n, together)
    found = " | ".join(f"{one:.1f}" for one in share)
    study = f"{p} × {n} × {r} + {together - n} people × {again} parts"
    told = "yes" if planned else "no"
    return (
        f"| {study} | {name} | {told} | {100 * first:g}, {100 * second:.1f} | {error:.1f} | "
        f"{found} |"
    )


def main() -> None:
    """Write the table."""
    start = time.process_time()
    lines = [
        "# Two looks at one study: how often either is wrong",
        "",
        f"Made by `tests/coverage/second_look.py`: {STUDIES} studies a line, {DRAWS} draws, "
        "seeded; what the columns are stands there. Percent of studies; standard error at 5 %: "
        "0.28. "
        "Sampled operators; shares of GRR's variance in "
        "repeatability/reproducibility/interaction, AV70: 25/70/5, AV95: 5/95/0. "
        "By formula: the most that either look errs.",
        "",
        "| study | shares | planned | confidence at the looks | by formula | wrong USE, look 1 | "
        "either | wrong DO NOT USE, look 1 | either | open at 15 %, look 1 | after both |",
        "|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for design in DESIGNS:
        for name in SHARES:
            for planned in (True, False):
                lines.append(line(design, name, planned))
                print(lines[-1], f"{time.process_time() - start:.0f} s", flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
