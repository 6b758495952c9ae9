"""The sittings of a study: from picking the gauge up to putting it down, and its zero."""

from __future__ import annotations

from dataclasses import KW_ONLY, dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from grr.formulas.arrays import Array, Mask
from grr.formulas.between_sessions import SessionMeans, session_means
from grr.formulas.further_sources import SourceSquares, source_squares
from grr.model.errors import StudyError
from grr.model.frames import frame
from grr.model.study import Study

#: A pause longer than this ends a sitting: a gauge put down has cooled.
PAUSE_MINUTES = 30.0
#: Where operators take turns more often than this on average, they share one sitting.
SHORTEST_RUN = 5.0
#: Names of the checks at which the gauge was set to zero, and of the closing one.
ZEROED, CLOSING = ("before", "again"), "after"


@dataclass(frozen=True, eq=False)
class Sittings:
    """The readings in the order taken, each with its place in a sitting.

    Attributes
    ----------
    table : DataFrame
        part, operator, method ("" where none is named), trial, reading, time (missing
        where it is not known), sitting (numbered from 0), and since: how long the sitting
        had lasted.
    unit : {"min", "reading"}
        Of ``since``: minutes, or places in the order taken where there are no times.
    """

    table: pd.DataFrame = frame()
    _: KW_ONLY
    unit: Literal["min", "reading"]


def sittings(study: Study, zeroed: pd.Series[pd.Timestamp] | None = None) -> Sittings:
    """Return the readings by sitting.

    A new sitting begins where the method changes, where another operator takes over
    (unless they take turns all the time), after a pause of half an hour, and where the
    gauge was zeroed. Its time counts from the zeroing, or else from its first reading.

    Parameters
    ----------
    study : Study
        With the column ``time``, or at least ``order``.
    zeroed : Series of timestamps, optional
        When the gauge was zeroed.

    Raises
    ------
    StudyError
        Neither time nor order of the readings is known.
    """
    table = study.readings
    table = table[table["reading"].notna()]
    by_time = timed(study)
    if not by_time and not ("order" in table and table["order"].notna().all()):
        raise StudyError(
            "The readings carry neither times nor an order, so drift cannot be seen",
            "Record the time of each reading (grr.collect does), or add a column order that "
            "numbers the readings 1, 2, 3 as they were taken",
        )
    table = table.sort_values("time" if by_time else "order", kind="stable", ignore_index=True)
    table["method"] = table.get("method", "")
    clock = _minutes(table["time"]) if by_time else table["order"].to_numpy(dtype=np.float64)
    start = _changes(table["method"]) | _takes_over(table)
    start[0] = True
    since_zero = np.full(len(table), np.nan)
    if by_time:
        start |= np.diff(clock, prepend=clock[0]) > PAUSE_MINUTES
        if zeroed is not None and len(zeroed):
            at = np.sort((zeroed - table["time"].iloc[0]).dt.total_seconds().to_numpy() / 60.0)
            last = np.searchsorted(at, clock, side="right") - 1
            start |= np.diff(last, prepend=last[0]) > 0
            since_zero = np.where(last >= 0, clock - at[np.maximum(last, 0)], np.nan)
    sitting = np.cumsum(start) - 1
    first = clock[start][sitting]
    zero_of_sitting = since_zero[start][sitting]
    usable = zero_of_sitting <= PAUSE_MINUTES
    since = np.where(usable, since_zero, clock - first + (0.0 if by_time else 1.0))
    if not by_time:
        table["time"] = pd.Series(pd.NaT, table.index, dtype="datetime64[ns, UTC]")
    columns = ["part", "operator", "method", "trial", "reading", "time"]
    return Sittings(
        table[columns].assign(sitting=sitting, since=since), unit="min" if by_time else "reading"
    )


def timed(study: Study) -> bool:
    """Whether the time of every reading is known."""
    table = study.readings
    return "time" in table and bool(table.loc[table["reading"].notna(), "time"].notna().all())


#: Readings of one person further apart than this were taken on different days: nobody measures
#: that long at a stretch, and a night shift does not end at midnight.
_ONE_DAY = pd.Timedelta(hours=12)


def measured_on_one_day(study: Study) -> bool:
    """Whether nobody measured on two days, so that the day cannot be told from the person.

    Where the times of the readings are not known, whether everyone had one session; False where
    that is not known either.
    """
    if not timed(study):
        table = study.readings.dropna(subset="reading")
        if "session" not in table or (table["session"] == "").any():
            return False
        return bool((table.groupby("operator")["session"].nunique() == 1).all())
    taken = study.readings.dropna(subset="reading").groupby("operator")["time"]
    return bool((taken.max() - taken.min() < _ONE_DAY).all())


@dataclass(frozen=True)
class OwnSessions:
    """The readings of a study in which each person measured in several sessions.

    Attributes
    ----------
    readings : ndarray, shape (readings,)
    part, operator, session : ndarray of int, shape (readings,)
        Codes from 0; a session is one person's own.
    means : SessionMeans
        Their sums of squares.
    """

    readings: Array
    part: NDArray[np.int64]
    operator: NDArray[np.int64]
    session: NDArray[np.int64]
    means: SessionMeans

    @property
    def count(self) -> int:
        """How many sessions there were, of all operators together."""
        return int(self.session.max()) + 1


def own_sessions(study: Study) -> OwnSessions | None:
    """Return the readings by session where sessions are a source of variation, else None.

    They are one in a crossed study where the column ``session`` names the session of every
    reading and every operator has two or more, in each of which enough parts were measured.
    Two people with the same name of a session have two sessions: each sets the zero anew.
    """
    return study.once(("own_sessions",), lambda: _own_sessions(study))


def _own_sessions(study: Study) -> OwnSessions | None:
    table = study.readings
    if "session" not in table or study.design == "nested" or len(study.methods) > 1:
        return None
    table = table[table["reading"].notna()]
    if (table["session"] == "").any():
        return None
    each = table.groupby("operator")["session"].nunique()
    if (each < 2).any():
        return None
    codes = [
        pd.factorize(table[column])[0].astype(np.int64)
        for column in ("part", "operator", "session")
    ]
    of_person = codes[1] * (codes[2].max() + 1) + codes[2]
    session = np.unique(of_person, return_inverse=True)[1].astype(np.int64)
    readings = table["reading"].to_numpy(dtype=np.float64)
    try:
        means = session_means(readings, codes[0], codes[1], session)
    except StudyError:
        return None
    return OwnSessions(readings, codes[0], codes[1], session, means)


@dataclass(frozen=True)
class FurtherSources:
    """The readings of a study in which places on the parts or several gauges are a source.

    Attributes
    ----------
    readings : ndarray, shape (readings,)
    labels : dict
        Source → code of each reading: part, place (of a part), operator, gauge, session (of a
        person) and interaction, as far as they are there and can be told apart.
    squares : SourceSquares or None
        Their mean squares; None where neither places nor gauges can be told from the rest.
    untold : tuple of str
        What cannot be told from what, and what to do.
    """

    readings: Array
    labels: dict[str, NDArray[np.int64]]
    squares: SourceSquares | None
    untold: tuple[str, ...]


def further_sources(study: Study) -> FurtherSources | None:
    """Return the readings by source where places or gauges are named, else None.

    A part measured at one place only, and one gauge for all, are no further sources.
    """
    return study.once(("further_sources",), lambda: _further_sources(study))


#: Readings times labels of all sources: more would not fit into the memory of a small computer.
LARGEST_TABLE = 3e7

_ONE_EACH = {
    ("place", "error"): (
        "Every place was measured once only, so EV holds within-part variation too. Measure each "
        "place at least twice."
    ),
    ("place", "interaction"): (
        "Each operator measured at places of their own, so within-part variation is confounded "
        "with the interaction, and INT and EV hold it too. Let every operator measure the same "
        "places, under the same names."
    ),
    ("place", "session"): (
        "Each place was measured in sessions of its own, so places are confounded with sessions, "
        "and SES holds both. Measure every place in every session."
    ),
    ("gauge", "operator"): (
        "Each operator used a gauge of their own, so gauges are confounded with operators, and AV "
        "holds both. Let every operator measure with every gauge."
    ),
    ("gauge", "part"): (
        "Each part was measured with one gauge only, so gauges are confounded with parts, and PV "
        "holds both. Measure every part with every gauge."
    ),
    ("gauge", "place"): (
        "Each gauge was used at places of its own, so gauges are confounded with places, and WPV "
        "holds both. Use every gauge at every place."
    ),
    ("gauge", "session"): (
        "Each gauge was used in sessions of its own, so gauges are confounded with sessions, and "
        "SES holds both. Use every gauge in every session."
    ),
    ("gauge", "interaction"): (
        "Which gauge was used is settled by operator and part, so gauges are confounded with the "
        "interaction, and INT holds both. Let every operator measure every part with every gauge."
    ),
}


NESTED = (
    "Of a nested study neither places nor gauges are told apart, so EV, PV and AV hold what they "
    "differ by."
)


def _further_sources(study: Study) -> FurtherSources | None:
    table = study.readings
    if len(study.methods) > 1 or not {"place", "gauge"} & {*table}:
        return None
    table = table[table["reading"].notna()]
    if study.design == "nested":
        held = [name for name in ("place", "gauge") if name in _labels_of(table, None)]
        return FurtherSources(np.array([]), {}, None, (NESTED,)) if held else None
    labels = _labels_of(table, own_sessions(study))
    if not {"place", "gauge"} & set(labels):
        return None
    if len(table) * sum(int(codes.max()) + 1 for codes in labels.values()) > LARGEST_TABLE:
        raise StudyError(
            "The study is too large to tell places or gauges from the other sources",
            "Analyse fewer parts, or leave the columns place and gauge out",
            value=f"{len(table)} readings",
        )
    untold = []
    readings = table["reading"].to_numpy(dtype=np.float64)
    for name in ("gauge", "place"):
        if name in labels and (inside := _told_by(labels, name)):
            untold.append(_ONE_EACH[name, inside])
            del labels[name]
    squares = None
    if {"place", "gauge"} & set(labels):
        try:
            squares = source_squares(readings, labels)
        except StudyError:
            if labels.pop("interaction", None) is None:  # else every cell holds one reading
                raise
            squares = source_squares(readings, labels)
        labels = {name: codes for name, codes in labels.items() if squares.df[name]}
    return FurtherSources(readings, labels, squares, tuple(untold))


def _labels_of(table: pd.DataFrame, sessions: OwnSessions | None) -> dict[str, NDArray[np.int64]]:
    """Return the code of each reading, source by source, in the order of splitting."""
    labels = {"part": _coded(table["part"])}
    several = table["operator"].nunique() > 1
    if several:
        labels["operator"] = _coded(table["operator"])
    if "gauge" in table and table["gauge"].nunique() > 1:
        labels["gauge"] = _coded(table["gauge"])
    if sessions is not None:
        labels["session"] = sessions.session
    if "place" in table:
        place = _coded(table["part"] + "\n" + table["place"])
        if int(place.max()) > int(labels["part"].max()):
            labels["place"] = place
    if several:
        labels["interaction"] = _coded(table["part"] + "\n" + table["operator"])
    return labels


def _coded(column: pd.Series[str]) -> NDArray[np.int64]:
    return pd.factorize(column)[0].astype(np.int64)


def _told_by(labels: dict[str, NDArray[np.int64]], name: str) -> str:
    """Return the source that says all of what this one says; "" where it has more to say."""
    if name == "place" and "operator" in labels:
        pairs = np.unique(np.column_stack([labels["place"], labels["operator"]]), axis=0)
        if len(pairs) == int(labels["place"].max()) + 1:
            return "interaction"
    own = np.eye(int(labels[name].max()) + 1)[labels[name]]
    basis = np.ones((len(own), 1))
    others = [other for other in labels if other != name]
    for other in sorted(others, key=lambda other: other in ("place", "interaction")):
        codes = labels[other]
        basis = np.hstack([basis, np.eye(int(codes.max()) + 1)[codes]])
        rank = int(np.linalg.matrix_rank(basis))
        if np.linalg.matrix_rank(np.hstack([basis, own])) == rank:
            return other if (name, other) in _ONE_EACH else "interaction"
    return "error" if name == "place" and int(np.bincount(labels[name]).max()) == 1 else ""


def within_sessions(study: Study) -> Study:
    """Return the study less what each further source adds to its readings, where there is one.

    What a session, a gauge or a place on a part adds is a source of its own, no scatter of
    repeats.
    """
    return study.once(("within_sessions",), lambda: _within_sessions(study))


def _within_sessions(study: Study) -> Study:
    further = further_sources(study)
    if further is not None and further.squares is not None:
        return _within_further(study, further)
    if own_sessions(study) is None:
        return study
    table = study.readings
    reading = table["reading"]
    cells = reading - reading.groupby([table["part"], table["operator"]]).transform("mean")
    added = cells.groupby([table["operator"], table["session"]]).transform("mean")
    return replace(study, readings=table.assign(reading=reading - added), resolution=None)


def _within_further(study: Study, further: FurtherSources) -> Study:
    """Return the study less its further sources, its repeats as spread as their error is."""
    labels = further.labels
    cells = _coded(pd.Series([f"{i} {j}" for i, j in _cell_codes(labels)]))
    inside = [np.eye(int(cells.max()) + 1)[cells]]
    added = [
        np.eye(int(labels[name].max()) + 1)[labels[name]]
        for name in ("gauge", "session", "place")
        if name in labels
    ]
    y = further.readings
    design = np.hstack([*inside, *added])
    left = y - design @ np.linalg.lstsq(design, y - y.mean(), rcond=None)[0] - y.mean()
    means = np.bincount(cells, y)[cells] / np.bincount(cells)[cells]
    df = len(y) - int(np.linalg.matrix_rank(design))
    if df > 0:
        left = left * np.sqrt((len(y) - int(cells.max()) - 1) / df)
    reading = study.readings["reading"].copy()
    reading[reading.notna()] = means + left
    return replace(study, readings=study.readings.assign(reading=reading), resolution=None)


def _cell_codes(labels: dict[str, NDArray[np.int64]]) -> NDArray[np.int64]:
    operator = labels.get("operator", np.zeros_like(labels["part"]))
    return np.column_stack([labels["part"], operator])


def seconds_between(found: Sittings) -> dict[str, Array]:
    """Return method → seconds from one reading to the next of the same sitting, to 1 ms.

    Empty where only the order is known.
    """
    if found.unit != "min":
        return {}
    table = found.table
    gaps = (table.groupby("sitting")["since"].diff() * 60.0).round(3).dropna()
    return {
        str(method): of.to_numpy(dtype=np.float64)
        for method, of in gaps.groupby(table["method"].loc[gaps.index], sort=False)
    }


def _minutes(times: pd.Series[pd.Timestamp]) -> Array:
    seconds = (times - times.iloc[0]).dt.total_seconds()
    return np.asarray(seconds, dtype=np.float64) / 60.0


def _changes(column: pd.Series[str]) -> Mask:
    return np.asarray(column != column.shift(), dtype=np.bool_)


def _takes_over(table: pd.DataFrame) -> Mask:
    changes = _changes(table["operator"])
    if len(table) / max(1, int(changes.sum())) < SHORTEST_RUN:
        return np.zeros(len(table), dtype=np.bool_)
    return changes


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
