"""Names fit for a label."""

from __future__ import annotations

from hypothesis import given, settings
from hypothesis import strategies as st

from grr.model.names import clean, short_names, shortened


def test_what_steers_text_is_left_out() -> None:
    assert clean("\u202eabc\u2066\x07 d\ne\t f") == "abc d e f"
    assert clean("  ") == "?"
    assert clean("\U0001f468\u200d\U0001f527") == "\U0001f468\u200d\U0001f527"


def test_beginning_and_end_are_kept() -> None:
    assert shortened("abcdefghij", 5) == "ab…ij"
    assert shortened("abc", 5) == "abc"


def test_alike_names_are_numbered() -> None:
    long = ["x" * 300 + end for end in ("a", "b")]
    assert short_names([*long, "pin"], 8) == ["xxxx…xxa", "xxxx…xxb", "pin"]
    assert short_names(["x" * 300, "x" * 301], 8) == ["xx…x #1", "xx…x #2"]


@given(st.lists(st.text(max_size=40), min_size=1, max_size=8, unique=True), st.integers(4, 20))
@settings(deadline=None, max_examples=100)
def test_short_names_stay_apart_and_short(names: list[str], most: int) -> None:
    shown = short_names(names, most)
    assert len(set(shown)) == len(names)
    assert all(len(label) <= most + 3 for label in shown)
    assert all(label and "\n" not in label for label in shown)
