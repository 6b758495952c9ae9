"""A record that nobody changed contradicts itself nowhere, whatever a gauge or a person sends."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grr.entry.entered_numbers import numbers_in
from grr.files.chained_file import Line
from grr.files.contradictions import contradictions
from grr.files.events import Event
from grr.files.journal import WRITTEN, JournalRow
from grr.model.errors import StudyError
from grr.model.record import IMPORTED

NOWHERE = Path("nowhere")


def lines(*rows: JournalRow) -> list[Line]:
    return [
        Line(number, tuple(getattr(row, name) for name in WRITTEN), "", True)
        for number, row in enumerate(rows, start=2)
    ]


def found(*rows: JournalRow, unit: str = "mm", events: tuple[Event, ...] = ()) -> list[str]:
    return [one.what for one in contradictions(NOWHERE, lines(*rows), events, unit)]


numbers = st.decimals(-9999, 9999, places=4).map(str) | st.decimals(0, 99, places=2).map(str)
WAYS = ["{}", "+{}", " {} ", "{} mm", "{}mm", "{} µm", "{} um", "{}\r\n", "Ø{}", "{};", "+ {}"]
WAYS += ["＋{}", "{} in", '{}"', "{} uin", "{}e0", "0{}", "{}\t"]
ways = st.sampled_from(WAYS)


@settings(deadline=None, max_examples=500)
@given(st.lists(st.tuples(numbers, ways, st.booleans()), min_size=1, max_size=3), st.data())
def test_what_was_sent_is_what_was_filed(
    sent: list[tuple[str, str, bool]], data: st.DataObject
) -> None:
    unit = data.draw(st.sampled_from(["mm", "µm", "in", "µin", ""]))
    text = "\n".join(
        way.format(number.replace(".", ",") if comma else number) for number, way, comma in sent
    )
    try:
        filed = numbers_in(text, unit)
    except StudyError:
        return
    rows = [
        JournalRow(order=str(number), reading=one.text, raw=one.raw, source="gauge")
        for number, one in enumerate(filed, start=1)
    ]
    assert found(*rows, unit=unit) == []


@settings(deadline=None)
@given(numbers, st.integers(1, 9))
def test_another_last_digit_is_a_contradiction(number: str, digit: int) -> None:
    (filed,) = numbers_in(number, "mm")
    decimals = len(filed.text.partition(".")[2])
    other = f"{filed.value + digit * 10.0**-decimals:.{decimals}f}"
    row = JournalRow(order="1", reading=other, raw=filed.raw, source="typed")
    (what,) = found(row)
    assert other in what


@pytest.mark.parametrize(
    ("reading", "raw", "same"),
    [
        ("10.0076", "sheet: 2.csv: 10.0076", True),
        ("10.0076", "sheet.csv: 10.007600000000001", True),
        ("10.0076", "sheet.csv: 10.0077", False),
        ("10.0076", "sheet.csv", False),
        ("1e-05", "sheet.csv: 1e-05", True),
    ],
)
def test_an_imported_number(reading: str, raw: str, same: bool) -> None:
    row = JournalRow(order="1", reading=reading, raw=raw, source=IMPORTED)
    assert (found(row) == []) == same


@pytest.mark.parametrize(
    ("orders", "whole"),
    [
        (["1", "2", "", "3"], True),
        (["1", "2", "2v", "3"], True),
        (["1", "2", "1v", "3"], True),
        (["2"], False),
        (["1", "3"], False),
        (["1", "2", "2"], False),
        (["1", "2", "1"], False),
    ],
)
def test_the_order_taken(orders: list[str], whole: bool) -> None:
    rows = [
        JournalRow(order=order.removesuffix("v"), voids="x" if order.endswith("v") else "")
        for order in orders
    ]
    assert (found(*rows) == []) == whole
