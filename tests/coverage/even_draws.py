"""How far limits from even points lie from those of random draws: ``even_draws.md``.

    python tests/coverage/even_draws.py      # writes even_draws.md, about 3 minutes

300 studies whose sources have many different sizes, by `grr.analyse_many` once from evenly
spread points and once from the 100,000 draws that `grr.verdict` takes.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from many.test_even_limits import TOLERANCE, varied

import grr
from grr.many import analyse, stack_limits

DESIGNS = (
    ((10, 3, 3), "random", 120),
    ((5, 2, 2), "random", 60),
    ((10, 2, 3), "random", 60),
    ((10, 3, 3), "fixed", 60),
)
QUANTITIES = ("EV_sd", "GRR_sd", "PV_sd", "TV_sd", "GRR_percent_tv", "AV_sd", "INT_sd")


def both_ways(table: pd.DataFrame, operators: str) -> tuple[pd.DataFrame, pd.DataFrame, int]:
    """Return the rows from points, those from draws, and how many decisions were close."""
    options = {"tolerances": TOLERANCE, "intervals": True, "operators": operators}
    close: list[int] = []
    exactly, sure = analyse._exactly, analyse._SURE

    def counted(*args: object, **kwargs: object) -> object:
        close.append(1)
        return exactly(*args, **kwargs)

    analyse._exactly = counted
    points = grr.analyse_many(table, **options)
    analyse._exactly, analyse._SURE = exactly, 0.5
    draws = grr.analyse_many(table, **options)
    analyse._SURE = sure
    return points, draws, len(close)


def main() -> None:
    lines = [
        "# Limits from even points beside those of 100,000 random draws",
        "",
        f"Made by `even_draws.py`. {sum(count for *_, count in DESIGNS):,} studies; differences in "
        "percent of the upper limit, root mean square (largest). Decisions within "
        f"{100 * stack_limits.MARGIN:g} % of a limit (twice that with two operators) were "
        "worked out from the draws; `without` says how many would differ had they not been.",
        "",
        "| design | limit | " + " | ".join(QUANTITIES) + " | close | differ | without |",
        "|---" * (len(QUANTITIES) + 5) + "|",
    ]
    for shape, operators, count in DESIGNS:
        table = varied(count, shape, seed=11)
        points, draws, close = both_ways(table, operators)
        margin, stack_limits.MARGIN = stack_limits.MARGIN, 0.0
        plain = grr.analyse_many(table, tolerances=TOLERANCE, intervals=True, operators=operators)
        stack_limits.MARGIN = margin
        differ = int((points["decision"] != draws["decision"]).sum())
        without = int((plain["decision"] != draws["decision"]).sum())
        for end in ("lower", "upper"):
            cells = []
            for name in QUANTITIES:
                away = points[f"{name}_{end}"] - draws[f"{name}_{end}"]
                share = 100.0 * (away / draws[f"{name}_upper"].where(lambda v: v > 0.0))
                cells.append(f"{np.sqrt((share**2).mean()):.2f} ({share.abs().max():.1f})")
            what = f"{' × '.join(map(str, shape))}, {operators}, {count} studies"
            told = [what, end, *cells, str(close), str(differ), str(without)]
            lines.append("| " + " | ".join(told) + " |")
        print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
