"""A small study to collect, for the tests of the entry form."""

from datetime import UTC, datetime, timedelta

import pytest

from grr.entry import sessions
from grr.entry.collecting import Collecting
from grr.entry.job import Job, Place
from grr.entry.taking import take
from grr.model.settings import Settings
from grr.model.tolerance import Tolerance

ANSWERS = {
    "handing_out": "a helper, coded",
    "faces_cleaned": "yes",
    "soak_minutes": "90",
    "room_temperature": "20.5",
    "holding": "stand",
    "zeroed_on": "closed faces",
    "zero_orientation": "yes",
    "zero": "0.0000",
}


class Clock:
    """A clock that stands still until time passes, or until somebody sets it."""

    def __init__(self):
        self.time = datetime(2026, 3, 14, 8, 0, tzinfo=UTC)
        self.seconds = 0.0

    def __call__(self):
        return self.time

    def ticks(self):
        return self.seconds

    def wait(self, seconds):
        self.time += timedelta(seconds=seconds)
        self.seconds += seconds

    def set(self, seconds):
        self.time += timedelta(seconds=seconds)


def places(operators=("Ann", "Ben"), parts=("P1", "P2", "P3"), trials=2, methods=("",)):
    return tuple(
        Place(operator, method, trial, part)
        for operator in operators
        for trial in range(1, trials + 1)
        for method in methods
        for part in parts
    )


def a_job(folder, **changed):
    order = changed.pop("places", places())
    given = {
        "title": "Dowel pin",
        "unit": "mm",
        "tolerance": Tolerance(10.006, 10.012),
        "resolution": 0.0001,
        "facts": {"gauge_number": "M-07"},
    }
    return Job(folder, Settings(**(given | changed)), order)


def a_collection(folder, clock=None, **changed):
    clock = clock or Clock()
    work = Collecting(a_job(folder, **changed), clock, clock.ticks)
    work.ownership.take()
    return work


def begun(folder, operator="Ann", clock=None, **changed):
    work = a_collection(folder, clock, **changed)
    sessions.begin(work, operator)
    method = work.due(work.record).method
    sessions.answer(work, ANSWERS | ({"holding": method} if method else {}))
    return work


@pytest.fixture
def clock():
    return Clock()


@pytest.fixture
def new_work(tmp_path, clock):
    """Makes a collection in the temporary folder; ``folder=`` for another one."""
    return lambda folder=tmp_path, **changed: a_collection(folder, clock, **changed)


@pytest.fixture
def new_session(tmp_path, clock):
    """Makes a collection at which an operator has answered the checklist."""
    return lambda operator="Ann", **changed: begun(tmp_path, operator, clock, **changed)


@pytest.fixture
def session(new_session):
    return new_session()


@pytest.fixture
def answers():
    return dict(ANSWERS)


@pytest.fixture
def measure(clock):
    """Files readings three seconds apart."""

    def file(work, *texts, **how):
        outcomes = []
        for text in texts:
            clock.wait(3)
            outcomes.append(take(work, text, **how))
        return outcomes[-1]

    return file


@pytest.fixture
def places_of_plan():
    return places
