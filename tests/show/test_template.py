"""Numbers and labels as figures carry them."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as given_settings
from hypothesis import strategies as st

from grr.show import template
from grr.show.axes import centred_axis, graduations, round_step, tick_text, value_axis


def test_rounded_gives_plain_floats_with_nine_digits() -> None:
    shown = template.rounded(np.array([1 / 3, 10.0061234567891, np.nan, -0.0, 2]))
    assert shown == [0.333333333, 10.0061235, None, 0.0, 2.0]
    assert all(value is None or type(value) is float for value in shown)
    assert math.copysign(1.0, shown[3] or 0.0) == 1.0


def test_rounded_leaves_out_the_noise_of_arithmetic() -> None:
    assert template.rounded([1.0, 1e-17, -3e-16]) == [1.0, 0.0, 0.0]
    assert template.rounded([1e-17, 2e-17]) == [1e-17, 2e-17]
    assert template.rounded([]) == []
    assert template.rounded(5) == [5.0]


@given(st.lists(st.floats(-1e12, 1e12), max_size=20))
@given_settings(deadline=None, max_examples=60)
def test_rounding_twice_changes_nothing(values: list[float]) -> None:
    once = template.rounded(values)
    assert template.rounded([v for v in once if v is not None]) == once


def test_labels_are_escaped_and_keep_their_lines() -> None:
    note = template.note("a < b & $c$\n%{d}", 1, 2, bold=True, xanchor="left")
    assert note["text"] == "<b>a &lt; b &amp; &#36;c&#36;<br>%&#123;d&#125;</b>"
    assert note["xanchor"] == "left"
    assert note["showarrow"] is False


def test_answer_is_wrapped() -> None:
    shown = template.wrapped("word " * 60)
    assert all(len(line) <= template.LINE_LENGTH for line in shown.split("<br>"))
    assert shown.replace("<br>", " ") == ("word " * 60).strip()


def test_head_grows_with_the_answer() -> None:
    short = template.draw("a", "Is it?", "Yes.", traces=[], height=200)
    long = template.draw("a", "Is it?", "Yes, because. " * 20, traces=[], height=200)
    assert long.layout.margin.t > short.layout.margin.t
    for figure in (short, long):
        assert figure.layout.height == 200 + figure.layout.margin.t


@pytest.mark.parametrize(
    ("number", "step"), [(0.9, 1.0), (1.0, 1.0), (1.1, 2.0), (2.1, 5.0), (5.1, 10.0), (3e-7, 5e-7)]
)
def test_steps_are_round(number: float, step: float) -> None:
    assert round_step(number) == pytest.approx(step, rel=1e-12)


def test_graduations_hold_both_ends() -> None:
    assert graduations(0.0, 0.6, 0.2) == pytest.approx([0.0, 0.2, 0.4, 0.6])
    assert graduations(-0.3, 0.3, 0.1)[3] == 0.0


def test_numbers_at_ticks() -> None:
    assert tick_text(-0.5, 0.5) == "−0.5"
    assert tick_text(20.0, 10.0) == "20"
    assert tick_text(-1e-17, 0.1) == "0"
    assert tick_text(2e8, 5e7) == "2e+08"


@given(st.floats(1e-12, 1e12))
@given_settings(deadline=None, max_examples=60)
def test_axes_have_a_few_different_numbers(high: float) -> None:
    for axis in (value_axis(high, ""), centred_axis(high, "")):
        assert 3 <= len(axis["ticktext"]) <= 16  # type: ignore[arg-type]
    assert len(set(value_axis(high, "")["ticktext"])) > 2  # type: ignore[call-overload]
