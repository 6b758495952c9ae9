"""What would help: predictions from one study."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

import grr
from grr.formulas.improvement import Change
from published import manual_readings


def made_study(repeat: float, operator: float, interaction: float = 0.0, **how: object):
    """A study whose components are close to what is asked: scaled effects, no chance in them."""
    rng = np.random.default_rng(2)

    def scores(n: int) -> np.ndarray:
        values = rng.normal(0, 1, n)
        return (values - values.mean()) / values.std(ddof=1)

    part, who = scores(10), scores(4)
    rows = []
    for i in range(10):
        for j in range(4):
            pair = interaction * rng.normal()
            for k in range(3):
                reading = part[i] + operator * who[j] + pair + repeat * rng.normal()
                rows.append((str(i), str(j), k + 1, reading))
    readings = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    return grr.Study(readings, tolerance=grr.Tolerance(-3, 3), **how)  # type: ignore[arg-type]


def test_predictions_by_hand(manual_study: grr.Study) -> None:
    result = grr.anova(manual_study)
    found = grr.what_would_help(result)
    ev, av = result.value("EV", "variance"), result.value("AV", "variance")
    table = found.to_frame().set_index("change")
    now = table.loc["as it is now"]
    assert now["percent"] == pytest.approx(result.value("GRR", "percent_tolerance"))
    assert table.loc["mean of 3 readings", "grr_sd"] == pytest.approx(np.sqrt(ev / 3 + av))
    assert table.loc["operators alike", "grr_sd"] == pytest.approx(np.sqrt(ev))
    best = table.iloc[1]
    assert best["grr_sd"] == pytest.approx(np.sqrt(ev / 3))
    assert best.name == "operators alike, mean of 3 readings"
    assert table["percent"].iloc[1:].is_monotonic_increasing
    assert (table["lower"] < table["percent"]).all() and (table["upper"] > table["percent"]).all()


def test_smallest_change_by_averaging_alone() -> None:
    result = grr.anova(made_study(repeat=0.4, operator=0.05))
    found = grr.what_would_help(result)
    change = found.smallest[30.0]
    assert change is not None and change.readings == 2 and change.steps == 1
    predicted = result.value("EV", "variance") / 2 + result.value("AV", "variance")
    assert 100 * np.sqrt(predicted) <= 30.0  # 6 sd of a tolerance of 6


def test_nothing_would_help() -> None:
    found = grr.what_would_help(grr.anova(made_study(repeat=3.0, operator=0.5)))
    assert found.smallest == {30.0: None, 10.0: None}
    assert "to 30 %" in str(found).replace("\n  ", " ")


def test_good_as_it_is() -> None:
    found = grr.what_would_help(grr.anova(made_study(repeat=0.05, operator=0.02)))
    assert found.smallest == {30.0: Change(), 10.0: Change()}


def test_purpose_control_predicts_percent_of_total() -> None:
    result = grr.anova(made_study(repeat=0.4, operator=0.3, purpose="control"))
    found = grr.what_would_help(result)
    assert found.measure == "percent_tv"
    table = found.to_frame().set_index("change")
    assert table.loc["as it is now", "percent"] == pytest.approx(result.value("GRR", "percent_tv"))
    alike = table.loc["operators alike"]
    pv = result.value("PV", "variance")
    assert alike["percent"] == pytest.approx(
        100 * alike["grr_sd"] / np.sqrt(pv + alike["grr_sd"] ** 2)
    )


def test_interaction_is_not_averaged() -> None:
    result = grr.anova(made_study(repeat=0.2, operator=0.05, interaction=0.5))
    assert not result.pooled
    table = grr.what_would_help(result).to_frame().set_index("change")
    # AV came out below zero, so GRR is a little less than EV and INT together.
    left = result.value("GRR", "variance") - 0.8 * result.value("EV", "variance")
    assert table.loc["mean of 5 readings", "grr_sd"] == pytest.approx(np.sqrt(left))
    assert left > 0.9 * result.value("INT", "variance")
    assert "no interaction" in table.index


def test_readings_that_repeat_to_the_last_digit() -> None:
    rng = np.random.default_rng(4)
    part = np.round(rng.uniform(-2, 2, 10), 1)
    rows = [(str(i), str(j), k, part[i]) for i in range(10) for j in range(2) for k in (1, 2)]
    readings = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    study = grr.Study(readings, tolerance=grr.Tolerance(-3, 3), resolution=0.1)
    result = grr.anova(study)
    assert result.floored
    found = grr.what_would_help(result)
    table = found.to_frame().set_index("change")
    assert table.loc["mean of 5 readings", "percent"] == table.loc["as it is now", "percent"]
    assert table.iloc[1].name == "last digit 0.01"
    assert any("last digit" in note for note in found.notes)


def test_gauge_without_spread_or_specification() -> None:
    part = np.arange(5.0)
    rows = [(str(i), str(j), k, part[i]) for i in range(5) for j in range(2) for k in (1, 2)]
    readings = pd.DataFrame(rows, columns=["part", "operator", "trial", "reading"])
    study = grr.Study(readings, tolerance=grr.Tolerance(-3, 30))
    with pytest.raises(grr.StudyError, match="GRR was found"):
        grr.what_would_help(grr.anova(study))
    with pytest.raises(grr.StudyError, match="level"):
        grr.what_would_help(grr.anova(made_study(0.4, 0.1)), level=1.5)
    bare = replace(made_study(0.4, 0.1), tolerance=None, parts_from="chosen")
    with pytest.raises(grr.StudyError, match="to compare"):
        grr.what_would_help(grr.anova(bare))


def test_one_operator_and_one_trial_are_said() -> None:
    study = made_study(0.4, 0.1)
    one = study.readings
    single = replace(study, readings=one[one["operator"] == "0"])
    assert any("One operator" in n for n in grr.what_would_help(grr.anova(single)).notes)
    once = replace(study, readings=one[one["trial"] == 1])
    assert any("one trial" in n for n in grr.what_would_help(grr.anova(once)).notes)


def test_printing(manual_study: grr.Study) -> None:
    found = grr.what_would_help(grr.anova(manual_study))
    assert max(len(line) for line in str(found).splitlines()) <= 80
    assert "<table" in found._repr_html_() and "class=" not in found._repr_html_()


@pytest.mark.parametrize("purpose", ["accept", "control"])
def test_as_it_is_now_is_what_the_intervals_say(purpose: str) -> None:
    study = grr.Study(manual_readings(), tolerance=grr.Tolerance(-4, 4), purpose=purpose)
    result = grr.anova(study)
    found = grr.what_would_help(result)
    now = found.to_frame().iloc[0]
    limits = result.intervals().loc[("GRR", found.measure)]
    assert now["lower"] == pytest.approx(limits["lower"], rel=1e-12)
    assert now["upper"] == pytest.approx(limits["upper"], rel=1e-12)
