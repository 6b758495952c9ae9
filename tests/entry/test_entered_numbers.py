import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.entry.entered_numbers import numbers_in, one_number
from grr.model.errors import StudyError


@pytest.mark.parametrize(
    ("text", "numbers"),
    [
        ("+0010.0080\r", ["10.0080"]),
        ("-0,0005\t", ["-0.0005"]),
        ("  + 10.008 mm\r\n", ["10.008"]),
        ("10.0081\t10.0079\n10.0080 mm\n", ["10.0081", "10.0079", "10.0080"]),
        ("100 101 102", ["100", "101", "102"]),
        ("10,0081; 10,0079", ["10.0081", "10.0079"]),
        ("10.0081,10.0079", ["10.0081", "10.0079"]),
        ("10008.1 µm", ["10.0081"]),
        ("1.00081cm", ["10.0081"]),
        ("10,008", ["10.008"]),
        ("−0.5", ["-0.5"]),
    ],
)
def test_what_gauges_and_spreadsheets_send(text, numbers):
    assert [number.text for number in numbers_in(text, "mm")] == numbers


@pytest.mark.parametrize("text", ["0.3940 in", "ten", "", " ", "10 kg", "1e999", "nan", "inf", "+"])
def test_what_is_refused(text):
    with pytest.raises(StudyError):
        numbers_in(text, "mm")


def test_one_number_means_one():
    with pytest.raises(StudyError, match="one number"):
        one_number("1 2", "mm")


def test_a_thousand_random_strings_are_numbers_or_refused_with_a_reason():
    """A fixed thousand: keys of a gauge, a keyboard and a spreadsheet, and any character."""
    choose = random.Random(2026)
    alphabets = [
        "0123456789.,+- \t\r\nmin",
        "0123456789eE.,;'\"µm−\u00a0",
        "".join(map(chr, range(32, 127))),
    ]
    read = 0
    for count in range(1000):
        length = choose.randrange(1, 14)
        if count % 4 == 3:
            text = "".join(chr(choose.randrange(1, 0xD7FF)) for _ in range(length))
        else:
            text = "".join(choose.choice(alphabets[count % 4]) for _ in range(length))
        try:
            numbers = numbers_in(text, "mm")
        except StudyError as error:
            assert error.problem
            assert error.remedy
        else:
            read += 1
            assert all(float(number.text) == pytest.approx(number.value) for number in numbers)
    assert 100 < read < 900


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=80), st.sampled_from(["mm", "in", "µm", ""]))
def test_any_text_is_numbers_or_refused(text, unit):
    try:
        numbers_in(text, unit)
    except StudyError as error:
        assert error.remedy


@settings(deadline=None, max_examples=200)
@given(st.decimals(-999, 999, places=4), st.sampled_from(["", "+", "000"]), st.sampled_from(".,"))
def test_a_number_keeps_its_value_and_its_decimals(value, start, sign):
    text = f"{value:.4f}"
    sent = text if text.startswith("-") else start + text
    (number,) = numbers_in(sent.replace(".", sign), "mm")
    assert number.value == float(value)
    assert number.decimals == 4
