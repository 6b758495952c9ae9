"""What a planned study would show, labelled."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy.special import ndtri

import grr
from grr.formulas.conformity import Zone, good_parts_refused, parts_that_fill
from grr.formulas.precision import Design, Shares, tabulated_precision
from grr.model.choices import Decision
from grr.model.estimate import PERCENT, Estimate
from grr.questions.deciding import Criterion, decide
from grr.questions.planning import (
    TRUE_PERCENTS,
    PricedZone,
    _priced,
    _prices,
    decisions_of,
    usual_design,
)

QUIET = {"studies": 300}
WORDS = [decision.name.lower() for decision in Decision]


def of(found: grr.ExpectedPrecision, who: str | int) -> pd.DataFrame:
    return found.to_frame().query("operators_are == @who").set_index("true_percent")


def test_the_chances_are_those_of_the_simulated_bounds() -> None:
    found = grr.expected_precision(10, 3, 3, **QUIET)
    bounds = tabulated_precision(Design(10, 3, 3), studies=300)
    sampled = of(found, "random")
    assert sampled.loc[6.0, "use"] == bounds.assurance_under(10.0, 6.0)
    assert sampled.loc[45.0, "do_not_use"] == bounds.assurance_over(30.0, 45.0)
    for _, rows in found.to_frame().groupby("operators_are"):
        assert list(rows["true_percent"]) == list(TRUE_PERCENTS)
        assert np.allclose(rows[WORDS].sum(axis=1), 1.0)
    assert found.decides() == pytest.approx(1.0 - sampled["not_decided"].mean())


def test_both_answers_stand_side_by_side() -> None:
    found = grr.expected_precision(10, 3, 3, **QUIET)
    assert list(dict.fromkeys(found.to_frame()["operators_are"])) == ["fixed", "random"]
    assert of(found, "fixed").loc[6.0, "use"] > 0.97 > 0.4 > of(found, "random").loc[6.0, "use"]
    assert found.decides("fixed") > found.decides("random")
    some = grr.expected_precision(operators=6, operators_are=14, **QUIET)
    assert list(dict.fromkeys(some.to_frame()["operators_are"])) == ["fixed", 14]
    alone = grr.expected_precision(operators=1, **QUIET)
    assert alone.to_frame()["use"].eq(0.0).all()  # never USE without a condition


def test_other_designs_that_decide_more_often() -> None:
    found = grr.expected_precision(10, 3, 3, **QUIET)
    same = found.better.set_index("design_for").loc["the same readings"]
    assert (same["parts"], same["operators"], same["trials"]) == (5, 9, 2)
    assert same["readings"] <= 90 and same["use_at_best"] > 0.9
    everyone = grr.expected_precision(operators=4, operators_are=6, **QUIET).better
    assert list(everyone["design_for"]) == ["all who will ever measure"]
    assert list(everyone["operators"]) == [6]


def test_the_usual_design() -> None:
    for given, wanted in (
        ((3, "fixed"), (10, 3, 3)),
        ((6, "random"), (5, 6, 2)),
        ((6, 14), (5, 6, 2)),
        ((6, 6), (10, 6, 3)),
        ((1, "random"), (10, 1, 3)),
    ):
        design = usual_design(*given)
        assert (design.parts, design.operators, design.trials) == wanted
    assert usual_design(6, purpose="control").parts == 10
    assert usual_design(6, purpose="control", process_sd=0.01).parts == 5
    assert usual_design(6, unequal_parts=True).parts == 10


def test_the_purpose_decides_what_grr_is_compared_with() -> None:
    accept, own, known = (
        grr.expected_precision(10, 6, 2, operators_are="fixed", **how, **QUIET)
        for how in ({}, {"purpose": "control"}, {"purpose": "control", "process_sd": 0.01})
    )
    # The parts of the study know the total variation less well than records do.
    assert of(own, "fixed").loc[20.0, "like_this"] < of(known, "fixed").loc[20.0, "like_this"]
    assert of(accept, "fixed").loc[6.0, "use"] == of(known, "fixed").loc[6.0, "use"]


def test_other_thresholds_and_confidence() -> None:
    rules = grr.Rules(good_percent=15.0, limit_percent=25.0, confidence=0.9)
    easier = of(grr.expected_precision(10, 6, 2, rules=rules, **QUIET), "random")
    usual = of(grr.expected_precision(10, 6, 2, **QUIET), "random")
    assert easier.loc[6.0, "use"] > usual.loc[6.0, "use"]


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
    grr.compare_designs(40, studies=100)
    shown = capsys.readouterr()
    assert "Simulating" in shown.err and shown.out == ""
    grr.compare_designs(40, studies=100, progress=False)
    assert capsys.readouterr().err == ""


def test_printing() -> None:
    one = grr.expected_precision(10, 1, 3, **QUIET)
    several = grr.compare_designs(90, studies=100, progress=False)
    for found in (one, several, grr.expected_precision(operators=4, operators_are=6, **QUIET)):
        assert max(len(line) for line in str(found).splitlines()) <= 80
        html = found._repr_html_()
        assert "<table" in html and "class=" not in html and "<style" not in html
    assert "that person" in str(one).replace("\n", " ")
    assert "further designs" in str(several)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"parts": 1}, "parts"),
        ({"trials": 0}, "trials"),
        ({"operators": 2.5}, "operators"),
        ({"operators_are": "all"}, "operators_are"),
        ({"operators": None}, "how many people"),
        ({"operators": 3, "operators_are": 2}, "fewer are said"),
        ({"purpose": "sell"}, "purpose"),
        ({"process_sd": 0.0}, "process_sd"),
        ({"rules": 3}, "rules"),
        ({"shares": (1.0, 2.0)}, "three numbers"),
        ({"shares": (0.0, 1.0, 0.0)}, "shares"),
        ({"studies": 3}, "Too few studies"),
    ],
)
def test_what_cannot_be_planned_is_refused(change: dict[str, object], word: str) -> None:
    given: dict[str, object] = {"parts": 10, "operators": 3, "trials": 3, **QUIET, **change}
    with pytest.raises(grr.StudyError, match=word):
        grr.expected_precision(**given)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "word"),
    [({"good_gauge": 12.0}, "good gauge"), ({"bad_gauge": 20.0}, "good gauge")],
)
def test_gauges_that_are_neither_good_nor_bad(change: dict[str, float], word: str) -> None:
    with pytest.raises(grr.StudyError, match=word):
        grr.compare_designs(60, progress=False, **change)  # type: ignore[arg-type]


@pytest.mark.parametrize("readings", [0, 12, "many"])
def test_too_few_readings_for_any_design(readings: object) -> None:
    with pytest.raises(grr.StudyError):
        grr.compare_designs(readings, progress=False)  # type: ignore[arg-type]


def test_the_price_of_limits_is_that_of_the_process_stated() -> None:
    how = {"tolerance": grr.Tolerance(9.9, 10.1), **QUIET}
    assumed = grr.expected_precision(10, 3, 3, **how)
    tight = grr.expected_precision(10, 3, 3, process_sd=0.2 / 10, **how)
    wide = grr.expected_precision(10, 3, 3, process_sd=0.2 / 5, **how)
    off = grr.expected_precision(10, 3, 3, process_sd=0.2 / 10, process_mean=10.06, **how)
    assert assumed.to_frame().equals(grr.expected_precision(10, 3, 3, **QUIET).to_frame())
    limits = [of(one, "random").loc[20.0, "with_limits"] for one in (tight, assumed, wide)]
    assert limits[0] > limits[1] > limits[2]
    assert of(off, "random").loc[20.0, "with_limits"] < limits[0]
    assert "(sd 10.0" in " ".join(str(tight).split())
    assert "±3 sd fill" in " ".join(str(assumed).split())


@pytest.mark.parametrize("true", [20.0, 45.0, 90.0])
def test_each_study_prices_for_what_its_own_grr_leaves_of_the_process_stated(true: float) -> None:
    ratio = tabulated_precision(Design(5, 6, 2, "random"), Shares(0.25, 0.7, 0.05)).ratio(true)
    zone, rules, whole_sd = Zone(-0.5, 0.5), grr.Rules(), 1.0 / 6.0
    priced = PricedZone(zone, 0.0, whole_sd, "", observed=True)
    left = whole_sd**2 - np.square(ratio.estimate / 600.0)
    sd = np.where(left > 0.0, np.sqrt(np.maximum(left, 1e-300)), parts_that_fill(zone, 0.0)[1])
    factor = float(ndtri(0.95))
    guards = np.stack([factor * ratio.at_least, ratio.guard]) / 600.0
    expected = 100.0 * good_parts_refused(
        zone, guards, process_mean=0.0, process_sd=np.stack([sd, sd]), grr_sd=guards / factor
    )
    found = _prices(ratio, rules, priced)
    near = expected < 5.0  # the limit is 2 %
    assert np.abs(found - expected)[near].max(initial=0.0) < 0.03
    assert ((found <= 2.0) == (expected <= 2.0)).mean() > 0.998


def test_the_price_beside_one_limit() -> None:
    how = {"tolerance": grr.Tolerance(upper=0.02), "process_mean": 0.008, **QUIET}
    filling = grr.expected_precision(10, 3, 3, process_sd=0.004, **how)
    tight = grr.expected_precision(10, 3, 3, process_sd=0.002, **how)
    assert "6.0 sd inside" in " ".join(str(tight).split())
    # Of parts that reach to one limit half as many lie near it as of those that reach to two.
    usual = of(grr.expected_precision(10, 3, 3, **QUIET), "random").loc[20.0, "with_limits"]
    limits = [of(one, "random").loc[20.0, "with_limits"] for one in (filling, tight)]
    assert usual <= limits[0] < limits[1]


def test_a_verdict_of_each_simulated_study_counts_the_same() -> None:
    """`decide` is asked once for many studies; asked for each one it counts the same."""
    found = tabulated_precision(Design(10, 3, 3), studies=300).ratio(30.0)
    rules = grr.Rules()
    priced = _priced(None, None, None)
    low, high = _prices(found, rules, priced)
    one_by_one: Counter[Decision] = Counter()
    for i in range(300):
        criterion = Criterion(
            "", found.estimate[i], 10.0, 30.0, found.at_least[i], found.at_most[i], 0.5, 0.5
        )
        price = Estimate(low[i], low[i], high[i], PERCENT)
        how = {"most_refused": 2.0, "purpose": "accept", "one_operator": False, "must_mend": False}
        one_by_one[decide(criterion, price, **how)] += 1
    assert decisions_of(found, rules, priced, one_operator=False) == one_by_one
    assert len(one_by_one) >= 3


@pytest.mark.parametrize(
    "former", [{"good_gauge": 8.0}, {"bad_gauge": 40.0}, {"level": 0.95}, {"progress": False}]
)
def test_parameters_of_the_first_version_are_taken_with_a_warning(former: dict[str, Any]) -> None:
    with pytest.warns(DeprecationWarning, match=f"does not use {next(iter(former))}"):
        found = grr.expected_precision(10, 3, 3, **former, **QUIET)
    assert found.to_frame().equals(grr.expected_precision(10, 3, 3, **QUIET).to_frame())


def test_two_people_are_no_sample_of_others() -> None:
    with pytest.raises(grr.StudyError, match="how many"):
        grr.expected_precision(10, 2, 3, operators_are="random")
    of_three = of(grr.expected_precision(10, 2, 3, operators_are=3, **QUIET), 3)
    assert of_three.loc[6.0, "use"] < 0.5
