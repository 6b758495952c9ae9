"""How far limits from even points lie from those of random draws: ``even_draws.md``.

    python tests/coverage/even_draws.py      # writes even_draws.md, about 4 minutes

1,000 studies whose sources have many different sizes, by `grr.analyse_many` once from evenly
spread points and twice from 100,000 draws: those that `grr.verdict` takes, and those of another
seed.
"""

from __future__ import annotations

import sys
from functools import partial
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1]))

from many.test_even_limits import TOLERANCE, varied

import grr
from grr.formulas.pivots import SEED
from grr.many import analyse, stack_limits
from grr.model.choices import SOURCES

DESIGNS = (
    ((10, 3, 3), "random", 400),
    ((5, 2, 2), "random", 150),
    ((10, 2, 3), "random", 100),
    ((10, 3, 3), "fixed", 150),
    ((8, 3, 2), 7, 100),
    ((8, 1, 3), "random", 100),
)
QUANTITIES = (*(f"{name}_sd" for name in SOURCES), "GRR_percent_tv", "ndc", "ICC")


def each_way(
    table: pd.DataFrame, operators: str | int
) -> tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, int]:
    """Return the rows from points, from draws, from other draws, and how many were close."""
    options = {"tolerances": TOLERANCE, "intervals": True, "operators": operators}
    close: list[int] = []
    exactly, sure, pivots = analyse._exactly, analyse._SURE, analyse.crossed_pivots

    def counted(*args: object, **kwargs: object) -> object:
        close.append(1)
        return exactly(*args, **kwargs)

    analyse._exactly = counted
    points = grr.analyse_many(table, **options)
    analyse._exactly, analyse._SURE = exactly, 0.5
    draws = grr.analyse_many(table, **options)
    analyse.crossed_pivots = partial(pivots, seed=SEED + 1)
    others = grr.analyse_many(table, **options)
    analyse._SURE, analyse.crossed_pivots = sure, pivots
    return points, draws, others, len(close)


def main() -> None:
    lines = [
        "# Limits from even points beside those of 100,000 random draws",
        "",
        f"Made by `even_draws.py`. {sum(count for *_, count in DESIGNS):,} studies; differences in "
        "percent of the upper limit, root mean square (largest); below them those between the "
        "draws of two seeds. Decisions within "
        f"{100 * stack_limits.MARGIN:g} % of a limit (twice that with two operators) were "
        "worked out from the draws; `without` says how many would differ had they not been.",
        "",
        "| design | beside the draws | limit | "
        + " | ".join(QUANTITIES)
        + " | close | differ | without |",
        "|---" * (len(QUANTITIES) + 6) + "|",
    ]
    for shape, operators, count in DESIGNS:
        table = varied(count, shape, seed=11)
        points, draws, others, close = each_way(table, operators)
        margin, stack_limits.MARGIN = stack_limits.MARGIN, 0.0
        plain = grr.analyse_many(table, tolerances=TOLERANCE, intervals=True, operators=operators)
        stack_limits.MARGIN = margin
        for what, found in (("points", points), ("another seed", others)):
            differ = int((found["decision"] != draws["decision"]).sum())
            without = int((plain["decision"] != draws["decision"]).sum())
            counted = [close, differ, without] if found is points else ["", differ, ""]
            for end in ("lower", "upper"):
                cells = []
                for name in QUANTITIES:
                    away = found[f"{name}_{end}"] - draws[f"{name}_{end}"]
                    size = draws[f"{name}_upper"]
                    share = 100.0 * (away / size.where((size > 0.0) & np.isfinite(size)))
                    cells.append(f"{np.sqrt((share**2).mean()):.2f} ({share.abs().max():.1f})")
                design = f"{' × '.join(map(str, shape))}, {operators}, {count} studies"
                lines.append(
                    "| " + " | ".join(map(str, [design, what, end, *cells, *counted])) + " |"
                )
                print(lines[-1], flush=True)
    Path(__file__).with_suffix(".md").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
