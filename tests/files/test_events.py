from grr.files.events import COLUMNS, Event, Events, read_events, verify_events


def test_events_are_kept_in_order_and_sealed(tmp_path):
    path = tmp_path / "events.csv"
    events = Events(path)
    events.append(Event(kind="zero", name="before", value="0.0000"), Event(kind="opened"))
    events.append(Event(kind="withdrawn", name="part", old="P4", value="P11", reason="dropped"))
    table = read_events(path)
    assert tuple(table.columns) == COLUMNS
    assert table["kind"].tolist() == ["zero", "opened", "withdrawn"]
    assert verify_events(path) is None
    path.write_text(path.read_text(encoding="utf-8").replace("dropped", "lost"), encoding="utf-8")
    assert verify_events(path).row == 4


def test_an_event_sent_twice_is_written_once(tmp_path):
    events = Events(tmp_path / "events.csv")
    event = Event(id="k3-2", kind="opened")
    events.append(event)
    assert events.append(event) == []
    assert len(events.rows) == 1
    assert events.last_hash
