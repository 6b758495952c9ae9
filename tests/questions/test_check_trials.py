"""A zero that moves between trials is found, named, and told alike everywhere."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

import grr


def study(move, *, seed=1, by_rounds=True, trials=3, missing=0.0, order=True, operators=3):
    """10 parts in µm, repeats of 0.5; ``move(operator, trial, place in the session)``."""
    rng = np.random.default_rng(seed)
    sizes = 10_000.0 + rng.normal(0, 20, 10)
    rounds = [(j, t) for j in range(operators) for t in range(trials)]
    if by_rounds:
        rounds.sort(key=lambda one: one[1])
    rows, place = [], 0
    for number, (j, t) in enumerate(rounds):
        place = place if number and rounds[number - 1][0] == j else 0
        for i in rng.permutation(10):
            place += 1
            value = sizes[i] + rng.normal(0, 0.5) + move("ABC"[j], t + 1, place)
            rows.append((f"P{i}", "ABC"[j], t + 1, round(value, 1), len(rows) + 1))
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading", "order"])
    table.loc[rng.random(len(table)) < missing, "reading"] = np.nan
    table = table if order else table.drop(columns="order")
    return grr.Study(table, unit="µm", resolution=0.1, tolerance=grr.Tolerance(9_900.0, 10_100.0))


def after_the_first(operator, trial, place):
    return 4.0 if trial > 1 else 0.0


def only_b(operator, trial, place):
    return -3.0 if operator == "B" and trial == 2 else 0.0


def climbing(operator, trial, place):
    return 0.1 * place


def found(source):
    return grr.check(source).about("trials differ")


def sections(source):
    """What each part of a report says about changes while measuring."""
    operators = grr.compare_operators(source)
    return (
        grr.drift(source).headline,
        operators.headline,
        grr.show.in_order(source).layout.meta["answer"],
    )


def test_why_drift_is_not_known_stands_beside_a_change():
    (finding,) = found(study(after_the_first, order=False))
    assert "not known" in finding.what
    (finding,) = found(study(after_the_first))
    assert "not known" not in finding.what


@pytest.mark.parametrize("by_rounds", [True, False])
def test_a_shift_of_everyone_is_told_alike_everywhere(by_rounds):
    source = study(after_the_first, by_rounds=by_rounds)
    (finding,) = found(source)
    assert (finding.severity, finding.place) == ("mend", "every operator")
    size = "3.9" if by_rounds else "4.0"
    words = f"rials 2 and 3 read {size}\u00a0µm higher than trial 1"
    assert words in finding.what and "interaction F" in finding.what
    drift, operators, in_order = sections(source)
    assert words in drift and words in in_order
    assert drift.startswith("No drift")
    assert operators.startswith("A, B and C shift")
    compared = grr.compare_operators(source)
    # without a part that nobody repeats well the size is another one
    told = "rials 2 and 3 read" if compared.numbers.left_out else words
    assert all(told in conclusion.sentence for conclusion in compared.conclusions)
    verdict = grr.verdict(grr.anova(source))
    assert verdict.decision == "NOT DECIDED YET"
    # the place is told once
    assert not any("bumped" in sentence for sentence in grr.drift(source).sentences)


def test_one_operator_and_a_trial_in_the_middle_are_named():
    (finding,) = found(study(only_b))
    assert finding.place == "operator B"
    assert "2.9\u00a0µm lower than trials 1 and 3" in finding.what


def test_a_steady_drift_is_no_shift():
    source = study(climbing, by_rounds=False)
    findings = found(source)
    assert {finding.severity for finding in findings} == {"look"}
    assert all("drift" in finding.what for finding in findings)
    drift, operators, in_order = sections(source)
    assert "rises by 3." in drift
    assert "drift alike" in operators
    assert drift.removeprefix("What the gauge reads").rstrip(".") in in_order


@pytest.mark.parametrize(
    "more", [{"missing": 0.1}, {"trials": 2}, {"order": False}, {"operators": 1}]
)
def test_it_works_with_gaps_two_trials_no_order_and_one_operator(more):
    (finding,) = found(study(after_the_first, **more))
    assert "higher" in finding.what


def test_a_bump_within_a_trial_is_named_by_its_place():
    source = study(lambda o, t, place: 3.0 if o == "B" and place > 14 else 0.0, by_rounds=False)
    (finding,) = found(source)
    assert finding.severity == "mend" and "B, after 14 readings" in finding.what
    drift, operators, in_order = sections(source)
    assert "of B jump" in drift
    assert "of B jump" in in_order
    assert "B shifts" in operators


def test_a_small_shift_is_advice_for_the_bench():
    source = study(lambda o, t, place: 0.8 if t == 3 else 0.0, seed=2)
    (finding,) = found(source)
    assert finding.severity == "look"
    narrow = grr.Study(source.readings, unit="µm", tolerance=grr.Tolerance(9_999.0, 10_001.0))
    steps = grr.verdict(grr.anova(narrow)).next_steps
    assert any("rial 3 reads" in step for step in steps)
    assert not any("Clean faces" in step for step in steps)


def test_clean_studies_say_the_same_everywhere_and_seldom_find_anything():
    alarms = 0
    for seed in range(8):
        source = study(lambda *_: 0.0, seed=100 + seed, by_rounds=bool(seed % 2))
        topics = [f.topic for f in grr.check(source)]
        alarms += "trials differ" in topics or "repeats scatter alone" in topics
        drift, operators, in_order = sections(source)
        drifts = not drift.startswith("No drift")
        assert drifts == ("drift" in operators.replace("drifts or shifts", ""))
        assert drifts == in_order.startswith("Yes: what")
    assert alarms <= 1


def test_readings_that_do_not_scatter_apart_are_questioned():
    source = study(lambda *_: 0.0)
    table = source.readings
    # the operators wrote the same readings down
    first = table[table["operator"] == "A"].set_index(["part", "trial"])["reading"]
    table["reading"] = [first[key] for key in zip(table["part"], table["trial"], strict=True)]
    copied = grr.Study(table, unit="µm", resolution=0.1)
    assert grr.check(copied).about("repeats scatter alone")
