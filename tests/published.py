"""Published data that several tests check against."""

from __future__ import annotations

import pandas as pd

#: AIAG, Measurement Systems Analysis Reference Manual, 4th ed. (2010), the worked example
#: of chapter III section B: deviations from nominal, 10 parts × 3 operators × 3 trials.
#: Typed from memory; the published results are reproduced from it.
MANUAL = """
A  0.29 0.41 0.64 -0.56 -0.68 -0.58 1.34 1.17 1.27 0.47 0.50 0.64 -0.80 -0.92 -0.84
A  0.02 -0.11 -0.21 0.59 0.75 0.66 -0.31 -0.20 -0.17 2.26 1.99 2.01 -1.36 -1.25 -1.31
B  0.08 0.25 0.07 -0.47 -1.22 -0.68 1.19 0.94 1.34 0.01 1.03 0.20 -0.56 -1.20 -1.28
B -0.20 0.22 0.06 0.47 0.55 0.83 -0.63 0.08 -0.34 1.80 2.12 2.19 -1.68 -1.62 -1.50
C  0.04 -0.11 -0.15 -1.38 -1.13 -0.96 0.88 1.09 0.67 0.14 0.20 0.11 -1.46 -1.07 -1.45
C -0.29 -0.67 -0.49 0.02 0.01 0.21 -0.46 -0.56 -0.49 1.77 1.45 1.87 -1.49 -1.77 -2.16
"""


def manual_readings() -> pd.DataFrame:
    """Return the manual's example as a table of readings."""
    by_operator: dict[str, list[float]] = {}
    for line in MANUAL.strip().splitlines():
        operator, *values = line.split()
        by_operator.setdefault(operator, []).extend(map(float, values))
    return pd.DataFrame(
        [
            (part, operator, trial, values[3 * (part - 1) + trial - 1])
            for operator, values in by_operator.items()
            for part in range(1, 11)
            for trial in range(1, 4)
        ],
        columns=["part", "operator", "trial", "reading"],
    )
