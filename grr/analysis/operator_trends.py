"""What changes while an operator measures: the readings, or how much they scatter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.analysis.sittings import sittings
from grr.errors import StudyError
from grr.numerics.drift_slope import blocks, drift_slope
from grr.numerics.scatter_trend import scatter_trend
from grr.study import Study

COLUMNS = [
    *("trend", "trend_lower", "trend_upper", "trend_p", "trend_over"),
    *("scatter_growth", "scatter_growth_p"),
]


def operator_trends(study: Study, *, level: float = 0.95) -> tuple[pd.DataFrame, str]:
    """Return each operator's trend over the sitting, and the unit of time.

    Returns
    -------
    DataFrame
        One row an operator: trend, trend_lower, trend_upper (change of the readings per
        minute, or from one reading to the next), trend_p, trend_over (change over the
        longest sitting); scatter_growth (scatter of the last trials over that of the
        first), scatter_growth_p. NaN where not estimated.
    str
        "min", "reading", or "" where neither times nor an order are known.
    """
    found = pd.DataFrame(
        np.nan, index=pd.Index(study.operator_names, name="operator"), columns=COLUMNS
    )
    cube = study.cube()
    for place, name in enumerate(cube.operators):
        readings = cube.values[:, place]
        if np.isfinite(readings).all():
            ratio, p = scatter_trend(readings)
            found.loc[name, ["scatter_growth", "scatter_growth_p"]] = float(ratio), float(p)
    try:
        taken = sittings(study)
    except StudyError:
        return found, ""
    for name in cube.operators:
        rows = taken.table[taken.table["operator"] == name]
        part, sitting = (pd.factorize(rows[key])[0].astype(np.int64) for key in ("part", "sitting"))
        since = rows["since"].to_numpy(dtype=np.float64)
        try:
            slope = drift_slope(since, rows["reading"].to_numpy(), blocks(part, sitting))
        except StudyError:
            continue
        low, high = slope.limits(level)
        span = float((rows.groupby("sitting")["since"].max()).max() - since.min())
        found.loc[name, COLUMNS[:5]] = (
            float(slope.slope),
            float(low),
            float(high),
            float(slope.p()),
            float(slope.slope) * span,
        )
    return found, taken.unit
