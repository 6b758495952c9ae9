"""Text as a cell and back, and numbers as people and gauges write them."""

from __future__ import annotations

import csv
import io
import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.files.text_and_numbers import ParsedNumber, from_cell, parse_number, to_cell
from grr.model.errors import StudyError

UNDERSTOOD = {
    "10.008": (10.008, "", 3),
    "0010.0080": (10.008, "", 4),
    "+10.0080\r\n": (10.008, "", 4),
    "\t10.0080\u00a0mm": (10.008, "mm", 4),
    "-0.0012": (-0.0012, "", 4),
    "- 0.0012": (-0.0012, "", 4),
    "\u22120.0012": (-0.0012, "", 4),
    "-0.0000": (0.0, "", 4),
    "10,0081": (10.0081, "", 4),
    "0,008": (0.008, "", 3),
    ",5": (0.5, "", 1),
    ".5": (0.5, "", 1),
    "10.": (10.0, "", 0),
    "1,234.5": (1234.5, "", 1),
    "1.234,5": (1234.5, "", 1),
    "1'234.5": (1234.5, "", 1),
    "1\u202f234,5": (1234.5, "", 1),
    "1,234,567": (1234567.0, "", 0),
    "1.0008E+01 mm": (10.008, "mm", 3),
    "12 µin": (12.0, "µin", 0),
    "12 μin": (12.0, "µin", 0),
    "12uin": (12.0, "µin", 0),
    "12 microinch": (12.0, "µin", 0),
    "8 um": (8.0, "µm", 0),
    '0.39402"': (0.39402, "in", 5),
    "0.39402''": (0.39402, "in", 5),
    "0.39402″": (0.39402, "in", 5),
    "0.39402 in.": (0.39402, "in", 5),
    "Ø10.008": (10.008, "", 3),
    "'10.008": (10.008, "", 3),
    "１０．００８": (10.008, "", 3),
    "\ufeff10.008\u200b": (10.008, "", 3),
}

REFUSED = [
    *("", "   ", "\r\n", "abc", "10.0O8", "l0.008", "--5", "+-5", "5-", "(5)", "5 %", "5°"),
    *("10,008", "10 008", "1 234 567", "1.2.3", "12.05.2024", "1,234,5", "12,34,567.8", "10..0"),
    *(".", ",", "-", "—", "1/2", "½", "10²", "10:00", "0x10", "1_000", "=A1", "#DIV/0!", "TRUE"),
    *("nan", "inf", "-Infinity", "1e", "1e999", "10.008 10.009", "10.0 mm 3", "10.0 mm/s", "'"),
    *("mm", "10.0 kg", "1\x0000", "\ud800", "1" * 500),
]


@pytest.mark.parametrize("text", UNDERSTOOD)
def test_number_is_understood(text):
    value, unit, decimals = UNDERSTOOD[text]
    assert parse_number(text) == ParsedNumber(value, unit, decimals, text)


@pytest.mark.parametrize("text", REFUSED)
def test_text_is_refused_with_its_value(text):
    with pytest.raises(StudyError) as refusal:
        parse_number(text)
    assert refusal.value.value == text
    assert refusal.value.remedy


def test_decimal_sign_of_the_file_settles_what_the_text_leaves_open():
    assert parse_number("10,008", decimal=",").value == 10.008
    assert parse_number("1,234,567", decimal=".").value == 1234567
    assert parse_number("10.008", decimal=".").value == 10.008
    with pytest.raises(StudyError, match="decimal comma"):
        parse_number("10.008", decimal=",")
    for text in ("10,0081", "10,008"):
        with pytest.raises(StudyError, match="decimal point"):
            parse_number(text, decimal=".")
    with pytest.raises(StudyError, match="decimal"):
        parse_number("10.008", decimal=";")


@settings(deadline=None, max_examples=300)
@given(st.text(max_size=40) | st.text(alphabet="0123456789.,' -+eEminµu\"", max_size=16))
def test_any_text_is_a_finite_number_or_a_study_error(text):
    for decimal in (None, ".", ","):
        try:
            parsed = parse_number(text, decimal)
        except StudyError:
            continue
        assert math.isfinite(parsed.value)


@settings(deadline=None, max_examples=200)
@given(
    st.floats(-1e6, 1e6, allow_nan=False),
    st.integers(0, 6),
    st.sampled_from(["", "mm", "µm", "in", "µin"]),
    st.sampled_from([".", ","]),
)
def test_written_number_is_read_back(value, decimals, unit, sign):
    text = f"{value:.{decimals}f}".replace(".", sign)
    parsed = parse_number(f"{text} {unit}", decimal=sign)
    assert parsed.value == float(text.replace(",", "."))
    assert (parsed.unit, parsed.decimals) == (unit, decimals)


ANY_TEXT = st.text(max_size=40) | st.text("=+-@'\"\\\t\r\n;, 0123.n x", max_size=12)


@settings(deadline=None, max_examples=400)
@given(ANY_TEXT)
def test_every_text_comes_back(text):
    assert from_cell(to_cell(text)) == text


@settings(deadline=None, max_examples=400)
@given(ANY_TEXT)
def test_no_cell_begins_a_formula_or_a_line(text):
    for separator in (",", ";"):
        line = io.StringIO(newline="")
        csv.writer(line).writerow([to_cell(text)])
        for cell in next(csv.reader([line.getvalue()], delimiter=separator)):
            begins = cell.lstrip()[:1]
            number = cell.replace(",", ".", 1)
            assert begins not in tuple("=@＝＋－＠\t\r\n") or begins == ""
            if begins in ("+", "-") and begins:
                float(number)


@pytest.mark.parametrize("number", ["-0.5", "+0.0012", "10.008", "-1e-3", "-0,5", ""])
def test_numbers_stay_numbers(number):
    assert to_cell(number) == number


@pytest.mark.parametrize(
    ("text", "cell"),
    [
        ("=1+1", "'=1+1"),
        ("@cmd", "'@cmd"),
        ("-2+3", "'-2+3"),
        (" =A1", "' =A1"),
        ("'=A1", "''=A1"),
        ("\t=A1", "\\t=A1"),
        ("x;=A1", "x\\x3b=A1"),
        ("burr, at the edge", "burr, at the edge"),
    ],
)
def test_how_text_is_written(text, cell):
    assert to_cell(text) == cell
