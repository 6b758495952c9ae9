"""The sittings of a study: from picking the gauge up to putting it down, and its zero."""

from __future__ import annotations

from collections.abc import Hashable, Iterable
from dataclasses import KW_ONLY, dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from grr.formulas.arrays import Array, Mask
from grr.formulas.further_sources import Codes, SourceSquares, source_squares
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
        part, place and gauge, operator, method ("" where none is named), trial, reading, time
        (missing where it is not known), row (its label in ``study.readings``), sitting
        (numbered from 0), and since: how long the sitting had lasted.
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
    table = table.sort_values("time" if by_time else "order", kind="stable")
    method = table["method"].tolist() if "method" in table else [""] * len(table)
    if by_time:
        at = table["time"].to_numpy(dtype="datetime64[ns]")
        clock = np.asarray((at - at[0]) / np.timedelta64(1, "s") / 60.0)
    else:
        clock = table["order"].to_numpy(dtype=np.float64)
    start, takes_over = _changes(method), _changes(table["operator"].tolist())
    if len(table) >= SHORTEST_RUN * takes_over.sum():
        start |= takes_over
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
    never = pd.array([pd.NaT] * len(table), dtype="datetime64[ns, UTC]")
    columns = {
        name: table[name].array if name in table else ""
        for name in ("part", "place", "gauge", "operator", "method", "trial", "reading")
    }
    columns |= {
        "time": table["time"].array if by_time else never,
        "row": table.index,
        "sitting": sitting,
        "since": since,
    }
    return Sittings(pd.DataFrame(columns), unit="min" if by_time else "reading")


def since_zeroed(study: Study) -> Sittings:
    """Return the readings by sitting, counted from the zero checks recorded with the study."""

    def counted() -> Sittings:
        checks = zero_checks(study)
        return sittings(study, checks.loc[checks["name"].isin(ZEROED), "time"])

    return study.once("since zeroed", counted, of_readings=True)


def timed(study: Study) -> bool:
    """Whether the time of every reading is known."""
    table = study.readings
    if "time" not in table:
        return False
    return bool((table["time"].notna() | table["reading"].isna()).all())


#: Readings of one person further apart than this were taken on different days: nobody measures
#: that long at a stretch, and a night shift does not end at midnight.
_ONE_DAY = np.timedelta64(12, "h")


def measured_on_one_day(study: Study) -> bool:
    """Whether nobody measured on two days, so that the day cannot be told from the person.

    Where the times of the readings are not known, whether everyone had one session; False where
    that is not known either.
    """
    if not timed(study):
        return _one_session_each(study.readings.dropna(subset="reading"))
    table = study.readings.dropna(subset="reading")
    at, who = table["time"].to_numpy(dtype="datetime64[ns]"), coded(table["operator"].tolist())
    return all(np.ptp(at[who == n]) < _ONE_DAY for n in range(int(who.max()) + 1))


@dataclass(frozen=True)
class FurtherSources:
    """The readings of a study with further sources: sessions, places on the parts or gauges.

    Attributes
    ----------
    readings : ndarray, shape (readings,)
    labels : dict
        Source → code of each reading: part, place (of a part), operator, gauge, session and
        interaction, as far as they are there and can be told apart.
    squares : SourceSquares or None
        Their mean squares; None where no further source can be told from the rest.
    untold : tuple of str
        What cannot be told from what, and what to do.
    """

    readings: Array
    labels: dict[str, Codes]
    squares: SourceSquares | None
    untold: tuple[str, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """The further sources themselves: session, place, gauge."""
        return tuple(name for name in FURTHER if name in self.labels)

    @property
    def only_sessions(self) -> bool:
        """Whether sessions are the one further source."""
        return self.names == ("session",)

    @property
    def people_in_sessions(self) -> Array:
        """Which operator (row) measured in which session (column)."""
        session = self.labels["session"]
        operator = self.labels.get("operator", np.zeros_like(session))
        found = np.zeros((int(operator.max()) + 1, int(session.max()) + 1))
        found[operator, session] = 1.0
        return found

    @property
    def shared_sessions(self) -> Literal["none", "some", "all"]:
        """Which of the sessions several operators shared: "all" if everyone was in each."""
        people = self.people_in_sessions
        if len(people) > 1 and people.all():
            return "all"
        return "none" if (people.sum(axis=0) == 1).all() else "some"

    @property
    def balanced_sessions(self) -> bool:
        """Whether they are, and every part was as often in every session of as many each."""
        if not self.only_sessions or self.shared_sessions == "some":
            return False
        people = self.people_in_sessions
        part, session = self.labels["part"], self.labels["session"]
        operator = self.labels.get("operator", np.zeros_like(part))
        pair = np.unique(np.column_stack([operator, session]), axis=0, return_inverse=True)[1]
        pairs, parts = int(people.sum()), int(part.max()) + 1
        cells = np.bincount(part * pairs + pair.ravel(), minlength=parts * pairs)
        return len(set(cells)) == 1 and len(set(people.sum(axis=1))) == 1


#: Sources beside parts, operators and what they do together.
FURTHER = ("session", "place", "gauge")


def further_sources(study: Study) -> FurtherSources | None:
    """Return the readings by source where a further one is named, else None.

    A part measured at one place only, and one gauge for all, are no further sources. Sessions
    are one where the column ``session`` names the session of every reading and every operator
    has two or more, or shares theirs, and enough parts were measured in each. Sessions of the
    same name are one: a day and a zero setting that several people share.
    """
    return study.once("further_sources", lambda: _further_sources(study))


def has_sessions(study: Study) -> bool:
    """Whether sessions are a source of variation of the study."""
    further = further_sources(study)
    return further is not None and "session" in further.names


def has_own_sessions(study: Study) -> bool:
    """Whether they are, and not everyone measured in each: they part the operators too."""
    further = further_sources(study)
    return further is not None and has_sessions(study) and further.shared_sessions != "all"


#: Readings times labels of all sources: more would not fit into the memory of a small computer.
LARGEST_TABLE = 3e7

#: What settles at which place or with which gauge was measured: source that then holds both, and
#: what to do.
_SETTLED_BY = {
    "interaction": ("the interaction, and INT", "Let every operator measure every part"),
    "session": ("sessions, and SES", "Measure in every session"),
    "operator": ("operators, and AV", "Let every operator measure"),
    "part": ("parts, and PV", "Measure every part"),
    "place": ("places, and WPV", "Measure every place"),
}


_EVERY = {"gauge": "with every gauge", "place": "at the same places, under the same names"}
PLACES_ONCE = (
    "Every place was measured once only, so EV holds within-part variation too. Measure each place "
    "at least twice."
)


ONE_SESSION_EACH = (
    "Each operator measured in one session, so sessions (day and zero setting) are confounded with "
    "operators, and AV holds both; two sessions each would tell them apart."
)
NESTED = (
    "Of a nested study neither places nor gauges are told apart, so EV, PV and AV hold what they "
    "differ by."
)


def _further_sources(study: Study) -> FurtherSources | None:
    table = study.readings
    if len(study.methods) > 1 or not {*FURTHER} & {*table}:
        return None
    table = table[table["reading"].notna()]
    labels = _labels_of(table)
    several = "session" in table and table["session"].nunique() > 1
    untold = [ONE_SESSION_EACH] if several and _one_session_each(table) else []
    if study.design == "nested" and {"place", "gauge"} & {*labels}:
        untold.append(NESTED)
    if study.design == "nested" or not {*FURTHER} & {*labels}:
        return FurtherSources(np.array([]), {}, None, tuple(untold)) if untold else None
    if len(table) * sum(int(codes.max()) + 1 for codes in labels.values()) > LARGEST_TABLE:
        raise StudyError(
            "The study is too large to tell sessions, places or gauges from the other sources",
            "Analyse fewer parts, or leave the columns session, place and gauge out",
            value=f"{len(table)} readings",
        )
    readings = table["reading"].to_numpy(dtype=np.float64)
    for name in ("gauge", "place"):
        if name in labels and (inside := _told_by(labels, name)):
            source, todo = _SETTLED_BY.get(inside, ("", ""))
            text = f"{name.capitalize()}s are confounded with {source} holds both. {todo} "
            untold.append(PLACES_ONCE if inside == "error" else f"{text}{_EVERY[name]}.")
            del labels[name]
    squares = None
    if {*FURTHER} & {*labels}:
        try:
            squares = source_squares(readings, labels)
        except StudyError:
            if labels.pop("interaction", None) is None:  # else every cell holds one reading
                raise
            squares = source_squares(readings, labels)
        labels = {name: codes for name, codes in labels.items() if squares.df[name]}
    return FurtherSources(readings, labels, squares, tuple(untold))


def _labels_of(table: pd.DataFrame) -> dict[str, Codes]:
    """Return the code of each reading, source by source, in the order of splitting."""
    labels = {"part": coded(table["part"].tolist())}
    for name in ("operator", "gauge"):
        if name in table and table[name].nunique() > 1:
            labels[name] = coded(table[name].tolist())
    session = _sessions(table)
    if session is not None:
        labels["session"] = session
    if "place" in table:
        place = coded(zip(table["part"], table["place"], strict=True))
        if int(place.max()) > int(labels["part"].max()):
            labels["place"] = place
    if "operator" in labels:
        labels["interaction"] = coded(zip(table["part"], table["operator"], strict=True))
    return labels


def _one_session_each(table: pd.DataFrame) -> bool:
    """Whether the session of every reading is known, and settled by its operator."""
    if "session" not in table or (table["session"] == "").any():
        return False
    pairs = set(zip(table["operator"], table["session"], strict=True))
    return len(pairs) == table["operator"].nunique()


def _sessions(table: pd.DataFrame) -> Codes | None:
    """Return the code of each reading's session; None where sessions are no source."""
    if "session" not in table or (table["session"] == "").any():
        return None
    part, operator, session = (
        coded(table[name].tolist()) for name in ("part", "operator", "session")
    )
    parts, operators, sessions = (int(codes.max()) + 1 for codes in (part, operator, session))
    people = np.zeros((operators, sessions))
    people[operator, session] = 1.0
    if sessions < 2 or ((people.sum(axis=1) < 2).any() and not _connected(people)):
        return None
    cells = np.unique(np.column_stack([part, operator, session]), axis=0)
    pair, of_session = cells[:, 0] * operators + cells[:, 1], np.eye(sessions)[cells[:, 2]]
    pairs = pd.factorize(pair)[0]
    means = np.zeros((int(pairs.max()) + 1, sessions))
    np.add.at(means, pairs, of_session)
    beside = of_session - (means / means.sum(axis=1, keepdims=True))[pairs]
    repeated = len(cells) - len(means) - int(np.linalg.matrix_rank(beside.T @ beside)) > 0
    crossed = operators < 2 or len(means) > parts + operators - 1
    joined = np.zeros((parts, sessions))
    joined[cells[:, 0], cells[:, 2]] = 1.0
    return session if repeated and crossed and _connected(joined) else None


def _connected(joined: Array) -> bool:
    """Whether no group of rows has columns of its own, in a table of zeros and ones."""
    reached = np.zeros(len(joined), dtype=np.bool_)
    following = reached.copy()
    following[0] = True
    while (following != reached).any():
        reached = following
        following = reached | (joined @ (reached @ joined) > 0.0)
    return bool(reached.all())


def coded(labels: Iterable[Hashable]) -> Codes:
    """Return the number of each label, in the order in which they first stand there."""
    codes: dict[Hashable, int] = {}
    return np.array([codes.setdefault(label, len(codes)) for label in labels], dtype=np.int64)


def _told_by(labels: dict[str, Codes], name: str) -> str:
    """Return the source that says all of what this one says; "" where it has more to say."""
    if name == "place" and "operator" in labels:
        pairs = np.unique(np.column_stack([labels["place"], labels["operator"]]), axis=0)
        if len(pairs) == int(labels["place"].max()) + 1:
            return "interaction"
    own = np.eye(int(labels[name].max()) + 1)[labels[name]]
    basis = np.ones((len(own), 1))
    others = [other for other in labels if other != name]
    told = ("session",) if name == "place" else tuple(_SETTLED_BY)
    for other in sorted(others, key=lambda other: other in ("place", "interaction")):
        codes = labels[other]
        basis = np.hstack([basis, np.eye(int(codes.max()) + 1)[codes]])
        rank = int(np.linalg.matrix_rank(basis))
        if np.linalg.matrix_rank(np.hstack([basis, own])) == rank:
            return other if other in told else "interaction"
    return "error" if name == "place" and int(np.bincount(labels[name]).max()) == 1 else ""


def within_sessions(study: Study) -> Study:
    """Return the study less what each further source adds to its readings, where there is one.

    What a session, a gauge or a place on a part adds is a source of its own, no scatter of
    repeats.
    """
    return study.once("within_sessions", lambda: _within_sessions(study))


def _within_sessions(study: Study) -> Study:
    """Its repeats are then as spread as their error is."""
    further = further_sources(study)
    if further is None or further.squares is None:
        return study
    table = study.readings.dropna(subset="reading")
    y = table["reading"].to_numpy(dtype=np.float64)
    added = [np.eye(further.squares.levels[name])[further.labels[name]] for name in further.names]
    cells = pd.DataFrame(np.column_stack([y, *added])).groupby(
        [table[name].to_numpy() for name in ("part", "operator")]
    )
    means = cells.transform("mean").to_numpy()
    beside = np.column_stack(added) - means[:, 1:]
    left = y - means[:, 0]
    left = left - beside @ np.linalg.lstsq(beside, left, rcond=None)[0]
    counted = len(y) - cells.ngroups
    df = counted - int(np.linalg.matrix_rank(beside))
    if df > 0:
        left = left * np.sqrt(counted / df)
    reading = study.readings["reading"].copy()
    reading[reading.notna()] = means[:, 0] + left
    return replace(study, readings=study.readings.assign(reading=reading), resolution=None)


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


def _changes(labels: list[str]) -> Mask:
    before = [None, *labels[:-1]]
    return np.array([label != last for label, last in zip(labels, before, strict=True)])


def zero_checks(study: Study) -> pd.DataFrame:
    """Return the zero checks recorded with a study: time, session, name, on, reading.

    Empty where the study was not read from a folder, or nothing was recorded.

    Raises
    ------
    StudyError
        A zero is no number, or its time no time.
    """
    return study.once("zero checks", lambda: _zero_checks(study), of_readings=True).copy()


def _zero_checks(study: Study) -> pd.DataFrame:
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
