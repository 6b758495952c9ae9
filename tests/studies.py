"""Studies of many shapes, invented, for the tests of figures."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

import grr
from published import manual_readings

HOSTILE_PARTS = (
    "<script>alert(1)</script>" + "x" * 280,
    "=cmd()|' /C calc'!A0" + "x" * 280,
    "\u202eabc \u0645\u0631\u062d\u0628\u0627 $x^2$",
    "\U0001f527 pin\nsecond line",
    "%{meta.id} <b>bold</b><br>&amp;",
)
HOSTILE_OPERATORS = ("N" * 300, "<a href='javascript:alert(1)'>x</a>", "$\\alpha$ {0}")


def invented(
    parts: int | Sequence[str],
    operators: int | Sequence[str],
    trials: int,
    *,
    sd: tuple[float, float, float] = (1.5e-3, 0.1e-3, 0.15e-3),
    middle: float = 10.009,
    step: float | None = 1e-4,
    **facts: Any,
) -> grr.Study:
    """Return a study with normal readings; ``sd`` of parts, operators and repeats."""
    part_names = parts if not isinstance(parts, int) else [str(i + 1) for i in range(parts)]
    names = operators if not isinstance(operators, int) else [f"Op {i}" for i in range(operators)]
    rng = np.random.default_rng(len(part_names) + 31 * len(names) + 1009 * trials)
    of_part = rng.normal(0.0, sd[0], len(part_names))
    rows = []
    for operator, offset in zip(names, rng.normal(0.0, sd[1], len(names)), strict=True):
        for trial in range(1, trials + 1):
            for i in rng.permutation(len(part_names)):
                reading = middle + of_part[i] + offset + rng.normal(0.0, sd[2])
                if step is not None:
                    reading = round(reading / step) * step
                rows.append((part_names[i], operator, trial, reading, len(rows) + 1))
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading", "order"])
    return grr.Study(table, **({"unit": "mm", "resolution": step} | facts))


def with_gaps() -> grr.Study:
    table = invented(6, 3, 3).readings
    table.loc[::7, "reading"] = np.nan
    return grr.Study(table, unit="mm", resolution=1e-4, tolerance=M5)


M5 = grr.Tolerance(10.006, 10.012)
SHAPES = {
    "manual": lambda: grr.Study(manual_readings(), tolerance=grr.Tolerance(-4.0, 4.0)),
    "no tolerance": lambda: invented(8, 3, 3),
    "one operator": lambda: invented(10, 1, 3, tolerance=M5),
    "one trial": lambda: invented(8, 3, 1, tolerance=M5),
    "two of each": lambda: invented(2, 2, 2, tolerance=M5),
    "20 parts, 10 operators": lambda: invented(20, 10, 3, tolerance=M5),
    "hostile names": lambda: invented(HOSTILE_PARTS, HOSTILE_OPERATORS, 3, tolerance=M5),
    "upper limit only": lambda: invented(8, 3, 2, tolerance=grr.Tolerance(upper=10.014)),
    "lower limit only": lambda: invented(8, 3, 2, tolerance=grr.Tolerance(lower=10.004)),
    "mean past the limit": lambda: invented(8, 3, 2, tolerance=grr.Tolerance(upper=10.0)),
    "inch": lambda: invented(
        6, 2, 2, sd=(3e-5, 2e-6, 4e-6), middle=0.39378, step=5e-6, unit="in",
        tolerance=grr.Tolerance(0.39370, 0.39386),
    ),
    "GRR over the tolerance": lambda: invented(
        6, 3, 3, sd=(3e-4, 2e-3, 3e-3), tolerance=M5
    ),
    "GRR tiny": lambda: invented(
        6, 3, 3, sd=(3e-3, 1e-6, 2e-6), step=1e-7, tolerance=grr.Tolerance(10.0, 10.02)
    ),
    "huge numbers": lambda: invented(
        6, 3, 3, sd=(3e7, 1e6, 5e6), middle=5e9, step=None, unit="",
        tolerance=grr.Tolerance(4.9e9, 5.1e9),
    ),
    "all repeats equal": lambda: invented(
        5, 2, 2, sd=(1e-3, 0.0, 0.0), tolerance=M5, resolution=None
    ),
    "chosen parts": lambda: invented(6, 3, 3, tolerance=M5, parts_from="chosen"),
    "process sd": lambda: invented(6, 3, 3, tolerance=M5, process_sd=1.2e-3),
    "process sd too small": lambda: invented(6, 3, 3, tolerance=M5, process_sd=1e-5),
    "readings missing": with_gaps,
}  # fmt: skip
