import json
import threading

import pytest

from grr.entry.messages import MessageHandler
from grr.entry.view import readings_list, view


@pytest.fixture
def handler(new_work):
    return MessageHandler(new_work())


@pytest.fixture
def send(handler, clock):
    count = iter(range(1000))

    def message(kind, **fields):
        clock.wait(3)
        return handler.answer({"kind": kind, "id": f"p-{next(count)}", **fields})

    return message


@pytest.fixture
def measuring(send, answers):
    send("begin", operator="Ann")
    return send("checklist", answers=answers)["view"]


def test_the_view_is_plain_data(handler, measuring):
    assert json.loads(json.dumps(measuring)) == measuring
    assert measuring["stage"] == "measure"
    assert measuring["place"]["part"] == "P1"
    assert [place[3] for place in measuring["ahead"][:2]] == ["P2", "P3"]
    assert (measuring["done"], measuring["total"], measuring["all_total"]) == (0, 6, 12)


def test_a_reading_is_filed_and_the_next_place_is_shown(send, measuring):
    reply = send("reading", text="10.0071", place=measuring["place"]["key"], source="gauge")
    assert reply["outcome"]["kind"] == "recorded"
    assert reply["view"]["place"]["part"] == "P2"


def test_a_message_is_carried_out_once(handler, send, measuring):
    send("reading", text="10.0071")
    undo = {"kind": "undo", "id": "p-u"}
    handler.answer(undo)
    send("reading", text="10.0072")
    handler.answer(undo)
    assert [row.reading for row in handler.work.record.standing] == ["10.0072"]


def test_a_refusal_says_why_and_can_be_sent_again(handler, send, measuring):
    bad = send("reading", text="abc")
    assert "not a number" in bad["refused"]
    assert not bad["again"]
    assert bad["view"]["done"] == 0


@pytest.mark.parametrize(
    "message",
    [
        {"kind": "dance"},
        {"kind": "reading", "id": "x"},
        {"kind": "reading", "id": "x", "text": "10.0071", "place": [1]},
        {"kind": "void", "id": "x"},
        {"kind": "one part out", "id": "x", "reading": "r", "step": "far"},
        {"kind": None},
        {},
    ],
)
def test_nonsense_is_refused(handler, measuring, message):
    assert "unexpected" in handler.answer(message)["refused"]


def test_the_list_hides_values_until_the_study_is_complete_or_opened(handler, send, measuring):
    send("reading", text="10.0071")
    listed = send("list")["list"]
    assert not listed["seen"]
    assert listed["rows"][0]["value"] == ""
    assert "10.0071" not in json.dumps(view(handler.work))
    send("open")
    assert send("list")["list"]["rows"][0]["value"] == "10.0071"


def test_a_question_and_a_reading_taken_again_are_shown(handler, send, measuring):
    for _ in range(3):
        send("reading", text="10.0072", age=0)
    asked = send("reading", text="10.0072")["view"]
    assert "the three" in asked["question"]["words"][0]
    assert not asked["question"]["waits"]
    again = send("reading", text="10.0071")["view"]
    assert again["question"] is None
    assert again["compared"]["id"] == asked["question"]["id"]
    assert [row["state"] for row in readings_list(handler.work)["rows"]][:2] == [
        "measured again",
        "counts",
    ]
    assert send("cause", reading=asked["question"]["id"], cause="dirt")["view"]["compared"] is None


def test_every_kind_of_message_works(send, measuring, handler):
    first = send("reading", text="10.0071")["outcome"]["rows"][0]
    send("set right", reading=first, text="10.0072", reason="misread")
    (row,) = handler.work.record.standing
    send("note", reading=row.id, text="burr")
    (row,) = handler.work.record.standing
    assert (row.reading, row.note) == ("10.0072", "burr")
    send("one part out", reading=row.id, step=1)
    assert send("look")["view"]["place"]["part"] == "P1"
    (row,) = handler.work.record.standing
    send("void", reading=row.id, reason="wrong")
    asked = send("reading", text="10.5000")["outcome"]["rows"][0]
    send("keep", reading=asked)
    send("withdraw", what="part", name="P3", reason="dropped", replacement="P4")
    send("add", what="operator", name="Dana")
    shown = send("end", zero="0.0001")["view"]
    assert shown["stage"] == "operator"
    assert [one["name"] for one in shown["operators"]] == ["Ann", "Ben", "Dana"]
    assert shown["parts"] == ["P1", "P2", "P4"]


def test_readings_from_many_threads_all_count(handler, measuring, monkeypatch):
    monkeypatch.setattr("grr.formulas.data_checks.FASTEST_SECONDS", 0.0)
    texts = [f"10.00{number}0" for number in range(61, 67)]
    threads = [
        threading.Thread(
            target=handler.answer, args=({"kind": "reading", "id": f"t-{text}", "text": text},)
        )
        for text in texts
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert sorted(row.reading for row in handler.work.record.standing) == texts


def test_a_journal_that_vanished_is_said_in_words(handler, send, measuring):
    send("reading", text="10.0071")
    handler.work.journal.path.unlink()
    assert "is gone" in send("reading", text="10.0082")["refused"]


def test_the_answer_says_which_numbers_are_on_the_disk(handler, send, measuring):
    filed = send("reading", text="10.0071")
    assert filed["saved"] == [filed["id"]]
    refused = send("reading", text="abc")
    assert refused["saved"] == []
    assert send("look")["saved"] == []
    assert send("note", reading=filed["outcome"]["rows"][0], text="burr")["saved"] == []


def test_what_was_refused_is_tried_again_under_its_id(handler, measuring):
    wrong = {"kind": "add", "id": "p-a", "what": "part", "name": "P1"}
    assert "refused" in handler.answer(wrong)
    assert "refused" not in handler.answer({**wrong, "name": "P9"})
    assert "P9" in handler.answer({"kind": "look"})["view"]["parts"]


def test_messages_without_an_id_are_each_carried_out(handler, measuring):
    for name in ("P8", "P9"):
        handler.answer({"kind": "add", "what": "part", "name": name})
    assert handler.answer({"kind": "look"})["view"]["parts"][-2:] == ["P8", "P9"]


def test_a_reading_moves_one_part_back_where_the_step_is_negative(handler, send, measuring):
    for text in ("10.0071", "10.0082"):
        send("reading", text=text)
    send("one part out", reading=handler.work.record.standing[1].id, step=-1)
    standing = {row.part: row.reading for row in handler.work.record.standing}
    assert standing == {"P1": "10.0082"}
