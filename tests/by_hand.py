"""Statistics worked out another way than the package does, from a table of readings."""

from __future__ import annotations

import pandas as pd


def degrees_of_freedom(readings: pd.DataFrame) -> float:
    """Return with how many degrees of freedom a complete study knows its repeatability.

    The least of what is counted and what the variances of cells, parts and operators show:
    Satterthwaite, Biometrics Bulletin 2 (1946), 110-114.
    """
    cells = readings.groupby(["part", "operator"])["reading"].var().unstack()
    counted = len(readings) - cells.size
    groups = [pd.Series(cells.to_numpy().ravel()), cells.mean(axis=1)]
    seen = [2 * len(v) * (v.mean() / v.std()) ** 2 for v in groups]
    of_operators = cells.mean()
    each = counted / len(of_operators)
    seen.append(of_operators.sum() ** 2 / (of_operators**2 / each).sum())
    return float(max(min(counted, *seen), min(2.0, counted)))
