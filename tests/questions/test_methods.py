"""Two methods of studies with a known truth: the decision, the numbers and the words."""

from __future__ import annotations

import runpy
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from snapshot import assert_snapshot

import grr
from grr.questions.methods import (
    MethodCase,
    Recommendation,
    compare_with_baseline,
    recommend,
    recommended_of,
    what_next,
)

DEMO = Path(__file__).parents[2] / "demo_data"
SETTINGS = {"unit": "µm", "tolerance": grr.Tolerance(-3.0, 3.0), "operators": "fixed"}


def study(
    stand=0.1,
    handheld=0.2,
    difference=0.0,
    *,
    offsets=(0.0, 0.05, -0.05),
    parts=10,
    trials=3,
    seed=1,
    methods=("stand", "handheld"),
    **settings,
):
    """A study in µm, tolerance 6 µm; each method has a scatter, handheld a difference."""
    rng = np.random.default_rng(seed)
    sizes = rng.normal(0, 0.8, parts)
    rows = []
    for method, scatter, shift in zip(
        methods, (stand, handheld, stand), (0.0, difference, 0.0), strict=False
    ):
        for name, offset in zip("ABCDE", offsets, strict=False):
            for trial in range(1, trials + 1):
                for part in range(parts):
                    value = sizes[part] + offset + shift + rng.normal(0, scatter)
                    rows.append((part + 1, name, trial, method, value))
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "method", "reading"])
    return grr.Study(table, **{**SETTINGS, **settings})


def compared(source, **options):
    return grr.compare_methods(source, **{"baseline": "stand", "candidate": "handheld", **options})


def plain(result):
    return " ".join(str(result).split())


@pytest.mark.parametrize(
    "truth, choice",
    [
        ({"handheld": 0.12}, "candidate"),
        ({"handheld": 0.6}, "baseline"),
        ({"stand": 0.6, "handheld": 0.9}, "neither"),
        ({"handheld": 0.3}, "open"),
        ({"handheld": 0.12, "difference": 0.8}, "baseline"),
        ({"handheld": 0.12, "difference": 0.3}, "open"),
    ],
)
def test_the_decision_is_the_one_that_the_truth_calls_for(truth, choice):
    result = compared(study(**truth))
    assert result.choice == choice
    assert 0.0 <= result.confidence <= 1.0
    if choice != "open":
        assert result.confidence >= 0.95


def test_readings_with_something_to_mend_decide_nothing():
    due = {"calibration_due": "2026-09-30"}
    source = study(handheld=0.12, facts=due)
    assert compared(source).choice == "candidate"
    late = replace(source, readings=source.readings.assign(time="2026-10-05T08:00:00Z"))
    found = compared(late)
    assert found.choice == "open"
    (todo,) = found.to_mend
    assert todo.startswith("the gauge: ")


def test_the_first_screen_states_the_decision():
    text = str(compared(study(handheld=0.6)))
    assert text.startswith("● USE STAND")
    html = compared(study(handheld=0.12))._repr_html_()
    assert html.index("EITHER WILL DO") < 400


def test_the_numbers_are_those_of_the_definitions():
    source = study(handheld=0.2, difference=0.3)
    numbers = compared(source).numbers
    table = source.readings
    means = table.groupby(["method", "part"])["reading"].mean().unstack("method")
    expected = stats.ttest_rel(means["handheld"], means["stand"])
    low, high = numbers.difference.limits(0.95)
    interval = expected.confidence_interval(0.95)
    assert (float(low), float(high)) == pytest.approx((interval.low, interval.high), rel=1e-9)
    cells = table.groupby(["method", "part", "operator"])["reading"].var().groupby("method").mean()
    assert numbers.ev_ratio.value == pytest.approx(
        np.sqrt(cells["handheld"] / cells["stand"]), rel=1e-9
    )
    assert numbers.ev_ratio.lower < 2.0 < numbers.ev_ratio.upper
    assert numbers.grr_ratio.lower < numbers.grr_ratio.value < numbers.grr_ratio.upper
    for name in ("stand", "handheld"):
        alone = grr.anova(
            grr.Study(
                table[table["method"] == name].drop(columns="method"),
                tolerance=source.tolerance,
                unit="µm",
                operators="fixed",
            )
        )
        assert numbers.results[name].value("GRR", "sd") == pytest.approx(alone.value("GRR", "sd"))
    assert list(numbers.by_part.columns) == ["stand", "handheld", "difference"]
    assert numbers.by_part["difference"].mean() == pytest.approx(float(numbers.difference.mean))
    assert numbers.anova_table.loc["method", "tested_against"] == "part × method"
    f, p = numbers.anova_table.loc["method", ["F", "p"]]
    assert f == pytest.approx(expected.statistic**2)
    assert p == pytest.approx(expected.pvalue)


def test_single_readings_lie_within_the_limits_of_agreement():
    source = study(handheld=0.3, difference=0.2, seed=6)
    found = compared(source).numbers.agreement
    wide = source.readings.pivot(
        index=["part", "operator", "trial"], columns="method", values="reading"
    )
    pairs = wide["handheld"] - wide["stand"]
    inside = pairs.between(float(found.lower), float(found.upper)).mean()
    assert inside == pytest.approx(0.95, abs=0.06)


def test_operators_as_a_sample_make_it_less_sure_and_it_says_so():
    source = study(handheld=0.15, offsets=(0.0, 0.2, -0.2))
    fixed, sampled = compared(source), compared(source, operators="random")
    assert fixed.choice == "candidate"
    assert sampled.confidence < fixed.confidence
    bounds = [r.judgements["handheld"].criterion.upper for r in (fixed, sampled)]
    assert bounds[1] > 1.5 * bounds[0]
    assert (fixed.study.operators, sampled.study.operators) == ("fixed", "random")


def test_the_margin_is_the_studys_and_its_origin_is_printed():
    source = study(difference=0.2, handheld=0.12)
    default = compared(source)
    assert default.margin.length == pytest.approx(0.3)
    assert default.margin.stated == "by default"
    stated = compared(study(difference=0.2, handheld=0.12, facts={"difference_margin_percent": 2}))
    assert stated.margin.length == pytest.approx(0.12)
    assert stated.margin.stated == "in the study"
    assert stated.choice == "baseline"
    given = compared(source, margin=0.5)
    assert given.margin.stated == "when comparing"
    assert compared(source, margin_share=0.1).margin.length == pytest.approx(0.6)


def test_risks_count_the_difference_as_a_bias():
    result = compared(study(handheld=0.12, difference=0.8))
    assert result.risks.misjudged("handheld") > 3 * result.risks.misjudged("stand")
    chosen = compared(study(parts_from="chosen"))
    assert chosen.risks.by_method == {}
    assert chosen.risks.reason


def case(base="shown", candidate="shown", *, better=None, quicker=None, apart="inside", **more):
    """What the rules look at; A is the baseline."""
    found = {"settled": True, "mended": (), **more}
    fit = {"A": base, "B": candidate}
    return MethodCase("A", "B", fit=fit, better=better, quicker=quicker, apart=apart, **found)


@pytest.mark.parametrize(
    "found, expected",
    [
        (case(settled=False, better="A"), ("can't tell yet", None)),
        # One is better: at no cost it is recommended even if both suffice, or none is shown to.
        (case(better="A"), ("use", "A")),
        (case(better="B"), ("use", "B")),
        (case(better="A", quicker="A"), ("use", "A")),
        (case("open", "open", better="A"), ("use", "A")),
        (case("shown", "not", better="A", quicker="B"), ("use", "A")),
        (case("shown", "open", better="A", quicker="B"), ("use", "A")),
        (case("shown", "shown", better="A", quicker="B"), ("either", "B")),
        (case("shown", "shown", better="A", quicker="B", apart="open"), ("use", "A")),
        (case("shown", "shown", better="B", apart="beyond"), ("use", "B")),
        (case("not", "not", better="A"), ("neither", None)),
        (case("not", "not", better="A", mended=("B",)), ("only if", "B")),
        # Neither is better.
        (case(), ("either", None)),
        (case(quicker="B"), ("either", "B")),
        (case(apart="open"), ("can't tell yet", None)),
        (case(apart="beyond"), ("use", "A")),
        (case("shown", "open"), ("use", "A")),
        (case("open", "shown"), ("use", "B")),
        (case("not", "shown", quicker="A"), ("use", "B")),
        (case("open", "open"), ("can't tell yet", None)),
        (case("open", "not", mended=("B",)), ("can't tell yet", None)),
        (case("not", "not"), ("neither", None)),
        (case("not", "not", mended=("A", "B")), ("only if", "A")),
    ],
)
def test_the_rules_of_the_recommendation(found, expected):
    recommendation, method, reason = recommend(found)
    assert (recommendation, method) == expected
    assert isinstance(recommendation, Recommendation) and reason


@pytest.mark.parametrize(
    "truth, expected",
    [
        # Four times better at no cost, though both suffice: 5 and 20 % of the tolerance.
        ({"stand": 0.05, "handheld": 0.2, "offsets": (0.0, 0.0, 0.0)}, ("use", "stand")),
        ({"stand": 0.2, "handheld": 0.05, "offsets": (0.0, 0.0, 0.0)}, ("use", "handheld")),
        ({"stand": 0.1, "handheld": 0.1}, ("either", None)),
        ({"stand": 0.5, "handheld": 0.5}, ("only if", "stand")),
        ({"stand": 3.0, "handheld": 3.2}, ("neither", None)),
        ({"stand": 0.1, "handheld": 0.1, "difference": 0.8}, ("use", "stand")),
    ],
)
def test_the_recommendation_is_the_one_that_the_truth_calls_for(truth, expected):
    result = compared(study(**truth))
    assert (result.recommendation, result.recommended) == expected
    assert (
        str(result).split("\n")[0]
        == {
            "use": f"● USE {(expected[1] or '').upper()}",
            "either": "◉ EITHER WILL DO",
            "only if": "◐ STAND ONLY IF THE MEAN OF 3 READINGS IS TAKEN",
            "neither": "✖ USE NEITHER FOR THIS TOLERANCE",
        }[expected[0]]
    )
    answer = grr.show.methods_by_part(result).layout.meta["answer"]
    assert answer.startswith(result.headline)


def test_the_price_is_so_much_of_the_tolerance():
    result = compared(study(stand=0.1, handheld=0.4, offsets=(0.0, 0.0, 0.0)))
    sds = [result.numbers.results[name].value("GRR", "sd") for name in ("stand", "handheld")]
    assert result.price.value == pytest.approx(6.0 * (sds[1] - sds[0]))
    assert result.price.lower < 6.0 * 0.3 < result.price.upper and result.price.unit == "µm"
    assert result.costly == "handheld"
    turned = compared(result.study, baseline="handheld", candidate="stand")
    assert turned.price.value == pytest.approx(result.price.value)
    assert (turned.recommended, turned.costly) == ("stand", "handheld")


def test_the_quicker_is_recommended_only_where_either_will_do():
    def found(seconds):
        source = timed(seconds)
        return compared(replace(source, operators="fixed"))

    quick = found({"stand": 25.0, "handheld": 15.0})
    assert (quick.recommendation, quick.recommended) == ("either", "handheld")
    assert quick.case.better == "stand" and quick.numbers.quicker == "handheld"
    same = found({"stand": 20.0, "handheld": 20.0})
    assert (same.recommendation, same.recommended) == ("use", "stand")
    assert same.numbers.quicker is None


def drifting(rate, *, seed=3, operators="fixed", gap=20.0, **settings):
    """A study in which the handheld gauge falls by so many µm a minute after zeroing."""
    source = study(handheld=0.1, offsets=(0.0, 0.0, 0.0), seed=seed, **settings)
    table = source.readings
    place = table.groupby(["method", "operator"]).cumcount() * gap
    session = (table.groupby(["method", "operator"]).ngroup() + 1) * 3600.0
    table["time"] = pd.Timestamp("2026-05-05T08:00:00Z") + pd.to_timedelta(place + session, "s")
    table.loc[table["method"] == "handheld", "reading"] -= rate * place / 60.0
    return replace(source, readings=table, operators=operators)


def test_the_drift_of_a_session_is_in_and_its_condition_is_that_of_every_page():
    source = drifting(0.15)  # 1.5 µm in ten minutes, 25 % of the tolerance
    result = compared(source)
    assert (result.recommendation, result.recommended) == ("use", "stand")
    worst = result.numbers.worst["handheld"]
    assert worst.drift == pytest.approx(1.5, abs=0.2) and worst.steady < 0.5
    assert result.judgements["handheld"].at_worst.value >= 100 * worst.drift / 6.0
    assert result.numbers.worst["stand"].drift == 0.0
    condition = result.conditions["handheld"]
    drift = grr.drift(source)
    assert drift.re_zero["handheld"].estimate == pytest.approx(2.0, abs=0.2)  # 0.3/0.15 minutes
    assert condition.zero_every.startswith("every ") and condition.readings == 1
    assert f"zero again {condition.zero_every} " in plain(drift)
    assert f"zeroed {condition.zero_every}" in plain(result)
    assert condition.enough
    # as zeroed both read alike, and nothing is blamed on the stand
    assert result.case.apart == "inside"
    turned = compared(source, baseline="handheld", candidate="stand")
    assert turned.recommended == "stand"


def test_the_margin_that_a_study_states_is_that_of_its_drift_too():
    facts = {"difference_margin_percent": 10.0}
    result = compared(drifting(0.15, facts=facts))
    drift = grr.drift(result.study)
    assert drift.re_zero["handheld"].allowed == pytest.approx(0.6)
    assert result.margin.length == pytest.approx(0.6)
    assert f"zero again {result.conditions['handheld'].zero_every} " in plain(drift)


def test_operators_count_as_the_study_says_and_both_are_told_where_they_differ():
    sampled = study(stand=0.1, handheld=0.2, offsets=(0.0, 0.3, -0.3), operators="random")
    result = compared(sampled)
    assert result.study.operators == "random"
    other = result.otherwise
    assert other is not None and other.study.operators == "fixed"
    assert other.headline[1:] in plain(result)
    assert compared(study(stand=0.1, handheld=0.1, operators=3)).study.all_studied
    some = compared(study(stand=0.1, handheld=0.1, operators=5))
    assert some.study.people == 5
    # two cannot stand for others
    assert compared(study(offsets=(0.0, 0.1), operators="random")).study.operators == "fixed"


def test_counted_otherwise_it_is_the_comparison_of_a_study_that_states_it_so():
    pins = grr.open_study(DEMO / "pins_two_ways")
    rolled = study(stand=0.1, handheld=0.2, offsets=(0.0, 0.3, -0.3), operators="random")
    for source in (pins, rolled):
        found = compared(source)
        other_way = "random" if found.study.all_studied else "fixed"
        stated = compared(replace(source, operators=other_way))
        got = found.otherwise or found
        assert got.headline == stated.headline
        if got is not found:
            assert got.case == stated.case
            pd.testing.assert_frame_equal(got.to_frame(), stated.to_frame())


def test_how_many_readings_would_tell():
    near = compared(study(stand=0.25, handheld=0.25, parts=4, trials=2))
    assert (near.recommendation, near.reason) == ("can't tell yet", "nothing is shown")
    assert near.study.taken < near.readings_to_tell < 20 * near.study.taken
    open_difference = compared(study(stand=0.1, handheld=0.1, parts=4, difference=0.27, seed=2))
    assert open_difference.case.apart == "open"
    count = open_difference.readings_to_tell
    assert open_difference.study.taken < count <= 60 / 4 * open_difference.study.taken
    assert f"{count} readings" in plain(open_difference)
    assert compared(study()).readings_to_tell is None


SCRIPT = Path(__file__).parents[1] / "coverage" / "recommendation.py"
SIMULATION = runpy.run_path(str(SCRIPT))


@pytest.mark.parametrize(
    "name",
    [
        "A four times better, both suffice",
        "equal and good",
        "B drifts by a quarter of the tolerance",
    ],
)
def test_simulated_truths_are_recognised(name):
    settings = {setting.name: setting for setting in SIMULATION["SETTINGS"]}
    found = SIMULATION["shares"](settings[name], studies=5)
    assert found["right"] >= 0.8
    assert found["B to be zeroed"] == (1.0 if "drifts" in name else 0.0)


def test_the_committed_simulation_says_what_it_should():
    table = pd.read_csv(SCRIPT.with_suffix(".csv")).set_index("setting")
    assert set(table.index) == {setting.name for setting in SIMULATION["SETTINGS"]}
    for name in ("A four times better, both suffice", "B four times better, both suffice"):
        assert table.loc[name, "right"] > 0.9
    assert table.loc["equal and good", "right"] > 0.8
    assert table.loc["B drifts by a quarter of the tolerance", "B to be zeroed"] > 0.9


def test_of_three_methods_one_is_recommended():
    rng = np.random.default_rng(4)
    rows = [
        (part + 1, name, trial, method, 1.3 * part + rng.normal(0, scatter))
        for method, scatter in (("stand", 0.4), ("clamp", 0.1), ("handheld", 1.2))
        for name in "ABC"
        for trial in (1, 2, 3)
        for part in range(10)
    ]
    table = pd.DataFrame(rows, columns=["part", "operator", "trial", "method", "reading"])
    source = grr.Study(table, **{**SETTINGS, "tolerance": grr.Tolerance(-6.0, 20.0)})
    comparisons = compare_with_baseline(source, "stand")
    assert [one.recommended for one in comparisons] == ["clamp", "stand"]
    assert recommended_of(comparisons) == "clamp"


def test_the_mean_of_several_readings_is_offered_where_it_helps():
    found = compared(study(handheld=0.5)).conditions
    # About 50 % of the tolerance, all repeatability: √(50/30)² = 2.8, so 3 readings.
    assert list(found) == ["handheld"]
    assert (found["handheld"].readings, found["handheld"].zero_every) == (3, "")
    assert "mean of 3" in found["handheld"].words
    assert found["handheld"].enough and found["handheld"].share < 30
    assert compared(study(handheld=0.12)).conditions == {}


def test_misjudged_parts_are_counted_so_that_the_number_can_be_read():
    few = compared(study(stand=0.05, handheld=0.06, process_mean=0.0, process_sd=0.8))
    many = compared(study(stand=0.3, handheld=0.6, process_mean=0.0, process_sd=1.2))
    assert max(map(few.risks.misjudged, few.risks.by_method)) < 1.0
    assert max(map(many.risks.misjudged, many.risks.by_method)) > 1.0
    assert "in a million" in plain(few)
    assert "in 1000 parts" in plain(many)


def test_a_constant_difference_can_be_corrected():
    apart = compared(study(handheld=0.12, difference=0.8))
    assert apart.case.apart == "beyond"
    assert "To make both" in " ".join(dict(what_next(apart)))


def timed(seconds, *, seed=5):
    """A study whose readings follow each other after so many seconds, by method."""
    source = study(seed=seed)
    table = source.readings
    rng = np.random.default_rng(seed)
    gaps = table["method"].map(seconds).to_numpy() * (1 + 0.2 * rng.normal(size=len(table)))
    start = pd.Timestamp("2026-05-05T08:00:00Z")
    return replace(source, readings=table.assign(time=start + pd.to_timedelta(gaps.cumsum(), "s")))


def test_the_time_that_a_method_costs_is_told_beyond_chance_only():
    slow = compared(timed({"stand": 25.0, "handheld": 15.0})).numbers
    assert slow.seconds["stand"] == pytest.approx(25.0, abs=2.0)
    assert slow.seconds_p < 0.001
    alike = compared(timed({"stand": 20.0, "handheld": 20.0}))
    assert alike.numbers.seconds_p > 0.05 and alike.numbers.quicker is None
    even = alike.study.readings
    even["time"] = pd.Timestamp("2026-05-05T08:00:00Z") + pd.to_timedelta(
        (20.0 + 1e-7 * np.arange(len(even))) * np.arange(len(even)), "s"
    )
    assert compared(replace(alike.study, readings=even)).numbers.seconds_p == 1.0
    assert "no times" in compared(study()).numbers.no_seconds


def test_shares_and_their_difference_agree_as_they_are_shown():
    for seed in range(6):
        result = compared(study(seed=seed, parts=4, trials=2))
        base, candidate = (
            round(result.judgements[name].criterion.value, 1) for name in ("stand", "handheld")
        )
        assert f" {abs(candidate - base):.1f} percentage" in plain(result)


def test_a_comparison_is_worked_out_once_and_nobody_can_change_it():
    source = study()
    assert compared(source) is compared(source)
    assert compared(source) is not compared(source, margin=0.5)
    own = compared(source).numbers.by_part
    own["difference"] = 0.0
    assert compared(source).numbers.by_part["difference"].any()


def test_why_drift_may_play_a_part_unseen_is_told():
    found = compared(study(handheld=0.6))
    assert found.numbers.no_drift and found.numbers.no_drift in plain(found)


def test_purpose_control_judges_by_the_total_variation():
    result = compared(study(purpose="control"))
    assert result.judgements["stand"].criterion.name == "of the total variation"


def test_one_operator_compares_repeatability():
    result = compared(study(handheld=0.6, offsets=(0.0,)))
    numbers = result.numbers
    assert numbers.grr_ratio == numbers.ev_ratio
    assert numbers.anova_table is None
    assert result.choice == "baseline"
    assert result.numbers.components is None


def test_two_trials_one_reading_lost():
    source = study(handheld=0.6, trials=2)
    table = source.readings
    table.loc[[7, 100], "reading"] = np.nan
    lost = grr.Study(table, unit="µm", tolerance=source.tolerance)
    assert compared(lost).choice == "baseline"


def test_one_trial_gives_what_it_can():
    result = compared(study(handheld=0.6, trials=1))
    assert not result.numbers.ev_ratio.known
    assert result.numbers.ev_ratio.why
    assert result.choice == "baseline"


def test_three_methods_need_both_names():
    source = study(methods=("stand", "handheld", "clamp"))
    assert compared(source, candidate="clamp").numbers.methods == ("stand", "clamp")
    with pytest.raises(grr.StudyError, match="which methods"):
        grr.compare_methods(source, baseline="stand")


def test_with_two_methods_one_name_is_enough():
    source = study()
    assert grr.compare_methods(source, baseline="stand").numbers.candidate == "handheld"
    assert grr.compare_methods(source, candidate="stand").numbers.baseline == "handheld"


def test_without_a_tolerance_the_numbers_come_without_a_decision():
    result = compared(study(tolerance=None))
    assert result.choice == "open"
    assert result.numbers.ev_ratio.lower < 2.0 < result.numbers.ev_ratio.upper
    assert all("tolerance" in found.reason for found in result.judgements.values())
    one_sided = study(handheld=0.12, tolerance=grr.Tolerance(upper=6.0))
    assert compared(one_sided).margin is None
    assert compared(one_sided, margin=0.3).choice == "candidate"
    with pytest.raises(grr.StudyError, match="upper limit"):
        compared(one_sided, margin_share=0.05)


def test_to_frame_has_one_row_a_method():
    table = compared(study()).to_frame()
    assert table.index.tolist() == ["stand", "handheld"]
    assert (table["percent_lower"] < table["percent"]).all()
    assert table["seconds_per_reading"].isna().all()


def test_bad_input_is_told_with_a_remedy():
    source = study()
    table = source.readings
    alone = grr.Study(table[table["method"] == "stand"], unit="µm")
    with pytest.raises(grr.StudyError, match="column method"):
        compared(alone)
    bare = grr.Study(table[table["method"] == "stand"].drop(columns="method"), unit="µm")
    with pytest.raises(grr.StudyError, match="one method"):
        compared(bare)
    others = table.copy()
    others.loc[(others["method"] == "handheld") & (others["operator"] == "C"), "operator"] = "D"
    with pytest.raises(grr.StudyError, match=r"Operator C.*stand"):
        compared(grr.Study(others, unit="µm"))
    elsewhere = table[~((table["method"] == "handheld") & table["part"].isin(["9", "10"]))]
    with pytest.raises(grr.StudyError, match=r"9 and 10.*stand"):
        compared(grr.Study(elsewhere, unit="µm"))
    gone = (table["method"] == "handheld") & (table["part"] == "4") & (table["operator"] == "B")
    with pytest.raises(grr.StudyError, match=r"Operator B.*part 4.*handheld"):
        compared(grr.Study(table[~gone], unit="µm"))
    with pytest.raises(grr.StudyError, match="nested study"):
        compared(study(design="nested"))
    few = table[table["part"].isin(["1", "2"])]
    with pytest.raises(grr.StudyError, match="three parts"):
        compared(grr.Study(few, unit="µm"))
    with pytest.raises(grr.StudyError, match="no such method"):
        compared(source, candidate="clamp")
    with pytest.raises(grr.StudyError, match="same method"):
        compared(source, candidate="stand")
    with pytest.raises(grr.StudyError, match="Two operators are"):
        compared(study(offsets=(0.0, 0.1)), operators="random")
    with pytest.raises(grr.StudyError, match="operators is not"):
        compared(source, operators="some")


def test_text_fits_a_terminal_and_names_are_escaped():
    result = compared(
        study(handheld=0.6, methods=("stand", "<u>held & bare by a long name, in the hand")),
        candidate="<u>held & bare by a long name, in the hand",
    )
    assert max(map(len, str(result).splitlines())) <= 80
    assert "<u>" not in result._repr_html_()


@pytest.mark.parametrize(
    "name, decision",
    [
        ("pins_two_ways", "baseline"),
        ("rollers_two_ways", "candidate"),
    ],
)
def test_the_demo_decides_as_its_truth_calls_for(name, decision):
    truth = tomllib.loads((DEMO / name / "truth.toml").read_text(encoding="utf-8"))
    people = truth["operators_in_micrometres"]
    result = compared(grr.open_study(DEMO / name))
    assert result.choice == decision
    assert result.margin.stated == "in the study"
    low, high = (1000 * float(v) for v in result.numbers.difference.limits())
    assert low < truth["handheld_minus_stand_in_micrometres"] < high
    # a repeat scatters, drifts and is rounded; by the stand nothing drifts
    variances = [people[f"{who}, stand"]["scatter"] ** 2 for who in ("Ilka", "Jonas", "Miro")]
    ev = np.sqrt(np.mean(variances) + 0.1**2 / 12)
    stand = result.numbers.results["stand"]
    limits = stand.intervals().loc[("EV", "sd"), ["lower", "upper"]] * 1000
    assert limits.iloc[0] < ev < limits.iloc[1]
    assert result.numbers.seconds["stand"] > result.numbers.seconds["handheld"]


def test_the_demo_hand_would_do_zeroed_often_and_by_means():
    result = compared(grr.open_study(DEMO / "pins_two_ways"))
    assert (result.recommendation, result.recommended) == ("use", "stand")
    condition = result.conditions["handheld"]
    assert condition.enough and condition.readings > 1
    when = grr.drift(result.study)
    assert f"zero again {condition.zero_every} " in " ".join(when.sentences).replace(
        "\xa0", " "
    ) or (f"zero again {condition.zero_every} " in " ".join(when.sentences))
    # What is left of the mean difference without the drift is less than a digit.
    assert abs(float(result.numbers.at_start.mean)) < 0.0001
    low, high = result.price.lower, result.price.upper
    percent = [result.judgements[name].at_worst.value for name in ("stand", "handheld")]
    assert result.price.value == pytest.approx((percent[1] - percent[0]) / 100 * 0.006)
    assert low < result.price.value < high and low > 0.0
    assert_snapshot(str(result), "methods")
