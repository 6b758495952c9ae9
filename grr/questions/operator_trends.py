"""What changes while an operator measures: the readings, or how much they scatter."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.formulas.drift_rate import scatter_trend
from grr.model.errors import StudyError
from grr.model.study import Study
from grr.questions.drift import DriftNumbers, drift_numbers

#: Column of a trend → that of the drift's table which it quotes.
QUOTED = {
    "trend": "slope",
    "trend_lower": "lower",
    "trend_upper": "upper",
    "trend_p": "p",
    "trend_over": "over",
}
COLUMNS = [*QUOTED, "scatter_growth", "scatter_growth_p"]


def operator_trends(
    study: Study, *, level: float = 0.95
) -> tuple[pd.DataFrame, DriftNumbers | None]:
    """Return each operator's trend over the session, and the drift that it is quoted from.

    Returns
    -------
    DataFrame
        One row an operator: trend, trend_lower, trend_upper (change of the readings per
        minute, or from one reading to the next), trend_p, trend_over (change over the
        longest session); scatter_growth (scatter of the last trials over that of the
        first), scatter_growth_p. NaN where not estimated.
    DriftNumbers or None
        None where neither times nor an order are known, or nothing was measured twice.
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
        drift = drift_numbers(study, level=level)
    except StudyError:
        return found, None
    (method,) = drift.methods
    for name in drift.operators(method):
        for column, quoted in QUOTED.items():
            found.loc[name, column] = drift.value(method, name, quoted)
    return found, drift
