from datetime import date

import pytest

from grr.model.errors import StudyError
from grr.model.facts import FACTS, checked_facts


def test_each_question_is_asked_once_and_explains_itself():
    keys = [fact.key for fact in FACTS]
    assert len(set(keys)) == len(keys)
    for fact in FACTS:
        assert fact.question and fact.help.endswith(".")
        assert (fact.kind == "choice") == bool(fact.choices)


def test_answers_are_kept_and_empty_ones_left_out():
    answers = {"lot": "7", "soak_minutes": 60, "customer": "", "place_marked": False, "mine": [1]}
    assert checked_facts(answers) == {
        "lot": "7",
        "soak_minutes": 60,
        "place_marked": False,
        "mine": [1],
    }
    assert checked_facts({"calibration_due": "2027-03-31"})["calibration_due"] == date(2027, 3, 31)


@pytest.mark.parametrize(
    ("key", "answer"),
    [
        ("lot", 7),
        ("soak_minutes", "an hour"),
        ("soak_minutes", True),
        ("room_temperature", float("nan")),
        ("ratchet_turns", 2.5),
        ("ratchet_turns", -1),
        ("calibration_due", "next spring"),
        ("place_marked", "yes"),
        ("holding", "somehow"),
        ("holding", ["stand"]),
    ],
)
def test_answer_that_does_not_fit_is_refused_by_name(key, answer):
    with pytest.raises(StudyError) as refusal:
        checked_facts({key: answer})
    assert refusal.value.column == key
    assert refusal.value.remedy
