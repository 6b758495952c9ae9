"""Studies in which each person measured in several sessions."""

import sys
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import grr
from grr.page.filled_in import filled_in
from grr.questions.second_opinion import second_opinion
from grr.questions.sittings import ONE_SESSION_EACH, further_sources

sys.path.insert(0, str(Path(__file__).parents[1] / "coverage"))
from sessions import readings

ROWS = ["EV", "AV", "INT", "SES", "GRR", "PV", "TV"]


def table_of(design=(10, 3, 4, 2), seed=1, shares=(0.3, 0.15, 0.05, 0.5)):
    values, part, operator, session = readings(design, shares, 1, np.random.default_rng(seed))
    return pd.DataFrame(
        {
            "part": [f"{number + 1}" for number in part],
            "operator": [("Ada", "Bo", "Cy", "Di")[number] for number in operator],
            "trial": np.tile(np.arange(1, design[2] + 1), design[0] * design[1]),
            "session": [f"s{number}" for number in session],
            "reading": np.round(25.0 + 0.002 * values[0], 4),
        }
    )


def study(table=None, **settings):
    settings = {"tolerance": grr.Tolerance(24.96, 25.04), "unit": "mm", **settings}
    return grr.Study(table_of() if table is None else table, resolution=0.0001, **settings)


@pytest.mark.parametrize("design", [(10, 3, 4, 2), (10, 3, 3, 2), (8, 4, 6, 3)])
@pytest.mark.parametrize("operators", ["random", "fixed", 6])
def test_grr_is_the_sum_of_the_sources_shown(design, operators):
    result = grr.anova(study(table_of(design), operators=operators))
    assert list(result.sources.index) == ROWS
    parts = result.sources.loc[["EV", "AV", "INT", "SES"], "variance"].sum()
    assert result.value("GRR", "variance") == pytest.approx(parts)
    assert (result.anova_table is None) == (design == (10, 3, 3, 2))


def test_without_sessions_the_sources_are_as_ever():
    table = table_of()
    for changed in (
        table.drop(columns="session"),
        table.assign(session=table["operator"]),
        table.assign(session=[*table["session"][:-1], ""]),
        table.assign(session=np.where(table["operator"] == "Ada", "one", table["session"])),
        table.assign(session=table["reading"].astype(str) + table.index.astype(str)),
        # Sessions without a part in common.
        table.assign(session=np.where(table["part"].astype(int) <= 5, "one", "two")),
    ):
        result = grr.anova(study(changed))
        assert list(result.sources.index) == ["EV", "AV", "INT", "GRR", "PV", "TV"]
        expected = grr.anova(study(table.drop(columns="session"))).sources
        pd.testing.assert_frame_equal(result.sources, expected)


def shared_table(design=(10, 3, 4, 2), sd=(1.0, 0.7, 0.4, 0.8), seed=3, own=0.0):
    """Return readings in mm of days that everyone shares; sds of EV, AV, INT, SES in 2 µm."""
    p, o, r, m = design
    rng = np.random.default_rng(seed)
    part, operator, trial = (index.ravel() for index in np.indices((p, o, r)))
    day = trial * m // r
    value = 4.0 * rng.standard_normal(p)[part] + sd[1] * rng.standard_normal(o)[operator]
    value = value + sd[2] * rng.standard_normal((p, o))[part, operator]
    value = value + sd[3] * rng.standard_normal(m)[day] + sd[0] * rng.standard_normal(len(part))
    value = value + own * rng.standard_normal((o, m))[operator, day]
    return pd.DataFrame(
        {
            "part": [f"{number + 1}" for number in part],
            "operator": [("Ada", "Bo", "Cy", "Di")[number] for number in operator],
            "trial": trial + 1,
            "session": [f"day {number + 1}" for number in day],
            "reading": np.round(25.0 + 0.002 * value, 4),
        }
    )


@pytest.mark.parametrize("people", ["random", "fixed"])
def test_a_session_that_people_share_is_one_and_crossed_with_them(people):
    table = shared_table((10, 3, 6, 3))
    result = grr.anova(study(table, operators=people), interaction="keep")
    assert further_sources(result.study).shared_sessions == "all"
    squares = result.anova_table["mean_sq"]
    assert result.anova_table["df"]["session"] == 2
    expected = {
        "EV": squares["error"],
        "INT": (squares["interaction"] - squares["error"]) / 6,
        "AV": (squares["operator"] - squares["interaction"])
        / 60
        * (2 / 3 if people == "fixed" else 1),
        "SES": (squares["session"] - squares["error"]) / 60,
    }
    for name, value in expected.items():
        assert result.value(name, "variance") == pytest.approx(max(value, 0.0)), name
    assert second_opinion(result).same
    lines = filled_in(result)
    for name in ("EV", "AV", "SES", "GRR"):
        assert f"{1000.0 * result.value(name, 'sd'):.6g}" in lines[name][-1]  # in µm
    own = table.assign(session=table["operator"] + table["session"])
    assert grr.anova(study(own)).anova_table["df"]["session"] == 6


def test_operators_who_share_their_sessions_are_compared_without_them():
    table = shared_table((10, 3, 4, 2), sd=(1.0, 0.0, 0.0, 4.0))
    moved = table["reading"] + 0.004 * (table["operator"] == "Bo")
    found = study(table.assign(reading=moved.round(4)))
    kinds = {(cause.kind, cause.operator) for cause in grr.assess(found).causes}
    assert ("operator_offset", "Bo") in kinds
    assert any(kind == "sessions" for kind, _ in kinds)
    assert grr.compare_operators(found).numbers.pairs["p"].min() < 0.001


def test_shared_sessions_that_look_like_each_persons_own_are_told():
    looks_own = "in their own way"
    apart = grr.anova(study(shared_table(own=1.0)))
    assert any(looks_own in note for note in apart.notes)
    told = 0
    for seed in range(40):
        notes = grr.anova(study(shared_table((6, 3, 4, 2), seed=50 + seed))).notes
        told += any(looks_own in note for note in notes)
    assert told <= 3  # 1 in 100 is meant


def test_one_session_each_is_confounded_with_the_operators_and_says_so():
    table = shared_table()
    each = grr.anova(study(table.assign(session=table["operator"])))
    assert ONE_SESSION_EACH in each.notes
    two = {"Ada": "monday", "Bo": "monday", "Cy": "tuesday"}
    pair = grr.anova(study(table.assign(session=table["operator"].map(two))))
    assert ONE_SESSION_EACH in pair.notes
    for other in (table, table.assign(session="monday"), table.drop(columns="session")):
        assert ONE_SESSION_EACH not in grr.anova(study(other)).notes


def test_one_person_in_one_of_two_shared_sessions():
    table = shared_table()
    gone = (table["operator"] == "Cy") & (table["session"] == "day 2")
    result = grr.anova(study(table[~gone]))
    assert "SES" in result.source_names
    assert further_sources(result.study).shared_sessions == "some"


def test_the_limits_know_sessions_and_hold_the_value():
    result = grr.anova(study())
    limits = result.intervals()
    assert list(limits.index.get_level_values(0).unique()) == [*ROWS, "ndc", "ICC"]
    for name in ROWS:
        row = limits.loc[(name, "sd")]
        assert row["lower"] <= row["estimate"] <= row["upper"]
    plain = grr.anova(study(table_of().drop(columns="session"))).intervals()
    wider, narrower = (found["upper"]["GRR", "sd"] for found in (limits, plain))
    assert wider > narrower, "sessions are few, and the bound knows it"


def test_one_operator_in_two_sessions():
    result = grr.anova(study(table_of((10, 1, 4, 2), shares=(0.5, 0.0, 0.0, 0.5))))
    assert set(result.reasons) == {"AV", "INT"}
    parts = result.sources.loc[["EV", "SES"], "variance"].sum()
    assert result.value("GRR", "variance") == pytest.approx(parts)


def test_lost_readings_and_readings_without_scatter():
    lost = table_of((10, 3, 3, 2)).drop(index=[3, 40, 71])
    result = grr.anova(study(lost))
    assert result.value("SES", "variance") > 0.0
    assert any("3 planned readings" in note for note in result.notes)
    table = table_of((10, 3, 3, 2))
    each = table.groupby(["part", "operator"])["reading"].transform("first")
    still = grr.anova(study(table.assign(reading=each)))
    assert still.floored
    assert still.value("SES", "variance") == 0.0


def test_the_formulas_filled_in_give_the_numbers():
    result = grr.anova(study(operators=5))
    lines = filled_in(result)
    for name in ("EV", "AV", "SES", "GRR"):
        assert f"{1000.0 * result.value(name, 'sd'):.6g}" in lines[name][-1]  # in µm
    opinion = second_opinion(result)
    assert opinion.same
    assert "session" in opinion.table.index


def test_what_sessions_differ_by_is_no_change_between_trials():
    table = table_of(shares=(0.3, 0.15, 0.05, 0.0))
    late = table["trial"] > 2
    moved = table.assign(reading=(table["reading"] + 0.004 * late).round(4))
    kinds = {finding.topic for finding in grr.check(study(moved)).findings}
    plain = {finding.topic for finding in grr.check(study(moved.drop(columns="session"))).findings}
    assert plain - kinds, "without sessions it is one"
    within = table.assign(reading=(table["reading"] + 0.004 * (table["trial"] == 4)).round(4))
    assert plain - kinds <= {finding.topic for finding in grr.check(study(within)).findings}


def test_every_page_and_picture_takes_it(tmp_path):
    found = study()
    assert further_sources(found).squares.levels["session"] == 6
    verdict = grr.verdict(found)
    assert verdict.result.value("SES", "variance") > 0.0
    figure = grr.show.spread_sources(verdict.result)
    assert len(figure.data[0].y) == len(ROWS)
    assert "SES" in grr.explain("between sessions").to_frame().iloc[0]["formula"]
    by_ranges = grr.average_range(found)
    assert "SES" not in by_ranges.sources.index
    assert any("sessions are not" in note for note in by_ranges.notes)
    grr.report(found, tmp_path / "report.html")
    assert "between sessions" in (tmp_path / "report.html").read_text(encoding="utf-8")
    grr.export_workbook(found, tmp_path / "numbers.xlsx")
    grr.export_json(found, tmp_path / "numbers.json")


def test_sessions_are_named_as_a_cause_and_people_are_not_blamed_for_them():
    causes = grr.assess(study(table_of(shares=(0.2, 0.0, 0.0, 0.8)))).causes
    kinds = {cause.kind for cause in causes}
    assert "sessions" in kinds
    assert not kinds & {"operator_offset", "trial_shift", "step"}
    found = next(cause for cause in causes if cause.kind == "sessions")
    assert 0.0 < found.share.value < 100.0
    assert found.without.lower <= found.without.value <= found.without.upper


def test_sessions_that_do_not_differ_are_seldom_named():
    named = 0
    for seed in range(40):
        looked = study(table_of(seed=100 + seed, shares=(0.9, 0.1, 0.0, 0.0)))
        named += any(cause.kind == "sessions" for cause in grr.assess(looked).causes)
    assert named <= 3  # 1 in 100 is meant: more than 3 of 40 happen in 1 of 10 000


def test_one_session_each_is_told_beside_the_decision():
    table = table_of(shares=(0.9, 0.1, 0.0, 0.0))
    wide = {"tolerance": grr.Tolerance(24.5, 25.5), "operators": "fixed"}
    one = grr.verdict(study(table.assign(session=table["operator"]), **wide))
    assert any("two days" in line for line in one.conditions)
    two = grr.verdict(study(table, **wide))
    assert not any("two days" in line for line in two.conditions)


def test_people_are_compared_against_their_own_sessions():
    blamed = {"plain": 0, "with sessions": 0}
    for seed in range(15):
        table = table_of(seed=200 + seed, shares=(0.2, 0.0, 0.0, 0.8))
        for name, found in (("plain", table.drop(columns="session")), ("with sessions", table)):
            pairs = grr.compare_operators(study(found)).numbers.pairs
            blamed[name] += bool((pairs["p"] < 0.05).any())
    assert blamed["plain"] >= 12, "nobody reads apart, only the sessions do"
    assert blamed["with sessions"] <= 4  # 1 in 20 is meant: more than 4 of 15 in 1 of 1000
