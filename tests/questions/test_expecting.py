"""What a planned study would show, labelled."""

from __future__ import annotations

import pytest

import grr
from grr.formulas.precision import Design, simulated_precision

QUIET = {"studies": 300, "progress": False}


def test_the_table_repeats_what_was_simulated() -> None:
    found = grr.expected_precision(10, 3, 3, **QUIET)
    same = simulated_precision(Design(10, 3, 3), studies=300)
    table = found.to_frame().set_index("true_percent")
    assert table.loc[8.0, "shown_under_good"] == same.assurance_under(10.0, 8.0)
    assert table.loc[40.0, "shown_over_limit"] == same.assurance_over(30.0, 40.0)
    assert found.good_shown_good == same.assurance_under(10.0, 8.0)
    assert found.bad_shown_bad == same.assurance_over(30.0, 40.0)
    assert table.loc[20.0, "width"] == pytest.approx(20.0 * same.width)
    assert table.loc[20.0, "lower"] < 20.0 < table.loc[20.0, "upper"]


def test_fixed_operators_need_far_fewer_readings() -> None:
    sampled = grr.expected_precision(10, 3, 3, **QUIET)
    fixed = grr.expected_precision(10, 3, 3, operators_are="fixed", **QUIET)
    assert fixed.precision.width < 0.3 * sampled.precision.width
    assert fixed.good_shown_good > 0.6 > 0.2 > sampled.good_shown_good
    assert "operators_are='fixed'" in str(sampled).replace("\n  ", " ")


def test_other_thresholds_and_confidence() -> None:
    rules = grr.Rules(good_percent=15.0, limit_percent=25.0, confidence=0.9)
    easier = grr.expected_precision(10, 6, 2, rules=rules, **QUIET)
    usual = grr.expected_precision(10, 6, 2, **QUIET)
    assert easier.good_shown_good > usual.good_shown_good
    assert "under 15 %" in str(easier)


def test_the_best_design_comes_first() -> None:
    found = grr.compare_designs(60, most_operators=6, studies=100, progress=False)
    table = found.to_frame()
    assert table["decides"].is_monotonic_decreasing
    assert (table["readings"] <= 60).all() and (table["operators"] <= 6).all()
    assert (table["readings"] == table["parts"] * table["operators"] * table["trials"]).all()
    assert table["operators"].iloc[0] > table["operators"].iloc[-1]
    again = grr.compare_designs(60, most_operators=6, studies=100, progress=False)
    assert table.equals(again.to_frame())


def test_a_progress_bar_is_shown_and_goes_away(capsys: pytest.CaptureFixture[str]) -> None:
    grr.expected_precision(5, 2, 2, operators_are="fixed", studies=300)
    shown = capsys.readouterr()
    assert "Simulating" in shown.err and shown.out == ""
    grr.expected_precision(5, 2, 2, operators_are="fixed", **QUIET)
    assert capsys.readouterr().err == ""


def test_printing() -> None:
    one = grr.expected_precision(10, 1, 3, **QUIET)
    several = grr.compare_designs(60, studies=100, progress=False)
    for found in (one, several):
        assert max(len(line) for line in str(found).splitlines()) <= 80
        html = found._repr_html_()
        assert "<table" in html and "class=" not in html and "<style" not in html
    assert "holds for that person only" in str(one).replace("\n", " ")
    assert "further designs" in str(several)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"parts": 1}, "parts"),
        ({"trials": 0}, "trials"),
        ({"operators": 2.5}, "operators"),
        ({"operators_are": "all"}, "operators_are"),
        ({"good_gauge": 12.0}, "good gauge"),
        ({"bad_gauge": 20.0}, "good gauge"),
        ({"good_gauge": "small"}, "good_gauge"),
        ({"shares": (1.0, 2.0)}, "three numbers"),
        ({"shares": (0.0, 1.0, 0.0)}, "shares"),
        ({"level": 1.2}, "level"),
        ({"studies": 3}, "Too few studies"),
    ],
)
def test_what_cannot_be_planned_is_refused(change: dict[str, object], word: str) -> None:
    given: dict[str, object] = {"parts": 10, "operators": 3, "trials": 3, **QUIET, **change}
    with pytest.raises(grr.StudyError, match=word):
        grr.expected_precision(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize("readings", [0, 12, "many"])
def test_too_few_readings_for_any_design(readings: object) -> None:
    with pytest.raises(grr.StudyError):
        grr.compare_designs(readings, progress=False)  # type: ignore[arg-type]


def test_two_people_are_no_sample_of_others() -> None:
    with pytest.raises(grr.StudyError, match="say how many will ever measure"):
        grr.expected_precision(10, 2, 3, operators_are="random", progress=False)
    of_three = grr.expected_precision(10, 2, 3, operators_are=3, progress=False, studies=200)
    assert of_three.good_shown_good < 0.5
