import csv
import io

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.files.cell_text import from_cell, to_cell

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
