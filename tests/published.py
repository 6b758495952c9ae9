"""Published data as tables, for several tests."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.formulas.published import gauge_study


def manual_readings() -> pd.DataFrame:
    """Return the manual's worked example as a table of readings, operator by operator."""
    cube = gauge_study().transpose(1, 0, 2)
    operator, part, trial = np.indices(cube.shape)
    return pd.DataFrame(
        {
            "part": part.ravel() + 1,
            "operator": np.array(["A", "B", "C"])[operator.ravel()],
            "trial": trial.ravel() + 1,
            "reading": cube.ravel(),
        }
    )
