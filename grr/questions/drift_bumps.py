"""Bumps within sessions: from which reading on, and by how much."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import pandas as pd

from grr.formulas.change_points import Bump
from grr.questions.drift_series import BUMP_LEVEL, Series


class BumpFound(NamedTuple):
    """A bump that chance does not explain.

    ``at`` is how long its session had lasted, in minutes, or in readings of this operator
    where no times are known; ``part`` and ``trial`` are those of the first reading after it,
    and ``begins`` says whether that is the first reading of its trial.
    """

    method: str
    operator: str
    size: float
    at: float
    session: int
    sessions: int
    part: str
    trial: int
    begins: bool


def bump_columns(series: Series, bump: Bump | None, by_time: bool) -> dict[str, object]:
    """Return the columns of the most likely bump of a series, whether or not it is one."""
    if bump is None:
        unknown = dict.fromkeys(("bump", "bump_at", "bump_p"), math.nan)
        return {
            **unknown,
            "bump_session": 0,
            "bump_part": "",
            "bump_trial": 0,
            "bump_begins": False,
        }
    first = bump.first_after
    session, trial = int(series.session[first]), series.trials[first]
    before = int(np.count_nonzero(series.session[:first] == session))
    return {
        "bump": bump.size,
        "bump_at": float(series.since[first]) if by_time else float(before),
        "bump_p": bump.p,
        "bump_session": session + 1,
        "bump_part": series.parts[first],
        "bump_trial": trial,
        "bump_begins": trial not in series.trials[:first],
    }


def bumps_in(table: pd.DataFrame) -> list[BumpFound]:
    """Return the bumps that chance does not explain, at one level for all series together."""
    rows = table[table["bump_p"] < BUMP_LEVEL / len(table)]
    places = ["bump_session", "sessions", "bump_part", "bump_trial", "bump_begins"]
    rows = rows[["bump", "bump_at", *places]].reset_index()
    return [BumpFound(*row) for row in rows.itertuples(index=False, name=None)]
