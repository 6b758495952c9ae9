import sys

import pytest
from faulty_disk import FaultyDisk

from grr.files.chained_file import first_altered
from grr.files.events import COLUMNS, WRITTEN, Event, Events, read_events


def test_events_are_kept_in_order_and_sealed(tmp_path):
    path = tmp_path / "events.csv"
    events = Events(path)
    events.append(Event(kind="zero", name="before", value="0.0000"), Event(kind="opened"))
    events.append(Event(kind="withdrawn", name="part", old="P4", value="P11", reason="dropped"))
    table = read_events(path)
    assert tuple(table.columns) == COLUMNS
    assert table["kind"].tolist() == ["zero", "opened", "withdrawn"]
    assert first_altered(path, WRITTEN) is None
    path.write_text(path.read_text(encoding="utf-8").replace("dropped", "lost"), encoding="utf-8")
    assert first_altered(path, WRITTEN).row == 4


def test_an_event_sent_twice_is_written_once(tmp_path):
    events = Events(tmp_path / "events.csv")
    event = Event(id="k3-2", kind="opened")
    events.append(event)
    assert events.append(event) == []
    assert len(events.rows) == 1
    assert events.last_seal


def test_an_event_keeps_its_time_and_gets_one_where_it_has_none(tmp_path):
    events = Events(tmp_path / "events.csv")
    kept, given = events.append(Event(kind="clock", time="2026-01-02T03:04:05.678Z"), Event())
    assert kept.time == "2026-01-02T03:04:05.678Z"
    assert given.time > "2026"
    assert events.rows == [kept, given]


def test_what_another_program_wrote_is_seen(tmp_path):
    here, there = (Events(tmp_path / "events.csv") for _ in range(2))
    there.append(Event(kind="opened"))
    assert [event.kind for event in here.rows] == ["opened"]


def test_events_are_taken_back_with_what_they_belong_to(tmp_path):
    events = Events(tmp_path / "events.csv")
    events.append(Event(kind="opened"))
    before = events.rows
    events.append(Event(kind="study"), Event(kind="study"))
    events.take_back()
    assert events.rows == before
    events.append(Event(kind="zero"))
    assert first_altered(tmp_path / "events.csv", WRITTEN) is None


@pytest.mark.skipif(sys.platform == "win32", reason="the faulty disk needs POSIX")
def test_an_event_sent_again_is_on_the_disk_before_that_is_said(tmp_path):
    path, event = tmp_path / "events.csv", Event(id="k3-2", kind="opened")
    Events(path).append(event)
    content = path.read_bytes()
    path.unlink()
    watched = FaultyDisk(tmp_path)
    path.write_bytes(content)  # a program that was stopped before the disk had it
    with watched.at_work():
        assert Events(path).append(event) == []
    assert list(watched.states_after_power_cut()) == [{"events.csv": content}]
    watched.let_go()
