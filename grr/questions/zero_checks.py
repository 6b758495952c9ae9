"""What the gauge showed at zero before and after each session."""

from __future__ import annotations

import numpy as np
import pandas as pd

from grr.model.errors import StudyError
from grr.model.study import Study
from grr.questions.sittings import Sittings

#: Names of the checks at which the gauge was set to zero, and of the closing one.
ZEROED, CLOSING = ("before", "again"), "after"


def zero_checks(study: Study) -> pd.DataFrame:
    """Return the zero checks recorded with a study: time, session, name, on, reading.

    Empty where the study was not read from a folder, or nothing was recorded.

    Raises
    ------
    StudyError
        A zero is no number, or its time no time.
    """
    columns = ["time", "session", "name", "on", "reading"]
    if study.record is None:
        return pd.DataFrame(columns=columns)
    events = study.record.events
    events = events[events["kind"] == "zero"]
    found = pd.DataFrame(
        {
            "time": pd.to_datetime(events["time"], errors="coerce", utc=True, format="ISO8601"),
            "session": events["session"],
            "name": events["name"],
            "on": events["old"],
            "reading": pd.to_numeric(events["value"], errors="coerce"),
        }
    )
    wrong = (found["time"].isna() | found["reading"].isna()).to_numpy()
    if wrong.any():
        row = events.iloc[int(np.flatnonzero(wrong)[0])]
        raise StudyError(
            "A zero check cannot be read",
            "Correct the time or the value of this event, or leave the file out",
            file=study.record.folder / "events.csv",
            value=f"{row['time']} {row['value']}",
        )
    return found.sort_values("time", kind="stable", ignore_index=True)


def zero_changes(checks: pd.DataFrame, taken: Sittings) -> pd.DataFrame:
    """Return how far the zero moved in each session: method, change, minutes.

    A closing check is compared with the check at which the gauge was last zeroed in the
    same session, on the same master.

    Parameters
    ----------
    checks : DataFrame
        From `zero_checks`.
    taken : Sittings
    """
    rows = []
    clock = taken.table["time"]
    for _, session in checks.groupby("session", sort=False):
        start = None
        for check in session.to_dict("records"):
            if check["name"] in ZEROED:
                start = check
            elif check["name"] == CLOSING and start is not None and check["on"] == start["on"]:
                between = (clock >= start["time"]) & (clock <= check["time"])
                methods = taken.table.loc[between.to_numpy(), "method"].unique()
                if len(methods) == 1:
                    minutes = (check["time"] - start["time"]).total_seconds() / 60.0
                    rows.append((methods[0], check["reading"] - start["reading"], minutes))
    return pd.DataFrame(rows, columns=["method", "change", "minutes"])
