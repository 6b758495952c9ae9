"""The five answers are wrong no more often than promised: a short form of the full simulation."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

import grr
from grr.formulas.conformity import Zone, good_parts_refused, predictive_guard
from grr.formulas.precision import Design, Shares
from grr.questions.acceptance import narrowed
from published import manual_readings

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))

from decisions import row, wrong_if_parts_are_estimated


def test_wrong_answers_and_the_risk_at_a_limit() -> None:
    # tests/coverage/decisions.md has 1000 studies a line; 5 % are meant. Here 200 studies:
    # three standard errors of 5 % are 4.6 points.
    found = row(Design(10, 3, 3), Shares(0.6, 0.3, 0.1), 200, seed=5)
    assert float(found["wrong USE at 10.1"]) <= 9.6
    assert float(found["wrong DO NOT USE at 29.5"]) <= 9.6
    assert 1.5 <= float(found["mean risk at the limit"]) <= 5.0
    assert 1.8 <= float(found["guard/sd, median"]) <= 2.3  # simulated elsewhere: 2.0
    answered = int(str(found["Cp 1, 20 %"]).split("/")[0])
    assert 80 <= answered <= 98  # simulated elsewhere: 91
    wrong = wrong_if_parts_are_estimated(Design(5, 6, 3), Shares(), 29.0, 200)
    assert wrong <= 9.6


def test_a_guard_band_of_a_known_sd_is_the_one_sided_factor() -> None:
    assert predictive_guard(np.full(9, 2.0)) == pytest.approx(2.0 * 1.6448536)
    stacked = predictive_guard(np.array([[1.0, 1.0], [1.0, 3.0]]))
    assert stacked[0] == pytest.approx(1.6448536)
    assert stacked[1] > 1.6448536 * 2.0  # the larger sd weighs more


@pytest.mark.parametrize(
    ("takes", "cp", "price"),
    [(0.2, 1.0, 0.62), (0.3, 0.8, 3.56), (0.45, 1.33, 0.98), (0.08, 0.8, 0.58)],
)
def test_the_price_of_a_known_guard(takes: float, cp: float, price: float) -> None:
    # By Monte Carlo of 2e5 parts: the formula is an integral, this counts.
    rng = np.random.default_rng(7)
    sd, true = takes, rng.normal(0.0, 1.0 / cp, 200_000)
    guard = 1.6448536 * sd
    read = true + rng.normal(0.0, sd, true.size)
    good = np.abs(true) <= 3.0
    counted = 100.0 * float(np.mean(np.abs(read[good]) > 3.0 - guard))
    found = 100.0 * good_parts_refused(
        Zone(-3.0, 3.0), guard, process_mean=0.0, process_sd=1.0 / cp, grr_sd=sd
    )
    assert float(found) == pytest.approx(price, abs=0.006)
    assert float(found) == pytest.approx(counted, abs=0.15)


def study(**options: object) -> grr.Study:
    options.setdefault("tolerance", grr.Tolerance(-4.0, 4.0))
    return grr.Study(manual_readings(), **options)  # type: ignore[arg-type]


def test_a_stated_bias_narrows_the_limits_by_itself() -> None:
    plain, biased = study(), study(facts={"bias_at_most": 0.25})
    without, allowed = (narrowed(grr.anova(one)) for one in (plain, biased))
    assert without is not None and allowed is not None
    assert allowed.guard == pytest.approx(without.guard + 0.25)
    assert allowed.price.upper > without.price.upper
    assert "apart from bias" in grr.verdict(plain).acceptance[0]
    assert "for the bias" in grr.verdict(biased).acceptance[0]


def test_one_pair_of_limits_wherever_they_are_asked_for() -> None:
    for one in (study(), study(facts={"bias_at_most": 0.25}), study(operators="fixed")):
        band, verdict = grr.guard_band(grr.anova(one)), grr.verdict(one)
        assert band.acceptance is not None and verdict.acceptance_limits is not None
        assert band.acceptance.lower == pytest.approx(verdict.acceptance_limits.lower)
        assert band.acceptance.upper == pytest.approx(verdict.acceptance_limits.upper)


def test_one_limit_is_narrowed_too() -> None:
    verdict = grr.verdict(study(tolerance=grr.Tolerance(upper=6.0)))
    limits = verdict.acceptance_limits
    assert limits is not None and limits.lower is None and limits.upper is not None
    assert limits.upper < 6.0
    assert verdict.price.known


def test_the_parts_that_pay_are_named() -> None:
    said = [
        grr.verdict(study(**options)).acceptance[1]
        for options in ({}, {"process_sd": 1.4}, {"parts_from": "chosen"})
    ]
    assert [words in text for words, text in zip(("PV", "stated", "fill"), said, strict=True)] == [
        True
    ] * 3


def test_the_owner_says_how_much_limits_may_cost() -> None:
    decisions = [
        grr.verdict(study(rules=grr.Rules(most_refused_percent=allowed))).decision
        for allowed in (0.01, 2.0)
    ]
    assert decisions == ["NOT DECIDED YET", "USE WITH LIMITS"]


def test_what_the_gauge_is_proven_for_is_where_the_bound_meets_the_rule() -> None:
    proven = grr.verdict(study()).proven_for
    assert proven is not None
    for width, percent in ((proven.good.value, 10.0), (proven.limit.value, 30.0)):
        found = grr.verdict(study(tolerance=grr.Tolerance(-width / 2, width / 2))).criterion
        assert found is not None and found.upper == pytest.approx(percent)
