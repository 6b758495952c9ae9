"""How many parts on a limit of the tolerance are accepted under a coarse digit.

    python tests/coverage/coarse_guard.py      # writes tests/coverage/coarse_guard.md, seconds

10 parts × 3 operators × 3 trials, GRR's sd 1, all of it repeatability, where the guard band is
narrowest. The last reading accepted is the last of the display inside limit and guard band; a part
on the limit is read as such or farther in if its error passes half a digit beyond it. The limit
lies at twenty places within a digit: the worst of them, as a mean over the studies.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from grr.formulas.analysis_of_variance import components_by_rule, crossed_anova
from grr.formulas.coarse_digit import COARSE, COARSE_FOR_GUARD, as_read
from grr.formulas.conformity import predictive_guard
from grr.formulas.pivots import crossed_pivots

STUDIES, DRAWS = 400, 1000
DIGITS = (0.25, 0.5, 0.75, 1.0, 1.25, 1.5, 1.75, 2.0, 2.5, 3.0, 4.0, 6.0)


def accepted(digit: float, operators: str, rng: np.random.Generator) -> tuple[float, float]:
    """Return the percent accepted with d²/6 counted from 2 sd, and from 2/3 sd on."""
    sizes = 12.0 * rng.standard_normal((STUDIES, 10, 1, 1))
    read = np.round((sizes + rng.standard_normal((STUDIES, 10, 3, 3))) / digit) * digit
    anova = crossed_anova(read)
    pivots = crossed_pivots(anova, draws=DRAWS, operators=operators)
    grr_sd = np.sqrt(components_by_rule(anova)[0].grr)
    places = np.linspace(0.0, digit, 20, endpoint=False)[:, None]
    found = []
    for below in (COARSE, COARSE_FOR_GUARD):
        draws = as_read(pivots, grr_sd, digit, below=below).grr
        guard = predictive_guard(np.sqrt(np.maximum(draws, 0.0)), 0.05)
        inside = np.ceil((guard - places) / digit - 1e-9) * digit + places
        found.append(100.0 * float(ndtr(digit / 2 - inside).mean(axis=1).max()))
    return found[0], found[1]


def main() -> None:
    """Write the table."""
    lines = [
        "# Parts on a limit of the tolerance that are accepted under a coarse digit",
        "",
        f"Made by `tests/coverage/coarse_guard.py`: {STUDIES} studies a line; EV alone, the limit "
        "at the worst of twenty places within a digit. Percent accepted (5 is meant) where d²/6 "
        "is counted in the guard band from a digit of two sds of GRR on, as in the bounds of GRR, "
        "and from two thirds of one on, as it is done.",
        "",
        "| digit, of GRR | operators | from 2 sd on | from 2/3 sd on |",
        "|---|---|---|---|",
    ]
    for operators in ("fixed", "random"):
        rng = np.random.default_rng(5)
        for digit in DIGITS:
            late, early = accepted(digit, operators, rng)
            lines.append(f"| {digit:g} | {operators} | {late:.1f} | {early:.1f} |")
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    sys.exit(main())
