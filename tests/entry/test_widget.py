import pytest

import grr
from grr.entry.widget import CollectForm
from grr.files.folder import new_study_folder
from grr.model.rules import Plan
from grr.model.tolerance import Tolerance


@pytest.fixture
def folder(tmp_path):
    new_study_folder(
        tmp_path / "study",
        unit="mm",
        resolution=0.0001,
        tolerance=Tolerance(10.006, 10.012),
        plan=Plan(("P1", "P2"), ("Ann",), 2),
    )
    return tmp_path / "study"


@pytest.fixture
def new_form(folder, monkeypatch):
    forms, sent = [], []
    monkeypatch.setattr(CollectForm, "send", lambda self, content: sent.append(content))

    def make():
        form = grr.collect(folder)
        forms.append(form)
        return form, sent

    yield make
    for form in forms:
        form.close()


def hear(form, sent, **message):
    sent.clear()
    form._heard(form, message, None)
    return list(sent)


def test_the_form_that_was_not_run_tells_what_to_do(new_form):
    form, _ = new_form()
    assert repr(form) == "The entry form: run this cell to open it, then pick the operator."
    assert repr(form) == form._repr_mimebundle_()[0]["text/plain"]


def test_the_first_page_writes_and_the_second_is_told(new_form, answers):
    form, sent = new_form()
    (reply,) = hear(form, sent, kind="hello", id="1", **{"from": "a"})
    assert (reply["to"], reply["role"]) == ("a", "writer")
    ping, reply = hear(form, sent, kind="hello", id="2", **{"from": "b"})
    assert ping == {"ping": "a", "asker": "b"}
    assert reply["role"] == "reader"
    (refused,) = hear(form, sent, kind="begin", operator="Ann", id="3", **{"from": "b"})
    assert "not taken" in refused["refused"]
    assert hear(form, sent, kind="here", asker="b", id="4", **{"from": "a"}) == [
        {"to": "b", "held": True}
    ]
    told, reply = hear(form, sent, kind="claim", id="5", **{"from": "b"})
    assert told["holder"] == "b"
    assert reply["role"] == "writer"
    assert "taken over" in [event.kind for event in form.work.events.rows]


def test_a_newer_form_closes_the_older_one(new_form):
    old, sent = new_form()
    hear(old, sent, kind="hello", id="1", **{"from": "a"})
    sent.clear()
    new, _ = new_form()
    assert sent[0]["role"] == "retired"
    (reply,) = hear(old, sent, kind="reading", text="1", id="2", **{"from": "a"})
    assert reply["role"] == "retired"
    (reply,) = hear(new, sent, kind="hello", id="3", **{"from": "a"})
    assert reply["role"] == "writer"


def test_lines_of_a_serial_gauge_are_filed_like_typed_ones(new_form, answers):
    form, sent = new_form()
    for kind, fields in (
        ("hello", {}),
        ("begin", {"operator": "Ann"}),
        ("checklist", {"answers": answers}),
    ):
        (reply,) = hear(form, sent, kind=kind, id=kind, **fields, **{"from": "a"})
        assert "refused" not in reply
    sent.clear()
    form._line_arrived("+0010.0071")
    assert sent[0]["arrived"] == "+0010.0071"
    assert sent[0]["outcome"]["kind"] == "recorded"
    assert form.work.journal.rows[0].source == "gauge"
    (reply,) = hear(form, sent, kind="connect", port="no-such-port", id="c", **{"from": "a"})
    assert "opened" in reply["refused"]
