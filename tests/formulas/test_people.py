"""n of N people studied: exact where all are, a sample where there is no end of them."""

from __future__ import annotations

import math
import sys
from pathlib import Path

import numpy as np
import pytest

import grr
from grr.formulas.analysis_of_variance import CrossedAnova, among_people, crossed_anova
from grr.formulas.analysis_of_variance import interaction_kept as kept
from grr.formulas.pivots import crossed_pivots
from grr.formulas.precision import Design, Shares
from grr.formulas.published import gauge_study
from grr.model.errors import StudyError
from grr.model.values import people_who_measure

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))

from people import row

ANOVA: CrossedAnova = crossed_anova(gauge_study())


def test_all_studied_is_what_fixed_operators_are() -> None:
    all_three, fixed = (crossed_pivots(ANOVA, operators=who).grr for who in (3, "fixed"))
    assert np.array_equal(all_three, fixed)


def test_no_end_of_people_is_a_sample() -> None:
    many = crossed_pivots(ANOVA, operators=10**6)
    sample = crossed_pivots(ANOVA, operators="random", seed=1)
    for share in (0.025, 0.05, 0.5, 0.95):
        a, b = (float(np.sqrt(np.quantile(pivots.grr, share))) for pivots in (many, sample))
        assert a == pytest.approx(b, rel=0.02)


def test_the_estimate_is_that_of_a_finite_population() -> None:
    # Sampling without replacement: the expectation of the sample's sum of squares over n − 1
    # is that of the whole over N − 1 (Cochran, Sampling Techniques, theorem 2.4).
    rng = np.random.default_rng(4)
    offsets = np.array([0.3, -1.0, 0.2, 0.9, -0.4])
    truth = float(np.mean(np.square(offsets - offsets.mean())))
    found = []
    for _ in range(4000):
        chosen = rng.permutation(offsets)[:3]
        cube = rng.normal(0, 1, (10, 1, 1)) + chosen[None, :, None] + rng.normal(0, 0.2, (10, 3, 2))
        found.append(float(among_people(kept(crossed_anova(cube)), 5).operator))
    error = np.std(found) / math.sqrt(len(found))
    assert np.mean(found) == pytest.approx(truth, abs=4 * error)


@pytest.mark.parametrize("people", [4, 6])
def test_wrong_decisions_are_no_more_than_promised(people: int) -> None:
    # tests/coverage/people.md has 2000 studies a line; 5 % are meant, 6 % the limit there.
    found = row(Design(10, 3, 3, people), Shares(0.25, 0.7, 0.05), 400, seed=7)
    assert found["wrong USE at 10.1"] <= 8.0
    assert found["wrong DO NOT USE at 29.5"] <= 8.0
    assert 10.0 <= found["USE at 6"] <= 35.0  # simulated elsewhere: 20


def test_a_study_knows_how_many_will_measure(manual_study: grr.Study) -> None:
    table = manual_study.readings
    of_five = grr.Study(table, tolerance=grr.Tolerance(-4, 4), operators=5)
    assert (of_five.people, of_five.all_studied) == (5.0, False)
    sds = [
        grr.anova(grr.Study(table, tolerance=grr.Tolerance(-4, 4), operators=who)).value("AV", "sd")
        for who in ("fixed", 3, 5, "random")
    ]
    assert sds[0] == sds[1] < sds[2] < sds[3]
    assert sds[2] ** 2 == pytest.approx(sds[3] ** 2 * 4 / 5)
    judged = grr.verdict(grr.Study(table, tolerance=grr.Tolerance(-3, 3), operators=5))
    assert any("like these" in note for note in judged.result.notes)
    assert any("2 other people" in step for step in judged.next_steps)


@pytest.mark.parametrize("wrong", [2, 0, -1, True, 3.5, "some"])
def test_fewer_people_than_studied_are_refused(manual_study: grr.Study, wrong: object) -> None:
    with pytest.raises(StudyError):
        grr.Study(manual_study.readings, operators=wrong)  # type: ignore[arg-type]


def test_people_who_measure() -> None:
    assert people_who_measure("random", 3) == math.inf
    assert people_who_measure("fixed", 3) == 3.0
    assert people_who_measure(np.int64(7), 3) == 7.0
