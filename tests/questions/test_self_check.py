"""The self-check passes here, and says so loudly where it does not."""

from __future__ import annotations

import dataclasses
import datetime as dt

from snapshot import assert_snapshot

import grr


def test_every_published_value_is_reproduced() -> None:
    found = grr.self_check(dt.date(2026, 11, 25))
    assert found.passed, str(found)
    assert "2026-11-25" in found.headline
    assert len(found.to_frame()) == len(found.comparisons) > 30
    assert max(map(len, str(found).splitlines())) <= 80
    assert found._repr_html_().count("agrees") == len(found.comparisons)


def test_a_difference_is_said() -> None:
    found = grr.self_check(dt.date(2026, 11, 25))
    spoilt = dataclasses.replace(found.comparisons[0], obtained=0.0)
    wrong = dataclasses.replace(found, comparisons=(spoilt, *found.comparisons[1:]))
    assert not wrong.passed
    assert "NOT reproduced" in wrong.headline
    assert "DIFFERS" in str(wrong)


def test_its_words() -> None:
    found = dataclasses.replace(grr.self_check(dt.date(2026, 11, 25)), versions="Python 3.")
    assert_snapshot(str(found), "self_check")
